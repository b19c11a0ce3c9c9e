"""The stack of plates, fitted to the course of a warm-up while it goes on.

All plates are one lump (:mod:`monitor.physics.warmup`) that also loses heat to the room, and
the probe lags behind what leaves it. What is known of presses before the first second, and how
surely, is the prior; the readings then narrow it down. All temperatures are as the probe shows
them: its own error is a shift of everything that no reading of that probe can tell.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.rules.course import Course
from monitor.rules.thresholds import RunRules

Array = npt.NDArray[np.float64]

SYRUP_J_K_L: Final = 1.29 * 2931.0
"""Heat that a litre of 66.9 Brix syrup at 85 degC carries (density, heat capacity: physics.syrup)."""

METAL_J_KG_K = 900.0
"""Aluminium."""

INLET, MASS, PASSED, LAG, START, LOST, CLIMB = range(7)
"""Columns of a stack: syrup at the inlet [degC], or how far it is over the pan probe; logarithms
of the metal [kg], of the heat passed to it [W/K] and lost to the room [W/K]; lag of the probe
[s], plates at the start [degC], climb of the inlet [degC/s]."""

INLET_OVER_READY_C, INLET_SPREAD_C = 4.3, 1.0
"""Pans are at 185-190 degF to be filtered (extension bulletins): 7.5 degF over the usual ready."""

INLET_UNDER_PAN_C, UNDER_PAN_SPREAD_C = -0.3, 0.5
"""What is lost between pan and press (judgement), with the error of the pan's probe."""

END_PLATES_KG, FRAME_KG, FRAME_FACE_M2 = 8.2, 1.9, 0.0493
"""Metal of two end plates and of a frame with its plate, of this area of papers (from invented runs)."""

PASSED_W_K, LOST_W_K = 35.0, 1.1
"""Heat passed by one such frame, and lost by it to the room (from invented runs)."""

LAG_S = 12.0
"""Usual lag of a probe in its well."""

START_OVER_C = 0.5
"""The first reading comes a little after the start, and lags."""

SPREAD = np.array([0.0, 0.2, 0.4, 3.0, 1.5, 0.6, 0.1 / 60.0])
"""How far presses differ, one standard deviation by column; the inlet's is set beside it."""

TAIL = 4.0
"""A press far from the usual is no wonder: degrees of freedom of Student's t, first three columns."""

MISFIT_C, MISFIT_S = 0.15, 10.0
"""How far a lump is from a press, and for how long it stays off on the same side."""

LEAST_FLOW_L_S = 0.005
"""Under this the syrup stands, and the probe shows its own pipe."""

LONGEST_CLIMB_S = 600.0
"""A pan is not expected to go on climbing for longer."""

NUDGE = np.array([0.05, 0.005, 0.01, 0.1, 0.05, 0.05, 0.0003])
"""Steps of the numerical slope, by column."""
_NUDGES: Final = np.diag(NUDGE)

LEAST_LAG_S = 4.0


@dataclass(frozen=True, slots=True)
class Feed:
    """What went in: block lengths [s], flow [L/s], pan over time [degC] (nought where unknown)."""

    spans_s: Array
    flow_l_s: Array
    pan_c: Array
    room_c: float


@dataclass(frozen=True, slots=True)
class Stack:
    """The fitted stack: mean and covariance by column, and the plates now with their slopes."""

    mean: Array
    covariance: Array
    prior_inlet_c: float
    inlet_spread_c: float
    inlet_trust: float
    """How much of the prior of the inlet still counts, 1 near it and towards 0 far away."""
    plates_c: float
    plates_by_column: Array
    outlets_c: Array
    """What left the stack, block by block, as the mean has it."""
    room_c: float
    misfit_c: float
    """Root mean square of what the fit leaves over."""


def effect(stacks: Array, flow_l_s: Array) -> tuple[Array, Array, Array, Array]:
    """Return eps, heat carried C eps [W/K], loss [W/K] and rate of the plates [1/s]; rows: stacks."""
    carried = np.maximum(flow_l_s, 0.1 * LEAST_FLOW_L_S) * SYRUP_J_K_L
    eps = 1.0 - np.exp(-np.exp(stacks[:, PASSED, None]) / carried)
    taken = carried * eps
    lost = np.exp(stacks[:, LOST, None])
    return eps, taken, lost, (taken + lost) / (METAL_J_KG_K * np.exp(stacks[:, MASS, None]))


def warmed_plates(stacks: Array, feed: Feed, *, inlet_c: Array, start_c: Array) -> tuple[Array, Array]:
    """Return plates at the end of each block and outlet in its middle [degC]; rows: stacks."""
    eps, taken, lost, rate = effect(stacks, feed.flow_l_s)
    goal = (taken * inlet_c + lost * feed.room_c) / (taken + lost)
    stepped = np.minimum(rate * feed.spans_s, 20.0)
    kept = np.exp(-stepped)
    # T(i) = goal + (T(i-1) - goal) kept, summed in closed form; e^300 is far inside a double.
    grown = np.exp(np.minimum(np.cumsum(stepped, axis=1), 300.0))
    plates = (start_c + np.cumsum(goal * (1.0 - kept) * grown, axis=1)) / grown
    before = np.concatenate([np.broadcast_to(start_c, (len(stacks), 1)), plates[:, :-1]], axis=1)
    return plates, inlet_c - eps * (inlet_c - 0.5 * (before + plates))


def shown(stacks: Array, feed: Feed) -> tuple[Array, Array, Array]:
    """Return the reading at the end of each block, the outlet in it and the plates [degC]."""
    ends_s = np.cumsum(feed.spans_s)
    climbed = stacks[:, CLIMB, None] * np.minimum(ends_s - 0.5 * feed.spans_s, LONGEST_CLIMB_S)
    inlet_c = feed.pan_c + stacks[:, INLET, None] + climbed
    start_c = stacks[:, START, None]
    plates, outlets = warmed_plates(stacks, feed, inlet_c=inlet_c, start_c=start_c)
    lag_s = stacks[:, LAG, None]
    grown = np.exp(ends_s / lag_s)
    taken_in = outlets * (1.0 - np.exp(-feed.spans_s / lag_s)) * grown
    return (start_c + np.cumsum(taken_in, axis=1)) / grown, outlets, plates


def feed_of(course: Course) -> Feed:
    """Return what went into the stack, its flow smoothed over the steps of single strokes."""
    spans_s = np.array(course.spans_s)
    moved_l = np.array(course.moved_l)
    count = len(moved_l)
    weights = np.array([1.0, 2.0, 3.0, 2.0, 1.0])[: count if count < 5 else 5]
    flow_l_s = np.convolve(moved_l, weights, "same") / np.convolve(spans_s, weights, "same")
    pan_c = np.zeros(count)
    if course.has_pan:
        known = [i for i, value in enumerate(course.pan_c) if value is not None]
        pan_c = np.interp(np.arange(count), known, [course.pan_c[i] or 0.0 for i in known])
    return Feed(spans_s, flow_l_s, pan_c, min(course.start_c or 20.0, 20.0))


def prior(course: Course, *, rules: RunRules, probe_c: float) -> tuple[Array, Array]:
    """Return mean and standard deviation by column; ``probe_c`` is the outlet probe's deviation."""
    press = rules.press
    size = press.paper_area_m2 / FRAME_FACE_M2
    face = size / max(press.frames, 1)
    inlet_c, spread_c = rules.thresholds.ready_c + INLET_OVER_READY_C, INLET_SPREAD_C
    if course.has_pan:
        inlet_c, spread_c = INLET_UNDER_PAN_C, UNDER_PAN_SPREAD_C
    mean = np.array(
        [
            inlet_c,
            math.log(END_PLATES_KG * face + FRAME_KG * size),
            math.log(PASSED_W_K * size),
            LAG_S,
            (course.start_c or 0.0) + START_OVER_C,
            math.log(LOST_W_K * size),
            0.0,
        ]
    )
    spread = SPREAD.copy()
    spread[INLET] = math.hypot(spread_c, probe_c)
    if course.has_pan:
        spread[CLIMB] *= 0.1
    return mean, spread


def fitted(course: Course, *, rules: RunRules, probe_c: float, rounds: int = 6) -> Stack:
    """Return the stack that the course so far speaks for, prior and readings weighed by their errors.

    Gauss-Newton on the posterior; the first three columns have Student's t as their prior, as
    weights that fall with the distance.
    """
    feed = feed_of(course)
    mean, spread = prior(course, rules=rules, probe_c=probe_c)
    seen = np.array([c is not None for c in course.outlet_c]) & (feed.flow_l_s > LEAST_FLOW_L_S)
    read_c = np.array([c or 0.0 for c in course.outlet_c])[seen]
    weight = np.sqrt(feed.spans_s[seen] / MISFIT_S) / MISFIT_C
    now, trust = mean.copy(), np.ones(7)
    for _ in range(rounds):
        stacks = np.vstack([now, now + _NUDGES])
        readings, outlets, plates = shown(stacks, feed)
        slope = ((readings[1:] - readings[0]) / NUDGE[:, None])[:, seen] * weight
        away = (now - mean) / spread
        trust[:3] = (TAIL + 1.0) / (TAIL + away[:3] ** 2)
        normal = slope @ slope.T + np.diag(trust / spread**2)
        wanted = slope @ ((read_c - readings[0, seen]) * weight) - trust * away / spread
        step = np.clip(np.linalg.solve(normal, wanted), -3.0 * spread, 3.0 * spread)
        now = now + step
        now[LAG] = max(now[LAG], LEAST_LAG_S)
        if float(np.max(np.abs(step) / spread)) < 0.02:
            break
    return Stack(
        now,
        np.linalg.inv(normal),
        float(mean[INLET]),
        float(spread[INLET]),
        float(trust[INLET]),
        float(plates[0, -1]),
        (plates[1:, -1] - plates[0, -1]) / NUDGE,
        outlets[0],
        feed.room_c,
        float(np.sqrt(np.mean((read_c - readings[0, seen]) ** 2))) if seen.any() else math.inf,
    )
