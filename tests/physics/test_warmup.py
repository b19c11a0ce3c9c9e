"""Warm-up against independent integrations. Words in brackets: how an expected figure is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from monitor.physics import warmup

# The check's press: 20 kg of metal of 900 J/(kg K), 4 L/min of syrup of 1290 kg/m3 and 2931 J/(kg K).
RATE_W_K = 0.004 / 60.0 * 1290.0 * 2931.0
METAL_J_K = 20.0 * 900.0
READY_C = (180.0 - 32.0) / 1.8


def press(conductance_w_k: float) -> warmup.WarmUp:
    rate = warmup.capacity_rate(flow_m3_s=0.004 / 60.0, density_kg_m3=1290.0, heat_capacity_j_kg_k=2931.0)
    share = warmup.effectiveness(conductance_w_k=conductance_w_k, capacity_rate_w_k=rate)
    tau = warmup.time_constant(
        plate_mass_kg=20.0, plate_heat_j_kg_k=900.0, capacity_rate_w_k=rate, effectiveness=share
    )
    return warmup.WarmUp(inlet_c=88.0, start_c=20.0, time_constant_s=tau, effectiveness=share)


def integrated_time(*, plates: int, conductance_w_k: float, in_series: bool) -> float:
    """Heat balance of each plate by scipy.integrate.solve_ivp, until the outlet is ready [s]."""
    streams = 1 if in_series else plates
    share = 1.0 - math.exp(-conductance_w_k / plates / (RATE_W_K / streams))

    def walk(plate_c: np.ndarray) -> tuple[list[float], float]:
        syrup_c, slopes = 88.0, []
        outlets = []
        for metal_c in plate_c:
            given_w = RATE_W_K / streams * share * (syrup_c - metal_c)
            slopes.append(given_w / (METAL_J_K / plates))
            after_c = syrup_c - given_w / (RATE_W_K / streams)
            outlets.append(after_c)
            syrup_c = after_c if in_series else 88.0
        return slopes, outlets[-1] if in_series else float(np.mean(outlets))

    def ready(_: float, plate_c: np.ndarray) -> float:
        return walk(plate_c)[1] - READY_C

    ready.terminal = True  # type: ignore[attr-defined]
    course = solve_ivp(
        lambda _, plate_c: walk(plate_c)[0],
        (0.0, 2000.0),
        [20.0] * plates,
        events=ready,
        rtol=1e-8,
        atol=1e-8,
    )
    return float(course.t_events[0][0])


@pytest.mark.parametrize(("conductance_w_k", "expected_s"), [(math.inf, 176.1), (150.0, 264.9)])
def test_time_to_ready(conductance_w_k: float, expected_s: float) -> None:
    # Lumped plate stack by hand, to 82.22 degC (computed).
    ready_s = warmup.time_to(press(conductance_w_k), threshold_c=READY_C)
    assert ready_s == pytest.approx(expected_s, abs=0.05)
    assert warmup.outlet(press(conductance_w_k), time_s=ready_s) == pytest.approx(READY_C, abs=1e-9)


def test_one_lump_is_what_scipy_integrates() -> None:
    alone = integrated_time(plates=1, conductance_w_k=150.0, in_series=True)
    assert warmup.time_to(press(150.0), threshold_c=READY_C) == pytest.approx(alone, abs=0.01)


def test_plates_side_by_side_are_one_lump() -> None:
    parallel = integrated_time(plates=10, conductance_w_k=1000.0, in_series=False)
    assert warmup.time_to(press(1000.0), threshold_c=READY_C) == pytest.approx(parallel, abs=0.01)


@pytest.mark.parametrize("plates", [5, 20])
def test_plates_in_series_of_low_conductance_are_nearly_one_lump(plates: int) -> None:
    series = integrated_time(plates=plates, conductance_w_k=150.0, in_series=True)
    assert warmup.time_to(press(150.0), threshold_c=READY_C) == pytest.approx(series, abs=1.0)


def test_plates_in_series_of_high_conductance_are_ready_sooner_than_the_lump() -> None:
    series = integrated_time(plates=20, conductance_w_k=1000.0, in_series=True)
    assert series < warmup.time_to(press(1000.0), threshold_c=READY_C)


def test_inlet_under_the_threshold_never_gets_there() -> None:
    lukewarm = warmup.WarmUp(inlet_c=80.0, start_c=20.0, time_constant_s=70.0)
    assert warmup.time_to(lukewarm, threshold_c=READY_C) == math.inf
    assert warmup.time_to(lukewarm, threshold_c=80.0) == math.inf


def test_hot_plates_are_ready_at_once() -> None:
    hot = warmup.WarmUp(inlet_c=88.0, start_c=85.0, time_constant_s=70.0)
    assert warmup.time_to(hot, threshold_c=READY_C) == 0.0


def test_plates_that_take_no_heat_show_the_inlet_at_once() -> None:
    bare = warmup.WarmUp(inlet_c=88.0, start_c=20.0, time_constant_s=70.0, effectiveness=0.0)
    assert warmup.outlet(bare, time_s=0.0) == 88.0
    assert warmup.time_to(bare, threshold_c=READY_C) == 0.0


def test_array_gives_what_its_elements_give() -> None:
    times = np.array([0.0, 60.0, np.nan, -1.0, 600.0])
    course = warmup.outlet(press(150.0), time_s=times)
    assert np.isnan(course).tolist() == [False, False, True, True, False]
    assert course[1] == pytest.approx(warmup.outlet(press(150.0), time_s=60.0), rel=1e-14)


@pytest.mark.parametrize("field", ["inlet_c", "start_c", "time_constant_s", "effectiveness"])
@pytest.mark.parametrize("bad", [float("nan"), float("inf")])
def test_impossible_warm_up_is_refused(field: str, bad: float) -> None:
    good = {"inlet_c": 88.0, "start_c": 20.0, "time_constant_s": 70.0, "effectiveness": 1.0}
    with pytest.raises(ValueError, match="is not a"):
        warmup.WarmUp(**{**good, field: bad})


def test_no_flow_warms_nothing_and_is_refused() -> None:
    with pytest.raises(ValueError, match="flow 0 m3/s"):
        warmup.capacity_rate(flow_m3_s=0.0, density_kg_m3=1290.0, heat_capacity_j_kg_k=2931.0)
    with pytest.raises(ValueError, match="effectiveness"):
        warmup.time_constant(
            plate_mass_kg=20.0, plate_heat_j_kg_k=900.0, capacity_rate_w_k=252.0, effectiveness=1.2
        )


# Mostly numbers that are taken, from end to end of the range, and sometimes anything a float can be.
wild = st.one_of(st.floats(1e-30, 1e30), st.floats(0.0, 10.0), st.floats())


@given(inlet=wild, start=wild, tau=wild, share=st.one_of(st.floats(0.0, 1.0), wild), time=wild, mark=wild)
def test_any_numbers_give_an_answer_or_one_line(outcome, inlet, start, tau, share, time, mark) -> None:
    def course() -> warmup.WarmUp:
        return warmup.WarmUp(inlet_c=inlet, start_c=start, time_constant_s=tau, effectiveness=share)

    outlet = outcome(lambda: warmup.outlet(course(), time_s=time))
    assert "\n" not in outlet if isinstance(outlet, str) else math.isfinite(outlet)
    ready = outcome(lambda: warmup.time_to(course(), threshold_c=mark))
    assert "\n" not in ready if isinstance(ready, str) else ready >= 0.0


@given(
    start=st.floats(-20.0, 80.0),
    tau=st.floats(1.0, 1e4),
    share=st.floats(0.01, 1.0),
    mark=st.floats(0.0, 99.0),
)
def test_time_to_is_where_the_outlet_first_gets_there(start, tau, share, mark) -> None:
    course = warmup.WarmUp(inlet_c=88.0, start_c=start, time_constant_s=tau, effectiveness=share)
    found = warmup.time_to(course, threshold_c=mark)
    if found == math.inf:
        assert mark >= 88.0
    elif found > 0.0:
        assert warmup.outlet(course, time_s=found) == pytest.approx(mark, abs=1e-6)
    else:
        assert warmup.outlet(course, time_s=0.0) >= mark - 1e-9
