"""Floods and oversized payloads from a client that is not ours: memory bounded, newest kept."""

from __future__ import annotations

import asyncio
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.contract.errors import PayloadRefused
from monitor.contract.payloads import decode
from monitor.contract.presence import Service
from monitor.contract.readings import Point, Reading
from monitor.runtime.broker import LARGEST_PAYLOAD
from monitor.runtime.settings import BrokerSection
from tests.integration import services
from tests.integration.services import BrokerProgram, Program
from tests.runtime.links import OUTLET, TOPICS, hold, linked, take

pytestmark = pytest.mark.broker

COUNT = 15_000
"""Messages of the flood."""
FLOOD = """
import sys, time
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

port, per_second, count, size = (int(text) for text in sys.argv[1:5])
topics = sys.argv[5:]
client = Client(CallbackAPIVersion.VERSION2, "flood")
client.max_inflight_messages_set(200)
client.connect("127.0.0.1", port)
client.loop_start()
began = time.monotonic()
for number in range(count):
    last = client.publish(topics[number % len(topics)], b"%d" % number + b" " * size, qos=1)
    ahead = number / per_second - (time.monotonic() - began)
    if ahead > 0.01:
        time.sleep(ahead)
last.wait_for_publish(30)
print(f"{count} messages in {time.monotonic() - began:.1f} s")
client.disconnect()
client.loop_stop()
"""


def flood(section: BrokerSection, *, per_second: int, count: int, size: int, topics: list[str]) -> list[str]:
    """Return the command that floods ``topics`` at QoS 1."""
    numbers = (section.port, per_second, count, size)
    return [sys.executable, "-c", FLOOD, *(str(number) for number in numbers), *topics]


def resident_mb() -> float:
    """Return this process's memory [MB]."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * 4096 / 1e6


@pytest.fixture(params=["mosquitto", "embedded"])
def roomy(
    request: pytest.FixtureRequest, tmp_path: Path, new_log: Callable[[str], Path]
) -> Iterator[BrokerProgram]:
    """Run each broker in turn, with room for all of a flood: what is dropped, our line has dropped."""
    if request.param == "embedded":
        yield request.getfixturevalue("embedded")
        return
    with services.mosquitto(
        tmp_path, log=new_log("mosquitto"), max_queued_messages=f"{2 * COUNT}"
    ) as program:
        yield program


async def test_a_flood_keeps_memory_bounded_and_the_newest_of_each_topic(
    roomy: BrokerProgram, tmp_path: Path
) -> None:
    topics = [TOPICS.reading(point) for point in Point]
    section = roomy.section
    program = Program(
        flood(section, per_second=5000, count=COUNT, size=300, topics=topics), log=tmp_path / "flood.log"
    )
    async with linked(section, TOPICS.readings) as link:
        link.publish(OUTLET, b"-1")
        await take(link)
        before_mb = resident_mb()
        newest: dict[str, int] = {}
        taken = 0
        with program:
            async with asyncio.timeout(40):
                async for message in link.messages():
                    newest[message.topic] = int(message.payload)
                    taken += 1
                    if min(newest.get(topic, -1) for topic in topics) >= COUNT - len(topics):
                        break
                    if program.alive:
                        await asyncio.sleep(0.1)
            assert await asyncio.to_thread(program.finish) == 0, program.text()
        grown_mb = resident_mb() - before_mb
        assert link.connected
    assert taken + link.dropped == COUNT
    assert link.dropped > COUNT / 2, "the reader was far too slow to read it all"
    assert grown_mb < 30, "a thousand messages of 8 KiB are 8 MB"


async def test_a_payload_over_the_limit_arrives_cut_and_is_refused(
    mosquitto: BrokerProgram, tmp_path: Path
) -> None:
    await oversized(mosquitto.section, tmp_path, size=10_000)


async def test_a_huge_payload_arrives_cut_where_the_broker_lets_it_pass(
    embedded: BrokerProgram, tmp_path: Path
) -> None:
    await oversized(embedded.section, tmp_path, size=3_000_000)


async def oversized(section: BrokerSection, directory: Path, *, size: int) -> None:
    program = Program(
        flood(section, per_second=100, count=1, size=size, topics=[OUTLET]), log=directory / "flood.log"
    )
    async with linked(section, TOPICS.readings) as link:
        with program:
            payload = (await take(link)).payload
            assert await asyncio.to_thread(program.finish) == 0, program.text()
        assert len(payload) == LARGEST_PAYLOAD + 1
        with pytest.raises(PayloadRefused, match="is over 4096"):
            decode(payload, Reading)
        link.publish(OUTLET, b"still here")
        assert (await take(link)).payload == b"still here"


async def test_mosquitto_turns_away_what_is_larger_than_a_packet(
    mosquitto: BrokerProgram, tmp_path: Path
) -> None:
    command = flood(mosquitto.section, per_second=100, count=1, size=20_000, topics=[OUTLET])
    program = Program(command, log=tmp_path / "flood.log")
    async with (
        linked(mosquitto.section, TOPICS.readings) as link,
        linked(mosquitto.section, service=Service.HARDWARE) as hardware,
    ):
        with program:
            await hold(lambda: "oversize packet" in mosquitto.text(), within_s=10)
        hardware.publish(OUTLET, b"good")
        assert (await take(link)).payload == b"good"
