"""The fitted stack of plates: its course, its fit, the flow to come and the time told."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from hardware.simulated_run import TICKS_A_SECOND, SimulatedRun
from hardware.simulated_season import Scenario
from monitor.contract.status import ForecastStatus
from monitor.physics import syrup
from monitor.physics.warmup import WarmUp, time_to
from monitor.rules.arrival import arrival, most_often_right
from monitor.rules.course import BLOCK_S, MOST_BLOCKS, Course, followed
from monitor.rules.forecast import ForecastState, Second, advance, begin, forecast
from monitor.rules.inflow import Inflow, inflow, thickness_mpa_s
from monitor.rules.plates import LOST, MASS, METAL_J_KG_K, PASSED, START, SYRUP_J_K_L, fitted, warmed_plates
from monitor.rules.plates import Feed as PlateFeed
from monitor.rules.thresholds import RunRules
from tests.rules import forecast_trial as trial
from tests.rules.press_runs import Row, Setup, simulate

RULES = trial.rules_for({"press.frames": 5, "press.full_volume": "90 L", "pump.displacement": "70 mL"})
READY_C = RULES.thresholds.ready_c


def second(
    elapsed_s: float, outlet_c: float | None, *, pan_c: float | None = None, flow_l_min: float | None = 4.0
) -> Second:
    return Second(
        elapsed_s=elapsed_s,
        outlet_c=outlet_c,
        outlet_corrected_c=outlet_c,
        line_kpa=250.0,
        line_high_kpa=None,
        line_low_kpa=None,
        strokes=None,
        flow_l_min=flow_l_min,
        containers_l=0.0,
        ready=False,
        pan_c=pan_c,
    )


# --- the course -----------------------------------------------------------------------------


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(0.2, 90.0), min_size=1, max_size=400))
def test_no_litre_and_no_second_is_lost_from_the_course(steps_s: list[float]) -> None:
    course, at_s = Course(), 0.0
    for step_s in steps_s:
        at_s += step_s
        course = followed(course, second(at_s, 20.0), step_s=step_s, moved_l=0.05 * step_s)
    assert len(course.spans_s) < MOST_BLOCKS
    assert course.span_s + course.open.passed_s == pytest.approx(at_s, abs=0.01 * len(steps_s))
    moved_l = sum(course.moved_l) + course.open.moved_l
    assert moved_l == pytest.approx(0.05 * at_s, abs=1e-4 * len(steps_s))


def test_a_block_in_which_nothing_was_read_says_so() -> None:
    course = Course()
    for at_s in range(1, 16):
        read_c = None if 5 < at_s <= 10 else 30.0
        course = followed(course, second(float(at_s), read_c), step_s=1.0, moved_l=0.1)
    assert course.outlet_c == (30.0, None, 30.0)
    assert course.spans_s == (BLOCK_S, BLOCK_S, BLOCK_S)


# --- the stack ------------------------------------------------------------------------------


@pytest.mark.parametrize("conductance_w_k", [60.0, 150.0, 400.0])
def test_a_stack_that_loses_nothing_warms_as_the_closed_form_says(conductance_w_k: float) -> None:
    """Lumped heat balance of monitor/physics/warmup.py, whose own checks are published ones."""
    flow_l_s = 4.0 / 60.0
    stack = np.zeros((1, 7))
    stack[0, [MASS, PASSED, START, LOST]] = np.log(20.0), np.log(conductance_w_k), 20.0, -50.0
    feed = PlateFeed(np.full(400, 1.0), np.full(400, flow_l_s), np.zeros(400), 20.0)
    _, outlets = warmed_plates(stack, feed, inlet_c=np.full((1, 400), 88.0), start_c=np.array([[20.0]]))
    carried = flow_l_s * SYRUP_J_K_L
    effect = 1.0 - np.exp(-conductance_w_k / carried)
    closed = WarmUp(
        inlet_c=88.0,
        start_c=20.0,
        time_constant_s=20.0 * METAL_J_KG_K / (carried * effect),
        effectiveness=effect,
    )
    first = int(np.argmax(outlets[0] >= READY_C))
    assert first == pytest.approx(time_to(closed, threshold_c=READY_C), abs=1.5)


def test_the_heat_a_litre_carries_is_that_of_the_published_equations() -> None:
    """ICUMSA density and Llano's heat capacity at 66.9 Brix, 85 degC."""
    litre_j_k = (
        1e-3 * syrup.density(0.669, temperature_c=85.0) * syrup.heat_capacity(0.669, temperature_c=85.0)
    )
    assert pytest.approx(litre_j_k, rel=0.002) == SYRUP_J_K_L


@pytest.mark.parametrize("celsius", [40.0, 60.0, 82.2, 95.0])
def test_the_quick_viscosity_is_genotelles(celsius: float) -> None:
    slow = 1e3 * float(syrup.viscosity(0.669, temperature_c=celsius))
    assert thickness_mpa_s(celsius) == pytest.approx(slow, rel=1e-6)


def warmed_course(
    *, inlet_c: float, metal_kg: float, until_s: int, pan_c: float | None = None
) -> tuple[Course, float]:
    """A course by explicit half-second steps of the heat balance, and the true time to ready."""
    course, plates_c, probe_c, ready_s = Course(), 12.0, 12.0, 0.0
    chance = random.Random(5)  # noqa: S311 - invented data
    carried = 4.0 / 60.0 * SYRUP_J_K_L
    effect = 1.0 - np.exp(-170.0 / carried)
    for half in range(2 * 1200):
        outlet_c = inlet_c - effect * (inlet_c - plates_c)
        gain_w = carried * effect * (inlet_c - plates_c) - 5.0 * (plates_c - 12.0)
        plates_c += 0.5 * gain_w / (900.0 * metal_kg)
        probe_c += (outlet_c - probe_c) * (1.0 - np.exp(-0.5 / 12.0))
        at_s = 0.5 * (half + 1)
        if outlet_c >= READY_C and ready_s == 0.0:
            ready_s = at_s
        if half % 2 and at_s <= until_s:
            read_c = round(16.0 * (probe_c + chance.gauss(0.0, 0.03))) / 16.0
            course = followed(course, second(at_s, read_c, pan_c=pan_c), step_s=1.0, moved_l=4.0 / 60.0)
    return course, ready_s


@pytest.mark.parametrize("metal_kg", [10.0, 17.0, 28.0])
@pytest.mark.parametrize(("inlet_c", "pan_c"), [(86.0, None), (87.0, None), (85.5, 86.0), (90.0, 90.2)])
def test_at_half_way_a_lump_of_any_weight_is_foretold_as_promised(
    metal_kg: float, inlet_c: float, pan_c: float | None
) -> None:
    """From a usual pan, or from any that has a probe: 30 s or 20 %."""
    _, ready_s = warmed_course(inlet_c=inlet_c, metal_kg=metal_kg, until_s=1)
    half_s = max(int(0.5 * ready_s), 60)
    course, _ = warmed_course(inlet_c=inlet_c, metal_kg=metal_kg, until_s=half_s, pan_c=pan_c)
    ahead = arrival(
        fitted(course, rules=RULES, probe_c=0.3),
        Inflow(4.0 / 60.0, 0.0, 0.0, 0.0, 0.0, inlet_c),
        ready_c=READY_C,
        sure_c=READY_C + 0.5,
        probe_c=0.3,
        pan_c=pan_c or 0.0,
        at_s=course.span_s,
    )
    left_s = ready_s - course.span_s
    assert ahead.ready_s == pytest.approx(left_s, abs=max(30.0, 0.2 * left_s))


def test_a_thin_flow_is_not_expected_to_be_doubled_by_somebody() -> None:
    """At a small share of the usual flow by paper, held there all along, it goes on as it is."""
    course, area_m2 = Course(), RULES.press.paper_area_m2
    flow_l_s = 5.0 * area_m2 / 60.0
    for at_s in range(1, 301):
        course = followed(course, second(float(at_s), 75.0), step_s=1.0, moved_l=flow_l_s)
    ahead = inflow(course, fitted(course, rules=RULES, probe_c=0.3), rules=RULES)
    assert ahead is not None
    assert ahead.at(75.0, passed_l=0.0) == pytest.approx(flow_l_s, rel=0.05)


def test_a_creeping_outlet_is_not_called_ready_now_for_what_the_probe_may_be_off() -> None:
    """Two degrees a quarter of an hour: the half degree of the probe is most of the way that is left."""
    count = 400
    stack_c = READY_C + np.linspace(-0.9, 0.9, count)
    # Seconds until each stack is there; those over the limit are there already.
    times_s = np.maximum(READY_C - stack_c, 0.0) / (2.0 / 900.0)
    told_s = most_often_right(times_s)
    assert told_s is not None
    waiting_s = times_s[times_s > 0.0]
    held = np.abs(told_s - waiting_s) <= np.maximum(30.0, 0.2 * waiting_s)
    by_all = np.abs(30.0 - waiting_s) <= np.maximum(30.0, 0.2 * waiting_s)
    assert told_s > 200.0
    assert np.mean(held) > 1.5 * np.mean(by_all)


def test_stacks_that_are_all_there_say_now() -> None:
    told_s = most_often_right(np.zeros(50))
    assert told_s is not None
    assert told_s <= 30.0


# --- the time told --------------------------------------------------------------------------


def share_held(
    rules: RunRules, rows: list[Row], *, ready_s: float, pans_c: list[float] | None = None
) -> float:
    """Share of the forecasts, every 10 s from the first minute, within 30 s or 20 %."""
    state, held = begin(rules), []
    for index, one in enumerate(trial.seconds(rows)):
        left_s = ready_s - one.elapsed_s
        if left_s <= 2.0:
            break
        state = advance(state, one if pans_c is None else replace(one, pan_c=pans_c[index]), rules=rules)
        if one.elapsed_s >= 60.0 and one.elapsed_s % 10.0 == 0.0 and one.outlet_c is not None:
            told_s = forecast(state, rules=rules).ready_in_s
            held.append(told_s is not None and abs(told_s - left_s) <= max(30.0, 0.2 * left_s))
    return sum(held) / len(held)


def test_on_the_traces_more_than_half_of_the_forecasts_hold() -> None:
    """By the mean of the traces; what is to be expected of others is in tests/bench/forecast.py."""
    shares = []
    for name in ("hot-1", "plain-1", "plain-2", "plain-3", "probe-lost-1", "torn-paper-1"):
        run = trial.trace(name)
        shares.append(share_held(run.rules, run.rows, ready_s=run.truth["ready_s"]))
    assert sum(shares) / len(shares) > 0.6


def with_pan(seed: int) -> tuple[RunRules, list[Row], list[float], float]:
    """An invented press with a probe in its pan, up to ready: rules, rows, pan, true time to ready."""
    run = SimulatedRun(Scenario(), seed=seed)
    rules = trial.rules_for({"press.frames": 5, "press.frame_side": "0.165 m", "pump.displacement": "70 mL"})
    while run.elapsed_s < 0.0:
        run.tick()
    rows: list[Row] = []
    pans_c: list[float] = []
    while run.plates.outlet_c < READY_C:
        strokes = run.pump.strokes
        mean_kpa = sum(run.tick() for _ in range(TICKS_A_SECOND)) / TICKS_A_SECOND
        rows.append(
            Row(
                elapsed_s=float(len(rows) + 1),
                outlet_c=round(16.0 * run.probe.convert()) / 16.0,
                line_kpa=mean_kpa,
                line_high_kpa=None,
                strokes=run.pump.strokes - strokes,
                flow_l_min=None,
            )
        )
        pans_c.append(round(16.0 * run.feed_c) / 16.0)
    return rules, rows, pans_c, float(len(rows))


def test_a_pan_probe_does_not_make_the_simulated_press_worse() -> None:
    with_it, without = [], []
    for seed in (1, 2, 3):
        rules, rows, pans_c, ready_s = with_pan(seed)
        with_it.append(share_held(rules, rows, ready_s=ready_s, pans_c=pans_c))
        without.append(share_held(rules, rows, ready_s=ready_s))
    assert sum(with_it) >= sum(without) - 0.1
    assert sum(with_it) / 3 > 0.6


def test_a_pan_far_from_the_usual_is_foretold_better_when_it_is_known() -> None:
    shares = {"known": 0.0, "unknown": 0.0}
    for seed, pan_c in ((1, 84.5), (2, 91.5), (3, 92.5), (4, 84.5)):
        run = simulate(Setup(seed=seed, pan_c=pan_c, loss_w_k=0.6, longest_s=1500.0))
        if run.ready_s is None:
            continue
        rules = trial.rules_of(run)
        shares["unknown"] += share_held(rules, run.rows, ready_s=run.ready_s)
        shares["known"] += share_held(rules, run.rows, ready_s=run.ready_s, pans_c=[pan_c] * len(run.rows))
    assert shares["known"] > shares["unknown"]


def last(
    rules: RunRules, rows: list[Row], *, pan_c: float | None = None
) -> tuple[ForecastState, ForecastStatus]:
    state = begin(rules)
    for one in trial.seconds(rows):
        state = advance(state, replace(one, pan_c=pan_c), rules=rules)
    return state, forecast(state, rules=rules)


def test_a_pan_under_the_limit_is_said_to_be_too_cold() -> None:
    run = simulate(Setup(seed=1, pan_c=81.0, longest_s=300.0))
    _, status = last(trial.rules_of(run), run.rows, pan_c=81.0)
    assert status.ready_in_s is None
    assert status.waiting_for is not None
    assert status.waiting_for.startswith("a hotter pan")


def test_an_outlet_that_settles_under_the_limit_is_said_to_need_a_hotter_pan() -> None:
    run = simulate(Setup(seed=1, pan_c=80.0, longest_s=600.0))
    _, status = last(trial.rules_of(run), run.rows)
    assert status.ready_in_s is None
    assert status.waiting_for is not None
    assert status.waiting_for.startswith("a hotter pan")


def test_a_hot_pan_is_not_called_cold() -> None:
    run = simulate(Setup(seed=1, pan_c=88.0, longest_s=200.0))
    _, status = last(trial.rules_of(run), run.rows, pan_c=88.0)
    assert not (status.waiting_for or "").startswith("a hotter pan")


def test_the_state_of_a_long_warm_up_stays_small_and_comes_back_equal() -> None:
    run = simulate(Setup(seed=1, pan_c=80.0, longest_s=1700.0))
    state, _ = last(trial.rules_of(run), run.rows, pan_c=80.0)
    kind = TypeAdapter(ForecastState)
    written = kind.dump_json(state)
    assert len(written) < 6000
    assert kind.validate_json(written) == state


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.none(), st.floats(-50.0, 130.0)),
            st.one_of(st.none(), st.floats(-50.0, 130.0)),
            st.one_of(st.none(), st.floats(0.0, 500.0)),
        ),
        min_size=70,
        max_size=160,
    )
)
def test_no_reading_however_odd_gives_an_absurd_time(
    readings: list[tuple[float | None, float | None, float | None]],
) -> None:
    state = begin(RULES)
    for at_s, (outlet_c, pan_c, flow_l_min) in enumerate(readings, start=1):
        one = second(float(at_s), outlet_c, pan_c=pan_c, flow_l_min=flow_l_min)
        state = advance(state, one, rules=RULES)
        told_s = forecast(state, rules=RULES).ready_in_s
        assert told_s is None or 0.0 <= told_s <= 7200.0
