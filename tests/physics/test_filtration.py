"""The law of filtration against published problems and scipy. Words in brackets: how a figure is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq, fsolve

from monitor.physics import filtration

# Geankoplis, *Transport Processes and Unit Operations*, example 14.2-1: constants (from memory).
EXAMPLE = filtration.Filtration(
    area_m2=0.0439, viscosity_pa_s=8.937e-4, alpha_m_kg=1.863e11, solids_kg_m3=23.47, medium_per_m=1.063e11
)
EXAMPLE_PA = 338e3
RATE_M3_S = 3.0e-5


def factors(press: filtration.Filtration, pressure_pa: float) -> dict[str, float]:
    return {
        "kp_s_m6": filtration.cake_factor(press, pressure_pa=pressure_pa),
        "b_s_m3": filtration.medium_factor(press, pressure_pa=pressure_pa),
    }


def slope(press: filtration.Filtration, *, pressure_pa: float, volume_m3: float) -> float:
    """Ruth's equation written anew, for the independent integrations."""
    cake = press.alpha_m_kg * press.solids_kg_m3 * volume_m3 / press.area_m2
    return press.area_m2 * pressure_pa / (press.viscosity_pa_s * (cake + press.medium_per_m))


def test_factors_of_the_published_example() -> None:
    # Geankoplis, example 14.2-1 (from memory): Kp 6.00e6 s/m6, B 6400 s/m3.
    found = factors(EXAMPLE, EXAMPLE_PA)
    assert found["kp_s_m6"] == pytest.approx(6.00e6, rel=0.01)
    assert found["b_s_m3"] == pytest.approx(6400.0, rel=0.01)


@pytest.mark.parametrize(
    ("volume_l", "time_s"),
    [(1.000, 9.5), (2.000, 24.6), (3.002, 46.1), (4.004, 73.6), (5.009, 107.3)],
)
def test_published_run_is_followed(volume_l: float, time_s: float) -> None:
    # Geankoplis, example 14.2-1: readings of the run (read).
    found = factors(EXAMPLE, EXAMPLE_PA)
    assert filtration.time_at_pressure(1e-3 * volume_l, **found) == pytest.approx(time_s, abs=0.8)
    assert 1e3 * filtration.volume_at_pressure(time_s, **found) == pytest.approx(volume_l, abs=0.03)


def test_constant_rate_meets_the_pressure_limit() -> None:
    # The example's constants at 3.0e-5 m3/s up to 338 kPa (computed two ways): 4.48931e-3 m3 at 149.64 s.
    met_m3 = filtration.volume_at_flow(EXAMPLE, pressure_pa=EXAMPLE_PA, flow_m3_s=RATE_M3_S)
    assert met_m3 == pytest.approx(4.48931e-3, abs=5e-9)
    assert met_m3 / RATE_M3_S == pytest.approx(149.64, abs=0.05)
    needed = filtration.pressure_at_rate(EXAMPLE, flow_m3_s=RATE_M3_S, time_s=met_m3 / RATE_M3_S)
    assert needed == pytest.approx(EXAMPLE_PA, rel=1e-12)


def test_rate_then_pressure() -> None:
    # As above, then at 338 kPa (computed two ways): 6.0e-3 m3 at 206.85 s.
    met_m3 = filtration.volume_at_flow(EXAMPLE, pressure_pa=EXAMPLE_PA, flow_m3_s=RATE_M3_S)
    switch = {"switch_volume_m3": met_m3, "switch_time_s": met_m3 / RATE_M3_S}
    found = factors(EXAMPLE, EXAMPLE_PA)
    assert filtration.time_at_pressure(6.0e-3, **found, **switch) == pytest.approx(206.85, abs=0.05)
    assert filtration.volume_at_pressure(206.85, **found, **switch) == pytest.approx(6.0e-3, rel=1e-4)


def test_rate_then_pressure_is_what_scipy_integrates() -> None:
    # scipy.integrate.solve_ivp on the bare law with a pump that cannot give more than its rate.
    def pump(_: float, volume: np.ndarray) -> list[float]:
        return [min(RATE_M3_S, slope(EXAMPLE, pressure_pa=EXAMPLE_PA, volume_m3=volume[0]))]

    course = solve_ivp(pump, (0.0, 400.0), [0.0], rtol=1e-10, atol=1e-14, max_step=0.5, dense_output=True)
    met_m3 = filtration.volume_at_flow(EXAMPLE, pressure_pa=EXAMPLE_PA, flow_m3_s=RATE_M3_S)
    times = np.array([160.0, 206.85, 300.0, 400.0])
    ours = filtration.volume_at_pressure(
        times, **factors(EXAMPLE, EXAMPLE_PA), switch_volume_m3=met_m3, switch_time_s=met_m3 / RATE_M3_S
    )
    assert ours == pytest.approx(course.sol(times)[0], rel=1e-6)
    assert brentq(lambda t: course.sol(t)[0] - met_m3, 100.0, 200.0) == pytest.approx(149.64, abs=0.05)


def test_constant_pressure_is_what_scipy_integrates() -> None:
    # scipy.integrate.quad of dV / Q.
    time_s, _ = quad(
        lambda v: 1.0 / slope(EXAMPLE, pressure_pa=EXAMPLE_PA, volume_m3=v), 0.0, 5e-3, epsabs=1e-9
    )
    ours = filtration.time_at_pressure(5e-3, **factors(EXAMPLE, EXAMPLE_PA))
    assert ours == pytest.approx(time_s, rel=1e-9)


def test_quarter_in_ten_minutes_then_an_hour() -> None:
    # Coulson and Richardson, *Chemical Engineering*, vol. 2 (statement from memory, solution exact): 600 s at
    # a constant rate give a quarter of the filtrate, 3600 s at the pressure then reached give the rest.
    # (V^2 - V1^2) / 2 + a (V - V1) = K (t - t1) with a = 0.125, K = 1.5625e-4, all of the filtrate = 1.
    def misses(unknown: np.ndarray) -> list[float]:
        press = filtration.Filtration(
            area_m2=1.0,
            viscosity_pa_s=1.0,
            alpha_m_kg=float(unknown[0]),
            solids_kg_m3=1.0,
            medium_per_m=float(unknown[1]),
        )
        end_s = filtration.time_at_pressure(
            1.0, **factors(press, 1.0), switch_volume_m3=0.25, switch_time_s=600.0
        )
        before = filtration.flow(press, pressure_pa=1.0, volume_m3=0.25) * 600.0 / 0.25
        return [before - 1.0, end_s / 4200.0 - 1.0]

    kp, b = fsolve(misses, [5000.0, 1000.0], xtol=1e-13)
    assert b / kp == pytest.approx(0.125, abs=1e-9)
    assert 1.0 / kp == pytest.approx(1.5625e-4, abs=1e-9)


def test_resistance_is_that_of_cake_and_papers_in_series() -> None:
    # Ruth's equation solved for A dP / (mu Q), by hand for the published constants at 5 L:
    # 1.863e11 * 23.47 * 0.005 / 0.0439 + 1.063e11.
    flow = filtration.flow(EXAMPLE, pressure_pa=EXAMPLE_PA, volume_m3=5e-3)
    seen = {"pressure_pa": EXAMPLE_PA, "viscosity_pa_s": EXAMPLE.viscosity_pa_s, "flow_m3_s": flow}
    assert filtration.resistance_per_m(**seen, area_m2=0.0439) == pytest.approx(6.0430e11, rel=1e-4)
    assert filtration.resistance(**seen) * 0.0439 == pytest.approx(6.0430e11, rel=1e-4)


def test_colder_syrup_needs_more_pressure_but_has_no_more_resistance() -> None:
    thick = {"pressure_pa": 1.39e5, "viscosity_pa_s": 1.39 * 0.0095, "flow_m3_s": 6e-5}
    thin = {"pressure_pa": 1.00e5, "viscosity_pa_s": 0.0095, "flow_m3_s": 6e-5}
    assert filtration.resistance(**thick) == pytest.approx(filtration.resistance(**thin), rel=1e-12)


def test_papers_do_not_give_way_with_pressure() -> None:
    brought = filtration.at_reference_pressure(
        5.0, pressure_pa=4e5, reference_pa=1e5, compressibility=0.5, clean_resistance=1.0
    )
    assert brought == pytest.approx(1.0 + 4.0 / 2.0, rel=1e-12)
    unchanged = filtration.at_reference_pressure(
        1.0, pressure_pa=4e5, reference_pa=1e5, compressibility=0.5, clean_resistance=1.0
    )
    assert unchanged == 1.0


def test_papers_too_tight_for_the_flow_are_full_from_the_start() -> None:
    assert filtration.volume_at_flow(EXAMPLE, pressure_pa=1e3, flow_m3_s=1e-3) == 0.0


@pytest.mark.parametrize("field", filtration.Filtration.__slots__)
@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -1.0])
def test_impossible_press_is_refused(field: str, bad: float) -> None:
    good = {name: getattr(EXAMPLE, name) for name in filtration.Filtration.__slots__}
    with pytest.raises(ValueError, match="is not a finite number"):
        filtration.Filtration(**{**good, field: bad})


def test_no_flow_has_no_resistance() -> None:
    for dead in (0.0, -1e-5, float("nan")):
        with pytest.raises(ValueError, match="flow"):
            filtration.resistance(pressure_pa=2e5, viscosity_pa_s=0.01, flow_m3_s=dead)


def test_no_flow_in_a_trace_is_unknown_there_and_costs_no_other() -> None:
    flows = np.array([1e-4, 0.0, np.nan, -1e-4, 1e-4])
    seen = filtration.resistance(
        pressure_pa=np.full(5, 2e5), viscosity_pa_s=np.full(5, 0.01), flow_m3_s=flows
    )
    assert np.isnan(seen).tolist() == [False, True, True, True, False]
    assert seen[0] == filtration.resistance(pressure_pa=2e5, viscosity_pa_s=0.01, flow_m3_s=1e-4)


@pytest.mark.parametrize("medium", [0.0, 5e-324, 9e-31])
def test_first_flow_without_papers_is_refused_not_infinite(medium: float) -> None:
    bare = filtration.Filtration(
        area_m2=0.27, viscosity_pa_s=0.0095, alpha_m_kg=8e9, solids_kg_m3=9.0, medium_per_m=medium
    )
    with pytest.raises(ValueError, match="volume 0 m3"):
        filtration.flow(bare, pressure_pa=2e5, volume_m3=0.0)
    with pytest.raises(ValueError, match="B \\+ Kp V1"):
        filtration.volume_at_pressure(10.0, **factors(bare, 2e5))
    assert filtration.time_at_pressure(0.0, **factors(bare, 2e5)) == 0.0


def test_nothing_is_filtered_at_the_start() -> None:
    found = factors(EXAMPLE, EXAMPLE_PA)
    assert filtration.time_at_pressure(0.0, **found) == 0.0
    assert filtration.volume_at_pressure(0.0, **found) == 0.0


def test_volume_before_the_switch_is_refused() -> None:
    with pytest.raises(ValueError, match="volume after the switch"):
        filtration.time_at_pressure(0.1, kp_s_m6=1.0, b_s_m3=1.0, switch_volume_m3=0.2, switch_time_s=1.0)
    with pytest.raises(ValueError, match="time after the switch"):
        filtration.volume_at_pressure(0.5, kp_s_m6=1.0, b_s_m3=1.0, switch_volume_m3=0.2, switch_time_s=1.0)


@given(
    volume=st.floats(0.0, 2.0),
    kp=st.floats(0.0, 1e8),
    b=st.floats(1.0, 1e6),
    before=st.floats(0.0, 1.0),
    start=st.floats(0.0, 1e4),
)
def test_volume_and_time_are_inverse(volume, kp, b, before, start) -> None:
    course = {"kp_s_m6": kp, "b_s_m3": b, "switch_volume_m3": before, "switch_time_s": start}
    time_s = filtration.time_at_pressure(before + volume, **course)
    back = filtration.volume_at_pressure(time_s, **course)
    # A clock reading of some 1e4 s keeps 1e-12 s: that is what a small volume can lose.
    assert back == pytest.approx(before + volume, rel=1e-9, abs=1e-11)


# Mostly numbers that are taken, from end to end of the range, and sometimes anything a float can be.
wild = st.one_of(st.floats(1e-30, 1e30), st.floats(0.0, 10.0), st.floats())


@given(data=st.lists(wild, min_size=7, max_size=7))
def test_any_numbers_give_a_finite_answer_or_one_line(outcome, data: list[float]) -> None:
    a, b, c, d, e, p, v = data
    answers = (
        lambda: filtration.resistance(pressure_pa=a, viscosity_pa_s=b, flow_m3_s=c),
        lambda: filtration.resistance_per_m(pressure_pa=a, viscosity_pa_s=b, flow_m3_s=c, area_m2=d),
        lambda: filtration.at_reference_pressure(
            a, pressure_pa=b, reference_pa=c, compressibility=d, clean_resistance=e
        ),
        lambda: filtration.time_at_pressure(a, kp_s_m6=b, b_s_m3=c, switch_volume_m3=d, switch_time_s=e),
        lambda: filtration.volume_at_pressure(a, kp_s_m6=b, b_s_m3=c, switch_volume_m3=d, switch_time_s=e),
        lambda: filtration.flow(_press(a, b, c, d, e), pressure_pa=p, volume_m3=v),
        lambda: filtration.volume_at_flow(_press(a, b, c, d, e), pressure_pa=p, flow_m3_s=v),
        lambda: filtration.pressure_at_rate(_press(a, b, c, d, e), flow_m3_s=p, time_s=v),
    )
    for answer in answers:
        found = outcome(answer)
        assert "\n" not in found if isinstance(found, str) else math.isfinite(found)


def _press(a: float, b: float, c: float, d: float, e: float) -> filtration.Filtration:
    return filtration.Filtration(area_m2=a, viscosity_pa_s=b, alpha_m_kg=c, solids_kg_m3=d, medium_per_m=e)
