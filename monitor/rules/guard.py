"""The guard band: what a reading with an error surely is, and what it only may be.

With a limit L and an error of plus or minus e, a value under L - e is surely below, one at
or over L + e surely over, and between them it is too close to call (JCGM 106:2012, 8.3,
guarded acceptance; ISO 14253-1).
"""

from __future__ import annotations

from enum import Enum

from monitor.contract.record import record


class Zone(Enum):
    """Where a value lies from a limit."""

    SURELY_BELOW = "surely below"
    TOO_CLOSE = "too close to call"
    SURELY_OVER = "surely over"


@record(frozen=True, slots=True, kw_only=True)
class Bounds:
    """A value as read, with its lag taken out, and the least and most it can truly be."""

    value: float
    corrected: float
    tolerance: float

    @property
    def least(self) -> float:
        """Lowest true value: on a falling input the lag makes the reading too high."""
        value, corrected = self.value, self.corrected
        return (corrected if corrected < value else value) - self.tolerance

    @property
    def most(self) -> float:
        """Highest true value: on a rising input the lag makes the reading too low."""
        value, corrected = self.value, self.corrected
        return (corrected if corrected > value else value) + self.tolerance

    def zone(self, limit: float) -> Zone:
        """Return where the true value lies from ``limit`` (same unit)."""
        if self.least >= limit:
            return Zone.SURELY_OVER
        if self.most < limit:
            return Zone.SURELY_BELOW
        return Zone.TOO_CLOSE
