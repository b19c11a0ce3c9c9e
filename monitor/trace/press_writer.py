"""What one press hands to the store: readings, rows, events, runs, states; nothing here blocks."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Protocol

from monitor.contract.readings import Point, Reading
from monitor.run.effects import Happened, RowDue, RunClosed, RunOpened
from monitor.run.press_record import RunEntry
from monitor.trace import entries
from monitor.trace.backlog import KeptReading, KeptRow, KeptRun, Queue


class Store(Protocol):
    """What a press needs of the store's writer, :class:`monitor.trace.store.TraceWriter`."""

    def put(self, press: str, queue: Queue, entry: object, *, urgent: bool = False) -> None:
        """Have ``entry`` of ``press`` written: at once if ``urgent``, else with the next commit."""

    def put_snapshot(self, press: str, snapshot: bytes) -> None:
        """Have the newest state of ``press`` written with the next commit."""

    def flush(self) -> None:
        """Wait until all that was kept so far is on the disk, or has failed to get there."""

    def lost_of(self, press: str) -> int:
        """Return how many entries of ``press`` were dropped."""


class PressWriter:
    """Keeps what the engine of one press wants kept; comes from :meth:`TraceWriter.press`."""

    def __init__(self, store: Store, name: str, *, facts: Mapping[str, object]) -> None:
        self.name = name
        self._store = store
        self._facts = entries.facts_text(facts)
        self.gone = False
        """True once the press is another monitor's: nothing is kept any more."""
        self.open_run: KeptRun | None = None
        """The run that rows belong to now; the store enters it in a file that it begins anew."""

    @property
    def lost(self) -> int:
        """Entries of this press dropped since the start."""
        return self._store.lost_of(self.name)

    def keep_reading(self, point: Point, reading: Reading, *, arrived_mono_s: float) -> None:
        """Keep ``reading`` with the next commit; one that was kept before changes nothing."""
        self._put(Queue.READINGS, KeptReading(point, reading, arrived_mono_s))

    def keep_effect(self, effect: Happened | RowDue | RunOpened | RunClosed) -> None:
        """Keep ``effect``: a row with the next commit, everything else at once."""
        match effect:
            case RowDue():
                run = self.open_run.opened.run if self.open_run else None
                self._put(Queue.ROWS, KeptRow(effect.row, run))
            case Happened():
                self._put(Queue.EVENTS, effect.event, urgent=True)
            case RunOpened():
                self.open_run = KeptRun(effect, self._facts)
                self._put(Queue.OPENED, self.open_run, urgent=True)
            case RunClosed():
                self.open_run = None
                self._put(Queue.CLOSED, effect, urgent=True)

    def keep_shown(self, entry: RunEntry) -> None:
        """Keep what a closed run showed by itself, with the next commit."""
        self._put(Queue.SHOWN, entry)

    def keep_snapshot(self, snapshot: bytes) -> None:
        """Keep the engine's newest state with the next commit."""
        if not self.gone:
            self._store.put_snapshot(self.name, snapshot)

    def know(self, facts: Mapping[str, object]) -> None:
        """Take ``facts`` for the runs that are opened from now on."""
        self._facts = entries.facts_text(facts)

    def flush(self) -> None:
        """Wait until all that was kept so far is on the disk, or has failed to get there."""
        self._store.flush()

    def _put(self, queue: Queue, entry: object, *, urgent: bool = False) -> None:
        if not self.gone:
            self._store.put(self.name, queue, entry, urgent=urgent)
