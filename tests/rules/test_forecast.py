"""The forecast on invented traces and on invented runs, and at the edges of what numbers can be."""

from __future__ import annotations

import dataclasses
import math
import random
import time
from dataclasses import replace
from itertools import pairwise
from statistics import median

import pytest
from pydantic import TypeAdapter

from monitor.contract.names import Limit, VolumeSource
from monitor.contract.status import ForecastStatus
from monitor.rules.forecast import ForecastState, Second, advance, begin, forecast, volume
from monitor.rules.thresholds import RunRules
from tests.rules import forecast_trial as trial
from tests.rules.press_runs import PressRun, Row, Setup, invent, simulate

PLAIN = ("plain-1", "plain-2", "plain-3", "probe-lost-1")
STATE = TypeAdapter(ForecastState)
BASE = Setup(frames=5, alpha=1.2e11, pan_c=87.0, loss_w_k=1.0, reading_error=0.05)


@pytest.fixture(scope="module")
def plain_run() -> PressRun:
    return simulate(BASE)


def last(rules: RunRules, rows: list[Row]) -> tuple[ForecastState, ForecastStatus]:
    state = begin(rules)
    for second in trial.seconds(rows):
        state = advance(state, second, rules=rules)
    return state, forecast(state, rules=rules)


def sane(status: ForecastStatus, *, most_l: float = 1e5) -> bool:
    """Every number is finite, none is negative, ranges are in order."""
    numbers = [v for v in status.model_dump().values() if isinstance(v, float)]
    if not all(math.isfinite(v) and v >= 0.0 for v in numbers):
        return False
    if status.volume_left_l is None:
        return True
    assert status.volume_left_low_l is not None
    assert status.volume_left_high_l is not None
    return status.volume_left_low_l <= status.volume_left_l <= status.volume_left_high_l <= most_l


@pytest.mark.parametrize("name", PLAIN)
def test_volume_left_at_half_run_is_within_the_limit_on_a_trace(name: str) -> None:
    """A 90th percentile of 20 % of the total is asked; the owner's full volume is 9-13 % off here."""
    run = trial.trace(name)
    by_volume = trial.errors_of_volume(run.rules, run.rows, run.volume_l, shares=(0.5, 0.75))
    assert all(error is not None and abs(error) < 0.15 for error in by_volume)


def test_a_full_volume_a_fifth_too_small_is_partly_mended() -> None:
    run = trial.trace("torn-paper-1")  # the owner's figure is 21 % under the truth
    (half,) = trial.errors_of_volume(run.rules, run.rows, run.volume_l, shares=(0.5,))
    assert half is not None
    assert abs(half) < 0.2


@pytest.mark.timeout(240)
def test_random_runs_keep_to_the_limits() -> None:
    """Of 40 presses drawn at random, at half-run: median within 10 %, nine in ten within 20 %.

    The reading the owner goes by is itself off by 12 % (one standard deviation) and the dose
    drifts, so the last tenth is the reading's, not the forecast's. tests/bench draws more.
    """
    errors = []
    for seed in range(1000, 1040):
        run = simulate(invent(seed))
        (half,) = trial.errors_of_volume(trial.rules_of(run), run.rows, run.volume_l, shares=(0.5,))
        if half is not None:
            errors.append(abs(half))
    assert len(errors) >= 38
    assert median(errors) < 0.10
    assert trial.share_of(errors, 0.9) < 0.20


def test_a_pressure_only_limit_would_be_far_worse(plain_run: PressRun) -> None:
    """When the frames fill first, the fitted resistance alone promises far more than there is."""
    rules = trial.rules_of(plain_run)
    (error,) = trial.errors_of_volume(rules, plain_run.rows, plain_run.volume_l, shares=(0.5,))
    boundless = replace(rules, press=replace(rules.press, full_volume_l=1e4))
    (alone,) = trial.errors_of_volume(boundless, plain_run.rows, plain_run.volume_l, shares=(0.5,))
    assert error is not None
    assert alone is not None
    assert abs(error) < 0.15
    assert alone > 3.0 * abs(error)


def test_a_press_that_clogs_early_is_foretold_by_its_pressure() -> None:
    run = simulate(replace(BASE, alpha=7e11, pan_c=92.0, stop_share=0.24, seed=4))
    assert run.ended_by == "pressure"
    rules = trial.rules_of(run)
    _, at_half = last(
        rules, run.rows[: next(i for i, v in enumerate(run.volume_l) if v >= 0.5 * run.total_l)]
    )
    assert at_half.limit is Limit.PRESSURE
    assert at_half.volume_left_l == pytest.approx(0.5 * run.total_l, abs=0.15 * run.total_l)


def test_frames_that_begin_to_fill_are_seen_whatever_the_reading_says() -> None:
    run = simulate(replace(BASE, reading_error=0.25, seed=3))
    rules = trial.rules_of(run)
    (late,) = trial.errors_of_volume(rules, run.rows, run.volume_l, shares=(0.985,))
    assert late is not None
    assert abs(late) < 0.08  # the reading alone would still promise a quarter of the run


@pytest.mark.parametrize(
    "change",
    [
        {"pauses": ((700.0, 90.0),)},
        {"refill_s": 800.0},
        {"missing": (700.0, 60.0)},
        {"pressure_noise_kpa": 30.0},
        {"step_kpa": 120.0, "patience_s": 10.0},
        {"pan_drift_c_h": -6.0},
        {"dose_drift": 0.2},
    ],
    ids=lambda change: next(iter(change)),
)
def test_a_hitch_moves_the_forecast_little(change: dict[str, object]) -> None:
    run = simulate(replace(BASE, **change))
    rules = trial.rules_of(run)
    errors = trial.errors_of_volume(rules, run.rows, run.volume_l, shares=(0.4, 0.5, 0.6))
    assert all(error is not None and abs(error) < 0.2 for error in errors)


def test_the_forecast_moves_smoothly_until_the_frames_begin_to_fill(plain_run: PressRun) -> None:
    rules = trial.rules_of(plain_run)
    left = [s.volume_left_l for _, s in trial.followed(rules, plain_run.rows) if s.volume_left_l is not None]
    steps = [b - a for a, b in pairwise(left[len(left) // 5 :])]
    assert max(steps) < 0.05 * plain_run.total_l
    # The bend of the resistance takes back in one step what the owner's figure promised too much.
    assert sorted(steps)[1] > -0.05 * plain_run.total_l


@pytest.mark.parametrize("name", ["plain-1", "plain-2", "torn-paper-1"])
def test_time_to_ready_nears_the_truth_on_a_trace(name: str) -> None:
    """Over the second half of the warm-up, half of the forecasts within 30 s or 30 %."""
    run = trial.trace(name)
    ready_s = run.truth["ready_s"]
    good = []
    for row, (_, status) in zip(run.rows, trial.followed(run.rules, run.rows), strict=False):
        if row.elapsed_s >= ready_s:
            break
        if row.elapsed_s >= 0.5 * ready_s:
            left_s = ready_s - row.elapsed_s
            good.append(
                status.ready_in_s is not None and abs(status.ready_in_s - left_s) <= max(30.0, 0.3 * left_s)
            )
    assert sum(good) >= 0.5 * len(good)


def test_an_overheated_pan_is_told_minutes_ahead() -> None:
    run = trial.trace("hot-1")
    over_s = run.truth["over_193_s"]
    told = [
        (row.elapsed_s, status.precipitation_in_s)
        for row, (_, status) in zip(run.rows, trial.followed(run.rules, run.rows), strict=True)
        if over_s - 120.0 <= row.elapsed_s < over_s
    ]
    assert sum(found is not None for _, found in told) > 0.8 * len(told)
    assert told[0][1] is not None
    assert told[0][1] == pytest.approx(120.0, abs=90.0)


def test_nothing_is_foretold_before_the_data_carry_it(plain_run: PressRun) -> None:
    _, first = last(trial.rules_of(plain_run), plain_run.rows[:30])
    assert (first.ready_in_s, first.volume_left_l, first.time_left_s) == (None, None, None)
    assert first.limit is Limit.UNKNOWN
    assert first.waiting_for


def test_once_ready_there_is_no_time_to_ready(plain_run: PressRun) -> None:
    rules = trial.rules_of(plain_run)
    state = begin(rules)
    for second in trial.seconds(plain_run.rows[:200]):
        state = advance(state, replace(second, ready=second.elapsed_s > 100.0), rules=rules)
    assert forecast(state, rules=rules).ready_in_s is None


def test_with_no_flow_only_minutes_are_told_and_the_assumption_is_named() -> None:
    rules = trial.rules_for({"pump.kind": "gear"})
    rows = [Row(elapsed_s=float(t), outlet_c=84.0, line_kpa=200.0 + 0.2 * t, line_high_kpa=None, strokes=None,
                flow_l_min=None) for t in range(1, 601)]  # fmt: skip
    state, status = last(rules, rows)
    assert volume(state).source is VolumeSource.NONE
    assert volume(state).filtered_l is None
    assert status.volume_left_l is None
    assert status.time_left_s == pytest.approx((551.58 - 320.0) / 0.2, rel=0.01)  # 80 psi, by hand
    assert status.assumption
    assert "pressure" in status.assumption


def test_containers_alone_carry_a_forecast_in_the_end() -> None:
    rules = trial.rules_for({"pump.kind": "gear", "press.full_volume": "120 L"})
    state = begin(rules)
    for t in range(1, 1501):
        state = advance(
            state, blank(t, line_kpa=300.0, outlet_c=85.0, containers_l=4.0 * (t // 80)), rules=rules
        )
    status = forecast(state, rules=rules)
    assert volume(state).source is VolumeSource.CONTAINERS
    assert status.volume_left_l is not None
    assert 0.0 < status.volume_left_l < 120.0


def test_a_metered_gear_pump_is_foretold() -> None:
    run = simulate(replace(BASE, kind="gear", meter=True, top_flow_l_min=2.5))
    (half,) = trial.errors_of_volume(trial.rules_of(run), run.rows, run.volume_l, shares=(0.5,))
    assert half is not None
    assert abs(half) < 0.15


def test_a_pump_without_a_bypass_is_foretold_to_be_stopped_at_the_cutoff() -> None:
    """Of 14 gear pumps the half-run forecast is at most a tenth of the total too late in nine of ten.

    Taken for pumps that yield, as the same runs with a bypass would, most are foretold far too late:
    until the cut-off nothing in flow and pressure tells the two apart, so the owner must.
    """
    stopped, yielding = [], []
    for seed in range(2100, 2114):
        drawn = invent(seed)
        flow_l_min = 0.6 * drawn.top_flow_l_min
        run = simulate(replace(drawn, kind="gear", meter=True, bypass=False, top_flow_l_min=flow_l_min))
        for errors, at_cutoff in ((stopped, "stop"), (yielding, "bypass")):
            rules = trial.rules_of(run, **{"pump.at_cutoff": at_cutoff})
            (half,) = trial.errors_of_volume(rules, run.rows, run.volume_l, shares=(0.5,))
            if half is not None:
                errors.append(half)
    assert len(stopped) >= 8
    assert median(abs(error) for error in stopped) < 0.2
    assert trial.share_of(stopped, 0.9) < 0.1
    assert median(yielding) > 2.0 * abs(median(stopped))


def test_a_bypass_that_opens_is_seen_though_nobody_told_of_it() -> None:
    run = simulate(replace(BASE, kind="gear", meter=True, top_flow_l_min=2.2, alpha=2e11, seed=4))
    rules = trial.rules_of(run, **{"pump.at_cutoff": "stop"})
    opened = next(i for i, row in enumerate(run.rows) if i > 300 and (row.flow_l_min or 0.0) < 0.75 * 2.2)
    _, before = last(rules, run.rows[: opened - 240])
    _, after = last(rules, run.rows[: opened + 60])
    assert before.limit is Limit.PRESSURE
    assert before.assumption == "a pump that holds its flow and is stopped at the cut-off"
    assert after.assumption is None
    assert before.volume_left_l is not None
    assert after.volume_left_l is not None
    assert after.volume_left_l > before.volume_left_l
    left_l = run.total_l - run.volume_l[opened + 59]
    assert after.volume_left_l == pytest.approx(left_l, abs=0.2 * run.total_l)


def test_without_a_cake_reading_the_assumption_is_named(plain_run: PressRun) -> None:
    rules = trial.rules_of(plain_run)
    unread = replace(rules, press=replace(rules.press, full_volume_l=None))
    _, status = last(unread, plain_run.rows[:900])
    assert status.volume_left_l is not None
    assert status.assumption


@pytest.mark.parametrize(
    ("frames", "side_m", "flow", "displacement_l"), [(1, 0.12, 0.7, 0.02), (40, 0.3, 60.0, 0.4)]
)
def test_one_frame_and_five_hundred_gallons_are_only_sizes(
    frames: int, side_m: float, flow: float, displacement_l: float
) -> None:
    run = simulate(
        replace(
            BASE,
            frames=frames,
            side_m=side_m,
            top_flow_l_min=flow,
            displacement_l=displacement_l,
            plate_kj_k=100.0 * side_m**2,
            loss_w_k=30.0 * side_m**2,
        )
    )
    rules = trial.rules_of(run)
    assert all(
        sane(status, most_l=3.0 * run.total_l + 1.0) for _, status in trial.followed(rules, run.rows[::1])
    )
    (half,) = trial.errors_of_volume(rules, run.rows, run.volume_l, shares=(0.5,))
    assert half is not None
    assert abs(half) < 0.2


def test_the_large_press_passes_five_hundred_gallons() -> None:
    run = simulate(replace(BASE, frames=40, side_m=0.3, top_flow_l_min=60.0, plate_kj_k=9.0))
    assert run.total_l > 500 * 3.785


def blank(t: float, **values: object) -> Second:
    second = Second(
        elapsed_s=float(t),
        outlet_c=None,
        outlet_corrected_c=None,
        line_kpa=None,
        line_high_kpa=None,
        line_low_kpa=None,
        strokes=None,
        flow_l_min=None,
        containers_l=0.0,
        ready=False,
    )
    return replace(second, **values)


@pytest.mark.parametrize(
    "values",
    [
        {},
        {"line_kpa": 0.0, "strokes": 0},
        {"line_kpa": 300.0, "strokes": 0},
        {"line_kpa": math.nan, "outlet_c": math.nan, "outlet_corrected_c": math.nan, "flow_l_min": math.nan},
        {"line_kpa": math.inf, "outlet_c": -math.inf, "flow_l_min": math.inf, "containers_l": math.nan},
        {"line_kpa": -50.0, "outlet_c": -40.0, "strokes": -3, "flow_l_min": -2.0},
        {"line_kpa": 1e-300, "flow_l_min": 1e-300, "outlet_c": 85.0},
        {"line_kpa": 5000.0, "flow_l_min": 1000.0, "outlet_c": 150.0},
        {"line_kpa": 300.0, "flow_l_min": 0.0, "outlet_c": 85.0, "strokes": 1},
        {"line_kpa": 300.0, "strokes": 100, "outlet_c": 85.0},
    ],
)
def test_odd_numbers_give_no_absurd_ones(values: dict[str, object]) -> None:
    rules = trial.rules_for({"press.frames": 1})
    state = begin(rules)
    for t in range(1, 400):
        state = advance(state, blank(t, **values), rules=rules)
        if t % 20 == 0:
            assert sane(forecast(state, rules=rules))
    assert STATE.validate_json(STATE.dump_json(state)) == state


def test_a_flow_that_gains_as_it_goes_has_a_finite_end() -> None:
    """A resistance that falls with volume (a negative slope) leaves the frames as the only limit."""
    rules = trial.rules_for({"press.frames": 5, "press.full_volume": "120 L"})
    state = begin(rules)
    for t in range(1, 900):
        state = advance(
            state, blank(t, line_kpa=300.0, outlet_c=85.0, flow_l_min=2.0 + 0.003 * t), rules=rules
        )
    status = forecast(state, rules=rules)
    assert sane(status)
    assert status.limit is Limit.FRAMES


def test_random_readings_never_raise() -> None:
    rng = random.Random(11)  # noqa: S311 - test data
    rules = trial.rules_for({"press.frames": 3, "press.full_volume": "60 L"})
    numbers = (None, math.nan, math.inf, -math.inf, 0.0, -1.0, 1e-12, 1e12, 85.0, 300.0)
    for _ in range(20):
        state, t = begin(rules), 0.0
        for _ in range(300):
            t += rng.choice((0.0, 0.5, 1.0, 1.0, 1.0, 3.0, 90.0, 1e5))
            second = blank(
                t,
                outlet_c=rng.choice(numbers),
                outlet_corrected_c=rng.choice(numbers),
                line_kpa=rng.choice(numbers),
                strokes=rng.choice((None, 0, 1, 2, 50)),
                flow_l_min=rng.choice(numbers),
                containers_l=rng.choice((0.0, 4.0, 1e4, math.nan)),
                ready=rng.random() < 0.5,
            )
            state = advance(state, second, rules=rules)
            assert sane(forecast(state, rules=rules), most_l=math.inf)


def test_time_that_stands_still_changes_nothing(plain_run: PressRun) -> None:
    rules = trial.rules_of(plain_run)
    state, _ = last(rules, plain_run.rows[:300])
    assert advance(state, blank(state.elapsed_s, line_kpa=900.0, strokes=9), rules=rules) == state
    assert advance(state, blank(1.0, line_kpa=900.0, strokes=9), rules=rules) == state
    assert advance(state, blank(math.nan), rules=rules) == state


def test_the_state_round_trips_through_json_and_stays_small(plain_run: PressRun) -> None:
    rules = trial.rules_of(plain_run)
    for count in (1, 50, 400, len(plain_run.rows)):
        state, _ = last(rules, plain_run.rows[:count])
        kept = STATE.dump_json(state)
        assert len(kept) < 6000
        assert STATE.validate_json(kept) == state


def test_the_state_cannot_be_changed(plain_run: PressRun) -> None:
    state, _ = last(trial.rules_of(plain_run), plain_run.rows[:10])
    with pytest.raises(dataclasses.FrozenInstanceError):
        state.elapsed_s = 3.0  # type: ignore[misc]


def test_a_second_costs_well_under_a_millisecond(plain_run: PressRun) -> None:
    """Aimed at 0.1 ms median; the bound leaves room for a busy machine."""
    rules = trial.rules_of(plain_run)
    state, costs = begin(rules), []
    for second in trial.seconds(plain_run.rows):
        began = time.perf_counter()
        state = advance(state, second, rules=rules)
        forecast(state, rules=rules)
        costs.append(time.perf_counter() - began)
    assert median(costs) < 0.3e-3
