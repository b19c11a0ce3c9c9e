"""The slope of a reading over its last seconds, and the lag that it corrects.

A probe in its well answers as a first-order system: true = read + tau * d(read)/dt. The
slope is a least-squares line over a short window, long enough that steps of 1/16 degC do
not show as motion, short enough to follow a warming press.
"""

from __future__ import annotations

import math

from monitor.contract.record import record

WINDOW_S = 12.0
"""Span of the fitted line [s]: a 1/16 degC step moves its slope by under 0.01 degC/s."""
LONGEST_GAP_S = 5.0
"""A gap longer than this starts the window anew [s]."""
LEAST_SPAN_S = 4.0
"""No slope from less than this [s]."""
MOST_CORRECTION = 10.0
"""Largest correction believed, in the reading's unit: more is a jump, not a lag."""


@record(frozen=True, slots=True)
class Recent:
    """The last readings of a point as (time [s], value), oldest first."""

    pairs: tuple[tuple[float, float], ...] = ()

    def add(self, value: float, *, at_s: float) -> Recent:
        """Return the window with ``value`` at ``at_s`` in it."""
        pairs = self.pairs
        if pairs and at_s - pairs[-1][0] > LONGEST_GAP_S:
            pairs = ()
        first = 0
        while first < len(pairs) and pairs[first][0] < at_s - WINDOW_S:
            first += 1
        return Recent((*pairs[first:], (at_s, value)))

    @property
    def slope_per_s(self) -> float | None:
        """Slope of the fitted line [unit/s], null while the window is too short."""
        pairs = self.pairs
        if len(pairs) < 3 or pairs[-1][0] - pairs[0][0] < LEAST_SPAN_S:
            return None
        count = len(pairs)
        origin, base = pairs[0]
        sum_t = sum_v = sum_tt = sum_tv = 0.0
        for at_s, value in pairs:
            t, v = at_s - origin, value - base
            sum_t += t
            sum_v += v
            sum_tt += t * t
            sum_tv += t * v
        return (count * sum_tv - sum_t * sum_v) / (count * sum_tt - sum_t * sum_t)


def corrected(value: float, *, slope_per_s: float | None, time_constant_s: float) -> float:
    """Return ``value`` with the sensor's lag taken out; as it is while the slope is unknown."""
    if slope_per_s is None:
        return value
    change = slope_per_s * time_constant_s
    if -MOST_CORRECTION < change < MOST_CORRECTION:
        return value + change
    return value + math.copysign(MOST_CORRECTION, change)
