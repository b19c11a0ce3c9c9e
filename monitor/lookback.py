"""Looks back on runs and entries off the event loop, and keeps what follows for the engine.

The service asks for the rules between two steps; an entry, or the end of a run, has them worked
out anew in a thread. Whatever goes wrong there is logged: the press is watched with the rules of
before.
"""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable
from datetime import datetime

from monitor.contract.entries import ChargeArgs
from monitor.contract.events import Mark
from monitor.rules.thresholds import RunRules
from monitor.run.effects import Effect, Happened, RunClosed, RunOpened
from monitor.run.records import KeptRun, Records, standing
from monitor.run.state import State
from monitor.run.teaching import Lesson, taught
from monitor.runtime.press_settings import PressSettings
from monitor.trace.reader import TraceReader
from monitor.trace.season import Season
from monitor.trace.store import PressWriter

_log = logging.getLogger(__name__)


class Lookback:
    """The records of one press and the lesson they teach; belongs to the event loop."""

    def __init__(self, own: PressSettings, *, store_url: str, writer: PressWriter, invented: bool) -> None:
        self._lot_scheme = own.lot.code
        self._set_rules = own.rules()
        self._owner = own.plan_rules()
        self._writer = writer
        self._season = Season(
            TraceReader(store_url),
            rules=self._set_rules,
            owner=self._owner,
            invented=invented,
        )
        self._records = Records()
        self._lesson: Lesson | None = None
        self._due = asyncio.Event()
        self._stopped = threading.Event()

    def open(self) -> None:
        """Read what is kept; may block. Raises :class:`StoreUnreadable`."""
        self._records = self._season.records(today=None, lot_scheme=self._lot_scheme)
        self._due.set()

    def records(self, now: datetime | None) -> Records:
        """Return what new entries are checked by at ``now``, null while the clock is unset."""
        today = None if now is None else now.astimezone().date()
        return self._records.at(today)

    def take_in(self, effect: Effect) -> None:
        """Take in what the engine has done."""
        if isinstance(effect, RunOpened):
            day = None if effect.started is None else effect.started.astimezone().date()
            press = self._set_rules.press
            kept = KeptRun(frames=press.frames, frame_thickness_m=press.frame_thickness_m, day=day)
            self._records = self._records.with_run(effect.run, kept)
        elif isinstance(effect, Happened) and isinstance(effect.event, Mark):
            self._records = self._records.with_entry(effect.event)
            self._due.set()
        elif isinstance(effect, RunClosed):
            self._due.set()

    def rules(self, state: State | None) -> RunRules:
        """Return the settings' rules with what was learned for the run of ``state``, or the next one."""
        if self._lesson is None:
            return self._set_rules
        charge = None if state is None else self._charge(state)
        return taught(self._set_rules, lesson=self._lesson, owner=self._owner, charge=charge)

    async def run(self, *, learned: Callable[[], None], turn: asyncio.Semaphore) -> None:
        """Look back whenever there is reason to, holding ``turn``; call ``learned`` after each time."""
        try:
            while True:
                await self._due.wait()
                self._due.clear()
                try:
                    async with turn:
                        self._lesson = await asyncio.to_thread(self._look_back)
                except Exception:
                    # The watch over the press must outlive whatever is wrong with its past.
                    _log.exception("earlier runs cannot be learned from; the rules stay as they were")
                    continue
                learned()
        finally:
            self._stopped.set()

    def _look_back(self) -> Lesson:
        self._writer.flush()
        return self._season.lesson(
            going_on=lambda: not self._stopped.is_set(), worked_out=self._writer.keep_shown
        )

    def _charge(self, state: State) -> ChargeArgs | None:
        """Return the charge of the open run, or the one that waits for the next."""
        if state.run is None:
            given = None if state.charge is None else state.charge.given
            return given if isinstance(given, ChargeArgs) else None
        counting = standing(self._records.entries.values())
        own = [mark.given for mark in counting if mark.run == state.run.id]
        charges = [given for given in own if isinstance(given, ChargeArgs)]
        return charges[-1] if charges else None
