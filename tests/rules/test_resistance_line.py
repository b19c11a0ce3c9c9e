"""The fading line of resistance against volume, held to a published example and to scipy."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from itertools import pairwise

import pytest
from scipy.optimize import least_squares

from monitor.rules.cake import SLOW_FADING, Line
from monitor.rules.forecast import ForecastState, Second, advance, begin, volume
from tests.rules.forecast_trial import followed, rules_for, rules_of
from tests.rules.press_runs import Setup, simulate

# Geankoplis, Transport Processes and Unit Operations, Example 14.2-1: 338 kPa, 0.0439 m2,
# 23.47 kg/m3, 8.937e-4 Pa s. Data read in the book, its answers from memory.
VOLUME_L = (0.498, 1.000, 1.501, 2.000, 2.498, 3.002, 3.506, 4.004, 4.502, 5.009)
TIME_S = (4.4, 9.5, 16.3, 24.6, 34.7, 46.1, 59.0, 73.6, 89.4, 107.3)
AREA_M2, PRESSURE_PA, VISCOSITY_PA_S, SOLIDS_KG_M3 = 0.0439, 338e3, 8.937e-4, 23.47


def test_blocks_of_a_published_run_give_its_cake_and_its_medium() -> None:
    line = Line()
    for (v0, t0), (v1, t1) in pairwise([(0.0, 0.0), *zip(VOLUME_L, TIME_S, strict=True)]):
        flow_m3_s = 1e-3 * (v1 - v0) / (t1 - t0)
        resistance = AREA_M2 * PRESSURE_PA / (VISCOSITY_PA_S * flow_m3_s)
        line = line.with_block(0.5 * (v0 + v1), 1e-11 * resistance, weight=v1 - v0, keep=1.0)
    slope, medium = line.slope(), line.at(0.0)
    assert slope is not None
    assert medium is not None
    assert slope * 1e14 * AREA_M2 / SOLIDS_KG_M3 == pytest.approx(1.863e11, rel=0.02)
    # The medium is a small intercept of noisy differences; the book's own fits differ by this much.
    assert medium * 1e11 == pytest.approx(1.063e11, rel=0.10)


def test_fading_sums_are_weighted_least_squares() -> None:
    rng = random.Random(7)  # noqa: S311 - test data
    blocks = [(float(v), 0.4 + 0.03 * v + rng.gauss(0.0, 0.05)) for v in range(2, 60)]
    line, last = Line(), 0.0
    for volume_l, resistance in blocks:
        keep = math.pow(last / volume_l, SLOW_FADING)
        line, last = line.with_block(volume_l, resistance, weight=1.0, keep=keep), volume_l
    end_l = blocks[-1][0]

    def misfit(p: list[float]) -> list[float]:
        return [(v / end_l) ** (SLOW_FADING / 2.0) * (p[0] + p[1] * v - r) for v, r in blocks]

    found = least_squares(misfit, [0.0, 0.0]).x
    assert line.slope() == pytest.approx(found[1], rel=1e-6)
    assert line.at(0.0) == pytest.approx(found[0], rel=1e-5)


def test_a_line_without_spread_has_no_slope() -> None:
    assert Line().slope() is None
    assert Line().at(3.0) is None
    same = Line().with_block(5.0, 1.0, weight=1.0, keep=1.0).with_block(5.0, 1.2, weight=1.0, keep=1.0)
    assert same.slope() is None
    assert same.at(9.0) == pytest.approx(1.1)


STEADY = Setup(
    frames=5,
    uneven=0.0,
    alpha=1.5e11,
    compressibility=0.3,
    pan_c=88.0,
    loss_w_k=0.0,
    stop_share=0.1,
    meter=True,
)


def _late_states(setup: Setup, share: float) -> tuple[ForecastState, float]:
    run = simulate(setup)
    mark = next(i for i, v in enumerate(run.volume_l) if v >= share * run.total_l)
    states = [state for state, _ in followed(rules_of(run), run.rows[: mark + 1])]
    return states[-1], run.volume_l[mark]


def test_the_live_fit_agrees_with_an_independent_solver() -> None:
    """A constant-pressure run, t = (Kp/2) V^2 + B V, seen by the monitor and solved by scipy."""
    rules = rules_for({"press.frames": 5, "press.frame_side": "16 cm", "press.full_volume": "150 L"})
    rng = random.Random(3)  # noqa: S311 - test data
    kp, b, pressure_kpa = 0.32, 9.0, 552.0  # s/L2, s/L
    state, seen, volume_l = begin(rules), [], 0.0
    for t in range(1, 1501):
        now_l = (-b + math.sqrt(b * b + 2.0 * kp * t)) / kp
        second = Second(
            elapsed_s=float(t),
            outlet_c=85.0,
            outlet_corrected_c=85.0,
            line_kpa=pressure_kpa + rng.gauss(0.0, 8.0),
            line_high_kpa=None,
            line_low_kpa=None,
            strokes=None,
            flow_l_min=60.0 * (now_l - volume_l) * (1.0 + rng.gauss(0.0, 0.03)),
            containers_l=0.0,
            ready=True,
        )
        volume_l = now_l
        state = advance(state, second, rules=rules)
        seen.append((float(t), volume(state).filtered_l or 0.0))
    solved = least_squares(
        lambda p: [0.5 * p[0] * v * v + p[1] * v - t for t, v in seen[::15]], [0.1, 1.0], x_scale=[0.1, 10.0]
    ).x
    slope, medium = state.cake.long.slope(), state.cake.long.at(0.0)
    assert slope is not None
    assert medium is not None
    # 9.56 mPa s: syrup of 66.9 % at 85 degC. R = A dP t' / (mu), litres to m3, 1e11/m.
    per_second = 10 * 0.16**2 * pressure_kpa * 1e3 / 9.56e-3 * 1e3 * 1e-11
    cutoff = (80 * 6.894757 / pressure_kpa) ** 0.3
    assert slope == pytest.approx(solved[0] * per_second * cutoff, rel=0.02)
    assert medium == pytest.approx(solved[1] * per_second * cutoff, rel=0.05)


def test_regulator_steps_leave_the_line_where_it_is() -> None:
    stepped, _ = _late_states(STEADY, 0.6)
    level, _ = _late_states(replace(STEADY, start_kpa=560.0, top_kpa=560.0), 0.6)
    a, b = stepped.cake.long.slope(), level.cake.long.slope()
    assert a is not None
    assert b is not None
    assert a == pytest.approx(b, rel=0.06)
