"""Which limit ends a set of papers, at what volume, and how surely.

Frames and pressure are two witnesses of the volume at which the run ends, each with an error
taken as normal in the logarithm. The run ends at the earlier of the two, so the chance that
it is still going at a volume is the product of the two chances; middle and range are read
from that product, given that the run has come as far as it has.
"""

from __future__ import annotations

import math

from monitor.contract.names import Limit
from monitor.contract.record import record

HALVINGS = 12
"""Bisections of the search: a few parts in 10,000 of the volume."""

TINY_L = 1e-9
"""Stands in for no volume at all where a logarithm is taken."""

FAR_LOG = 50.0
"""Logarithm of a volume no press will ever pass."""

LEAST_CHANCE = 1e-4
"""A witness that gave the run so far less than this chance is worth nothing any more."""

REST_RANGE = 2.0
"""High end of such a guess, in units of what the frames are sure to take still."""

LOW_CHANCE, MIDDLE_CHANCE, HIGH_CHANCE = 0.9, 0.5, 0.1
"""Chance of still going at the low end, the middle and the high end of a forecast."""

_ROOT_2 = math.sqrt(2.0)
# Asked of its enum, a member takes 0.1 us each time.
_PRESSURE, _FRAMES = Limit.PRESSURE, Limit.FRAMES


@record(frozen=True, slots=True)
class Guess:
    """A volume [L] and its error as a share; infinite where the limit cannot be met."""

    middle_l: float
    error: float

    def beyond(self, volume_l: float) -> float:
        """Return the chance that this limit lies beyond ``volume_l``."""
        if volume_l <= 0.0 or math.isinf(self.middle_l):
            return 1.0
        scale, middle = self.scaled()
        return 0.5 * math.erfc(scale * (math.log(volume_l) - middle))

    def scaled(self) -> tuple[float, float]:
        """Return 1 / (error sqrt 2) and the logarithm of the middle; an infinite middle is far off."""
        middle = FAR_LOG if math.isinf(self.middle_l) else _log(self.middle_l)
        return 1.0 / (self.error * _ROOT_2), middle


@record(frozen=True, slots=True)
class Ending:
    """Volume at which the set of papers ends [L], with its range and the nearer limit."""

    low_l: float
    middle_l: float
    high_l: float
    limit: Limit


def ending(now_l: float, *, frames: Guess, least_l: float, pressure: Guess) -> Ending:
    """Return where the run ends that has come to ``now_l`` and whose frames last to ``least_l``."""
    limit = _PRESSURE if pressure.middle_l < frames.middle_l else _FRAMES
    frames_going, pressure_going = frames.beyond(least_l), pressure.beyond(now_l)
    if frames_going < LEAST_CHANCE or pressure_going < LEAST_CHANCE:
        # Past what either witness believed possible, the next litres are all one can speak of.
        rest_l = max(least_l - now_l, 0.0) if pressure_going >= LEAST_CHANCE else 0.0
        return Ending(now_l, now_l + rest_l, now_l + REST_RANGE * rest_l, limit)
    top_l = max(least_l, min(frames.middle_l, pressure.middle_l)) * math.exp(3.0 * frames.error)
    low, least, top = _log(now_l), _log(least_l), _log(top_l)
    by_frames, frames_log = frames.scaled()
    by_pressure, pressure_log = pressure.scaled()
    erfc = math.erfc
    all_going = 4.0 * frames_going * pressure_going
    found: list[float] = []
    for chance in (LOW_CHANCE, MIDDLE_CHANCE, HIGH_CHANCE):
        left, right, wanted = low, top, chance * all_going
        for _ in range(HALVINGS):
            middle = 0.5 * (left + right)
            frames_left = erfc(by_frames * ((middle if middle > least else least) - frames_log))
            if frames_left * erfc(by_pressure * (middle - pressure_log)) > wanted:
                left = middle
            else:
                right = middle
        found.append(math.exp(0.5 * (left + right)))
    low_l, middle_l, high_l = found
    return Ending(low_l, middle_l, high_l, limit)


def _log(volume_l: float) -> float:
    return math.log(volume_l if volume_l > TINY_L else TINY_L)
