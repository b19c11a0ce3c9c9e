"""Which limit ends a set of papers, at what volume, and how surely.

Frames and pressure are two witnesses of the volume at which the run ends, each with an error
taken as normal in the logarithm. The run ends at the earlier of the two, so the chance that
it is still going at a volume is the product of the two chances; middle and range are read
from that product, given that the run has come as far as it has.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from monitor.contract.names import Limit

HALVINGS = 14
"""Bisections of the search: a few parts in 10,000 of the volume."""

LEAST_CHANCE = 1e-4
"""A witness that gave the run so far less than this chance is worth nothing any more."""

LOW_CHANCE, MIDDLE_CHANCE, HIGH_CHANCE = 0.9, 0.5, 0.1
"""Chance of still going at the low end, the middle and the high end of a forecast."""


@dataclass(frozen=True, slots=True)
class Guess:
    """A volume [L] and its error as a share; infinite where the limit cannot be met."""

    middle_l: float
    error: float

    def beyond(self, volume_l: float) -> float:
        """Return the chance that this limit lies beyond ``volume_l``."""
        if math.isinf(self.middle_l):
            return 1.0
        if volume_l <= 0.0:
            return 1.0
        if self.middle_l <= 0.0:
            return 0.0
        return 0.5 * math.erfc(math.log(volume_l / self.middle_l) / (self.error * math.sqrt(2.0)))


@dataclass(frozen=True, slots=True)
class Ending:
    """Volume at which the set of papers ends [L], with its range and the nearer limit."""

    low_l: float
    middle_l: float
    high_l: float
    limit: Limit


def ending(now_l: float, *, frames: Guess, least_l: float, pressure: Guess) -> Ending:
    """Return where the run ends that has come to ``now_l`` and whose frames last to ``least_l``."""
    limit = Limit.PRESSURE if pressure.middle_l < frames.middle_l else Limit.FRAMES
    frames_going, pressure_going = frames.beyond(least_l), pressure.beyond(now_l)
    if frames_going < LEAST_CHANCE or pressure_going < LEAST_CHANCE:
        # Past what either witness believed possible, the next litres are all one can speak of.
        rest_l = max(least_l - now_l, 0.0) if pressure_going >= LEAST_CHANCE else 0.0
        return Ending(now_l, now_l + 0.5 * rest_l, now_l + 2.0 * rest_l, limit)
    top_l = max(least_l, min(frames.middle_l, pressure.middle_l))
    top_l *= math.exp(3.0 * frames.error)

    def going(volume_l: float) -> float:
        by_frames = frames.beyond(max(volume_l, least_l)) / frames_going
        return by_frames * pressure.beyond(volume_l) / pressure_going

    low_l, middle_l, high_l = (
        _last_over(chance, going, now_l, top_l) for chance in (LOW_CHANCE, MIDDLE_CHANCE, HIGH_CHANCE)
    )
    return Ending(low_l, middle_l, high_l, limit)


def _last_over(chance: float, going: Callable[[float], float], low_l: float, high_l: float) -> float:
    for _ in range(HALVINGS):
        middle_l = 0.5 * (low_l + high_l)
        if going(middle_l) > chance:
            low_l = middle_l
        else:
            high_l = middle_l
    return 0.5 * (low_l + high_l)
