"""The plan: published figures behind its numbers, origins, advice. In brackets: how a figure is known."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.entries import Sand
from monitor.contract.errors import EntryRefused
from monitor.rules.charging import DensityLimits
from monitor.run.basis import Origin
from monitor.run.batch import Batch
from monitor.run.cake import CakeReading
from monitor.run.density import Standing, check_density, sugar_of_reading
from monitor.run.heating import heating_of
from monitor.run.plan import Advice, Plan, plan_for, taught_press
from monitor.run.press_record import RunEntry
from monitor.runtime.settings import load

LIMITS = DensityLimits(lower=0.66, target=0.669, upper=0.689)
LOADED = load()
GALLON_L = 3.785411784


def deg_f(value: float) -> float:
    return (value - 32.0) / 1.8


def plan(batch: Batch, *, runs: tuple[RunEntry, ...] = (), **overrides: str) -> Plan:
    loaded = load(overrides=[f"{key.replace('__', '.')}={value}" for key, value in overrides.items()])
    return plan_for(batch, rules=loaded.rules(), owner=loaded.plan_rules(), runs=runs)


def test_hydrometer_at_the_lower_limit_is_the_trade_charts() -> None:
    # Trade chart for 66.0 Brix (read): 58.0 at 209, 59.7 at 180 degF.
    for fahrenheit, brix in ((209.0, 58.0), (193.0, 59.0), (180.0, 59.7)):
        check = check_density(0.669, volume_l=50.0, pan_c=deg_f(fahrenheit), limits=LIMITS)
        assert 100 * check.lower_shown == pytest.approx(brix, abs=0.35)


def test_hot_test_line_of_the_state_rule_is_within_the_limits() -> None:
    # State hydrometer law (from memory): 59.0 Brix at 211 degF is 66.9 Brix.
    sugar = sugar_of_reading(0.590, pan_c=deg_f(211.0))
    assert 100 * sugar == pytest.approx(66.9, abs=0.35)
    assert check_density(sugar, volume_l=50.0, pan_c=99.4, limits=LIMITS).standing is Standing.WITHIN


def test_eleven_pounds_a_gallon_is_the_lower_limit() -> None:
    # NH RSA 146:13 and 7 CFR 52.5961 (read): 11 lb a US gallon at 68 degF is 66.0 Brix.
    from monitor.physics.syrup import density

    pounds = density(LIMITS.lower, temperature_c=20.0) * 3.785411784e-3 / 0.45359237
    assert pounds == pytest.approx(11.04, abs=0.02)


def test_water_for_thick_syrup_by_the_balance_of_sugar() -> None:
    # 100 kg at 70 % holds 70 kg of sugar; at 66.9 % that is 104.634 kg, so 4.634 kg of water (computed).
    from monitor.physics.syrup import density

    litres = 100.0 / density(0.70, temperature_c=90.0) * 1000.0
    check = check_density(0.70, volume_l=litres, pan_c=90.0, limits=LIMITS)
    assert check.standing is Standing.THICK
    assert check.water_l == pytest.approx(4.634 / 0.999, abs=0.01)
    assert check.boil_off_l == 0.0


def test_water_to_boil_from_thin_syrup() -> None:
    # 100 kg at 60 % holds 60 kg of sugar; at 66.9 % that is 89.686 kg: 10.314 kg boils off (computed).
    from monitor.physics.syrup import density

    litres = 100.0 / density(0.60, temperature_c=90.0) * 1000.0
    check = check_density(0.60, volume_l=litres, pan_c=90.0, limits=LIMITS)
    assert check.standing is Standing.THIN
    assert check.boil_off_l == pytest.approx(10.314 / 0.999, abs=0.02)


def test_hot_fill_makes_up_for_the_shrinkage() -> None:
    # 185 to 68 degF at 66.9 Brix: 2.896 % (computed from ICUMSA densities), so 1 gal needs 1.0298 gal.
    made = plan(Batch(volume_l=50.0, sugar=0.669))
    assert made.fill_c == pytest.approx(85.0)
    gallon = next(fill for fill in made.hot_fills if fill.declared_l == pytest.approx(GALLON_L))
    assert gallon.hot_l / GALLON_L == pytest.approx(1 / (1 - 0.02896), abs=0.0002)


def test_recirculation_is_the_published_warm_ups() -> None:
    # 20 kg at 900 J/kg K, 4 L/min at 88 degC from 20 degC to 82.22 degC: between 176.1 s (all heat
    # passes) and 264.9 s (UA 150) (computed, confirmed by series of 5 and 20 plates).
    heating = heating_of(
        57.0,
        sugar=0.669,
        feed_c=88.0,
        plates_c=20.0,
        ready_c=82.2222,
        plate_kg=20.0,
        area_m2=0.27225,
        pace_m3_s=0.004 / 60,
    )
    assert 176.1 < heating.ready_s < 264.9
    # Heat by hand: 20 x 900 x 62.222 = 1.12 MJ; 57 L x 1.288 kg/L x 2946 J/kg K = 216 kJ/K.
    assert heating.heat_j == pytest.approx(1.12e6, rel=1e-4)
    assert heating.cooling_k == pytest.approx(1.12e6 / 216.3e3, rel=0.01)


def test_cake_thickness_by_the_balance_of_solids() -> None:
    made = plan(Batch(volume_l=50.0, sand=Sand.USUAL))
    solids_kg = made.charge.aid_per_set_kg + 0.003 * 50.0
    by_hand_m = solids_kg / 300.0 / (5 * 0.165**2)
    assert made.cake_thickness_m == pytest.approx(by_hand_m, rel=1e-6)


def test_cups_are_the_charge_by_weight() -> None:
    made = plan(Batch(volume_l=50.0), charge__cup='"60 g"')
    assert made.aid_cups == pytest.approx(made.charge.aid_kg / 0.060)
    assert Advice.WEIGH_CUP not in made.advice


def test_every_number_tells_where_it_comes_from() -> None:
    given_ = plan(Batch(volume_l=50.0, sugar=0.67, sand=Sand.HEAVY, plates_c=4.0), pump__pace='"1 gal/min"')
    origins = {basis.name: basis.origin for basis in given_.basis}
    assert origins["sugar"] is origins["sugar sand"] is origins["plates before the run"] is Origin.GIVEN
    assert origins["pump's pace"] is Origin.SETTING
    assert origins["cake"] is origins["clean papers"] is Origin.DEFAULT


def test_learned_numbers_are_named_as_learned() -> None:
    entry = RunEntry(
        run="one",
        dose_kg_m3=9.0,
        volume_l=80.0,
        room_l=3.4576,
        growth_per_m2=1.9e12,
        clean_per_m=1.5e10,
        hot_flow_l_min=3.5,
        cake=CakeReading(fill=0.9),
    )
    made = plan(Batch(volume_l=50.0), runs=(entry,))
    origins = {basis.name: basis.origin for basis in made.basis}
    names = ("sugar sand", "cake", "sand alone", "pump's pace", "clean papers")
    assert {origins[name] for name in names} == {Origin.LEARNED}
    assert made.assumption is not None
    assert origins["fall of its resistance"] is Origin.DEFAULT


def test_owners_word_on_the_sand_stands_over_what_was_learned() -> None:
    entry = RunEntry(run="one", dose_kg_m3=9.0, volume_l=80.0, room_l=3.4576, cake=CakeReading(fill=0.9))
    made = plan(Batch(volume_l=50.0, sand=Sand.HEAVY), runs=(entry,))
    assert made.known.law.sand_kg_m3 == pytest.approx(7.0)
    assert made.known.law.cake_kg_m3 != pytest.approx(300.0)


def test_pan_over_the_precipitation_threshold_is_to_cool() -> None:
    made = plan(Batch(volume_l=50.0, pan_c=deg_f(210.0)))
    assert Advice.COOL_PAN in made.advice
    assert made.feed_c == pytest.approx(deg_f(190.0))


def test_pan_under_the_ready_temperature_is_to_heat() -> None:
    made = plan(Batch(volume_l=50.0, pan_c=deg_f(178.0)))
    assert Advice.HEAT_PAN in made.advice
    assert math.isinf(made.heating.ready_s)


def test_large_batch_takes_several_sets() -> None:
    made = plan(Batch(volume_l=60 * GALLON_L))
    assert made.charge.sets > 1
    assert made.aid_cups == pytest.approx(made.charge.sets * made.aid_cups_per_set)


def test_small_batch_is_told_that_fewer_frames_would_do() -> None:
    made = plan(Batch(volume_l=8.0))
    assert Advice.FEWER_FRAMES in made.advice
    assert made.frames_enough < 5


def test_forecast_gets_the_planned_full_volume() -> None:
    made = plan(Batch(volume_l=50.0))
    press = taught_press(LOADED.rules().press, plan=made)
    assert press.full_volume_l == made.full_volume_l
    assert made.full_volume_l * made.fill == pytest.approx(50.0)


@pytest.mark.parametrize(
    "wrong",
    [
        {"volume_l": 0.0},
        {"volume_l": math.nan},
        {"volume_l": -3.0},
        {"volume_l": 50.0, "sugar": 0.90},
        {"volume_l": 50.0, "sugar": 0.66, "hydrometer": 0.59, "pan_c": 90.0},
        {"volume_l": 50.0, "hydrometer": 0.59},
        {"volume_l": 50.0, "pan_c": 260.0},
        {"volume_l": 50.0, "plates_c": math.inf},
    ],
)
def test_impossible_batch_is_refused_in_one_line(wrong: dict[str, float]) -> None:
    with pytest.raises(EntryRefused) as refused:
        Batch(**wrong)  # type: ignore[arg-type]
    assert "\n" not in str(refused.value)
    assert len(str(refused.value)) < 200


def test_hydrometer_that_no_syrup_shows_is_refused() -> None:
    with pytest.raises(EntryRefused, match="read both again"):
        plan(Batch(volume_l=50.0, hydrometer=0.70, pan_c=99.0))


@settings(max_examples=30, deadline=None)
@given(
    volume_l=st.floats(1.0, 400.0),
    sugar=st.floats(0.60, 0.72),
    pan_c=st.floats(60.0, 105.0),
    plates_c=st.floats(0.0, 60.0),
)
def test_plan_is_whole_for_any_batch(volume_l: float, sugar: float, pan_c: float, plates_c: float) -> None:
    made = plan(Batch(volume_l=volume_l, sugar=sugar, pan_c=pan_c, plates_c=plates_c))
    assert made.aid_cups > 0.0
    assert 0.0 < made.fill <= 1.0
    assert 0.0 < made.cake_thickness_m <= 0.0254
    assert LOADED.rules().thresholds.start_kpa <= made.end_pressure_kpa <= 551.6
    assert made.passing_s >= made.charge.share_l / 1000 / made.press.pace_m3_s * 0.999
    assert all(fill.hot_l > fill.declared_l for fill in made.hot_fills)


def test_what_the_press_passes_follows_its_frames() -> None:
    five = plan(Batch(volume_l=50.0))
    ten = plan(replace(five.batch, volume_l=100.0), press__frames="10")
    assert ten.charge.best.capacity_l == pytest.approx(2 * five.charge.best.capacity_l, rel=1e-6)


def test_a_pump_that_is_stopped_at_the_cutoff_passes_less_through_one_set() -> None:
    batch = Batch(volume_l=100.0, sand=Sand.HEAVY)
    stopped = plan(batch, pump__kind="'gear'")
    yielding = plan(batch, pump__kind="'gear'", pump__at_cutoff="'bypass'")
    air = plan(batch)
    assert stopped.charge.taken.capacity_l < yielding.charge.taken.capacity_l
    assert yielding.charge.taken == air.charge.taken
