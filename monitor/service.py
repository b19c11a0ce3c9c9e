"""The monitor as a service: one line to the broker, one writer, a watch over each press.

What happens to one press (:mod:`monitor.press_watch`) touches no other: a watch whose engine
fails begins anew from the store while the others go on.
"""

from __future__ import annotations

import asyncio
import gc
import logging
from collections.abc import Callable, Sequence
from importlib.metadata import version

from monitor.contract.commands import Reply
from monitor.contract.errors import PayloadRefused, StoreError, StoreInUse
from monitor.contract.payloads import encode
from monitor.contract.presence import Service
from monitor.contract.status import RunStatus
from monitor.contract.topics import Topics, levels
from monitor.press_watch import TICK_S, PressWatch, Room
from monitor.runtime.broker import BrokerLink
from monitor.runtime.clock import Clock
from monitor.runtime.press_settings import PressSettings
from monitor.runtime.settings import Settings
from monitor.runtime.watchdog import Watchdog
from monitor.trace.retention import Keep
from monitor.trace.store import TraceWriter

ANEW_S = 1.0
"""A watch that failed begins anew after this [s], as a service of ours does."""
CLAIM_EVERY_S = 3.0
"""Time between two looks for presses that no other monitor holds any more [s]."""
STUCK_S = 5.0
"""A press whose engine has not looked at the clock for this long is not watched [s]."""
OPENING_S = 5.0
"""While the store is being opened systemd is told so this often [s]."""
LOOKING_BACK = 1
"""Presses whose earlier runs are gone through at a time."""

_log = logging.getLogger(__name__)


class Monitor:
    """The presses of one settings file under watch."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock,
        invented: bool = False,
        watcher: Callable[[RunStatus], None] | None = None,
    ) -> None:
        self.settings = settings
        self._clock = clock
        self._presses = settings.each()
        self._watches: dict[str, PressWatch] = {}
        self._mine = {own.press.name: asyncio.Event() for own in self._presses}
        """Set while a press is this monitor's to watch."""
        self._begun = {own.press.name: asyncio.Event() for own in self._presses}
        """Set once a press is watched, or it is known that it is not to be."""
        self._announced = False
        self._problem: str | None = None
        self._replies: asyncio.Queue[tuple[str, Reply]] = asyncio.Queue()
        self._loop: asyncio.AbstractEventLoop | None = None
        software = version("niterwatch")
        self._writer = TraceWriter(
            settings.store.url,
            software=software,
            problem_changed=self._problem_changed,
            press_lost=self._press_lost,
            keep=Keep(readings_s=settings.store.keep_readings, seconds_s=settings.store.keep_seconds),
        )
        topics = [Topics(own.press.name) for own in self._presses]
        self._link = BrokerLink(
            settings.broker,
            topics=topics,
            service=Service.MONITOR,
            clock=clock,
            subscriptions=[name for each in topics for name in (each.readings, each.commands)],
        )
        self._room = Room(
            clock=clock,
            link=self._link,
            writer=self._writer,
            store_url=settings.store.url,
            software=software,
            invented=invented,
            looking_back=asyncio.Semaphore(LOOKING_BACK),
            answer=lambda topic, reply: self._replies.put_nowait((topic, reply)),
            watcher=watcher,
        )
        self._watchdog = Watchdog(clock=clock)

    async def serve(self, *, ready: Callable[[], None] | None = None) -> None:
        """Watch the presses until cancelled; raise a :class:`StoreError` if nothing can be kept."""
        self._loop = asyncio.get_running_loop()
        set_aside = await self._open_store()
        if set_aside:
            _log.error("%s", set_aside)
        try:
            async with asyncio.TaskGroup() as tasks:
                for number, own in enumerate(self._presses):
                    # Apart, so that not all presses want the processor at the same moment.
                    offset_s = TICK_S * number / len(self._presses)
                    tasks.create_task(self._keep_watch(own, offset_s=offset_s), name=own.press.name)
                tasks.create_task(self._claim(), name="claim")
                tasks.create_task(self._connect(), name="broker line")
                tasks.create_task(self._receive(), name="receive")
                tasks.create_task(self._answer(), name="answer")
                tasks.create_task(self._look_over(), name="look over")
                tasks.create_task(self._announce(ready), name="announce")
        finally:
            await asyncio.to_thread(self._writer.close)

    async def _open_store(self) -> str | None:
        """Open the store; a change of its tables may take longer than systemd waits for a start."""
        opening = asyncio.ensure_future(asyncio.to_thread(self._writer.open))
        while not (await asyncio.wait({opening}, timeout=OPENING_S))[0]:
            self._watchdog.starting(within_s=3.0 * OPENING_S)
        return opening.result()

    async def _claim(self) -> None:
        """Take over, now and whenever another monitor lets go of them, the presses that are free."""
        names = [own.press.name for own in self._presses]
        while True:
            try:
                taken = await asyncio.to_thread(self._writer.leases.claim, names)
            except StoreError as error:
                # Its writer tells the same of the presses that it has; others must do with the log.
                _log.warning("no press can be taken over: %s", error)
                taken = set()
            for name in names:
                if name in taken:
                    self._mine[name].set()
                elif name not in self._writer.leases.held:
                    self._begun[name].set()
            await self._clock.sleep(CLAIM_EVERY_S)

    async def _keep_watch(self, own: PressSettings, *, offset_s: float) -> None:
        """Watch one press whenever it is ours; its fault ends the service only where there is no other."""
        name = own.press.name
        while True:
            await self._mine[name].wait()
            try:
                await self._watch(PressWatch(own, room=self._room, offset_s=offset_s))
            except StoreInUse:
                self._mine[name].clear()
            except Exception:
                if len(self._presses) == 1:
                    raise
                _log.exception("press %s: its watch failed and begins anew", name)
            await self._clock.sleep(ANEW_S)

    async def _watch(self, watch: PressWatch) -> None:
        """Watch a press until another monitor has it; raise what its engine ran into."""
        try:
            await watch.open()
            self._watches[watch.name] = watch
            self._begun[watch.name].set()
            if self._announced:
                self._say_watched([watch.name])
            if self._problem is not None:
                watch.tell_problem(self._problem)
            await watch.run()
        finally:
            self._begun[watch.name].set()
            self._watches.pop(watch.name, None)
            watch.close()

    def _press_lost(self, name: str) -> None:
        """Hand word of a press that another monitor took from the writer's thread to the loop."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._let_go, name)

    def _let_go(self, name: str) -> None:
        _log.warning("press %s was taken over by another monitor", name)
        self._mine[name].clear()
        watch = self._watches.get(name)
        if watch is not None:
            watch.stop()

    async def _connect(self) -> None:
        """Hold the broker's line, once every press can take what comes over it."""
        for begun in self._begun.values():
            await begun.wait()
        await self._link.run()

    async def _announce(self, ready: Callable[[], None] | None) -> None:
        await self._link.connected_once.wait()
        # What a start leaves behind stays; gone through again and again it stops the loop for up to half
        # a second with 200 presses (measured).
        gc.collect()
        gc.freeze()
        self._watchdog.ready()
        self._say_watched(sorted(self._watches))
        self._announced = True
        if ready is not None:
            ready()

    def _say_watched(self, names: Sequence[str]) -> None:
        if not names:
            _log.info("other monitors have all presses of this one; it waits for one to be free")
        elif len(names) == 1:
            _log.info("press %s is watched", names[0])
        else:
            _log.info("%d presses are watched: %s", len(names), ", ".join(names)[:200])

    async def _receive(self) -> None:
        async for message in self._link.messages():
            try:
                press, _, _ = levels(message.topic)
            except PayloadRefused:
                continue
            watch = self._watches.get(press)
            if watch is not None:
                watch.hear(message)

    async def _answer(self) -> None:
        """Publish each reply once what it answers for is on the disk, or has failed to get there."""
        while True:
            topic, reply = await self._replies.get()
            await asyncio.to_thread(self._writer.flush)
            self._link.publish(topic, encode(reply))

    async def _look_over(self) -> None:
        """Tell systemd that the service lives, as long as every press under watch is looked at."""
        while True:
            await self._clock.sleep(TICK_S)
            now_s = self._clock.monotonic()
            if all(now_s - watch.ticked_s < STUCK_S for watch in self._watches.values()):
                self._watchdog.pet()

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
        self._problem = problem
        for watch in list(self._watches.values()):
            watch.tell_problem(problem)


async def serve(
    settings: Settings,
    *,
    clock: Clock,
    invented: bool = False,
    ready: Callable[[], None] | None = None,
    watcher: Callable[[RunStatus], None] | None = None,
) -> None:
    """Watch the presses of ``settings`` until cancelled.

    ``ready`` is called once the broker is reached; ``watcher`` with every status published.
    """
    monitor = Monitor(settings, clock=clock, invented=invented, watcher=watcher)
    await monitor.serve(ready=ready)
