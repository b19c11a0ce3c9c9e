"""When the outlet will be hot, and whether it will be too hot.

Where the flow is known, the stack of plates is fitted to the course so far and run ahead
(:mod:`plates`, :mod:`inflow`, :mod:`arrival`), anew with every few seconds. Where it is not,
or no course was kept, the outlet nears its end temperature as T = Tend - A exp(-x / k), x the
time passed: level and slope come from fading least-squares sums, and the slope gives k for the
end temperature that a pan heated for filtering leads to. The last degrees take longer than the
slope of the first ones says, which :data:`SLOW_END` allows for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from monitor.contract.readings import Point
from monitor.rules.course import LONGEST_S, Course, followed
from monitor.rules.second import Second, known
from monitor.rules.thresholds import RunRules

MEMORY_S = 15.0
"""How far back level and slope look: longer ones lag the curve, shorter ones see the probe's steps."""

LEAST_S = 50.0
"""Shortest warm-up that carries a forecast: one is due within the first minute (requirement)."""

END_OVER_READY_C = 2.0
"""The outlet settles about this far over the ready temperature: the pan is heated to 185-195 degF
to be filtered (extension bulletins) and the press loses some of it (judgement)."""

PROBE_ERROR_C = 0.5
"""Error of the outlet probe where no calibration says better (data sheet of the usual one)."""

END_UNDER_PAN_C = 2.0
"""Where the pan is known, the outlet settles about this far under it (judgement)."""

LEAST_OVER_C = 0.4
"""The outlet settles at least this far over what is waited for, else there is no waiting."""

SLOW_END = 1.2
"""How much longer the last degrees take than one time constant says (fitted to invented runs)."""

LEAST_RISE_C_S = 0.002
"""Slower than this (0.2 degF/min) the outlet does not rise."""

FARTHEST_S = 2 * 3600.0
"""Beyond this a forecast of the warm-up means nothing."""

PRECIPITATION_HORIZON_S = 300.0
"""A rising outlet is followed this far towards the precipitation threshold; every warm-up slows
down before it, so farther out the straight line would cry wolf."""


COLD_SHARE = 0.95
"""So many of the stacks that the readings allow must stay cold before it is said."""

COLD_AHEAD_S = 480.0
"""An outlet whose straight line gets there within this time is not called cold."""

UNIFORM = 1.0 / math.sqrt(3.0)
"""Standard deviation of an error that lies anywhere within a bound, as a share of the bound."""


@dataclass(frozen=True, slots=True)
class Told:
    """What the fitted stack said and how long ago [s]; null: the outlet does not get there."""

    ready_s: float | None
    sure_s: float | None
    never_share: float
    age_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Warming:
    """Fading sums of the outlet temperature against litres (or seconds) counted back from now."""

    seen_s: float = 0.0
    rate: float | None = None
    """Litres a second, or one where no flow is known; null before the first second."""
    by_flow: bool = False
    weight: float = 0.0
    x: float = 0.0
    xx: float = 0.0
    t: float = 0.0
    xt: float = 0.0
    course: Course | None = field(default_factory=Course)
    """Null once ready, or when it has become too long."""
    told: Told | None = None

    def line(self) -> tuple[float, float] | None:
        """Return level [degC] and slope [degC/s] now; null while the sums carry no line."""
        spread = self.weight * self.xx - self.x * self.x
        if self.rate is None or self.weight < 5.0 or spread <= 1e-9 * self.weight * self.xx:
            return None
        slope = (self.weight * self.xt - self.x * self.t) / spread
        return (self.t - slope * self.x) / self.weight, slope * self.rate


def warmed(
    before: Warming,
    second: Second,
    *,
    step_s: float,
    flow_l_min: float | None,
    moved_l: float | None,
    rules: RunRules,
) -> Warming:
    """Return ``before`` with the outlet of ``second`` added; flow and litres moved may be unknown."""
    now = _levelled(before, second, step_s=step_s, flow_l_min=flow_l_min)
    course, told = before.course, before.told
    if course is None:
        return now
    if second.ready or course.span_s > LONGEST_S or moved_l is None:
        # A course with a hole in its litres would be read as a colder press.
        return replace(now, course=None if second.ready or course.span_s > 0.0 else course)
    after = followed(course, second, step_s=step_s, moved_l=moved_l)
    if told is not None:
        told = replace(told, age_s=told.age_s + step_s)
    if len(after.spans_s) != len(course.spans_s):
        line = now.line()
        waits = now.seen_s >= LEAST_S and line is not None and line[0] < _sure_c(rules)
        told = _told(after, rules=rules) if waits else None
    return replace(now, course=after, told=told)


def begun(before: Warming, second: Second) -> Warming:
    """Return ``before`` with the outlet of the moment in which the run began, if it is the first."""
    course, outlet_c = before.course, known(second.outlet_c)
    if course is None or course.start_c is not None or outlet_c is None:
        return before
    return replace(before, course=replace(course, start_c=outlet_c))


def _told(course: Course, *, rules: RunRules) -> Told | None:
    """Return what the stack fitted to ``course`` says; null while its syrup stands or nothing is seen."""
    if course.start_c is None or course.outlet_c[-1] is None:
        return None
    # Its arrays come with numpy, which the page's process, that warms nothing up, can do without.
    from monitor.rules.arrival import foretold

    probe_c = UNIFORM * _probe_error_c(rules)
    ahead = foretold(course, rules=rules, sure_c=_sure_c(rules), probe_c=probe_c)
    return None if ahead is None else Told(ahead.ready_s, ahead.sure_s, ahead.never_share)


def stays_cold(warming: Warming, *, rules: RunRules) -> bool:
    """Tell whether the outlet, as far as the course so far says, settles under the ready temperature.

    A pan colder than that cannot do it. Else the fitted stack must say so, and the outlet must
    rise so slowly that even its straight line would take long: settling is where a lump of
    plates is least like a press.
    """
    line, told, pan_c = warming.line(), warming.told, _pan_c(warming)
    if line is None or warming.seen_s < LEAST_S:
        return False
    if pan_c is not None and pan_c < rules.thresholds.ready_c:
        return line[0] < rules.thresholds.ready_c
    if told is None or told.never_share < COLD_SHARE:
        return False
    level_c, slope_c_s = line
    return 0.0 < rules.thresholds.ready_c - level_c > slope_c_s * COLD_AHEAD_S


def _pan_c(warming: Warming) -> float | None:
    """Return the latest reading in the pan, null where no probe speaks there."""
    course = warming.course
    return course.pan_c[-1] if course is not None and course.pan_c else None


def _probe_error_c(rules: RunRules) -> float:
    error_c = rules.tuning(Point.OUTLET).tolerance
    return PROBE_ERROR_C if error_c is None else error_c


def _sure_c(rules: RunRules) -> float:
    return rules.thresholds.ready_c + _probe_error_c(rules)


def _levelled(before: Warming, second: Second, *, step_s: float, flow_l_min: float | None) -> Warming:
    """Return ``before`` with the sums of level and slope moved on."""
    outlet_c = known(second.outlet_corrected_c)
    if outlet_c is None:
        outlet_c = known(second.outlet_c)
    by_flow = flow_l_min is not None
    rate = flow_l_min / 60.0 if flow_l_min is not None else 1.0
    fade = math.exp(-step_s / MEMORY_S)
    if by_flow != before.by_flow:
        fade = 0.0
    moved = rate * step_s
    b = before
    seen = 0.0 if outlet_c is None else 1.0
    # x counts back from now, so every earlier point moves by what has passed.
    return Warming(
        b.seen_s + step_s * seen,
        rate,
        by_flow,
        b.weight * fade + seen,
        (b.x - moved * b.weight) * fade,
        (b.xx - 2.0 * moved * b.x + moved * moved * b.weight) * fade,
        b.t * fade + seen * (outlet_c or 0.0),
        (b.xt - moved * b.t) * fade,
        b.course,
    )


def time_to_ready(warming: Warming, *, rules: RunRules) -> float | None:
    """Return seconds until the syrup reaches the ready temperature; null while the data do not say.

    Once it has, seconds until the probe is sure of it: its error over the ready temperature.
    """
    line = warming.line()
    if warming.seen_s < LEAST_S or line is None:
        return None
    level_c, slope_c_s = line
    ready_c, sure_c = rules.thresholds.ready_c, _sure_c(rules)
    if level_c >= sure_c:
        return 0.0
    told = warming.told
    if stays_cold(warming, rules=rules):
        return None
    if told is not None and level_c < ready_c and told.ready_s is not None:
        return max(0.0, told.ready_s - told.age_s)
    if told is not None and level_c >= ready_c and told.sure_s is not None:
        return max(0.0, told.sure_s - told.age_s)
    if slope_c_s < LEAST_RISE_C_S or not warming.rate:
        return None
    target_c = ready_c if level_c < ready_c else sure_c
    pan_c = _pan_c(warming)
    end_c = ready_c + END_OVER_READY_C if pan_c is None else pan_c - END_UNDER_PAN_C
    over_c = max(end_c - target_c, LEAST_OVER_C)
    # The slope belongs to the middle of the memory, where the outlet was that much colder.
    middle_s = -warming.x / warming.weight / warming.rate
    gap_c = target_c + over_c - (level_c - slope_c_s * middle_s)
    time_s = SLOW_END * (gap_c / slope_c_s * math.log(gap_c / over_c) - middle_s)
    return max(time_s, 0.0) if time_s <= FARTHEST_S else None


def time_to_precipitation(warming: Warming, *, rules: RunRules) -> float | None:
    """Return seconds until a rising outlet inside the window reaches the precipitation threshold.

    The straight line is the earliest that a slowing rise can be, so the safe one; null when the
    outlet does not rise, is not ready, or would take longer than is worth saying.
    """
    line = warming.line()
    if line is None or warming.seen_s < LEAST_S:
        return None
    level_c, slope_c_s = line
    if level_c >= rules.thresholds.precipitation_c:
        return 0.0
    if level_c < rules.thresholds.ready_c or slope_c_s < LEAST_RISE_C_S:
        return None
    time_s = (rules.thresholds.precipitation_c - level_c) / slope_c_s
    return time_s if time_s <= PRECIPITATION_HORIZON_S else None
