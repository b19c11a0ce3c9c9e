"""Tells a reading that waited on a line that was down from one of now. Pure.

A site's readings reach a co-op over a line that fails; its broker keeps them and hands them over in
one burst. They belong into the record, but the engine must not take them for the present.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.readings import ClockState, Point
from monitor.rules.freshness import OLDEST_S
from monitor.run.inputs import ReadingArrived

LATE_S = OLDEST_S
"""A reading of another board is late when it is older than this [s]: one of the same board is stale then."""
STANDS_S = 5.0
"""Ages this close together are one age [s]: clocks, lines and brokers jitter less."""
WRONG_CLOCK_AFTER_S = 30.0
"""Readings whose age stands still for this long waited nowhere [s]: what empties gets younger by 5 s in 30
if it empties but a sixth quicker than it fills. Then one of the clocks is wrong, and they are of now."""
TRUSTED = frozenset({ClockState.SYNCHRONISED, ClockState.PHONE})
"""Clocks that somebody set to the time of day since the board came up."""


@dataclass(frozen=True, slots=True)
class _Standing:
    age_s: float
    since_s: float


class Lateness:
    """Remembers how old the readings of each point of one press come in."""

    def __init__(self) -> None:
        self._standing: dict[Point, _Standing] = {}

    def of(self, arrived: ReadingArrived) -> float | None:
        """Return how late a reading is [s], null for one that is to be taken as of now.

        As of now are also: one of the same boot, whose age is known without any wall time; one whose
        board or whose receiver does not surely know the time; and those that all come in equally old.
        """
        age_s = _age_s(arrived)
        if age_s is None or age_s <= LATE_S:
            self._standing.pop(arrived.point, None)
            return None
        now_s, before = arrived.stamp.mono_s, self._standing.get(arrived.point)
        if before is None or abs(age_s - before.age_s) > STANDS_S:
            self._standing[arrived.point] = _Standing(age_s, now_s)
            return age_s
        return None if now_s - before.since_s >= WRONG_CLOCK_AFTER_S else age_s


def _age_s(arrived: ReadingArrived) -> float | None:
    """Return a reading's age by wall time [s], null where that says nothing."""
    reading, stamp = arrived.reading, arrived.stamp
    if reading.boot == stamp.boot or reading.time is None or stamp.time is None:
        return None
    if not {reading.clock, stamp.clock} <= TRUSTED:
        return None
    return (stamp.time - reading.time).total_seconds()
