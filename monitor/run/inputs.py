"""What enters the engine: readings, the clock's tick, acts, and word from the store."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

from monitor.contract.commands import Command
from monitor.contract.readings import ClockState, Point, Reading
from monitor.contract.record import record
from monitor.run.records import Records


@record(frozen=True, slots=True, kw_only=True)
class Stamp:
    """When an input reached the engine; ``mono_s`` counts within ``boot``."""

    boot: str
    mono_s: float
    time: datetime | None
    clock: ClockState


@record(frozen=True, slots=True, kw_only=True)
class ReadingArrived:
    """A reading came from the broker."""

    stamp: Stamp
    point: Point
    reading: Reading


@record(frozen=True, slots=True, kw_only=True)
class Tick:
    """The clock moved on, so that silence is noticed too."""

    stamp: Stamp


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandArrived:
    """Somebody asked for an act; what is entered is checked by what is kept already."""

    stamp: Stamp
    command: Command
    records: Records = field(default_factory=Records)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecordingChanged:
    """The store stopped taking rows (``trouble`` says why) or takes them again (null)."""

    stamp: Stamp
    trouble: str | None


Input = ReadingArrived | Tick | CommandArrived | RecordingChanged
