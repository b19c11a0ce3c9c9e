"""The queue of what is to be sent, over publishes that end when the test says so."""

from __future__ import annotations

import asyncio

import pytest

from monitor.runtime.inbox import Message
from monitor.runtime.outbox import IN_FLIGHT_LIMIT, Outbox


class Line:
    """Takes messages and answers each when told to."""

    def __init__(self) -> None:
        self.taken: list[bytes] = []
        self.answers: list[asyncio.Future[None]] = []

    async def publish(self, message: Message) -> None:
        """Take ``message``; end when it is answered."""
        self.taken.append(message.payload)
        self.answers.append(asyncio.get_running_loop().create_future())
        await self.answers[-1]


def plain(number: int) -> Message:
    return Message("a", b"%d" % number, retain=False)


async def settle() -> None:
    for _ in range(5):
        await asyncio.sleep(0)


async def test_a_few_are_on_their_way_at_once_and_in_order() -> None:
    outbox, line = Outbox(), Line()
    for number in range(IN_FLIGHT_LIMIT + 5):
        outbox.put(plain(number))
    sending = asyncio.create_task(outbox.send(line.publish))
    await settle()
    assert line.taken == [b"%d" % number for number in range(IN_FLIGHT_LIMIT)]
    while not sending.done():
        next(answer for answer in line.answers if not answer.done()).set_result(None)
        await settle()
    assert line.taken == [b"%d" % number for number in range(IN_FLIGHT_LIMIT + 5)]
    assert len(outbox) == 0


async def test_what_was_not_answered_stays_first_in_line() -> None:
    outbox, line = Outbox(), Line()
    for number in range(4):
        outbox.put(plain(number))
    sending = asyncio.create_task(outbox.send(line.publish))
    await settle()
    line.answers[0].set_result(None)
    await settle()
    line.answers[1].set_exception(OSError("gone"))
    with pytest.raises(OSError, match="gone"):
        await sending
    outbox.put(plain(4))
    again = Line()
    sending = asyncio.create_task(outbox.send(again.publish))
    await settle()
    assert again.taken == [b"1", b"2", b"3", b"4"]
    for answer in again.answers:
        answer.set_result(None)
    await sending


async def test_a_cancelled_sending_began_in_order_or_not_at_all() -> None:
    outbox, line = Outbox(), Line()
    for number in range(4):
        outbox.put(plain(number))
    sending = asyncio.create_task(outbox.send(line.publish))
    await asyncio.sleep(0)
    sending.cancel()
    with pytest.raises(asyncio.CancelledError):
        await sending
    assert line.taken in ([], [b"0", b"1", b"2", b"3"])
    assert len(outbox) == 4


def test_only_the_newest_of_a_retained_topic_waits_and_in_the_place_of_its_forerunner() -> None:
    outbox = Outbox(limit=3)
    outbox.put(Message("kept", b"old", retain=True))
    outbox.put(plain(1))
    outbox.put(Message("kept", b"new", retain=True))
    assert [message.payload for message in outbox._waiting.values()] == [b"new", b"1"]
    assert outbox.dropped == 0


def test_a_full_queue_drops_its_oldest_and_counts() -> None:
    outbox = Outbox(limit=2)
    for number in range(5):
        outbox.put(plain(number))
    assert [message.payload for message in outbox._waiting.values()] == [b"3", b"4"]
    assert outbox.dropped == 3
