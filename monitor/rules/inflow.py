"""The flow to come while a press warms up.

A regulated pump meets a resistance R = P / (mu Q) that grows in a straight line with the litres,
while the syrup in the press thins as it gets hot; and people raise the pressure when the flow is
small. A pump that holds its flow goes on as it does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from monitor.rules.course import Course
from monitor.rules.plates import LEAST_FLOW_L_S, Array, Stack, feed_of
from monitor.rules.thresholds import HOLDING, RunRules

RECENT_S = 45.0
"""The flow of this time is where the flow to come starts from."""

GROWTH_KPA_MIN_L2 = 0.018
"""Usual growth of R A^2 by the litre, where mu is in mPa s (from invented runs); as uncertain."""

RESISTANCE_ERROR = 0.04
"""Error of R in one block, as a share: single strokes."""

MEMORY_S = 120.0
"""How far back the line of R looks."""

LEAST_LINE_KPA = 30.0

KEPT_SHARE = 0.8
"""People raise the pressure until this share of the best flow so far is back (judgement)."""

MOST_RAISE = 1.15
"""But hardly to more than this many times what the present pressure gives."""

LOW_C, HIGH_C = 40.0, 99.0
"""Where the viscosity of syrup is looked up."""

SUGAR_B = 66.9
_X = SUGAR_B / (1900.0 - 18.0 * SUGAR_B)
_BASE, _BEND = 22.46 * _X - 0.114, 1.1 + 43.1 * _X**1.25
"""Genotelle's equation at 66.9 Brix (see :func:`monitor.physics.syrup.viscosity`, which checks and
converts at every call and is too slow here; a test holds the two together)."""


@dataclass(frozen=True, slots=True)
class Inflow:
    """What the flow to come is worked out from."""

    now_l_s: float
    kept_l_s: float
    """Flow that people see to, nought where nobody does."""
    push: float
    """Pressure over viscosity and resistance is the flow: kPa at present, nought for a held flow."""
    resistance: float
    growth: float
    """R now [kPa min/(mPa s L)] and its growth by the litre."""
    inlet_c: float

    def at(self, outlet_c: float, *, passed_l: float) -> float:
        """Return the flow [L/s] when the outlet is at ``outlet_c`` and ``passed_l`` more have passed."""
        if self.push <= 0.0:
            return self.now_l_s
        thickness = thickness_mpa_s(0.5 * (self.inlet_c + outlet_c))
        flow_l_s = self.push / thickness / (self.resistance + self.growth * passed_l) / 60.0
        return max(flow_l_s, min(self.kept_l_s, MOST_RAISE * flow_l_s))


def thickness_mpa_s(celsius: float) -> float:
    """Return the viscosity of syrup of 66.9 Brix [mPa s].

    >>> round(thickness_mpa_s(85.0), 2)
    9.56
    """
    at_c = min(max(celsius, LOW_C), HIGH_C)
    return float(10.0 ** (_BASE + (30.0 - at_c) / (91.0 + at_c) * _BEND))


def inflow(course: Course, stack: Stack, *, rules: RunRules) -> Inflow | None:
    """Return the flow to come after ``course``; null while the syrup stands."""
    feed = feed_of(course)
    ends_s = np.cumsum(feed.spans_s)
    recent = ends_s > ends_s[-1] - RECENT_S
    now_l_s = float(np.sum(np.array(course.moved_l)[recent]) / np.sum(feed.spans_s[recent]))
    if now_l_s < LEAST_FLOW_L_S:
        return None
    inlet_c = float(stack.mean[0] + feed.pan_c[-1])
    line_kpa = np.array([kpa or 0.0 for kpa in course.line_kpa])
    usable = (line_kpa > LEAST_LINE_KPA) & (feed.flow_l_s > LEAST_FLOW_L_S)
    if rules.pump.kind in HOLDING or not usable[recent].all():
        return Inflow(now_l_s, 0.0, 0.0, 0.0, 0.0, inlet_c)
    area_m2 = rules.press.paper_area_m2
    passed_l = np.cumsum(np.array(course.moved_l)) - float(np.sum(np.array(course.moved_l)))
    thick = np.array([thickness_mpa_s(0.5 * (inlet_c + float(c))) for c in stack.outlets_c])
    with np.errstate(divide="ignore", invalid="ignore"):
        resistance = np.where(usable, line_kpa / (thick * feed.flow_l_s * 60.0), 0.0)
    now, growth = _line(
        passed_l[usable], resistance[usable], usual=GROWTH_KPA_MIN_L2 / area_m2**2,
        age_s=(ends_s[-1] - ends_s)[usable],
    )  # fmt: skip
    # The line hits the middle of the recent blocks; what they show themselves is the better start.
    told_l_s = line_kpa[recent] / thick[recent] / (now + growth * passed_l[recent]) / 60.0
    held = float(np.clip(now_l_s / np.mean(told_l_s), 0.7, 1.4))
    kept_l_s = 0.0
    if line_kpa[-1] < 0.9 * rules.thresholds.cutoff_kpa:
        smooth = np.convolve(feed.flow_l_s, np.ones(4) / 4.0, "valid")
        best_l_s = float(np.max(smooth)) if len(smooth) else now_l_s
        kept_l_s = KEPT_SHARE * best_l_s
    return Inflow(now_l_s, kept_l_s, held * float(line_kpa[-1]), now, growth, inlet_c)


def _line(passed_l: Array, resistance: Array, *, usual: float, age_s: Array) -> tuple[float, float]:
    """Return level now and slope of the resistance, drawn towards the usual growth."""
    weight = np.exp(-age_s / MEMORY_S) / (RESISTANCE_ERROR * resistance)
    rows = np.column_stack([weight, weight * passed_l])
    normal = rows.T @ rows + np.diag([0.0, 1.0 / usual**2])
    wanted = rows.T @ (weight * resistance) + np.array([0.0, 1.0 / usual])
    level, slope = np.linalg.solve(normal, wanted)
    return float(level), max(float(slope), 0.1 * usual)
