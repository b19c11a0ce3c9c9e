"""One press under watch, its line to the broker taken down, its store a real file."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import cast

import pytest

from monitor.contract.commands import Command, EndArgs, MarkArgs, MarkKind, Reply, StartArgs
from monitor.contract.payloads import decode, encode
from monitor.contract.status import RunStatus
from monitor.press_watch import STATUS_LEAVES_S, PressWatch, Room
from monitor.runtime.broker import BrokerLink, Message
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import load
from monitor.trace.reader import TraceReader
from monitor.trace.store import TraceWriter


@dataclass
class Line:
    """Takes down what is published, in its order."""

    sent: list[tuple[str, bytes]] = field(default_factory=list)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.sent.append((topic.rpartition("main/")[2], payload))

    @property
    def topics(self) -> list[str]:
        return [topic for topic, _ in self.sent]


@dataclass
class Watched:
    """A press under watch and what became of it."""

    watch: PressWatch
    line: Line
    writer: TraceWriter
    url: str
    replies: list[Reply] = field(default_factory=list)

    def ask(self, *all_args: StartArgs | EndArgs | MarkArgs) -> None:
        """Hand the press a command after the other, with no turn of the loop between them."""
        for number, args in enumerate(all_args):
            command = Command(id=f"{number:08x}", who="Ada", args=args)
            topic = self.watch.topics.command(args.verb)
            self.watch.hear(Message(topic, encode(command), retain=False))

    async def settled(self) -> None:
        await asyncio.sleep(20 * STATUS_LEAVES_S)


@pytest.fixture
async def watched(tmp_path: Path) -> AsyncIterator[Watched]:
    url, line, replies = f"sqlite:///{tmp_path / 'runs.db'}", Line(), list[Reply]()
    writer = TraceWriter(url, software="0.1.0")
    writer.open()
    room = Room(
        clock=SystemClock(),
        link=cast("BrokerLink", line),
        writer=writer,
        store_url=url,
        software="0.1.0",
        invented=True,
        looking_back=asyncio.Semaphore(1),
        answer=lambda _, reply: replies.append(reply),
    )
    watch = PressWatch(load().each()[0], room=room)
    await watch.open()
    yield Watched(watch, line, writer, url, replies)
    watch.close()
    writer.close()


async def test_the_status_that_tells_a_change_leaves_before_all_the_rest(watched: Watched) -> None:
    watched.ask(StartArgs())
    assert watched.line.topics == ["status"]
    status = decode(watched.line.sent[0][1], RunStatus)
    assert status.run is not None
    assert not watched.replies
    await watched.settled()
    assert set(watched.line.topics[1:]) == {"event"}
    assert [reply.done for reply in watched.replies] == [True]


async def test_what_follows_at_once_finds_all_done_that_came_before(watched: Watched) -> None:
    watched.ask(StartArgs(), MarkArgs(mark=MarkKind.STIRRED), EndArgs())
    # All but the rest of the last is seen to, in its order.
    assert [reply.id for reply in watched.replies] == ["00000000", "00000001"]
    await watched.settled()
    assert all(reply.done for reply in watched.replies)
    assert len(watched.replies) == 3


async def test_a_watch_that_ends_at_once_still_keeps_what_came_last(watched: Watched) -> None:
    watched.ask(StartArgs())
    watched.watch.close()
    watched.writer.flush()
    assert len(TraceReader(watched.url).runs()) == 1
    assert [reply.done for reply in watched.replies] == [True]
