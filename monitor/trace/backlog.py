"""What waits to be written, press by press: bounded for each and in all, and fair between them.

A press that floods, or a disk that takes nothing, costs the oldest entries of the press that has
most waiting; another's are not touched for it.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any

from monitor.contract.events import Event
from monitor.contract.readings import Point, Reading
from monitor.run.effects import RunClosed, RunOpened
from monitor.run.press_record import RunEntry
from monitor.run.row import TraceRow

READING_LIMIT = 18_000
"""Readings of a press kept in memory while the disk takes none: an hour of five points, some 20 MB."""
ROW_LIMIT = 14_400
"""Rows of a press kept in memory: four hours."""
MARK_LIMIT = 10_000
"""Events and runs of a press kept in memory, each."""
FULL_PRESSES = 10
"""All presses together may have as much waiting as so many full ones: some 300 MB, ten minutes of
sixty presses. (Our judgement: a host for so many has that to spare.)"""


@dataclass(frozen=True, slots=True)
class KeptReading:
    """A reading on its way to its table."""

    point: Point
    reading: Reading
    arrived_mono_s: float


@dataclass(frozen=True, slots=True)
class KeptRow:
    """A row on its way to its table, and the run it belongs to."""

    row: TraceRow
    run: str | None


@dataclass(frozen=True, slots=True)
class KeptRun:
    """A run that was opened, on its way to its table; ``facts`` is the JSON kept with it."""

    opened: RunOpened
    facts: str


class Queue(StrEnum):
    """The kinds of entries, each with a queue of its own, in an order that can be written."""

    OPENED = "opened"
    EVENTS = "events"
    READINGS = "readings"
    ROWS = "rows"
    CLOSED = "closed"
    SHOWN = "shown"


_LIMITS = {Queue.READINGS: READING_LIMIT, Queue.ROWS: ROW_LIMIT}


def limit_of(queue: Queue) -> int:
    """Return how many entries of a press wait in ``queue`` at most."""
    return _LIMITS.get(queue, MARK_LIMIT)


@dataclass(slots=True)
class Batch:
    """Entries of one press that wait to be written."""

    opened: deque[KeptRun] = field(default_factory=deque)
    events: deque[Event] = field(default_factory=deque)
    readings: deque[KeptReading] = field(default_factory=deque)
    rows: deque[KeptRow] = field(default_factory=deque)
    closed: deque[RunClosed] = field(default_factory=deque)
    shown: deque[RunEntry] = field(default_factory=deque)
    snapshot: bytes | None = None

    def queue(self, queue: Queue) -> deque[Any]:
        """Return the entries of one kind."""
        found: deque[Any] = getattr(self, queue)
        return found

    def __len__(self) -> int:
        return sum(len(self.queue(queue)) for queue in Queue) + (self.snapshot is not None)

    def singly(self) -> Iterator[Batch]:
        """Give each entry as a batch of its own, in an order that can be written."""
        for queue in Queue:
            for entry in self.queue(queue):
                single = Batch()
                single.queue(queue).append(entry)
                yield single
        if self.snapshot is not None:
            yield Batch(snapshot=self.snapshot)


class Backlog:
    """What waits of every press. Not for several threads at once."""

    def __init__(self) -> None:
        self.presses: dict[str, Batch] = {}
        self._counts: Counter[Queue] = Counter()

    def __len__(self) -> int:
        return sum(len(batch) for batch in self.presses.values())

    def count(self, queue: Queue) -> int:
        """Return how many entries of a kind wait, of all presses."""
        return self._counts[queue]

    def put(self, press: str, queue: Queue, entry: Any) -> str | None:
        """Append ``entry``; return the press whose oldest entry was dropped for it, None if none was."""
        entries = self._batch(press).queue(queue)
        entries.append(entry)
        self._counts[queue] += 1
        loser = press if len(entries) > limit_of(queue) else None
        if loser is None and self._counts[queue] > FULL_PRESSES * limit_of(queue):
            loser = max(self.presses, key=lambda name: len(self.presses[name].queue(queue)))
        if loser is not None:
            self.presses[loser].queue(queue).popleft()
            self._counts[queue] -= 1
        return loser

    def put_first(self, press: str, run: KeptRun) -> None:
        """Have ``run`` written before everything else of its press."""
        self._batch(press).opened.appendleft(run)
        self._counts[Queue.OPENED] += 1

    def put_snapshot(self, press: str, snapshot: bytes) -> None:
        """Keep the newest state of ``press``."""
        self._batch(press).snapshot = snapshot

    def drop(self, press: str) -> int:
        """Forget all that waits of ``press``; return how many entries that were."""
        batch = self.presses.pop(press, Batch())
        for queue in Queue:
            self._counts[queue] -= len(batch.queue(queue))
        return len(batch)

    def add(self, later: Backlog) -> Counter[str]:
        """Append what came later; return how many of the oldest were dropped for it, by press."""
        lost: Counter[str] = Counter()
        for press, batch in later.presses.items():
            for queue in Queue:
                for entry in batch.queue(queue):
                    loser = self.put(press, queue, entry)
                    if loser is not None:
                        lost[loser] += 1
            if batch.snapshot is not None:
                self.put_snapshot(press, batch.snapshot)
        return lost

    def _batch(self, press: str) -> Batch:
        batch = self.presses.get(press)
        if batch is None:
            batch = self.presses[press] = Batch()
        return batch
