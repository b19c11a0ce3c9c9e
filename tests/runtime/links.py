"""Links under test, and a relay that can cut or deafen the line between them and the broker."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress

from monitor.contract.payloads import decode
from monitor.contract.presence import Presence, Service
from monitor.contract.readings import Point
from monitor.contract.topics import Topics
from monitor.runtime.broker import BrokerLink, Message
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import BrokerSection

TOPICS = Topics("main")
OUTLET = TOPICS.reading(Point.OUTLET)
LINE = TOPICS.reading(Point.LINE)


@asynccontextmanager
async def linked(
    settings: BrokerSection,
    *subscriptions: str,
    service: Service = Service.MONITOR,
    speed: float = 1.0,
    wait: bool = True,
) -> AsyncIterator[BrokerLink]:
    """Run a link in a task until the block ends; ``wait`` for its first connection."""
    link = BrokerLink(
        settings, topics=TOPICS, service=service, clock=SystemClock(speed=speed), subscriptions=subscriptions
    )
    task = asyncio.create_task(link.run())
    try:
        if wait:
            async with asyncio.timeout(10):
                await link.connected_once.wait()
        yield link
    finally:
        task.cancel()
        await asyncio.wait({task}, timeout=10)
        assert task.cancelled(), f"the link did not leave when told: {task}"


async def take(link: BrokerLink, *, topic: str = OUTLET, within_s: float = 10.0) -> Message:
    """Return the next message on ``topic``."""
    async with asyncio.timeout(within_s):
        async for message in link.messages():
            if message.topic == topic:
                return message
    raise AssertionError


async def take_goodbye(link: BrokerLink, *, service: Service) -> Presence:
    """Return the first word that ``service`` is not up."""
    while (word := decode((await take(link, topic=TOPICS.presence(service))).payload, Presence)).up:
        pass
    return word


async def hold(condition: Callable[[], object], *, within_s: float) -> float:
    """Wait until ``condition`` holds; return how long it took [s]."""
    began_s = time.monotonic()
    async with asyncio.timeout(within_s):
        while not condition():  # noqa: ASYNC110 - other processes change it; no event tells
            await asyncio.sleep(0.005)
    return time.monotonic() - began_s


_SERVICE = """
import asyncio, sys
from monitor.contract.presence import Service
from monitor.contract.topics import Topics
from monitor.runtime.broker import BrokerLink
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import BrokerSection

async def serve():
    section = BrokerSection(port=int(sys.argv[1]))
    await BrokerLink(section, topics=Topics("main"), service=Service.HARDWARE, clock=SystemClock()).run()

asyncio.run(serve())
"""


def another_service(section: BrokerSection) -> list[str]:
    """Return the command of a process that is present as the hardware service."""
    return [sys.executable, "-c", _SERVICE, str(section.port)]


class Relay:
    """A port that passes everything on to a broker, until told otherwise."""

    def __init__(self) -> None:
        self.deaf = False
        """When true, what the broker says is swallowed."""
        self.connections = 0
        self.port = 0
        self._open: set[asyncio.StreamWriter] = set()

    @property
    def section(self) -> BrokerSection:
        """Settings that lead through the relay."""
        return BrokerSection(port=self.port)

    def cut(self) -> None:
        """Reset every connection."""
        for writer in self._open:
            writer.transport.abort()

    async def attend(self, client: tuple[asyncio.StreamReader, asyncio.StreamWriter], *, port: int) -> None:
        """Pass bytes on between ``client`` and the broker on ``port``."""
        self.connections += 1
        broker = await asyncio.open_connection("127.0.0.1", port)
        writers = {client[1], broker[1]}
        self._open |= writers
        passing = [
            asyncio.create_task(self._pass_on(client[0], broker[1], may_be_deaf=False)),
            asyncio.create_task(self._pass_on(broker[0], client[1], may_be_deaf=True)),
        ]
        try:
            await asyncio.wait(passing, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for task in passing:
                task.cancel()
            for writer in writers:
                writer.transport.abort()
            await asyncio.gather(*passing, return_exceptions=True)
            self._open -= writers

    async def _pass_on(
        self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, *, may_be_deaf: bool
    ) -> None:
        with suppress(ConnectionError):
            while data := await source.read(65536):
                if not (may_be_deaf and self.deaf):
                    sink.write(data)
                    await sink.drain()


@asynccontextmanager
async def relay(section: BrokerSection) -> AsyncIterator[Relay]:
    """Run a relay before the broker of ``section``."""
    between = Relay()
    attending: set[asyncio.Task[None]] = set()

    async def attend(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(between.attend((reader, writer), port=section.port))
        attending.add(task)
        task.add_done_callback(attending.discard)

    server = await asyncio.start_server(attend, "127.0.0.1", 0)
    between.port = server.sockets[0].getsockname()[1]
    try:
        yield between
    finally:
        server.close()
        between.cut()
        await asyncio.gather(*attending, return_exceptions=True)
