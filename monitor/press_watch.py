"""One press under watch: reads what arrives, steps its engine, carries out the effects.

The engine itself is pure (:mod:`monitor.run.engine`); everything it wants done is done here.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from dataclasses import dataclass

from monitor import intake
from monitor.contract.commands import Reply
from monitor.contract.errors import PayloadRefused, StoreUnreadable
from monitor.contract.payloads import encode
from monitor.contract.readings import Point, Reading
from monitor.contract.status import RunStatus
from monitor.contract.topics import Topics
from monitor.lateness import Lateness
from monitor.lookback import Lookback
from monitor.rules.thresholds import RunRules
from monitor.run.diary import line_of
from monitor.run.effects import Answered, Effect, Happened, RowDue, RunClosed, RunOpened, StatusDue
from monitor.run.engine import step
from monitor.run.inputs import Input, ReadingArrived, RecordingChanged, Stamp, Tick
from monitor.run.report import Signature, status_of
from monitor.run.state import State, fresh, restored, stored
from monitor.runtime.broker import BrokerLink, Message
from monitor.runtime.clock import Clock
from monitor.runtime.pace import Pace
from monitor.runtime.press_settings import PressSettings
from monitor.runtime.repeats import Repeats, and_before
from monitor.trace.press_writer import PressWriter
from monitor.trace.reader import TraceReader
from monitor.trace.store import TraceWriter

TICK_S = 1.0
"""Time between two looks at the clock [s]; the trace has one row for each."""
SNAPSHOT_EVERY_S = 30.0
"""Longest time between two stored states while nothing happens [s]."""
STATUS_APART_S = 0.05
"""Statuses with nothing but new values come this far apart in a flood [s of the board's own time]."""
STATUS_BURST = 6
"""So many may follow each other at once: a status for each of the five points and the tick of a second."""
STATUS_LEAVES_S = 0.002
"""Time in which a status that tells a change is on its way [s]: some turns of the loop."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """What the presses of one monitor share."""

    clock: Clock
    link: BrokerLink
    writer: TraceWriter
    store_url: str
    software: str
    invented: bool
    looking_back: asyncio.Semaphore
    """Held while the runs of a press are gone through: a few at a time leave the rest their processor."""
    answer: Callable[[str, Reply], None]
    """Called with a reply's topic and what is to be said there once the disk has it."""
    watcher: Callable[[RunStatus], None] | None = None


class PressWatch:
    """The watch over one press; belongs to the event loop. :meth:`open` it, then :meth:`run` it."""

    def __init__(self, own: PressSettings, *, room: Room, offset_s: float = 0.0) -> None:
        self.name = own.press.name
        self.topics = Topics(self.name)
        self.rules: RunRules = own.rules()
        self.ticked_s = room.clock.monotonic()
        """When its engine last looked at the clock."""
        self._room = room
        self._clock = room.clock
        self._offset_s = offset_s
        self._state: State | None = None
        self._statuses = 0
        self._pace = Pace(apart_s=STATUS_APART_S, burst=STATUS_BURST)
        self._pending: asyncio.TimerHandle | None = None
        self._unsettled: tuple[State, tuple[Effect, ...]] | None = None
        self._refused = 0
        self._complaints = Repeats()
        self._lateness = Lateness()
        self._snapshot_s = 0.0
        self._loop = asyncio.get_running_loop()
        self._fault: asyncio.Future[None] = self._loop.create_future()
        self._own = own
        self._running: asyncio.Task[None] | None = None
        self._kept: PressWriter
        self._lookback: Lookback

    async def open(self) -> None:
        """Take up the state of before; whatever the store holds, the press can then be watched.

        Raises :class:`StoreInUse` where another monitor has it.
        """
        room = self._room
        self._kept = await asyncio.to_thread(room.writer.press, self.name, facts=self._facts())
        self._lookback = Lookback(
            self._own, store_url=room.store_url, writer=self._kept, invented=room.invented
        )
        try:
            await asyncio.to_thread(self._lookback.open)
        except StoreUnreadable as error:
            # The press is watched whatever a damaged word has made of its past.
            _log.error("earlier runs cannot be looked back on: %s", error)
        await self._restore()

    async def run(self) -> None:
        """Watch until cancelled or stopped; raise what went wrong in the engine."""
        self._running = asyncio.create_task(self._run(), name=f"watch over {self.name}")
        try:
            await asyncio.wait({self._running})
        finally:
            self._running.cancel()
            await asyncio.wait({self._running})
        if not self._running.cancelled():
            self._running.result()

    def stop(self) -> None:
        """End :meth:`run`: the press is another monitor's now."""
        if self._running is not None:
            self._running.cancel()

    async def _run(self) -> None:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._tick(), name=f"tick of {self.name}")
            tasks.create_task(
                self._lookback.run(learned=self._learned, turn=self._room.looking_back),
                name=f"look back on {self.name}",
            )
            tasks.create_task(self._failed(), name=f"fault of {self.name}")

    def close(self) -> None:
        """Keep the newest state and say nothing more."""
        if self._pending is not None:
            self._pending.cancel()
        self._settle()
        if self._state is not None:
            self._kept.keep_snapshot(stored(self._state))

    def hear(self, message: Message) -> None:
        """Take in what arrived on a topic of this press; what does not fit is counted and changes nothing."""
        self._guarded(self._settle)
        try:
            entered = intake.read(message, stamp=self._stamp(), records=self._lookback.records)
        except PayloadRefused as refusal:
            self._refuse(message.topic, refusal)
            return
        if isinstance(entered, ReadingArrived):
            self._kept.keep_reading(entered.point, entered.reading, arrived_mono_s=entered.stamp.mono_s)
            if self._is_late(entered):
                return
        if entered is not None:
            self._guarded(lambda: self._enter(entered))

    def _is_late(self, arrived: ReadingArrived) -> bool:
        """Tell whether a reading is of the record alone, and say so once a minute."""
        late_s = self._lateness.of(arrived)
        if late_s is None:
            return False
        left_out = self._complaints.let("late", now_s=arrived.stamp.mono_s)
        if left_out is not None:
            _log.warning(
                "press %s: a reading of the %s is %.0f s old; kept, and not judged%s",
                *(self.name, arrived.point, late_s, and_before(left_out)),
            )
        return True

    def tell_problem(self, problem: str | None) -> None:
        """Take in why nothing is being recorded, null once it is again."""
        self._guarded(lambda: self._enter(RecordingChanged(stamp=self._stamp(), trouble=problem)))

    async def _tick(self) -> None:
        due_s = self._clock.monotonic() + self._offset_s
        while True:
            due_s = max(due_s + TICK_S, self._clock.monotonic())
            await self._clock.sleep(due_s - self._clock.monotonic())
            self._enter(Tick(stamp=self._stamp()))
            self.ticked_s = self._clock.monotonic()

    async def _failed(self) -> None:
        """Raise what a callback of the loop ran into, so that it ends this watch and no other."""
        await self._fault

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as error:
            if not self._fault.done():
                self._fault.set_exception(error)

    def _enter(self, entered: Input) -> None:
        if self._state is None:
            return
        self._settle()
        self._state, effects = step(self._state, entered, rules=self.rules)
        moved = any(isinstance(effect, Happened | RunOpened | RunClosed) for effect in effects)
        if any(isinstance(effect, StatusDue) for effect in effects):
            self._status_due(at_once=moved)
        if moved:
            # The sounder waits for the status, so it leaves before all the rest is seen to.
            self._unsettled = self._state, effects
            self._loop.call_later(STATUS_LEAVES_S, self._guarded, self._settle)
        else:
            self._carry_out(self._state, effects, moved=False)

    def _settle(self) -> None:
        """Carry out what the last step left behind its status; nothing is taken in before that is done."""
        if self._unsettled is not None:
            (state, effects), self._unsettled = self._unsettled, None
            self._carry_out(state, effects, moved=True)

    def _carry_out(self, state: State, effects: tuple[Effect, ...], *, moved: bool) -> None:
        # With its effects, before any of them makes the writer commit: a state must not lag its events.
        self._keep_snapshot(state, moved=moved)
        for effect in effects:
            self._lookback.take_in(effect)
            if (line := line_of(effect)) is not None:
                _log.info("%s", line)
            match effect:
                case Happened():
                    self._room.link.publish(self.topics.event, encode(effect.event))
                    self._kept.keep_effect(effect)
                case RunOpened() | RunClosed() | RowDue():
                    self._kept.keep_effect(effect)
                case Answered():
                    self._room.answer(self.topics.reply(effect.reply.id), effect.reply)
                case StatusDue():
                    pass

    def _status_due(self, *, at_once: bool) -> None:
        """Publish the status, at once for a change, else as soon as the pace allows."""
        wait_s = self._pace.wait_s(self._loop.time())
        if at_once or wait_s == 0.0:
            self._publish_status()
        elif self._pending is None:
            self._pending = self._loop.call_later(wait_s, self._guarded, self._publish_status)

    def _publish_status(self) -> None:
        assert self._state is not None  # noqa: S101 - set before anything can enter
        if self._pending is not None:
            self._pending.cancel()
            self._pending = None
        self._pace.go(self._loop.time())
        self._statuses += 1
        status = status_of(
            self._state,
            stamp=self._stamp(),
            rules=self.rules,
            signed=Signature(
                seq=self._statuses,
                software=self._room.software,
                invented=self._room.invented,
                refused=self._refused,
            ),
        )
        self._room.link.publish(self.topics.status, encode(status), retain=True)
        if self._room.watcher is not None:
            self._room.watcher(status)

    def _keep_snapshot(self, state: State, *, moved: bool) -> None:
        now_s = self._clock.monotonic()
        if moved or now_s - self._snapshot_s >= SNAPSHOT_EVERY_S:
            self._snapshot_s = now_s
            self._kept.keep_snapshot(stored(state))

    async def _restore(self) -> None:
        """Take up the state of before, and the readings kept since it was; what is damaged is left."""
        stamp = self._stamp()
        state, kept = await asyncio.to_thread(self._before, stamp)
        self._state = state
        for point, reading, arrived_s in kept:
            then = Stamp(boot=stamp.boot, mono_s=arrived_s, time=reading.time, clock=reading.clock)
            self._catch_up(ReadingArrived(stamp=then, point=point, reading=reading))
            self._catch_up(Tick(stamp=then))
        if self._state.run is not None:
            _log.info("run %s goes on", self._state.run.id)

    def _before(self, stamp: Stamp) -> tuple[State, list[tuple[Point, Reading, float]]]:
        """Read the stored state, a fresh one where there is none, and the readings kept since; blocks."""
        state = fresh(boot=stamp.boot, mono_s=stamp.mono_s, rules=self.rules)
        try:
            reader = TraceReader(self._room.store_url).of(self.name)
            snapshot = reader.snapshot()
            if snapshot is None:
                return state, []
            state = restored(snapshot, boot=stamp.boot, mono_s=stamp.mono_s)
            since_s = state.origin_s + state.now_s
            return state, list(reader.readings_since(boot=stamp.boot, mono_s=since_s))
        except StoreUnreadable as error:
            _log.error("%s", error)
            return state, []

    def _catch_up(self, entered: Input) -> None:
        """Step over what was stored before the restart: its rows are there already."""
        assert self._state is not None  # noqa: S101 - called from _restore alone
        self._state, effects = step(self._state, entered, rules=self.rules)
        for effect in effects:
            if isinstance(effect, Happened | RunOpened | RunClosed):
                self._lookback.take_in(effect)
                self._kept.keep_effect(effect)

    def _learned(self) -> None:
        """Put what was learned into force, between two steps; a run is kept with the rules it opens by."""
        rules = self._lookback.rules(self._state)
        if rules == self.rules:
            return
        self.rules = rules
        self._kept.know(self._facts())
        if self._state is not None:
            self._publish_status()

    def _stamp(self) -> Stamp:
        wall = self._clock.wall()
        return Stamp(boot=self._clock.boot, mono_s=self._clock.monotonic(), time=wall.time, clock=wall.state)

    def _facts(self) -> dict[str, object]:
        return {
            "press": self.rules.press,
            "pump": self.rules.pump,
            "thresholds": self.rules.thresholds,
            "points": self.rules.points,
            "invented": self._room.invented,
        }

    def _refuse(self, topic: str, refusal: PayloadRefused) -> None:
        self._refused += 1
        left_out = self._complaints.let(topic, now_s=self._clock.monotonic())
        if left_out is not None:
            _log.warning("refused a message on %s: %s%s", topic[:80], refusal, and_before(left_out))
