"""The line to the broker, on a real mosquitto and on the demo's broker, each a process of its own."""

from __future__ import annotations

import asyncio
import time
from pathlib import Path

import pytest

from monitor.contract.errors import BrokerUnreachable, PayloadRefused
from monitor.contract.payloads import decode
from monitor.contract.presence import Presence, Service
from monitor.runtime.broker import LARGEST_PAYLOAD, BrokerLink, Message, reachable
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import BrokerSection
from tests.integration.services import BrokerProgram, Program
from tests.runtime.links import LINE, OUTLET, TOPICS, another_service, linked, take, take_goodbye

pytestmark = pytest.mark.broker


async def test_what_is_published_arrives_in_order(broker: BrokerSection) -> None:
    async with linked(broker, TOPICS.readings) as link:
        for number in range(200):
            link.publish(OUTLET, b"%d" % number)
        got = [int((await take(link)).payload) for _ in range(200)]
    assert got == list(range(200))
    assert link.dropped == 0


async def test_a_retained_status_greets_a_late_reader(broker: BrokerSection) -> None:
    async with linked(broker, TOPICS.status) as writer:
        writer.publish(TOPICS.status, b"old", retain=True)
        assert not (await take(writer, topic=TOPICS.status)).retain
        writer.publish(TOPICS.status, b"new", retain=True)
        assert (await take(writer, topic=TOPICS.status)).payload == b"new"
    async with linked(broker, TOPICS.status, service=Service.WEB) as reader:
        assert await take(reader, topic=TOPICS.status) == Message(TOPICS.status, b"new", retain=True)


async def test_a_plain_message_does_not_wait_for_a_late_reader(broker: BrokerSection) -> None:
    async with linked(broker, TOPICS.readings) as writer:
        writer.publish(OUTLET, b"gone")
        await take(writer)
    async with linked(broker, TOPICS.readings, service=Service.WEB) as reader:
        reader.publish(OUTLET, b"next")
        assert (await take(reader)).payload == b"next"


async def test_two_links_talk_past_each_other(broker: BrokerSection) -> None:
    async with (
        linked(broker, TOPICS.readings) as monitor,
        linked(broker, TOPICS.status, service=Service.HARDWARE) as hardware,
    ):
        hardware.publish(OUTLET, b"84.6")
        hardware.publish(LINE, b"210")
        assert (await take(monitor)).payload == b"84.6"
        assert (await take(monitor, topic=LINE)).payload == b"210"
        monitor.publish(TOPICS.status, b"ready", retain=True)
        assert (await take(hardware, topic=TOPICS.status)).payload == b"ready"


async def test_heartbeats_count_up_and_the_last_one_says_goodbye(broker: BrokerSection) -> None:
    topic = TOPICS.presence(Service.HARDWARE)
    async with linked(broker, TOPICS.presences, service=Service.WEB) as reader:
        async with linked(broker, service=Service.HARDWARE, speed=50.0):
            beats = [decode((await take(reader, topic=topic)).payload, Presence) for _ in range(4)]
        assert [(beat.up, beat.seq) for beat in beats] == [(True, number) for number in range(4)]
        assert len({beat.boot for beat in beats}) == 1
        last = await take_goodbye(reader, service=Service.HARDWARE)
    assert last.seq is not None, "the goodbye is the service's own word, not the broker's will"


async def test_heartbeats_keep_the_pace_of_a_clock_that_is_sped_up(broker: BrokerSection) -> None:
    async with (
        linked(broker, TOPICS.presences, service=Service.WEB) as reader,
        linked(broker, service=Service.HARDWARE, speed=100.0),
    ):
        began_s = time.monotonic()
        for _ in range(51):
            await take(reader, topic=TOPICS.presence(Service.HARDWARE))
        passed_s = time.monotonic() - began_s
    assert 0.9 < passed_s < 4.0, "fifty intervals of 2 s at a hundred times the speed are 1 s"


async def test_the_broker_gives_the_will_of_a_killed_service(broker: BrokerSection, tmp_path: Path) -> None:
    async with linked(broker, TOPICS.presences, service=Service.WEB) as reader:
        with Program(another_service(broker), log=tmp_path / "service.log"):
            first = await take(reader, topic=TOPICS.presence(Service.HARDWARE))
            assert decode(first.payload, Presence).up
        assert await take_goodbye(reader, service=Service.HARDWARE) == Presence(up=False)


async def test_what_is_still_queued_goes_out_before_the_goodbye(broker: BrokerSection) -> None:
    async with linked(broker, TOPICS.readings, service=Service.WEB) as reader:
        async with linked(broker) as writer:
            for number in range(50):
                writer.publish(OUTLET, b"%d" % number)
        got = [b""]
        while got[-1] != b"49":
            got.append((await take(reader)).payload)
    # Those on their way when the link was told to stop may come twice.
    assert [int(payload) for payload in dict.fromkeys(got[1:])] == list(range(50))


async def test_a_broker_that_is_there_is_reachable(broker: BrokerSection) -> None:
    await reachable(broker)


async def test_no_broker_is_said_in_one_line(free_port: int) -> None:
    with pytest.raises(BrokerUnreachable) as caught:
        await reachable(BrokerSection(port=free_port))
    assert str(caught.value) == (
        f"no broker answers at 127.0.0.1:{free_port}: Connection refused; "
        "check that it runs and host and port under [broker]"
    )


@pytest.mark.parametrize("host", ["nowhere.invalid", "x" * 80 + ".y"])
async def test_an_impossible_host_is_said_in_one_line(host: str) -> None:
    with pytest.raises(BrokerUnreachable, match=r"^no broker answers at \S+: [^\n]+$"):
        await reachable(BrokerSection(host=host))


async def test_a_frozen_broker_is_not_waited_for(mosquitto: BrokerProgram) -> None:
    mosquitto.freeze()
    try:
        with pytest.raises(BrokerUnreachable, match="no broker answers"):
            async with asyncio.timeout(5):
                await reachable(mosquitto.section)
    finally:
        mosquitto.thaw()


async def test_an_unreadable_password_file_is_said_in_one_line(free_port: int, tmp_path: Path) -> None:
    missing = BrokerSection(port=free_port, username="monitor", password_file=tmp_path / "none")
    with pytest.raises(BrokerUnreachable, match=r"^password_file \S+none cannot be read: No such file"):
        await reachable(missing)


@pytest.mark.parametrize(
    ("topic", "size"), [(OUTLET, LARGEST_PAYLOAD + 1), ("niterwatch/+/status", 1), ("", 1), ("a\0b", 1)]
)
async def test_what_would_cost_the_connection_is_refused_at_once(topic: str, size: int) -> None:
    link = BrokerLink(BrokerSection(), topics=TOPICS, service=Service.WEB, clock=SystemClock())
    with pytest.raises(PayloadRefused):
        link.publish(topic, b"x" * size)


async def test_the_largest_payload_fits(broker: BrokerSection) -> None:
    async with linked(broker, TOPICS.readings) as link:
        link.publish(OUTLET, b"x" * LARGEST_PAYLOAD)
        assert len((await take(link)).payload) == LARGEST_PAYLOAD
