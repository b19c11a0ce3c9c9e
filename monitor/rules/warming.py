"""When the outlet will be hot, and whether it will be too hot.

A stack of plates warmed by a flow nears its end temperature as T = Tend - A exp(-x / k), x the
litres passed, so a step of the regulator changes the pace and not the shape. Level and slope
against x come from fading least-squares sums; the slope then gives k for the end temperature
that a pan heated for filtering leads to. A stack has more than one time constant: the last
degrees take longer than the slope of the first ones says, which :data:`SLOW_END` allows for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.contract.readings import Point
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

    def line(self) -> tuple[float, float] | None:
        """Return level [degC] and slope [degC/s] now; null while the sums carry no line."""
        spread = self.weight * self.xx - self.x * self.x
        if self.rate is None or self.weight < 5.0 or spread <= 1e-9 * self.weight * self.xx:
            return None
        slope = (self.weight * self.xt - self.x * self.t) / spread
        return (self.t - slope * self.x) / self.weight, slope * self.rate


def warmed(before: Warming, second: Second, *, step_s: float, flow_l_min: float | None) -> Warming:
    """Return ``before`` with the outlet of ``second`` added; ``flow_l_min`` may be unknown."""
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
    )


def time_to_ready(warming: Warming, *, rules: RunRules) -> float | None:
    """Return seconds until the syrup reaches the ready temperature; null while the data do not say.

    Once it has, seconds until the probe is sure of it: its error over the ready temperature.
    """
    line = warming.line()
    if warming.seen_s < LEAST_S or line is None:
        return None
    level_c, slope_c_s = line
    ready_c = rules.thresholds.ready_c
    error_c = rules.tuning(Point.OUTLET).tolerance
    sure_c = ready_c + (PROBE_ERROR_C if error_c is None else error_c)
    if level_c >= sure_c:
        return 0.0
    if slope_c_s < LEAST_RISE_C_S or not warming.rate:
        return None
    target_c = ready_c if level_c < ready_c else sure_c
    over_c = max(ready_c + END_OVER_READY_C - target_c, LEAST_OVER_C)
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
