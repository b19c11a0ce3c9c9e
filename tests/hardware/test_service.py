from __future__ import annotations

import asyncio
import threading
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from itertools import pairwise
from pathlib import Path
from statistics import median

import pytest

from hardware.kernel_files import KernelTree, LineFiles, ProbeFault, ProbeFiles
from hardware.service import serve
from hardware.sounder import RecordingSounder
from monitor.contract.errors import SensorAmbiguous
from monitor.contract.names import Signal
from monitor.contract.payloads import decode, encode
from monitor.contract.presence import Presence, Service
from monitor.contract.readings import Point, Quality, Reading, Reason
from monitor.contract.topics import Topics
from monitor.runtime.broker import BrokerLink, Message
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import BrokerSection, Settings, load
from tests.hardware.statuses import status
from tests.integration.services import BrokerProgram
from tests.runtime.links import linked

pytestmark = pytest.mark.broker

TOPICS = Topics("main")
ONE, TWO = "0316a279b1ff", "00000000abcd"
SPEED = 10.0


@pytest.fixture
def tree(tmp_path: Path) -> KernelTree:
    return KernelTree.at(tmp_path)


def settings_for(tree: KernelTree, broker: BrokerSection, *more: str) -> Settings:
    return load(
        overrides=[
            f"broker.port={broker.port}",
            f'kernel.w1="{tree.w1}"',
            f'kernel.iio="{tree.iio}"',
            *more,
        ]
    )


@asynccontextmanager
async def serving(
    settings: Settings, *, clock: SystemClock, sounder: RecordingSounder | None = None
) -> AsyncIterator[None]:
    ready = asyncio.Event()
    task = asyncio.create_task(
        serve(settings, clock=clock, sounder=sounder or RecordingSounder(clock=clock), ready=ready.set)
    )
    try:
        async with asyncio.timeout(5.0):
            await ready.wait()
        yield
    finally:
        began_s = time.monotonic()
        task.cancel()
        await asyncio.wait((task,), timeout=10.0)
        assert task.cancelled(), task
        assert time.monotonic() - began_s < 3.0
        # A thread hands its end to the loop a moment before it is gone.
        for thread in threading.enumerate():
            if thread.name.endswith("reader"):
                thread.join(timeout=1.0)
                assert not thread.is_alive(), thread


async def take(
    link: BrokerLink, point: Point, fits: Callable[[Reading], object], *, within_s: float = 10.0
) -> Reading:
    async with asyncio.timeout(within_s):
        async for message in link.messages():
            if message.topic == TOPICS.reading(point) and fits(reading := decode(message.payload, Reading)):
                return reading
    raise AssertionError


async def test_kernel_files_become_readings_on_the_broker(tree: KernelTree, broker: BrokerSection) -> None:
    ProbeFiles(tree.w1, sensor_id=ONE).show(84.0)
    LineFiles(tree.iio).show(1200.0)
    clock = SystemClock(speed=SPEED)
    async with linked(broker, TOPICS.readings) as link, serving(settings_for(tree, broker), clock=clock):
        outlet = [await take(link, Point.OUTLET, lambda reading: True) for _ in range(12)]
        line = await take(link, Point.LINE, lambda reading: reading.quality is Quality.GOOD)
    assert [reading.value for reading in outlet] == [84.0] * 12
    assert [reading.seq for reading in outlet] == list(range(12))
    assert {reading.boot for reading in outlet} == {clock.boot}
    # A machine at its limit holds single rounds up; the median is the beat that is set.
    beats_ms = [after.mono_ms - before.mono_ms for before, after in pairwise(outlet)]
    assert median(beats_ms) == pytest.approx(1000, abs=250)
    assert min(beats_ms) > 0
    # 12 mA over 100 ohm is half of 100 psi.
    assert line.value == pytest.approx(344.74, abs=0.1)


async def test_a_missing_sensor_is_bad_and_found_when_it_is_plugged_in(
    tree: KernelTree, broker: BrokerSection
) -> None:
    clock = SystemClock(speed=SPEED)
    async with linked(broker, TOPICS.readings) as link, serving(settings_for(tree, broker), clock=clock):
        for point in (Point.OUTLET, Point.LINE):
            assert (await take(link, point, lambda reading: True)).reason is Reason.NO_ANSWER
        probe = ProbeFiles(tree.w1, sensor_id=ONE)
        probe.show(80.0)
        LineFiles(tree.iio).show(1200.0)
        assert (await take(link, Point.OUTLET, lambda reading: reading.value)).value == 80.0
        await take(link, Point.LINE, lambda reading: reading.value)
        probe.fault = ProbeFault.UNPLUGGED
        lost = await take(link, Point.OUTLET, lambda reading: reading.value is None)
        assert lost.reason is Reason.NO_ANSWER
        probe.fault = None
        probe.show(81.0)
        assert (await take(link, Point.OUTLET, lambda reading: reading.value)).value == 81.0


async def test_named_probes_serve_their_points(tree: KernelTree, broker: BrokerSection) -> None:
    ProbeFiles(tree.w1, sensor_id=ONE).show(84.0)
    ProbeFiles(tree.w1, sensor_id=TWO).show(96.0)
    settings = settings_for(tree, broker, f"point.outlet.sensor={ONE}", f"point.pan.sensor={TWO}")
    async with linked(broker, TOPICS.readings) as link, serving(settings, clock=SystemClock(speed=SPEED)):
        assert (await take(link, Point.OUTLET, lambda reading: True)).value == 84.0
        assert (await take(link, Point.PAN, lambda reading: True)).value == 96.0


async def test_two_probes_and_none_named_end_the_start(tree: KernelTree) -> None:
    for sensor_id in (ONE, TWO):
        ProbeFiles(tree.w1, sensor_id=sensor_id)
    settings = settings_for(tree, BrokerSection())
    with pytest.raises(SensorAmbiguous, match="outlet"):
        await serve(settings, clock=SystemClock(), sounder=RecordingSounder(clock=SystemClock()))


async def test_a_status_of_the_broker_reaches_the_sounder_and_its_silence_too(
    tree: KernelTree, broker: BrokerSection
) -> None:
    clock = SystemClock(speed=SPEED)
    sounder = RecordingSounder(clock=clock)
    async with linked(broker) as link:
        # What an earlier monitor left: an old alarm that must not sound.
        link.publish(TOPICS.status, encode(status(1, sound=Signal.MEDIUM)), retain=True)
        async with serving(settings_for(tree, broker), clock=clock, sounder=sounder):
            async with asyncio.timeout(10.0):
                seq = 100
                while not sounder.played:
                    seq += 1
                    link.publish(TOPICS.status, encode(status(seq, sound=Signal.HIGH)), retain=True)
                    await asyncio.sleep(0.1)
                while Signal.MONITOR_SILENT not in {played.signal for played in sounder.played}:  # noqa: ASYNC110
                    await asyncio.sleep(0.02)
    assert sounder.played[0].signal is Signal.HIGH


async def test_a_kept_status_of_a_dead_monitor_ends_in_monitor_silent_and_nothing_else(
    tree: KernelTree, broker: BrokerSection
) -> None:
    clock = SystemClock(speed=SPEED)
    sounder = RecordingSounder(clock=clock)
    async with linked(broker, TOPICS.status) as link:
        link.publish(TOPICS.status, encode(status(1, sound=Signal.HIGH)), retain=True)
        await anext(aiter(link.messages()))
        async with serving(settings_for(tree, broker), clock=clock, sounder=sounder), asyncio.timeout(10.0):
            while not sounder.played:  # noqa: ASYNC110 - looked at from outside
                await asyncio.sleep(0.02)
    assert {played.signal for played in sounder.played} == {Signal.MONITOR_SILENT}


async def test_nonsense_on_the_status_topic_is_no_sign_of_life(
    tree: KernelTree, broker: BrokerSection
) -> None:
    clock = SystemClock(speed=SPEED)
    sounder = RecordingSounder(clock=clock)
    async with linked(broker) as link, serving(settings_for(tree, broker), clock=clock, sounder=sounder):
        async with asyncio.timeout(10.0):
            link.publish(TOPICS.status, encode(status(1)), retain=True)
            while not sounder.played:
                link.publish(TOPICS.status, b'{"seq": "x"}')
                await asyncio.sleep(0.1)
    assert {played.signal for played in sounder.played} == {Signal.MONITOR_SILENT}


async def test_the_room_says_that_it_is_there_and_that_it_leaves(
    tree: KernelTree, broker: BrokerSection
) -> None:
    async with linked(broker, TOPICS.presence(Service.HARDWARE)) as link:
        async with serving(settings_for(tree, broker), clock=SystemClock(speed=SPEED)):
            assert (await _presence(link)).up
        while (await _presence(link)).up:
            pass


async def test_a_failing_alarm_output_is_said_in_the_heartbeats(
    tree: KernelTree, broker: BrokerSection, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tree.w1 / "asound.conf").write_text("")
    monkeypatch.setenv("ALSA_CONFIG_PATH", str(tree.w1 / "asound.conf"))
    settings = settings_for(tree, broker, "sounder.card=none-such")
    async with linked(broker, TOPICS.presence(Service.HARDWARE)) as link:
        link.publish(TOPICS.status, encode(status(1)), retain=True)
        running = asyncio.create_task(serve(settings, clock=SystemClock(speed=SPEED)))
        seq = 1
        while not (trouble := (await _presence(link)).trouble):
            seq += 1
            link.publish(TOPICS.status, encode(status(seq, sound=Signal.HIGH)), retain=True)
        running.cancel()
        await asyncio.wait((running,))
    assert trouble.startswith("alarm output failed: sound card 'none-such'")


async def test_a_press_without_a_sounder_says_so_in_the_heartbeats(
    tree: KernelTree, broker: BrokerSection
) -> None:
    async with linked(broker, TOPICS.presence(Service.HARDWARE)) as link:
        running = asyncio.create_task(serve(settings_for(tree, broker), clock=SystemClock(speed=SPEED)))
        assert "no sounder is fitted" in ((await _presence(link)).trouble or "")
        running.cancel()
        await asyncio.wait((running,))


async def _presence(link: BrokerLink) -> Presence:
    async with asyncio.timeout(10.0):
        message: Message = await anext(aiter(link.messages()))
    return decode(message.payload, Presence)


async def test_readings_go_on_over_a_broker_that_comes_late(
    tree: KernelTree, broker_program: BrokerProgram
) -> None:
    broker_program.kill()
    ProbeFiles(tree.w1, sensor_id=ONE).show(84.0)
    settings = settings_for(tree, broker_program.section)
    async with serving(settings, clock=SystemClock(speed=SPEED)):
        await asyncio.to_thread(broker_program.start)
        async with linked(broker_program.section, TOPICS.readings) as link:
            assert (await take(link, Point.OUTLET, lambda reading: True)).value == 84.0
