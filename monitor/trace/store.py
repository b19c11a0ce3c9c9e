"""Keeps what the engine wants kept: one thread writes, commits once a second, at once for events.

The methods that keep something only put it into a bounded queue and never block, so the
event loop may call them. When nothing can be written the entries stay there, ``problem``
says why, and the writer tries again every second.
"""

from __future__ import annotations

import logging
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from typing import TypeVar

from monitor.contract.errors import StoreError, StoreUnreadable, StoreUnwritable
from monitor.contract.readings import Point, Reading
from monitor.run.effects import Happened, RowDue, RunClosed, RunOpened
from monitor.run.press_record import RunEntry
from monitor.trace.complaint import TEXT_LIMIT, Complaint, Kind
from monitor.trace.database import Database
from monitor.trace.ledger import Batch, KeptReading, KeptRow, KeptShown, Ledger
from monitor.trace.reader import RunRecord, TraceReader

__all__ = ["RunRecord", "TraceReader", "TraceWriter"]

Entry = TypeVar("Entry")
_LOG = logging.getLogger(__name__)

COMMIT_INTERVAL_S = 1.0
"""Time between commits; what a power cut may take. (A commit per row wrote twenty times the
bytes, and a card wears by bytes written.)"""
HURRY_ENTRIES = 1000
"""Entries of a kind that wait for one commit at most, so that a burst does not fill the queue."""
FLUSH_LIMIT_S = 30.0
"""Longest wait in :meth:`TraceWriter.flush`."""
SET_ASIDE_INTERVAL_S = 60.0
"""Least time between two files set aside while running: a faulty disk must not fill with them."""


class TraceWriter:
    """The one writer of a store.

    ``software`` is the version kept with each run, ``facts`` what else is kept with it as
    JSON: "press", "pump", "thresholds" (the rules' dataclasses or plain mappings) and
    "invented". ``problem_changed`` is called on the writer's thread.
    """

    def __init__(
        self,
        url: str,
        *,
        software: str,
        facts: Mapping[str, object] | None = None,
        problem_changed: Callable[[str | None], None] | None = None,
    ) -> None:
        self._database = Database(url)
        self._ledger = Ledger(self._database, software=software, facts=facts or {})
        self._problem_changed = problem_changed
        self._problem: str | None = None
        self._pending = Batch()
        self._open_run: RunOpened | None = None
        self._wake = threading.Condition()
        self._urgent = self._closing = self._reopen = False
        self._asked = self._done = 0
        self._set_aside_at = float("-inf")
        self._thread: threading.Thread | None = None
        self.notice: str | None = None
        """The last sentence that a file was set aside or begun anew."""
        self.lost = 0
        """Entries dropped since the start: the queue was full, or they fit no table."""

    @property
    def problem(self) -> str | None:
        """Why nothing is being recorded, in one line; None while all is well."""
        return self._problem

    def open(self) -> str | None:
        """Open the database and start the writer's thread.

        Returns the sentence that a damaged file was set aside, None if there was none.
        Raises :class:`StoreUnwritable` or :class:`StoreUnreadable`; may then be called again.
        """
        self.notice = self._database.open()
        stored = self._stored_run()
        with self._wake:
            self._open_run = self._open_run or stored
            self._closing = False
        self._thread = threading.Thread(target=self._work, name="trace-writer", daemon=True)
        self._thread.start()
        return self.notice

    def keep_reading(self, point: Point, reading: Reading, *, arrived_mono_s: float) -> None:
        """Keep ``reading`` with the next commit; one that was kept before changes nothing."""
        with self._wake:
            self._put(self._pending.readings, KeptReading(point, reading, arrived_mono_s))

    def keep_effect(self, effect: Happened | RowDue | RunOpened | RunClosed) -> None:
        """Keep ``effect``: a row with the next commit, everything else at once."""
        with self._wake:
            match effect:
                case RowDue():
                    run = self._open_run.run if self._open_run else None
                    self._put(self._pending.rows, KeptRow(effect.row, run))
                    return
                case Happened():
                    self._put(self._pending.events, effect.event)
                case RunOpened():
                    self._open_run = effect
                    self._put(self._pending.opened, effect)
                case RunClosed():
                    self._open_run = None
                    self._put(self._pending.closed, effect)
            self._urgent = True
            self._wake.notify_all()

    def keep_shown(self, entry: RunEntry) -> None:
        """Keep what a closed run showed by itself, with the next commit."""
        with self._wake:
            self._put(self._pending.shown, KeptShown(entry))

    def know(self, facts: Mapping[str, object]) -> None:
        """Take ``facts`` for the runs that are opened from now on."""
        self._ledger.know(facts)

    def keep_snapshot(self, press: str, snapshot: bytes) -> None:
        """Keep the engine's newest state of ``press`` with the next commit."""
        with self._wake:
            self._pending.snapshots[press] = snapshot

    def flush(self) -> None:
        """Wait until all that was kept so far is on the disk, or has failed to get there."""
        with self._wake:
            self._asked += 1
            wanted = self._asked
            self._wake.notify_all()
            self._wake.wait_for(lambda: self._done >= wanted or self._thread is None, timeout=FLUSH_LIMIT_S)

    def close(self) -> None:
        """Write what is left, stop the thread, free the file. May be called twice."""
        with self._wake:
            self._closing = True
            self._wake.notify_all()
        if self._thread is not None:
            self._thread.join()
            self._thread = None
        self._database.close()
        if len(self._pending):
            _LOG.error("%d entries could not be kept: %s", len(self._pending), self._problem)

    def _stored_run(self) -> RunOpened | None:
        """Return the stored run that is open; a file whose own words are damaged is set aside."""
        try:
            return self._ledger.open_run()
        except Exception as error:
            complaint = self._database.complaint(error)
            try:
                # A word outside the contract: flipped bytes that left the file's structure whole.
                if not isinstance(error, ValueError) and complaint.kind is not Kind.DAMAGED:
                    raise (StoreUnwritable if complaint.unwritable else StoreUnreadable)(complaint.text)
                self.notice = self._database.set_aside(complaint.text)
                self._database.open()
            except StoreError as refusal:
                self._database.close()
                raise refusal from None
        return None

    def _put(self, queue: deque[Entry], entry: Entry) -> None:
        self.lost += len(queue) == queue.maxlen
        queue.append(entry)
        if len(queue) == HURRY_ENTRIES:
            self._urgent = True
            self._wake.notify_all()

    def _work(self) -> None:
        due_s = time.monotonic() + COMMIT_INTERVAL_S
        while True:
            with self._wake:
                self._wake.wait_for(self._is_called, timeout=max(0.0, due_s - time.monotonic()))
                closing, asked, self._urgent = self._closing, self._asked, False
                batch, self._pending = self._pending, Batch()
            self._attempt(batch)
            with self._wake:
                self._done = asked
                self._wake.notify_all()
            if closing:
                return
            due_s = time.monotonic() + COMMIT_INTERVAL_S

    def _is_called(self) -> bool:
        # While the disk takes nothing an event does not hurry the next try: there may be many.
        return self._closing or self._asked > self._done or (self._urgent and self._problem is None)

    def _attempt(self, batch: Batch) -> None:
        try:
            self._write(batch)
        except Exception as error:
            complaint = self._complaint(error)
            _LOG.debug("the write failed", exc_info=True)
            self._database.release()
            text = self._set_aside(complaint.text) if complaint.kind is Kind.DAMAGED else complaint.text
            with self._wake:
                self.lost += batch.add(self._pending)
                self._pending = batch
            self._say(text)
        else:
            self._say(None)

    def _write(self, batch: Batch) -> None:
        if self._reopen or self._database.is_gone():
            self._begin_anew(batch)
        if not len(batch):
            return
        try:
            self._ledger.write(batch)
        except Exception as error:
            if self._complaint(error).kind is not Kind.ENTRY:
                raise
            refused = self._ledger.write_singly(batch)
            self.lost += refused
            _LOG.warning("%d entries cannot be kept: %s", refused, self._complaint(error).text)

    def _begin_anew(self, batch: Batch) -> None:
        """Open the file again, or a new one in its place, and enter the open run there."""
        if not self._reopen:
            self.notice = f"{self._database.name} was removed; a new one was begun"
            _LOG.warning("%s", self.notice)
        self._reopen = True
        self._database.release()
        self.notice = self._database.open() or self.notice
        self._reopen = False
        self._ledger.forget()
        with self._wake:
            if self._open_run is not None:
                batch.opened.appendleft(self._open_run)

    def _set_aside(self, why: str) -> str:
        now_s = time.monotonic()
        if now_s - self._set_aside_at < SET_ASIDE_INTERVAL_S:
            return why
        self._set_aside_at = now_s
        try:
            self.notice = self._database.set_aside(why)
        except StoreError as error:
            return str(error)
        self._reopen = True
        return self.notice

    def _complaint(self, error: Exception) -> Complaint:
        if isinstance(error, StoreError):
            return Complaint(Kind.UNWRITABLE, str(error)[:TEXT_LIMIT])
        return self._database.complaint(error)

    def _say(self, problem: str | None) -> None:
        problem = problem and problem[:TEXT_LIMIT]
        if problem == self._problem:
            return
        self._problem = problem
        if problem is None:
            _LOG.info("recording again; %d entries were lost", self.lost)
        else:
            _LOG.error("nothing is being recorded: %s", problem)
        if self._problem_changed is not None:
            self._problem_changed(problem)
