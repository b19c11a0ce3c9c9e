"""When the outlet gets to a temperature: some hundred stacks that the readings allow, run ahead.

Where the outlet creeps, half a degree is a minute, and the errors are not small beside the way
that is left: so the time told is the one that is most often right, not that of the mean stack.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist
from typing import Final

import numpy as np

from monitor.rules.course import Course
from monitor.rules.inflow import Inflow, inflow
from monitor.rules.plates import (
    CLIMB,
    INLET,
    LAG,
    LEAST_FLOW_L_S,
    LOST,
    MASS,
    METAL_J_KG_K,
    PASSED,
    SYRUP_J_K_L,
    Array,
    Stack,
    effect,
    fitted,
)
from monitor.rules.thresholds import RunRules

SAMPLES = 128
"""Stacks that are run ahead."""

STEPS_S: Final = 5.0 * 1.08 ** np.arange(42)
"""Steps ahead: 25 minutes, short ones first."""

RIGHT_S, RIGHT_SHARE = 30.0, 0.2
"""A time is right when it is within this or that share of what it turns out to be (requirement)."""

NEARLY = 0.02
"""Shares of right times closer than this are equal: that is two or three stacks."""

NEVER_SHARE = 0.75
"""Where more of the stacks than this stay under the temperature, the rest tell no time."""

MOST_MISFIT_C = 0.4
"""A fit that leaves more over is not of this press: the simpler way is then the better one."""

_MOST_S = 1500.0
_CANDIDATES_S: Final = np.concatenate([np.arange(0.0, 300.0, 5.0), np.arange(300.0, _MOST_S, 15.0)])


def _spread_points() -> Array:
    """Return standard normal points that fill eight dimensions evenly (additive recurrence)."""
    # The positive root of x^9 = x + 1, the golden ratio's kin for eight dimensions.
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / 9.0)
    shares = (0.5 + np.outer(np.arange(1, SAMPLES + 1), root ** -np.arange(1.0, 9.0))) % 1.0
    normal = NormalDist()
    return np.array([[normal.inv_cdf(share) for share in row] for row in shares.tolist()])


_POINTS: Final = _spread_points()


@dataclass(frozen=True, slots=True)
class Arrival:
    """Seconds until the syrup is there and until the probe shows that it surely is; null: never."""

    ready_s: float | None
    sure_s: float | None
    never_share: float
    """Share of the stacks that stay under it."""


def foretold(course: Course, *, rules: RunRules, sure_c: float, probe_c: float) -> Arrival | None:
    """Return the arrival that ``course`` so far speaks for; null where no stack fits it or nothing flows.

    ``sure_c`` and ``probe_c`` as :func:`arrival` takes them.
    """
    stack = fitted(course, rules=rules, probe_c=probe_c)
    flow = inflow(course, stack, rules=rules)
    if flow is None or not np.isfinite(stack.mean).all() or stack.misfit_c > MOST_MISFIT_C:
        return None
    pan_c = course.pan_c[-1] if course.has_pan else None
    return arrival(
        stack,
        flow,
        ready_c=rules.thresholds.ready_c,
        sure_c=sure_c,
        probe_c=probe_c,
        pan_c=pan_c or 0.0,
        at_s=course.span_s,
    )


def arrival(
    stack: Stack, flow: Inflow, *, ready_c: float, sure_c: float, probe_c: float, pan_c: float, at_s: float
) -> Arrival:
    """Return when the outlet reaches ``ready_c`` and the reading ``sure_c`` [degC].

    Args:
        stack: as fitted up to ``at_s``.
        flow: what is to come.
        ready_c: true temperature waited for.
        sure_c: reading waited for.
        probe_c: standard deviation of the outlet probe's error.
        pan_c: latest pan reading, nought where the stack's inlet is absolute.
        at_s: seconds that the warm-up has lasted.
    """
    root = np.linalg.cholesky(stack.covariance + 1e-12 * np.eye(7))
    away = _POINTS[:, :7] @ root.T
    stacks = stack.mean + away
    stacks[:, LAG] = np.maximum(stacks[:, LAG], 1.0)
    plates_c = stack.plates_c + away @ stack.plates_by_column
    outlets = _outlets(stacks, plates_c, stack, flow, pan_c=pan_c, at_s=at_s)
    # An inlet that reads low against the prior is in part a probe that reads low.
    narrow = probe_c**2 / stack.inlet_spread_c**2 * stack.inlet_trust
    shift = narrow * (stacks[:, INLET] - stack.prior_inlet_c)
    error_c = shift + probe_c * math.sqrt(max(1.0 - narrow, 0.1)) * _POINTS[:, 7]
    times = _crossings(outlets, ready_c + error_c)
    sure = most_often_right(_crossings(outlets, np.full(SAMPLES, sure_c)))
    return Arrival(most_often_right(times), sure, float(np.mean(np.isinf(times))))


def _outlets(
    stacks: Array, plates_c: Array, stack: Stack, flow: Inflow, *, pan_c: float, at_s: float
) -> Array:
    """Return the outlet of each stack now and at the end of each step [degC]."""
    flows_l_s = _flows(stack, flow, pan_c=pan_c)
    eps, taken, lost, rate = effect(stacks, flows_l_s)
    ends_s = np.cumsum(STEPS_S)
    inlet_c = pan_c + stacks[:, INLET, None] + stacks[:, CLIMB, None] * np.minimum(at_s + ends_s, 600.0)
    goal = (taken * inlet_c + lost * stack.room_c) / (taken + lost)
    stepped = np.minimum(rate * STEPS_S, 7.0)
    grown = np.exp(np.cumsum(stepped, axis=1))
    plates = (plates_c[:, None] + np.cumsum(goal * (1.0 - np.exp(-stepped)) * grown, axis=1)) / grown
    outlets: Array = inlet_c - eps * (inlet_c - plates)
    first = inlet_c[:, :1] - eps[:, :1] * (inlet_c[:, :1] - plates_c[:, None])
    return np.concatenate([first, outlets], axis=1)


def _flows(stack: Stack, flow: Inflow, *, pan_c: float) -> Array:
    """Return the flow in each step [L/s], the outlet warming towards its end by the mean stack."""
    passed_w_k, lost = math.exp(stack.mean[PASSED]), math.exp(stack.mean[LOST])
    metal_j_k = METAL_J_KG_K * math.exp(stack.mean[MASS])
    plates_c, passed_l = stack.plates_c, 0.0
    outlet_c = float(stack.outlets_c[-1])
    inlet_c = pan_c + float(stack.mean[INLET])
    flows = []
    for step_s in STEPS_S.tolist():
        flow_l_s = flow.at(outlet_c, passed_l=passed_l)
        carried = max(flow_l_s, 0.1 * LEAST_FLOW_L_S) * SYRUP_J_K_L
        eps = 1.0 - math.exp(-passed_w_k / carried)
        taken = carried * eps
        goal_c = (taken * inlet_c + lost * stack.room_c) / (taken + lost)
        plates_c = goal_c + (plates_c - goal_c) * math.exp(-(taken + lost) / metal_j_k * step_s)
        outlet_c = inlet_c - eps * (inlet_c - plates_c)
        passed_l += flow_l_s * step_s
        flows.append(flow_l_s)
    return np.array(flows)


def _crossings(outlets: Array, levels_c: Array) -> Array:
    """Return when each outlet first reaches its level [s], infinite where it does not."""
    over = outlets >= levels_c[:, None]
    index = np.argmax(over, axis=1)
    rows = np.arange(len(outlets))
    times_s = np.concatenate([[0.0], np.cumsum(STEPS_S)])
    before = np.maximum(index - 1, 0)
    low, high = outlets[rows, before], outlets[rows, index]
    share = np.where(high > low, (levels_c - low) / np.where(high > low, high - low, 1.0), 1.0)
    reached = times_s[before] + np.clip(share, 0.0, 1.0) * (times_s[index] - times_s[before])
    return np.where(over.any(axis=1), np.where(index == 0, 0.0, reached), np.inf)


def most_often_right(times_s: Array) -> float | None:
    """Return the time that is right for the most of ``times_s``; null where most are never.

    Whoever asks has not seen it there, so the stacks that are there count only if all are.
    """
    waiting_s = times_s[times_s > 0.0]
    times_s = waiting_s if len(waiting_s) else times_s
    if float(np.mean(np.isinf(times_s))) > NEVER_SHARE:
        return None
    there = np.where(np.isinf(times_s), 1e9, times_s)
    right = np.abs(_CANDIDATES_S[:, None] - there) <= np.maximum(RIGHT_S, RIGHT_SHARE * there)
    count = np.mean(right, axis=1)
    # Of the times that are about as good as the best, the one nearest the middle.
    good = _CANDIDATES_S[count >= count.max() - NEARLY]
    middle_s = float(np.median(times_s[np.isfinite(times_s)]))
    return float(good[np.argmin(np.abs(good - middle_s))])
