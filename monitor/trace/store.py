"""Keeps what the engine wants kept: one thread writes, commits once a second, at once for events.

The methods that keep something only put it into a bounded queue and never block, so the
event loop may call them. When nothing can be written the entries stay there, ``problem``
says why, and the writer tries again every second.
"""

from __future__ import annotations

import logging
import socket
import threading
import time
from collections import Counter
from collections.abc import Callable, Mapping

from monitor.contract.errors import StoreError, StoreUnreadable, StoreUnwritable
from monitor.trace.backlog import Backlog, KeptRun, Queue
from monitor.trace.complaint import TEXT_LIMIT, Complaint, Kind
from monitor.trace.database import Database
from monitor.trace.database_server import CommitInDoubt
from monitor.trace.lease import Leases
from monitor.trace.ledger import Ledger
from monitor.trace.press_writer import PressWriter
from monitor.trace.reader import RunRecord, TraceReader
from monitor.trace.retention import FOR_EVER, Keep, Retention

__all__ = ["PressWriter", "RunRecord", "TraceReader", "TraceWriter"]

_LOG = logging.getLogger(__name__)

COMMIT_INTERVAL_S = 1.0
"""Time between commits; what a power cut may take. (A commit per row wrote twenty times the
bytes, and a card wears by bytes written.)"""
GATHER_S = 0.005
"""What is urgent waits this long for its like: the flags, alarms and phase of one moment are one commit,
and the status that tells of them is on its way before this thread wants the interpreter."""
HURRY_ENTRIES = 1000
"""Entries of a kind that wait for one commit at most, so that a burst does not fill the queue."""
FLUSH_LIMIT_S = 30.0
"""Longest wait in :meth:`TraceWriter.flush`."""
SET_ASIDE_INTERVAL_S = 60.0
"""Least time between two files set aside while running: a faulty disk must not fill with them."""


class TraceWriter:
    """The one writer of each press that it has claimed, for any number of presses.

    ``software`` is the version kept with each run, ``keep`` how long seconds are kept, ``holder``
    names this monitor to whoever looks into the database. ``problem_changed`` and ``press_lost`` are
    called on the writer's thread; the latter with a press that another monitor has taken: what was
    still to be written of it is dropped, and its :class:`PressWriter` keeps nothing any more.
    """

    def __init__(
        self,
        url: str,
        *,
        software: str,
        problem_changed: Callable[[str | None], None] | None = None,
        press_lost: Callable[[str], None] | None = None,
        keep: Keep = FOR_EVER,
        holder: str | None = None,
    ) -> None:
        self.leases = Leases(url, holder=holder or socket.gethostname())
        """What this monitor holds; ``leases.claim`` finds what is free (on a server; blocks)."""
        self._press_lost = press_lost
        self._database = Database(url)
        self._retention = Retention(self._database, keep)
        self._ledger = Ledger(self._database, software=software, leases=self.leases)
        self._problem_changed = problem_changed
        self._problem: str | None = None
        self._pending = Backlog()
        self._presses: dict[str, PressWriter] = {}
        self._stored: dict[str, KeptRun] = {}
        """Open runs in a file, of presses that nobody has asked for yet."""
        self._lost: Counter[str] = Counter()
        self._wake = threading.Condition()
        self._urgent = self._closing = self._reopen = False
        self._asked = self._done = 0
        self._set_aside_at = float("-inf")
        self._thread: threading.Thread | None = None
        self._doubt: tuple[CommitInDoubt, Backlog] | None = None
        self.notice: str | None = None
        """The last sentence that a file was set aside or begun anew."""

    @property
    def lost(self) -> int:
        """Entries dropped since the start: a queue was full, or they fit no table."""
        with self._wake:
            return self._lost.total()

    def lost_of(self, press: str) -> int:
        """Return how many of ``lost`` were of ``press``."""
        with self._wake:
            return self._lost[press]

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
        if self._database.path is not None:
            self._stored = self._stored_runs()
        for press in list(self._presses.values()):
            try:
                press.open_run = press.open_run or self._claimed(press.name)
            except StoreError:
                self._database.close()
                raise
        self._closing = False
        self._thread = threading.Thread(target=self._work, name="trace-writer", daemon=True)
        self._thread.start()
        return self.notice

    def press(self, name: str, *, facts: Mapping[str, object] | None = None) -> PressWriter:
        """Return what keeps the entries of the press called ``name``, the same one while it is held.

        ``facts`` is kept with each of its runs as JSON: "press", "pump", "thresholds" (the rules'
        dataclasses or plain mappings) and "invented". Where the open store is on a server this claims
        a press that is new here and asks for its open run, so it may block, and raise as
        :meth:`open` does; :class:`StoreInUse` says that another monitor writes the press.
        """
        known = self._presses.get(name)
        if known is None:
            known = PressWriter(self, name, facts=facts or {})
            if self._thread is not None:
                known.open_run = self._claimed(name)
            with self._wake:
                self._presses[name] = known
        elif facts is not None:
            known.know(facts)
        return known

    def release(self, press: str) -> None:
        """Write what is left of ``press`` and free it, so that another monitor may claim it at once."""
        self.flush()
        self._forget(press)
        self.leases.release({press})

    def put(self, press: str, queue: Queue, entry: object, *, urgent: bool = False) -> None:
        """Have ``entry`` of ``press`` written: at once if ``urgent``, else with the next commit."""
        with self._wake:
            loser = self._pending.put(press, queue, entry)
            if loser is not None:
                self._lost[loser] += 1
            if urgent or self._pending.count(queue) == HURRY_ENTRIES:
                self._urgent = True
                self._wake.notify_all()

    def put_snapshot(self, press: str, snapshot: bytes) -> None:
        """Have the newest state of ``press`` written with the next commit."""
        with self._wake:
            self._pending.put_snapshot(press, snapshot)

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
            with self._wake:
                # Whoever asked after the last look would wait for a thread that is gone.
                self._thread = None
                self._wake.notify_all()
        try:
            self.leases.release(self.leases.held)
        except StoreError as error:
            _LOG.debug("the leases run out by themselves: %s", error)
        self.leases.close()
        self._database.close()
        left = len(self._pending) + (len(self._doubt[1]) if self._doubt else 0)
        if left:
            _LOG.error("%d entries could not be kept: %s", left, self._problem)

    def _forget(self, press: str) -> None:
        with self._wake:
            writer = self._presses.pop(press, None)
            self._lost[press] += self._pending.drop(press)
        if writer is not None:
            writer.gone = True
            if writer.open_run is not None:
                self._stored[press] = writer.open_run

    def _let_go_of_lost(self, backlog: Backlog) -> None:
        """Drop what waits of presses that another monitor has taken, and say so."""
        with self._wake:
            lost = self._presses.keys() - self.leases.held
        for press in lost:
            self._forget(press)
            with self._wake:
                self._lost[press] += len(backlog.presses.get(press, ()))
            _LOG.warning("press %s was taken by another monitor", press)
            if self._press_lost is not None:
                self._press_lost(press)

    def _stored_runs(self) -> dict[str, KeptRun]:
        """Return the stored runs that are open; a file whose own words are damaged is set aside."""
        try:
            return self._ledger.open_runs()
        except Exception as error:
            try:
                # A word outside the contract: flipped bytes that left the file's structure whole.
                if not isinstance(error, ValueError) and self._complaint(error).kind is not Kind.DAMAGED:
                    raise self._refusal(error)
                self.notice = self._database.set_aside(self._complaint(error).text)
                self._database.open()
            except StoreError as refusal:
                self._database.close()
                raise refusal from None
        return {}

    def _claimed(self, press: str) -> KeptRun | None:
        """Claim ``press``; return its open run."""
        self.leases.take(press)
        if self._database.path is not None:
            return self._stored.pop(press, None)
        try:
            return self._ledger.open_runs(press).get(press)
        except Exception as error:
            raise self._refusal(error) from None

    def _refusal(self, error: Exception) -> StoreError:
        complaint = self._complaint(error)
        return (StoreUnwritable if complaint.unwritable else StoreUnreadable)(complaint.text)

    def _enter_open_runs(self, backlog: Backlog) -> None:
        """Have the open run of every press entered in a file that was begun anew."""
        with self._wake:
            known = {press.name: press.open_run for press in self._presses.values()}
            for name, run in (self._stored | known).items():
                if run is not None:
                    backlog.put_first(name, run)

    def _work(self) -> None:
        due_s = time.monotonic() + COMMIT_INTERVAL_S
        while True:
            with self._wake:
                if self._wake.wait_for(self._is_called, timeout=max(0.0, due_s - time.monotonic())):
                    self._wake.wait_for(lambda: self._closing, timeout=GATHER_S)
                closing, asked, self._urgent = self._closing, self._asked, False
                backlog, self._pending = self._pending, Backlog()
            self._attempt(backlog)
            self._let_go_of_lost(backlog)
            with self._wake:
                self._done = asked
                self._wake.notify_all()
            if closing:
                return
            self._tidy()
            due_s = time.monotonic() + COMMIT_INTERVAL_S

    def _tidy(self) -> None:
        """Let a little of what is too old go, while no run wants the disk."""
        with self._wake:
            busy = self._problem is not None or any(press.open_run for press in self._presses.values())
        if not busy:
            self._retention.go_on(time.monotonic())

    def _is_called(self) -> bool:
        # While the disk takes nothing an event does not hurry the next try: there may be many.
        return self._closing or self._asked > self._done or (self._urgent and self._problem is None)

    def _attempt(self, backlog: Backlog) -> None:
        try:
            backlog = self._settled(backlog)
            self._write(backlog)
        except CommitInDoubt as doubt:
            self._database.release()
            self._doubt = doubt, backlog
            self._say(str(doubt))
        except Exception as error:
            complaint = self._complaint(error)
            _LOG.debug("the write failed", exc_info=True)
            self._database.release()
            text = self._set_aside(complaint.text) if complaint.kind is Kind.DAMAGED else complaint.text
            with self._wake:
                self._lost += backlog.add(self._pending)
                self._pending = backlog
            self._say(text)
        else:
            self._say(None)

    def _settled(self, backlog: Backlog) -> Backlog:
        """Return what is to be written: with what was sent before, unless the server has that after all."""
        if self._doubt is None:
            return backlog
        doubt, sent = self._doubt
        committed = self._database.was_committed(doubt)
        self._doubt = None
        if committed:
            return backlog
        with self._wake:
            self._lost += sent.add(backlog)
        return sent

    def _write(self, backlog: Backlog) -> None:
        if self._reopen or self._database.is_gone():
            self._begin_anew(backlog)
        if not len(backlog) and not self.leases.due():
            return
        try:
            self._ledger.write(backlog)
        except Exception as error:
            if self._complaint(error).kind is not Kind.ENTRY:
                raise
            refused = self._ledger.write_singly(backlog)
            with self._wake:
                self._lost += refused
            _LOG.warning("%d entries cannot be kept: %s", refused.total(), self._complaint(error).text)

    def _begin_anew(self, backlog: Backlog) -> None:
        """Open the file again, or a new one in its place, and enter the open runs there."""
        if not self._reopen:
            self.notice = f"{self._database.name} was removed; a new one was begun"
            _LOG.warning("%s", self.notice)
        self._reopen = True
        self._database.release()
        self.notice = self._database.open() or self.notice
        self._reopen = False
        self._ledger.forget()
        self._enter_open_runs(backlog)

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
