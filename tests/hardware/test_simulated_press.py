from __future__ import annotations

import ast
import asyncio
import csv
import math
import os
import random
from collections.abc import Iterator
from pathlib import Path

import pytest

import hardware
from hardware.kernel_files import KernelTree, LineFault, ProbeFault
from hardware.simulated_cakes import Cakes
from hardware.simulated_operator import EndReason
from hardware.simulated_plates import PlateStack
from hardware.simulated_press import SimulatedPress
from hardware.simulated_pump import Hose
from hardware.simulated_run import SimulatedRun
from hardware.simulated_season import Mishap, Scenario, season
from hardware.simulated_sensors import SimulatedProbe
from hardware.simulated_syrup import Pan, viscosity_pa_s
from hardware.simulated_trace import COLUMNS, SimulatedRow, TraceTruth, simulate_trace, write_trace
from monitor.contract.names import PumpKind
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import load

os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"

from w1thermsensor import W1ThermSensor
from w1thermsensor.errors import ResetValueError

PSI_KPA = 6.894757
SEEDS = (2, 5, 8)


def fahrenheit(temperature_c: float) -> float:
    return temperature_c * 9 / 5 + 32


@pytest.fixture(scope="module")
def ordinary() -> list[tuple[list[SimulatedRow], TraceTruth]]:
    return [simulate_trace(Scenario(), seed=seed) for seed in SEEDS]


def finished(scenario: Scenario, *, seed: int = 2) -> SimulatedRun:
    run = SimulatedRun(scenario, seed=seed)
    while run.end_reason is None:
        run.tick()
    return run


def strokes_per_min(rows: list[SimulatedRow]) -> float:
    return 60.0 * sum(row.strokes for row in rows) / len(rows)


def mean_kpa(rows: list[SimulatedRow]) -> float:
    return sum(row.line_kpa for row in rows) / len(rows)


# --- syrup and pan -------------------------------------------------------------------------


# 66.9 Brix from the published Genotelle form (Mathlouthi & Genotelle 1995); 225 mPa s at 20 degC is
# between the handbook's 182 at 66 % and 288 at 68 % (CRC Handbook, sucrose table).
@pytest.mark.parametrize(
    ("temperature_c", "published_mpa_s"),
    [(20.0, 225.0), (82.2, 10.43), (85.0, 9.56), (87.8, 8.79), (95.0, 7.16)],
)
def test_viscosity_lies_near_published_values(temperature_c: float, published_mpa_s: float) -> None:
    assert 1000 * viscosity_pa_s(temperature_c, brix=66.9) == pytest.approx(published_mpa_s, rel=0.02)


def test_180_degf_is_39_percent_thicker_than_200_degf() -> None:
    # The same published form; a check figure of the trade's temperature rule.
    ratio = viscosity_pa_s(82.22, brix=66.9) / viscosity_pa_s(93.33, brix=66.9)
    assert ratio == pytest.approx(1.39, abs=0.02)


def test_returned_syrup_thins_the_pan_and_bottled_syrup_does_not() -> None:
    pan = Pan(syrup_l=100.0, filter_aid_g=1000.0, sand_g=500.0)
    assert pan.draw(10.0, returned=True) == pytest.approx((100.0, 50.0))
    assert (pan.syrup_l, pan.filter_aid_g) == pytest.approx((100.0, 900.0))
    pan.draw(10.0, returned=False)
    assert pan.filter_aid_g / pan.syrup_l == pytest.approx(9.0)


def test_what_sank_in_the_pan_comes_with_the_next_stirring() -> None:
    pan = Pan(syrup_l=100.0, filter_aid_g=1000.0, sand_g=500.0)
    for _ in range(600):
        pan.settle(1.0, stirring=False)
    assert pan.draw(1.0, returned=True)[0] < 4.0
    for _ in range(60):
        pan.settle(1.0, stirring=True)
    assert pan.draw(1.0, returned=True)[0] == pytest.approx(10.0, rel=0.03)


# --- heat ----------------------------------------------------------------------------------


def stack(**changes: float) -> PlateStack:
    numbers = {
        "plates": 6,
        "metal_kg": 20.0,
        "start_c": 20.0,
        "room_c": 20.0,
        "heat_w_k": 300.0,
        "loss_w_k": 5.0,
        "syrup_l": 3.0,
    } | changes
    return PlateStack(**numbers)  # type: ignore[arg-type]


def test_heat_brought_is_heat_stored_carried_off_and_lost() -> None:
    plates = stack()
    before_j = plates.stored_j
    for second in range(3000):
        plates.step(0.2, feed_c=85.0 + second % 7, volume_m3=0.2 * 7e-5 * (second % 3))
    gained_j = plates.stored_j - before_j
    assert plates.brought_j - plates.carried_off_j - plates.lost_j == pytest.approx(gained_j, rel=1e-9)
    assert gained_j > 1e6


def test_one_well_mixed_plate_heats_as_the_lumped_solution_says() -> None:
    # Lumped capacity, T = Tin - (Tin - T0) exp(-t C/(M c)): 20 kg at 900 J/kg K, 4 L/min at
    # 1290 kg/m3 and 2931 J/kg K, from 20 degC with 88 degC fed, reach 82.22 degC in 176.1 s.
    plates = stack(plates=1, heat_w_k=20_000.0, loss_w_k=0.0, syrup_l=0.05)
    elapsed_s = 0.0
    while plates.outlet_c < 82.22:
        plates.step(0.002, feed_c=88.0, volume_m3=0.002 * 4e-3 / 60)
        elapsed_s += 0.002
    assert elapsed_s == pytest.approx(176.1, rel=0.03)


def test_the_outlet_stays_below_the_feed_by_what_the_room_takes() -> None:
    plates = stack(heat_w_k=3000.0)
    for _ in range(6000):
        plates.step(0.2, feed_c=88.0, volume_m3=0.2 * 5e-5)
    # First law by hand: 5 W/K x about 66 K = 330 W from 5e-5 m3/s x 1290 x 2930 = 189 W/K: 1.75 K.
    assert 88.0 - plates.outlet_c == pytest.approx(1.75, abs=0.1)


# --- cakes ---------------------------------------------------------------------------------


def one_frame(**changes: float) -> Cakes:
    numbers = {"frames": 1, "frame_side_m": 0.1, "frame_thickness_m": 0.02} | changes
    return Cakes(
        paper_per_m=2e10,
        sand_m_kg=2e12,
        chance=random.Random(1),  # noqa: S311 - papers, not secrets
        **numbers,  # type: ignore[arg-type]
    )


def test_cake_volume_by_hand() -> None:
    cakes = one_frame()
    cakes.conductance(2e5, syrup_c=[85.0], brix=66.9)
    # 25 g of filter aid at 250 kg/m3 take 0.1 L of a frame of 0.1 x 0.1 x 0.02 m = 0.2 L.
    cakes.deposit(filter_aid_g=25.0, sand_g=0.0)
    assert cakes.fill == pytest.approx(0.5)
    # 9 g of sand at 900 kg/m3 take 0.01 L more.
    cakes.deposit(filter_aid_g=0.0, sand_g=9.0)
    assert cakes.fill == pytest.approx(0.55)
    assert cakes.solids_g == pytest.approx(34.0)


def test_clean_papers_pass_what_darcy_says() -> None:
    cakes = one_frame()
    papers = [face.paper_per_m for face in cakes.faces[0]]
    by_hand = sum(0.01 / (viscosity_pa_s(85.0, brix=66.9) * paper) for paper in papers)
    clear_way = 1 / (1 + 0.02)
    found = cakes.conductance(2e5, syrup_c=[85.0], brix=66.9)
    assert found == pytest.approx(by_hand * clear_way, rel=1e-3)


def test_a_squeezed_cake_gives_less_than_twice_the_flow_at_twice_the_pressure() -> None:
    cakes = one_frame()
    cakes.conductance(2e5, syrup_c=[85.0], brix=66.9)
    cakes.deposit(filter_aid_g=12.0, sand_g=12.0)
    for pair in cakes.faces:
        for face in pair:
            face.paper_per_m = 0.0
    flow = [pressure * cakes.conductance(pressure, syrup_c=[85.0], brix=66.9) for pressure in (2e5, 4e5)]
    # Specific resistance grows with pressure to the power 0.38: flow with 0.62.
    assert flow[1] / flow[0] == pytest.approx(2**0.62, rel=1e-6)


def test_more_filter_aid_among_the_same_sand_resists_less() -> None:
    flows = []
    for filter_aid_g in (5.0, 15.0):
        cakes = one_frame()
        cakes.conductance(2e5, syrup_c=[85.0], brix=66.9)
        cakes.deposit(filter_aid_g=filter_aid_g, sand_g=5.0)
        flows.append(cakes.conductance(2e5, syrup_c=[85.0], brix=66.9))
    assert flows[1] > 1.5 * flows[0]


def test_a_full_frame_lets_almost_nothing_through() -> None:
    cakes = one_frame()
    clean = cakes.conductance(2e5, syrup_c=[85.0], brix=66.9)
    cakes.deposit(filter_aid_g=50.0, sand_g=0.0)
    assert cakes.fill == pytest.approx(1.0)
    assert cakes.conductance(2e5, syrup_c=[85.0], brix=66.9) < 0.01 * clean


# --- pump and hose -------------------------------------------------------------------------


def test_a_hose_settles_between_supply_and_press_like_two_resistances() -> None:
    hose = Hose(air_m3=1.6e-4)
    came_in = went_out = 0.0
    for _ in range(2000):
        inward, outward = hose.step(0.02, supply_pa=3e5, supply=4e-9, drain=2e-9)
        came_in += inward
        went_out += outward
    assert hose.pressure_pa == pytest.approx(2e5, rel=1e-6), "two thirds of 3 bar"
    # Boyle: 160 mL of air at 1.013 bar, pressed by 2 bar of gauge, makes room for 106.2 mL.
    assert came_in - went_out == pytest.approx(106.2e-6 + 1.5e-11 * 2e5, rel=1e-3)


# Common practice (no source): 5-30 % pulsation for an air pump, 25-90 % swing for a hand pump.
@pytest.mark.parametrize(
    ("kind", "lowest", "highest"),
    [(PumpKind.AIR_DIAPHRAGM, 0.05, 0.30), (PumpKind.HAND_DIAPHRAGM, 0.25, 0.90)],
)
def test_pulsation_is_what_such_a_pump_makes(kind: PumpKind, lowest: float, highest: float) -> None:
    run = SimulatedRun(Scenario(pump_kind=kind), seed=2)
    swings = []
    while run.end_reason is None:
        line = [run.tick() for _ in range(300)]
        if run.elapsed_s > 60.0 and run.end_reason is None:
            swings.append((max(line) - min(line)) / max(line))
    # Six seconds hold a stroke at least; a tenth of them also hold a rest or a turn of the regulator.
    usual = sorted(swings)[len(swings) // 10 : -len(swings) // 10]
    assert len(usual) > 100
    assert lowest < usual[0]
    assert usual[-1] < highest


def test_a_gear_pump_has_no_strokes_and_keeps_its_flow_while_the_pressure_rises() -> None:
    rows, truth = simulate_trace(Scenario(pump_kind=PumpKind.GEAR), seed=2)
    assert sum(row.strokes for row in rows) == 0
    early, late = (truth.volume_by_row_l[at] - truth.volume_by_row_l[at - 60] for at in (300, len(rows) - 5))
    assert late > 0.8 * early, "all but the slip"
    assert mean_kpa(rows[-30:]) > 2.0 * mean_kpa(rows[270:300])
    assert truth.end_reason is EndReason.PRESSURE


@pytest.mark.parametrize("kind", [PumpKind.AIR_DIAPHRAGM, PumpKind.HAND_DIAPHRAGM])
def test_strokes_times_displacement_is_the_volume_within_the_pumps_efficiency(kind: PumpKind) -> None:
    rows, truth = simulate_trace(Scenario(pump_kind=kind), seed=5)
    volume_by_strokes_l = 0.07 * sum(row.strokes for row in rows)
    assert 0.92 < truth.volume_l / volume_by_strokes_l < 1.0


# --- a whole run ---------------------------------------------------------------------------


@pytest.mark.parametrize("mishap", list(Mishap))
def test_volume_and_solids_are_neither_lost_nor_made(mishap: Mishap) -> None:
    run = SimulatedRun(Scenario(mishap=mishap), seed=5)
    batch, brought_g = run.batch, 0.0
    while run.end_reason is None or run.hose.pressure_pa > 10.0:
        before_l = run.pan.syrup_l
        run.tick()
        poured_l = max(0.0, run.pan.syrup_l - before_l)
        brought_g += poured_l * (batch.filter_aid_g_l + 4.0 * batch.sand_g_l)
    for _ in range(10):
        run.tick()
    held_m3 = run.hose.stored_m3(run.hose.pressure_pa)
    assert run.pumped_m3 == pytest.approx(run.filtered_m3 + run.bled_m3 + held_m3, rel=1e-6)
    start_g = batch.syrup_l * (batch.filter_aid_g_l + batch.sand_g_l)
    left_g = run.pan.filter_aid_g + run.pan.sand_g
    assert start_g + brought_g == pytest.approx(left_g + run.cakes.solids_g + run.cakes.lost_g, rel=2e-3)


def test_an_ordinary_run_is_what_the_trade_would_expect(
    ordinary: list[tuple[list[SimulatedRow], TraceTruth]],
) -> None:
    """Common practice, no source: see each line."""
    for rows, truth in ordinary:
        assert truth.ready_s is not None
        assert 150 <= truth.ready_s <= 240, "cold plates take some three minutes"
        assert 900 <= truth.duration_s <= 1700, "one set of papers lasts about 15 to 28 minutes"
        assert truth.over_precipitation_s is None
        settled = truth.outlet_by_row_c[int(truth.ready_s) + 90 :]
        assert fahrenheit(min(settled)) > 183.0
        assert fahrenheit(max(settled)) < 188.0
        assert rows[2].line_kpa > 5 * PSI_KPA, "pressure within seconds of the start"
        assert 20 < mean_kpa(rows[30:60]) / PSI_KPA < 30, "regulated to 30 psi, less what the pump eats"
        assert max(row.line_high_kpa for row in rows) < 90 * PSI_KPA, "papers tear near 90"
        assert 10 < strokes_per_min(rows[-60:]) < strokes_per_min(rows[90:150]) < 100
        assert 50.0 < truth.volume_l < 110.0
        assert 0.85 < truth.fill < 1.0
        assert truth.near_clog_s is not None
        assert truth.near_clog_s < truth.duration_s
        assert abs(truth.full_volume_l * truth.fill / truth.volume_l - 1.0) <= 0.12


def test_the_demo_run_ends_at_the_cutoff(ordinary: list[tuple[list[SimulatedRow], TraceTruth]]) -> None:
    _, truth = ordinary[0]
    assert 900 <= truth.duration_s <= 1500
    assert truth.cutoff_s is not None
    assert truth.end_reason is EndReason.PRESSURE


def test_equal_seeds_give_equal_runs_and_others_do_not(
    ordinary: list[tuple[list[SimulatedRow], TraceTruth]],
) -> None:
    assert simulate_trace(Scenario(), seed=SEEDS[0]) == ordinary[0]
    assert ordinary[0][0][:300] != ordinary[1][0][:300]


def test_a_hot_pan_takes_the_outlet_over_the_precipitation_threshold_and_back() -> None:
    rows, truth = simulate_trace(Scenario(mishap=Mishap.HOT_PAN), seed=2)
    assert truth.over_precipitation_s is not None
    assert truth.mishap_s is not None
    assert truth.over_precipitation_s > truth.mishap_s
    shown = [row.outlet_c for row in rows if row.outlet_c is not None]
    assert 193.0 < fahrenheit(max(shown)) < 200.0
    assert fahrenheit(truth.outlet_by_row_c[-1]) < 190.0


def test_a_torn_paper_drops_the_line_and_the_pump_runs_away() -> None:
    rows, truth = simulate_trace(Scenario(mishap=Mishap.TORN_PAPER), seed=2)
    assert truth.mishap_s is not None
    torn = int(truth.mishap_s)
    # A fall of more than 30 % within 2 s with strokes faster is the sign of it.
    assert mean_kpa(rows[torn + 2 : torn + 4]) < 0.7 * mean_kpa(rows[torn - 20 : torn])
    assert strokes_per_min(rows[torn + 2 : torn + 32]) > 2 * strokes_per_min(rows[torn - 60 : torn])
    assert truth.end_reason is EndReason.TORN


def resistance_growth(mishap: Mishap) -> float:
    """Growth of pressure per flow by litre [kPa min/L2], over the 300 s from 100 s after a mishap's start."""
    run = SimulatedRun(Scenario(mishap=mishap), seed=2)
    begin_s = (run.batch.mishap_at_s if mishap is not Mishap.NONE else 380.0) + 100.0
    points = []
    for at_s in (begin_s, begin_s + 300.0):
        while run.elapsed_s < at_s:
            run.tick()
        squeeze = (run.hose.pressure_pa / 1e5) ** 0.38
        conductance = run.cakes.conductance(run.hose.pressure_pa, syrup_c=[85.0], brix=run.batch.brix)
        points.append((run.filtered_l, 1e-9 / conductance / squeeze))
    (volume_0, resistance_0), (volume_1, resistance_1) = points
    return (resistance_1 - resistance_0) / (volume_1 - volume_0)


def test_resistance_grows_slowly_unstirred_and_fast_with_dark_syrup() -> None:
    usual = resistance_growth(Mishap.NONE)
    assert resistance_growth(Mishap.NO_STIRRING) < 0.6 * usual
    assert resistance_growth(Mishap.DARK_SYRUP) > 1.5 * usual


def test_a_lost_probe_is_missing_for_a_minute_and_written_as_an_empty_bad_cell(tmp_path: Path) -> None:
    rows, truth = simulate_trace(Scenario(mishap=Mishap.PROBE_LOST), seed=2)
    missing = [row.elapsed_s for row in rows if row.outlet_c is None]
    assert len(missing) == pytest.approx(60, abs=1)
    assert truth.mishap_s is not None
    assert missing[0] == pytest.approx(truth.mishap_s, abs=1.5)
    write_trace(tmp_path / "trace.csv", rows)
    with (tmp_path / "trace.csv").open(newline="") as file:
        written = list(csv.DictReader(file))
    assert tuple(written[0]) == COLUMNS
    assert len(written) == len(rows)
    gap = written[missing[10] - 1]
    assert (gap["outlet_degC"], gap["outlet_quality"]) == ("", "bad")
    first = written[0]
    assert float(first["outlet_degC"]) * 16 == int(float(first["outlet_degC"]) * 16)
    assert float(first["line_high_kPa"]) >= float(first["line_kPa"])


@pytest.mark.parametrize(
    "scenario",
    [Scenario(frames=1), Scenario(frames=12, frame_side_m=0.25, displacement_l=0.12)],
    ids=["one frame", "a big press"],
)
def test_presses_of_other_sizes_run_to_an_end(scenario: Scenario) -> None:
    rows, truth = simulate_trace(scenario, seed=5)
    assert truth.end_reason in (EndReason.PRESSURE, EndReason.FRAMES)
    assert truth.ready_s is not None
    assert 300 < len(rows) < 7200
    assert all(math.isfinite(row.line_kpa) for row in rows)
    assert truth.volume_l / scenario.frame_room_l == pytest.approx(24.0, rel=0.35), "frames hold so much"


# --- probe ---------------------------------------------------------------------------------


def test_a_probe_is_late_by_its_time_constant_on_a_ramp() -> None:
    # First order: after a long ramp the reading lags by rate x time constant; 5 degF/min with
    # 30 s is 2.5 degF.
    chance = random.Random(1)  # noqa: S311 - noise, not a secret
    probe = SimulatedProbe(start_c=20.0, time_constant_s=30.0, chance=chance)
    true_c = 20.0
    for _ in range(3000):
        true_c += 0.1 * 5 * 5 / 9 / 60
        probe.follow(true_c, dt_s=0.1)
    assert (true_c - probe.steady_c + probe.bias_c) * 9 / 5 == pytest.approx(2.5, abs=0.02)


# --- the press behind the kernel's files -----------------------------------------------------


@pytest.fixture
def tree(monkeypatch: pytest.MonkeyPatch) -> Iterator[KernelTree]:
    with KernelTree.temporary() as tree:
        monkeypatch.setattr(W1ThermSensor, "BASE_DIRECTORY", tree.w1)
        yield tree


def line_kpa(tree: KernelTree) -> float:
    """The files read by hand: counts to mV, over 100 ohm to mA, 4-20 mA over 100 psi."""
    folder = tree.iio / "iio:device0"
    raw = int((folder / "in_voltage0_raw").read_text())
    milliamperes = raw * float((folder / "in_voltage0_scale").read_text()) / 100.0
    return (milliamperes - 4.0) / 16.0 * 100.0 * PSI_KPA


def advance(press: SimulatedPress, seconds: float) -> None:
    for _ in range(round(seconds / 0.25)):
        press.step(0.25)
        press.write()


def test_files_say_what_is_true_within_the_instruments(tree: KernelTree) -> None:
    press = SimulatedPress(tree, settings=load())
    sensor = W1ThermSensor()
    advance(press, 2.0)
    assert line_kpa(tree) == pytest.approx(0.0, abs=6.0)
    seen = 0
    for _ in range(60):
        advance(press, 10.0)
        truth = press.truth
        assert truth is not None
        assert line_kpa(tree) == pytest.approx(truth.line_kpa, abs=7.0), "five times the noise"
        if truth.elapsed_s > 400.0:
            try:
                assert sensor.get_temperature() == pytest.approx(truth.outlet_c, abs=0.7)
                seen += 1
            except ResetValueError:
                assert truth.outlet_c == pytest.approx(85.0, abs=0.7)
    assert seen > 10
    assert truth.filtered_l > 30.0
    assert truth.strokes > 400


def test_after_a_run_the_line_is_empty_the_probe_cools_and_the_next_run_begins(tree: KernelTree) -> None:
    press = SimulatedPress(tree, settings=load(), pause_s=400.0)
    while press.truth is not None and press.truth.end_reason is None:
        press.step(1.0)
    advance(press, 60.0)
    assert line_kpa(tree) == pytest.approx(0.0, abs=7.0)
    advance(press, 330.0)
    assert press.runs == 1
    assert W1ThermSensor().get_temperature() < 45.0
    advance(press, 20.0)
    assert press.runs == 2
    assert line_kpa(tree) > 15 * PSI_KPA
    assert press.scenario is not None
    assert press.scenario.mishap is Mishap.PROBE_LOST


def test_a_press_with_no_run_left_stays_open(tree: KernelTree) -> None:
    press = SimulatedPress(tree, settings=load(), scenarios=[])
    advance(press, 5.0)
    assert press.truth is None
    assert line_kpa(tree) == pytest.approx(0.0, abs=7.0)


def test_the_probe_lost_in_a_run_reads_empty_and_a_fault_set_by_hand_is_left_alone(tree: KernelTree) -> None:
    press = SimulatedPress(tree, settings=load(), scenarios=[Scenario(mishap=Mishap.PROBE_LOST)])
    slave = press.probe_files.folder / "w1_slave"
    empty_s = 0
    for _ in range(700):
        advance(press, 1.0)
        empty_s += slave.read_text() == ""
    assert empty_s == pytest.approx(60, abs=2)
    press.probe_files.fault = ProbeFault.CRC
    press.line_files.fault = LineFault.LOOP_OPEN
    advance(press, 2.0)
    assert "NO" in slave.read_text()
    assert line_kpa(tree) == pytest.approx(-25 * PSI_KPA, abs=1e-3), "0 mA lies 4 mA under the span"


def test_the_season_fits_the_settings_and_names_every_run_invented() -> None:
    settings = load(overrides=["press.frames=7", 'pump.displacement="95 mL"'])
    runs = season(settings)
    seen = [next(runs) for _ in range(14)]
    assert seen[0].mishap is Mishap.NONE
    assert {scenario.mishap for scenario in seen} == set(Mishap)
    assert all("invented" in scenario.name for scenario in seen)
    assert {(scenario.frames, scenario.displacement_l) for scenario in seen} == {(7, 0.095)}


async def test_it_keeps_up_with_a_clock_twenty_times_as_fast_and_stops_when_told(tree: KernelTree) -> None:
    clock = SystemClock(speed=20.0)
    press = SimulatedPress(tree, settings=load())
    begun_s = clock.monotonic()
    task = asyncio.create_task(press.run(clock=clock))
    async with asyncio.timeout(20):
        while press.truth is None or press.truth.elapsed_s < 15.0:  # noqa: ASYNC110 - a press tells nobody how far it is
            await asyncio.sleep(0.01)
    clock_s = clock.monotonic() - begun_s
    assert press.truth.elapsed_s + 3.0 == pytest.approx(clock_s, abs=5.0)
    assert line_kpa(tree) > 15 * PSI_KPA
    task.cancel()
    with pytest.raises(asyncio.CancelledError):
        await task
    stopped_at_s = press.truth.elapsed_s
    await asyncio.sleep(0.05)
    assert press.truth.elapsed_s == stopped_at_s


def imported_names() -> Iterator[tuple[str, str]]:
    for path in Path(hardware.__file__).parent.glob("simulated_*.py"):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.ImportFrom) and node.module:
                yield path.name, node.module
            elif isinstance(node, ast.Import):
                yield from ((path.name, alias.name) for alias in node.names)


def test_the_simulation_shares_no_formula_with_the_forecast() -> None:
    names = list(imported_names())
    assert len(names) > 30
    for file, module in names:
        assert not module.startswith(("monitor.physics", "monitor.rules", "monitor.run", "web")) or (
            module.startswith("monitor.runtime")
        ), file
