"""Time to ready on curves whose answer is known, and the threshold above."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from monitor.rules.forecast import Second
from monitor.rules.warming import Warming, time_to_precipitation, time_to_ready, warmed
from tests.rules.forecast_trial import rules_for

RULES = rules_for({"press.frames": 5})
READY_C = RULES.thresholds.ready_c


def warm(
    curve: Callable[[float], float | None],
    *,
    until_s: int,
    flow_l_min: Callable[[float], float | None] = lambda t: 3.0,
) -> Warming:
    now = Warming()
    for t in range(1, until_s + 1):
        outlet_c = curve(float(t))
        second = Second(
            elapsed_s=float(t),
            outlet_c=outlet_c,
            outlet_corrected_c=outlet_c,
            line_kpa=300.0,
            line_high_kpa=None,
            line_low_kpa=None,
            strokes=1,
            flow_l_min=None,
            containers_l=0.0,
            ready=False,
        )
        # No litres: the simpler way, which has only level and slope to go by.
        now = warmed(now, second, step_s=1.0, flow_l_min=flow_l_min(float(t)), moved_l=None, rules=RULES)
    return now


def lumped(end_c: float, tau_s: float, start_c: float = 15.0) -> Callable[[float], float]:
    return lambda t: end_c - (end_c - start_c) * math.exp(-t / tau_s)


@pytest.mark.parametrize("tau_s", [60.0, 110.0, 200.0])
def test_a_press_with_the_expected_end_is_foretold_within_the_limit(tau_s: float) -> None:
    """Within 30 s or 30 %: the forecast allows for a slower end than one time constant has."""
    end_c = READY_C + 2.0
    true_s = tau_s * math.log((end_c - 15.0) / (end_c - READY_C))
    for share in (0.3, 0.5, 0.8):
        told = time_to_ready(warm(lumped(end_c, tau_s), until_s=int(share * true_s)), rules=RULES)
        if share * true_s < 50.0:
            continue
        left_s = true_s - int(share * true_s)
        assert told == pytest.approx(left_s, abs=max(30.0, 0.3 * left_s))


def test_the_same_curve_by_litres_or_by_seconds_tells_the_same() -> None:
    curve = lumped(85.0, 110.0)
    by_flow = time_to_ready(warm(curve, until_s=150), rules=RULES)
    by_time = time_to_ready(warm(curve, until_s=150, flow_l_min=lambda t: None), rules=RULES)
    assert by_flow == pytest.approx(by_time, rel=1e-6)


def test_twice_the_flow_from_now_on_halves_the_time() -> None:
    # The stack warms by the litre: at x = q t, T = Tend - A exp(-x / k).
    flows = {True: 3.0, False: 6.0}
    passed = {t: 0.05 * min(t, 120) + 0.1 * max(0, t - 120) for t in range(200)}
    stepped = warm(
        lambda t: 85.0 - 70.0 * math.exp(-passed[int(t)] / 6.0),
        until_s=150,
        flow_l_min=lambda t: flows[t <= 120],
    )
    steady = warm(lambda t: 85.0 - 70.0 * math.exp(-0.05 * t / 6.0), until_s=180, flow_l_min=lambda t: 3.0)
    told, slow = time_to_ready(stepped, rules=RULES), time_to_ready(steady, rules=RULES)
    assert told is not None
    assert slow is not None
    assert 0.4 * slow < told < 0.6 * slow


def test_nothing_is_foretold_in_the_first_seconds() -> None:
    assert time_to_ready(warm(lumped(86.0, 100.0), until_s=40), rules=RULES) is None


def test_an_outlet_that_does_not_rise_has_no_time() -> None:
    assert time_to_ready(warm(lambda t: 70.0, until_s=200), rules=RULES) is None
    assert time_to_ready(warm(lambda t: 80.0 - 0.02 * t, until_s=200), rules=RULES) is None
    assert time_to_ready(warm(lambda t: None, until_s=200), rules=RULES) is None


def test_no_flow_has_no_time() -> None:
    assert (
        time_to_ready(warm(lambda t: 20.0 + 0.1 * t, until_s=200, flow_l_min=lambda t: 0.0), rules=RULES)
        is None
    )


def test_a_hot_outlet_is_ready_now() -> None:
    assert time_to_ready(warm(lumped(86.0, 20.0), until_s=200), rules=RULES) == 0.0


def test_a_reached_temperature_is_waited_for_until_the_probe_is_sure() -> None:
    # Half a degree of error: sure at READY_C + 0.5, here 0.3 degC and so some half a minute away.
    told = time_to_ready(warm(lambda t: READY_C + 0.2 - 0.01 * (200.0 - t), until_s=200), rules=RULES)
    assert told == pytest.approx(30.0, abs=15.0)
    level = time_to_ready(warm(lambda t: READY_C + 0.2, until_s=200), rules=RULES)
    assert level is None


def test_a_lost_minute_is_outlived() -> None:
    curve = lumped(86.0, 150.0)
    holed = warm(lambda t: None if 100 <= t < 160 else curve(t), until_s=190)
    told, whole = time_to_ready(holed, rules=RULES), time_to_ready(warm(curve, until_s=190), rules=RULES)
    assert told is not None
    assert whole is not None
    assert told == pytest.approx(whole, rel=0.1)


def test_a_steady_rise_meets_the_precipitation_threshold_when_arithmetic_says() -> None:
    rising = warm(lambda t: 83.0 + 0.03 * t, until_s=120)
    # 193 degF = 89.444 degC; at 120 s the outlet stands at 86.6 degC and gains 0.03 a second.
    assert time_to_precipitation(rising, rules=RULES) == pytest.approx((89.4444 - 86.6) / 0.03, rel=0.01)


def test_an_ordinary_warm_up_does_not_cry_wolf() -> None:
    assert time_to_precipitation(warm(lumped(85.0, 110.0), until_s=200), rules=RULES) is None
    assert time_to_precipitation(warm(lambda t: 85.0, until_s=200), rules=RULES) is None


def test_over_the_threshold_the_time_is_nought() -> None:
    assert time_to_precipitation(warm(lambda t: 90.0, until_s=100), rules=RULES) == 0.0
