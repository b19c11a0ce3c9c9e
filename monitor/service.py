"""The monitor as a service: receive, step the engine, carry out its effects.

One task group: the broker's line, the receiver, and the tick that lets silence be noticed.
The engine itself is pure (:mod:`monitor.run.engine`); everything with a side effect is here.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable
from importlib.metadata import version

from monitor.contract.commands import Command, Reply
from monitor.contract.errors import PayloadRefused, StoreUnreadable
from monitor.contract.payloads import decode, encode
from monitor.contract.presence import Service
from monitor.contract.readings import UNIT_OF, Point, Reading
from monitor.contract.status import RunStatus
from monitor.contract.topics import Topics, levels
from monitor.lookback import Lookback
from monitor.rules.thresholds import RunRules
from monitor.run.diary import line_of
from monitor.run.effects import Answered, Effect, Happened, RowDue, RunClosed, RunOpened, StatusDue
from monitor.run.engine import step
from monitor.run.inputs import CommandArrived, Input, ReadingArrived, RecordingChanged, Stamp, Tick
from monitor.run.report import Signature, status_of
from monitor.run.state import State, fresh, restored, stored
from monitor.runtime.broker import BrokerLink, Message
from monitor.runtime.clock import Clock
from monitor.runtime.pace import Pace
from monitor.runtime.repeats import Repeats, and_before
from monitor.runtime.settings import Settings
from monitor.runtime.watchdog import Watchdog
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
AHEAD_S = 1.0
"""A reading of this boot may be dated this much after now [s]: rounding, and ends of intervals."""

_log = logging.getLogger(__name__)


class Monitor:
    """One press under watch."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock,
        invented: bool = False,
        watcher: Callable[[RunStatus], None] | None = None,
    ) -> None:
        self.settings = settings
        self.rules: RunRules = settings.rules()
        self.topics = Topics(settings.press.name)
        self._clock = clock
        self._invented = invented
        self._watcher = watcher
        self._software = version("niterwatch")
        self._state: State | None = None
        self._statuses = 0
        self._pace = Pace(apart_s=STATUS_APART_S, burst=STATUS_BURST)
        self._pending: asyncio.TimerHandle | None = None
        self._replies: asyncio.Queue[Reply] = asyncio.Queue()
        self._refused = 0
        self._complaints = Repeats()
        self._snapshot_s = 0.0
        self._loop: asyncio.AbstractEventLoop | None = None
        self._writer = TraceWriter(
            settings.store.url,
            software=self._software,
            problem_changed=self._problem_changed,
        )
        self._kept = self._writer.press(settings.press.name, facts=self._facts())
        self._link = BrokerLink(
            settings.broker,
            topics=self.topics,
            service=Service.MONITOR,
            clock=clock,
            subscriptions=(self.topics.readings, self.topics.commands),
        )
        self._lookback = Lookback(settings, writer=self._kept, invented=invented)
        self._watchdog = Watchdog(clock=clock)

    async def serve(self, *, ready: Callable[[], None] | None = None) -> None:
        """Watch the press until cancelled; raise a :class:`StoreError` if nothing can be kept."""
        self._loop = asyncio.get_running_loop()
        set_aside = await asyncio.to_thread(self._writer.open)
        if set_aside:
            _log.error("%s", set_aside)
        try:
            await self._open_lookback()
            self._restore()
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._link.run(), name="broker line")
                tasks.create_task(self._receive(), name="receive")
                tasks.create_task(self._tick(), name="tick")
                tasks.create_task(self._answer(), name="answer")
                tasks.create_task(self._announce(ready), name="announce")
                tasks.create_task(self._lookback.run(learned=self._learned), name="look back")
        finally:
            if self._state is not None:
                self._kept.keep_snapshot(stored(self._state))
            await asyncio.to_thread(self._writer.close)

    async def _announce(self, ready: Callable[[], None] | None) -> None:
        await self._link.connected_once.wait()
        self._watchdog.ready()
        _log.info("press %s is watched", self.settings.press.name)
        if ready is not None:
            ready()

    async def _receive(self) -> None:
        async for message in self._link.messages():
            try:
                entered = self._read(message)
            except PayloadRefused as refusal:
                self._refuse(message.topic, refusal)
                continue
            if entered is None:
                continue
            if isinstance(entered, ReadingArrived):
                self._kept.keep_reading(entered.point, entered.reading, arrived_mono_s=entered.stamp.mono_s)
            self._enter(entered)

    async def _tick(self) -> None:
        due_s = self._clock.monotonic()
        while True:
            due_s = max(due_s + TICK_S, self._clock.monotonic())
            await self._clock.sleep(due_s - self._clock.monotonic())
            self._enter(Tick(stamp=self._stamp()))
            self._watchdog.pet()

    async def _answer(self) -> None:
        """Publish each reply once what it answers for is on the disk, or has failed to get there."""
        while True:
            reply = await self._replies.get()
            await asyncio.to_thread(self._writer.flush)
            self._link.publish(self.topics.reply(reply.id), encode(reply))

    def _read(self, message: Message) -> Input | None:
        """Return what ``message`` means to the engine; null for a topic that is not the monitor's.

        The embedded broker hands out kept messages of topics that nobody here subscribed to.
        """
        _, channel, leaf = levels(message.topic)
        if channel not in {"reading", "command"}:
            return None
        if channel == "reading":
            try:
                point = Point(leaf)
            except ValueError:
                raise PayloadRefused(f"there is no point called {leaf[:40]!r}") from None
            return self._reading(point, decode(message.payload, Reading))
        command = decode(message.payload, Command)
        if command.verb != leaf:
            raise PayloadRefused(f"a {command.verb} came on the topic of {leaf[:40]!r}")
        stamp = self._stamp()
        return CommandArrived(stamp=stamp, command=command, records=self._lookback.records(stamp.time))

    def _reading(self, point: Point, reading: Reading) -> ReadingArrived:
        stamp = self._stamp()
        if reading.unit is not UNIT_OF[point]:
            raise PayloadRefused(f"unit: the {point} is not read in {reading.unit}")
        if reading.boot == stamp.boot and reading.mono_ms / 1000.0 > stamp.mono_s + AHEAD_S:
            # Taken in, it would make every true reading after it count as older.
            raise PayloadRefused("mono_ms: later than now on the clock of this boot")
        return ReadingArrived(stamp=stamp, point=point, reading=reading)

    def _enter(self, entered: Input) -> None:
        if self._state is None:
            return
        self._state, effects = step(self._state, entered, rules=self.rules)
        self._carry_out(effects)

    def _carry_out(self, effects: tuple[Effect, ...]) -> None:
        moved = any(isinstance(effect, Happened | RunOpened | RunClosed) for effect in effects)
        if any(isinstance(effect, StatusDue) for effect in effects):
            self._status_due(at_once=moved)
        # With its effects, before any of them makes the writer commit: a state must not lag its events.
        self._keep_snapshot(moved=moved)
        for effect in effects:
            self._lookback.take_in(effect)
            if (line := line_of(effect)) is not None:
                _log.info("%s", line)
            match effect:
                case Happened():
                    self._link.publish(self.topics.event, encode(effect.event))
                    self._kept.keep_effect(effect)
                case RunOpened() | RunClosed() | RowDue():
                    self._kept.keep_effect(effect)
                case Answered():
                    self._replies.put_nowait(effect.reply)
                case StatusDue():
                    pass

    def _status_due(self, *, at_once: bool) -> None:
        """Publish the status, at once for a change, else as soon as the pace allows."""
        assert self._loop is not None  # noqa: S101 - set before anything can enter
        wait_s = self._pace.wait_s(self._loop.time())
        if at_once or wait_s == 0.0:
            self._publish_status()
        elif self._pending is None:
            self._pending = self._loop.call_later(wait_s, self._publish_status)

    def _publish_status(self) -> None:
        assert self._state is not None  # noqa: S101 - set before anything can enter
        assert self._loop is not None  # noqa: S101 - likewise
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
                software=self._software,
                invented=self._invented,
                refused=self._refused,
            ),
        )
        self._link.publish(self.topics.status, encode(status), retain=True)
        if self._watcher is not None:
            self._watcher(status)

    def _keep_snapshot(self, *, moved: bool) -> None:
        now_s = self._clock.monotonic()
        if self._state is None or not (moved or now_s - self._snapshot_s >= SNAPSHOT_EVERY_S):
            return
        self._snapshot_s = now_s
        self._kept.keep_snapshot(stored(self._state))

    async def _open_lookback(self) -> None:
        try:
            await asyncio.to_thread(self._lookback.open)
        except StoreUnreadable as error:
            # The press is watched whatever a damaged word has made of its past.
            _log.error("earlier runs cannot be looked back on: %s", error)

    def _restore(self) -> None:
        """Take up the state of before, and the readings kept since it was; what is damaged is left."""
        stamp = self._stamp()
        reader = TraceReader(self.settings.store.url).of(self.settings.press.name)
        self._state = fresh(boot=stamp.boot, mono_s=stamp.mono_s, rules=self.rules)
        kept: list[tuple[Point, Reading, float]] = []
        try:
            snapshot = reader.snapshot()
            if snapshot is None:
                return
            self._state = restored(snapshot, boot=stamp.boot, mono_s=stamp.mono_s)
            since_s = self._state.origin_s + self._state.now_s
            kept = list(reader.readings_since(boot=stamp.boot, mono_s=since_s))
        except StoreUnreadable as error:
            _log.error("%s", error)
        for point, reading, arrived_s in kept:
            then = Stamp(boot=stamp.boot, mono_s=arrived_s, time=reading.time, clock=reading.clock)
            self._catch_up(ReadingArrived(stamp=then, point=point, reading=reading))
            self._catch_up(Tick(stamp=then))
        if self._state.run is not None:
            _log.info("run %s goes on", self._state.run.id)

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
            "invented": self._invented,
        }

    def _problem_changed(self, problem: str | None) -> None:
        """Hand word of the store from the writer's thread to the loop."""
        if self._loop is None or self._loop.is_closed():
            return
        self._loop.call_soon_threadsafe(self._tell_problem, problem)

    def _tell_problem(self, problem: str | None) -> None:
        if problem is None:
            _log.info("recording again")
        else:
            _log.error("not recording: %s", problem)
        self._enter(RecordingChanged(stamp=self._stamp(), trouble=problem))

    def _refuse(self, topic: str, refusal: PayloadRefused) -> None:
        self._refused += 1
        left_out = self._complaints.let(topic, now_s=self._clock.monotonic())
        if left_out is not None:
            _log.warning("refused a message on %s: %s%s", topic[:80], refusal, and_before(left_out))


async def serve(
    settings: Settings,
    *,
    clock: Clock,
    invented: bool = False,
    ready: Callable[[], None] | None = None,
    watcher: Callable[[RunStatus], None] | None = None,
) -> None:
    """Watch the press of ``settings`` until cancelled.

    ``ready`` is called once the broker is reached; ``watcher`` with every status published.
    """
    monitor = Monitor(settings, clock=clock, invented=invented, watcher=watcher)
    await monitor.serve(ready=ready)
