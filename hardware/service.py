"""The hardware room as one service: sensors to the broker, the broker's status to the sounder."""

from __future__ import annotations

import asyncio
import logging
import threading
from collections.abc import Callable, Iterable
from functools import partial
from typing import Protocol

from hardware.flow_meter import FlowMeter
from hardware.player import Player
from hardware.probe import ProbeBus, TemperatureProbe, temperature_points
from hardware.sampling import Sink, in_thread
from hardware.sounder import RecordingSounder, Sounder, sounder_for
from hardware.strokes import StrokeCounter
from hardware.transducer import SAMPLE_HZ, Transducer
from monitor.contract.errors import PayloadRefused, SounderFailed
from monitor.contract.names import PumpKind
from monitor.contract.payloads import decode, encode
from monitor.contract.presence import Service
from monitor.contract.readings import Point, Reading
from monitor.contract.status import RunStatus
from monitor.contract.topics import Topics
from monitor.runtime.broker import BrokerLink
from monitor.runtime.clock import Clock
from monitor.runtime.settings import Settings
from monitor.runtime.watchdog import Watchdog

log = logging.getLogger(__name__)

COMPLAINT_LENGTH = 200
"""What a heartbeat carries (contract)."""
NO_SOUNDER = "no sounder is fitted: set pin or card under [sounder]; a phone alone is no alarm"


class Reader(Protocol):
    """A sensor's blocking loop."""

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Give ``sink`` readings until ``stop`` is set."""


async def serve(
    settings: Settings,
    *,
    clock: Clock,
    sounder: Sounder | None = None,
    ready: Callable[[], None] | None = None,
) -> None:
    """Run the hardware room until cancelled; ``ready`` is called once all its parts run.

    Raises :class:`SensorAmbiguous` at the start if the settings leave a choice between sensors.
    A missing sensor, a missing broker or a sounder that fails is logged and waited for.
    """
    topics = Topics(settings.press.name)
    readers = readers_for(settings, clock=clock)
    link = BrokerLink(
        settings.broker, topics=topics, service=Service.HARDWARE, clock=clock, subscriptions=(topics.status,)
    )

    def complain(trouble: str | None) -> None:
        # Carried by the heartbeats, so that the page can show it.
        link.complaint = trouble and trouble[:COMPLAINT_LENGTH]

    watchdog = Watchdog(clock=clock)
    rounds = _Rounds(readers, done=watchdog.pet)
    own = sounder or _fitted_sounder(settings, clock=clock, complain=complain)
    player = Player(own, clock=clock, complain=complain)
    try:
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(link.run(), name="broker link")
            tasks.create_task(player.run(), name="sounder")
            tasks.create_task(_follow(link, player), name="status watch")
            for point, reader in readers.items():
                sink = _publisher(link, topics.reading(point), given=partial(rounds.given, point))
                name = f"{point} reader"
                tasks.create_task(in_thread(partial(reader.run, sink), name=name), name=name)
            watchdog.ready()
            if ready is not None:
                ready()
    finally:
        own.close()


def readers_for(settings: Settings, *, clock: Clock) -> dict[Point, Reader]:
    """Return the sensors that the settings ask for, by point.

    Raises :class:`SensorAmbiguous`, or :class:`SettingsError` for half a flow meter.
    """
    probes = temperature_points(settings)
    bus = ProbeBus(settings.kernel.w1, wanted={point: section.sensor for point, section in probes.items()})
    bus.check()
    readers: dict[Point, Reader] = {
        point: TemperatureProbe(point, section=section, bus=bus, clock=clock)
        for point, section in probes.items()
    }
    kind = settings.pump.kind
    strokes = None if kind is PumpKind.GEAR else StrokeCounter(sample_hz=SAMPLE_HZ, kind=kind)
    readers[Point.LINE] = Transducer(
        settings.point.line, root=settings.kernel.iio, clock=clock, strokes=strokes
    )
    if settings.point.flow is not None:
        readers[Point.FLOW] = FlowMeter(settings.point.flow, clock=clock)
    return readers


def _fitted_sounder(settings: Settings, *, clock: Clock, complain: Callable[[str | None], None]) -> Sounder:
    """Return the sounder of the settings; without one, say so and go on: readings matter still."""
    try:
        fitted = sounder_for(settings.sounder, clock=clock)
    except SounderFailed as error:
        log.error("%s", error)
        complain(str(error))
        fitted = None
    else:
        if fitted is None:
            log.warning("%s", NO_SOUNDER)
            complain(NO_SOUNDER)
    return fitted or RecordingSounder(clock=clock)


class _Rounds:
    """Calls ``done`` whenever every one of ``points`` has given a reading, good or bad, since the last time.

    A sensor's thread that hangs for good ends the rounds, so that systemd starts the service anew.
    """

    def __init__(self, points: Iterable[Point], *, done: Callable[[], None]) -> None:
        self._points = frozenset(points)
        self._heard: set[Point] = set()
        self._done = done

    def given(self, point: Point) -> None:
        """Note a reading of ``point``."""
        self._heard.add(point)
        if self._heard >= self._points:
            self._heard.clear()
            self._done()


def _publisher(link: BrokerLink, topic: str, *, given: Callable[[], None]) -> Sink:
    """Return what takes a reading in a sensor's thread and publishes it from the event loop."""
    loop = asyncio.get_running_loop()

    def hand_over(payload: bytes) -> None:
        link.publish(topic, payload)
        given()

    def publish(reading: Reading) -> None:
        # The loop may be gone when a slow conversion comes back.
        if not loop.is_closed():
            loop.call_soon_threadsafe(hand_over, encode(reading))

    return publish


async def _follow(link: BrokerLink, player: Player) -> None:
    """Hand every status to the player; one that does not fit counts as silence."""
    async for message in link.messages():
        try:
            player.hear(decode(message.payload, RunStatus), retained=message.retain)
        except PayloadRefused as error:
            log.debug("status refused: %s", error)
