"""What the engine wants done, as data; the service does it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from monitor.contract.commands import Reply
from monitor.contract.events import Event
from monitor.contract.readings import ClockState
from monitor.contract.record import record
from monitor.run.row import TraceRow


@record(frozen=True, slots=True)
class StatusDue:
    """Something a viewer sees has changed, or a second has passed."""


@dataclass(frozen=True, slots=True)
class Happened:
    """Publish and keep ``event``; the store commits it at once."""

    event: Event


@dataclass(frozen=True, slots=True)
class Answered:
    """Publish ``reply`` to whoever asked."""

    reply: Reply


@record(frozen=True, slots=True)
class RowDue:
    """Keep ``row``."""

    row: TraceRow


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOpened:
    """Keep a new run, back-dated to ``started_mono_s`` of ``boot``."""

    run: str
    boot: str
    started_mono_s: float
    started: datetime | None
    clock: ClockState
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class RunClosed:
    """Close the run; ``by`` is a person or the reason it closed itself."""

    run: str
    boot: str
    ended_mono_s: float
    ended: datetime | None
    elapsed_s: float
    volume_l: float | None
    by: str


Effect = StatusDue | Happened | Answered | RowDue | RunOpened | RunClosed
