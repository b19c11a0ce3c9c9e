"""Reads what a message on a press's topics means to the engine, and refuses what it cannot mean."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from monitor.contract.commands import Command
from monitor.contract.errors import PayloadRefused
from monitor.contract.payloads import decode
from monitor.contract.readings import UNIT_OF, Point, Reading
from monitor.contract.topics import levels
from monitor.run.inputs import CommandArrived, Input, ReadingArrived, Stamp
from monitor.run.records import Records
from monitor.runtime.inbox import Message

AHEAD_S = 1.0
"""A reading of this boot may be dated this much after now [s]: rounding, and ends of intervals."""


def read(message: Message, *, stamp: Stamp, records: Callable[[datetime | None], Records]) -> Input | None:
    """Return what ``message``, arrived at ``stamp``, means; null for a topic that is not the monitor's.

    ``records`` gives what a command's entries are checked by at a time. Raises :class:`PayloadRefused`.
    """
    _, channel, leaf = levels(message.topic)
    if channel == "reading":
        try:
            point = Point(leaf)
        except ValueError:
            raise PayloadRefused(f"there is no point called {leaf[:40]!r}") from None
        return _reading(point, decode(message.payload, Reading), stamp=stamp)
    if channel != "command":
        return None
    command = decode(message.payload, Command)
    if command.verb != leaf:
        raise PayloadRefused(f"a {command.verb} came on the topic of {leaf[:40]!r}")
    return CommandArrived(stamp=stamp, command=command, records=records(stamp.time))


def _reading(point: Point, reading: Reading, *, stamp: Stamp) -> ReadingArrived:
    if reading.unit is not UNIT_OF[point]:
        raise PayloadRefused(f"unit: the {point} is not read in {reading.unit}")
    if reading.boot == stamp.boot and reading.mono_ms / 1000.0 > stamp.mono_s + AHEAD_S:
        # Taken in, it would make every true reading after it count as older.
        raise PayloadRefused("mono_ms: later than now on the clock of this boot")
    return ReadingArrived(stamp=stamp, point=point, reading=reading)
