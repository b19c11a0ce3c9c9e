"""The demo's broker, inside this process."""

from __future__ import annotations

import asyncio
import logging
import socket
import subprocess
import sys
import time
from pathlib import Path

import pytest

from monitor.contract.errors import AddressInUse, BrokerUnreachable
from monitor.contract.presence import Service
from monitor.runtime.broker import reachable
from monitor.runtime.embedded_broker import embedded_broker
from monitor.runtime.settings import BrokerSection
from tests.runtime.links import OUTLET, TOPICS, linked, take

pytestmark = pytest.mark.broker


async def test_it_serves_links_in_the_same_loop() -> None:
    async with embedded_broker() as port:
        section = BrokerSection(port=port)
        async with (
            linked(section, TOPICS.readings) as monitor,
            linked(section, service=Service.HARDWARE) as hardware,
        ):
            hardware.publish(OUTLET, b"84.6")
            assert (await take(monitor)).payload == b"84.6"


async def test_it_listens_on_loopback_only() -> None:
    async with embedded_broker() as port:
        ours = [line.split() for line in open_sockets() if int(line.split()[1].split(":")[1], 16) == port]
        listening = [fields[1] for fields in ours if fields[3] == "0A"]
        assert listening == [f"0100007F:{port:04X}"], "127.0.0.1 as /proc/net/tcp spells it"


def open_sockets() -> list[str]:
    """Return the lines of the kernel's own tables."""
    lines: list[str] = []
    for table in ("tcp", "tcp6"):
        lines += Path(f"/proc/net/{table}").read_text().splitlines()[1:]
    return lines


async def test_it_takes_the_port_it_is_given(free_port: int) -> None:
    async with embedded_broker(port=free_port) as port:
        assert port == free_port
        await reachable(BrokerSection(port=port))


async def test_a_taken_port_is_said_in_one_line() -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(AddressInUse) as caught:
            async with embedded_broker(port=port):
                pass
    assert str(caught.value) == (
        f"port {port} is taken: stop the other broker, or choose another with --set broker.port=…"
    )


async def test_it_leaves_nothing_behind() -> None:
    before = asyncio.all_tasks()
    async with embedded_broker() as port:
        section = BrokerSection(port=port)
        async with linked(section, TOPICS.readings) as link:
            link.publish(OUTLET, b"1")
            await take(link)
    await asyncio.sleep(0)
    assert asyncio.all_tasks() == before
    with pytest.raises(BrokerUnreachable, match="Connection refused"):
        await reachable(section)


async def test_it_ends_at_once_while_clients_are_connected() -> None:
    async with embedded_broker() as port, asyncio.timeout(10):
        reader, writer = await asyncio.open_connection("127.0.0.1", port)
        link = linked(BrokerSection(port=port), wait=True)
        await link.__aenter__()
        began_s = time.monotonic()
    try:
        assert time.monotonic() - began_s < 2.0
        assert await reader.read() == b"", "the broker hung up"
    finally:
        writer.close()
        await link.__aexit__(None, None, None)


async def test_the_same_process_can_run_it_twice() -> None:
    for _ in range(2):
        async with embedded_broker() as port:
            await reachable(BrokerSection(port=port))


async def test_it_logs_nothing_of_its_own(caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.DEBUG):
        async with embedded_broker() as port:
            _, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write(b"GET / HTTP/1.1\r\n\r\n")
            await writer.drain()
            writer.close()
            await reachable(BrokerSection(port=port))
    talkers = {record.name.split(".")[0] for record in caplog.records}
    assert not talkers & {"amqtt", "transitions"}


def test_without_the_extra_it_says_what_to_install() -> None:
    script = (
        "import asyncio, sys\n"
        "sys.modules['amqtt'] = sys.modules['amqtt.broker'] = None\n"
        "from monitor.contract.errors import NiterwatchError\n"
        "from monitor.runtime.embedded_broker import embedded_broker\n"
        "async def start():\n"
        "    async with embedded_broker():\n"
        "        pass\n"
        "try:\n"
        "    asyncio.run(start())\n"
        "except NiterwatchError as error:\n"
        "    sys.exit(str(error))\n"
    )
    ran = subprocess.run(
        [sys.executable, "-W", "error", "-c", script], capture_output=True, text=True, timeout=30, check=False
    )
    assert ran.stderr == (
        "the broker inside the demo is not installed: pip install 'niterwatch[demo]', "
        "or start mosquitto and use the services\n"
    )
