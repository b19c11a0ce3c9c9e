"""The page as a service, over each real broker: to the phone, from the phone, and its end."""

from __future__ import annotations

import asyncio
import json
import socket
import time
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path

import httpx
import pytest

from monitor.contract.commands import Command, Reply
from monitor.contract.errors import AddressInUse, SettingsError
from monitor.contract.payloads import decode, encode
from monitor.contract.presence import Service
from monitor.contract.status import RunStatus
from monitor.contract.topics import Topics, levels
from monitor.runtime.broker import BrokerLink
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import BrokerSection, Settings, load
from web.page import PARTS
from web.security import DeviceCode
from web.service import listen, serve

pytestmark = pytest.mark.broker
TOPICS = Topics("main")


def settings_for(broker: BrokerSection, *, port: int, store_url: str, folder: Path) -> Settings:
    settings = load()
    web = settings.web.model_copy(
        update={"host": "127.0.0.1", "port": port, "code_file": folder / "device-code"}
    )
    store = settings.store.model_copy(update={"url": store_url})
    return settings.model_copy(update={"broker": broker, "web": web, "store": store})


@pytest.fixture
def settings(broker: BrokerSection, free_port: int, store_url: str, tmp_path: Path) -> Settings:
    return settings_for(broker, port=free_port, store_url=store_url, folder=tmp_path)


@asynccontextmanager
async def served(settings: Settings, code: DeviceCode) -> AsyncIterator[asyncio.Task[None]]:
    ready = asyncio.Event()
    task = asyncio.create_task(serve(settings, clock=SystemClock(), code=code, ready=ready.set))
    await asyncio.wait(
        {task, waiting := asyncio.create_task(ready.wait())}, return_when=asyncio.FIRST_COMPLETED
    )
    waiting.cancel()
    try:
        yield task
    finally:
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)


@asynccontextmanager
async def monitor(broker: BrokerSection) -> AsyncIterator[BrokerLink]:
    """Give the monitor's end of the line."""
    link = BrokerLink(
        broker, topics=TOPICS, service=Service.MONITOR, clock=SystemClock(), subscriptions=(TOPICS.commands,)
    )
    task = asyncio.create_task(link.run())
    await asyncio.wait_for(link.connected_once.wait(), 10)
    yield link
    task.cancel()
    await asyncio.gather(task, return_exceptions=True)


def address(settings: Settings) -> str:
    return f"http://127.0.0.1:{settings.web.port}"


async def heard_on_stream(client: httpx.AsyncClient, wanted: str) -> str:
    async with client.stream("GET", "/live/main") as stream:
        async for line in stream.aiter_lines():
            if wanted in line:
                return line
    pytest.fail("the stream ended")


async def test_a_status_on_the_broker_reaches_an_open_stream(
    settings: Settings, device_code: tuple[str, DeviceCode], states: dict[str, RunStatus]
) -> None:
    async with (
        monitor(settings.broker) as link,
        served(settings, device_code[1]),
        httpx.AsyncClient(base_url=address(settings), timeout=10) as client,
    ):
        hearing = asyncio.create_task(heard_on_stream(client, "Ready to bottle"))
        for seq in range(2000, 2100):
            link.publish(TOPICS.status, encode(states["ready"].model_copy(update={"seq": seq})), retain=True)
            await asyncio.wait({hearing}, timeout=0.1)
            if hearing.done():
                break
        assert '"mood":"ready"' in (await hearing).replace(" ", "")


async def test_a_stream_tells_every_part_once_and_then_those_that_changed(
    settings: Settings, device_code: tuple[str, DeviceCode], states: dict[str, RunStatus]
) -> None:
    told = [
        states[name].model_copy(update={"seq": 3000 + number})
        for number, name in enumerate(("ready", "ready", "over"))
    ]
    heard: list[dict[str, str]] = []
    async with (
        monitor(settings.broker) as link,
        served(settings, device_code[1]),
        httpx.AsyncClient(base_url=address(settings), timeout=10) as client,
        client.stream("GET", "/live/main") as stream,
    ):
        async for line in stream.aiter_lines():
            if line.startswith("data:"):
                heard.append(json.loads(line.removeprefix("data:"))["parts"])
                if not told:
                    break
                link.publish(TOPICS.status, encode(told.pop(0)), retain=True)
    never_heard, ready, ready_still, over = heard
    assert set(never_heard) == set(PARTS)
    assert "Ready to bottle" in ready["sentence"]
    assert not {"sentence", "window", "stack", "prompts"} & set(ready_still)
    assert {"sentence", "outlet", "window"} <= set(over)


async def test_a_kept_status_alone_never_looks_live(
    settings: Settings, device_code: tuple[str, DeviceCode], states: dict[str, RunStatus]
) -> None:
    async with monitor(settings.broker) as link:
        link.publish(TOPICS.status, encode(states["ready"]), retain=True)
    async with (
        served(settings, device_code[1]),
        httpx.AsyncClient(base_url=address(settings), timeout=10) as client,
    ):
        line = await asyncio.wait_for(heard_on_stream(client, "No data since"), 10)
        assert "Ready to bottle" not in line
        assert "Ready to bottle" not in (await client.get("/")).text


async def test_an_act_on_a_phone_is_answered_by_the_monitor(
    settings: Settings, device_code: tuple[str, DeviceCode]
) -> None:
    text, code = device_code

    async def obey(link: BrokerLink) -> None:
        async for message in link.messages():
            command = decode(message.payload, Command)
            assert levels(message.topic) == ("main", "command", "end")
            link.publish(TOPICS.reply(command.id), encode(Reply(id=command.id, done=True)))

    async with (
        monitor(settings.broker) as link,
        served(settings, code),
        httpx.AsyncClient(base_url=address(settings), timeout=10) as client,
    ):
        obeying = asyncio.create_task(obey(link))
        async with asyncio.timeout(10):
            while (
                answer := await client.post("/press/main/act/end", json={}, headers={"X-Device-Code": text})
            ).status_code == 503:
                pass
        obeying.cancel()
        assert answer.json() == {"outcome": "done", "said": "Done: run ended."}


async def test_open_streams_do_not_hold_the_service_up_when_it_stops(
    settings: Settings, device_code: tuple[str, DeviceCode]
) -> None:
    async with (
        httpx.AsyncClient(base_url=address(settings), timeout=10) as client,
        served(settings, device_code[1]) as task,
    ):
        opened = [asyncio.Event() for _ in range(20)]

        async def stay(opened: asyncio.Event) -> None:
            async with client.stream("GET", "/live/main") as stream:
                async for _ in stream.aiter_lines():
                    opened.set()

        viewers = [asyncio.create_task(stay(event)) for event in opened]
        await asyncio.wait_for(asyncio.gather(*(event.wait() for event in opened)), 10)
        began_s = time.monotonic()
        task.cancel()
        await asyncio.gather(task, return_exceptions=True)
        assert time.monotonic() - began_s < 2.0
        await asyncio.gather(*viewers, return_exceptions=True)


def test_a_taken_port_is_one_clear_line(free_port: int) -> None:
    section = load().web.model_copy(update={"host": "127.0.0.1", "port": free_port})
    with socket.create_server(("127.0.0.1", free_port)), pytest.raises(AddressInUse) as refusal:
        listen(section)
    assert str(free_port) in str(refusal.value)
    assert "web.port" in str(refusal.value)
    assert "\n" not in str(refusal.value)


def test_an_address_that_is_not_ours_is_one_clear_line(free_port: int) -> None:
    section = load().web.model_copy(update={"host": "192.0.2.1", "port": free_port})
    with pytest.raises(SettingsError, match=r"192\.0\.2\.1"):
        listen(section)


async def test_systemd_is_told_that_the_page_is_up_and_alive(
    settings: Settings, device_code: tuple[str, DeviceCode], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # sd_notify(3): datagrams of KEY=value to the socket that NOTIFY_SOCKET names.
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as systemd:
        systemd.bind(str(tmp_path / "notify"))
        systemd.setblocking(False)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        monkeypatch.setenv("WATCHDOG_USEC", "200000")
        loop = asyncio.get_running_loop()
        async with served(settings, device_code[1]):
            told = {await asyncio.wait_for(loop.sock_recv(systemd, 100), 10) for _ in range(2)}
    assert told == {b"READY=1", b"WATCHDOG=1"}
