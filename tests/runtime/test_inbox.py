"""What waits to be read: in order, bounded, and fair when one topic floods."""

from __future__ import annotations

import asyncio

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.runtime.inbox import Inbox, Message


def message(topic: str, number: int) -> Message:
    return Message(topic, b"%d" % number, retain=False)


async def drained(inbox: Inbox) -> list[Message]:
    """Return everything that is kept, oldest first."""
    got = []
    try:
        async with asyncio.timeout(0.01):
            while True:
                got.append(await inbox.take())
    except TimeoutError:
        return got


async def test_messages_come_out_in_the_order_they_went_in() -> None:
    inbox = Inbox(limit=10)
    sent = [message(f"t{number % 3}", number) for number in range(10)]
    for each in sent:
        inbox.keep(each)
    assert await drained(inbox) == sent
    assert inbox.dropped == 0


async def test_a_flood_on_one_topic_never_costs_a_message_on_another() -> None:
    inbox = Inbox(limit=100)
    commands = [message("command/mark", number) for number in range(5)]
    for number in range(10_000):
        inbox.keep(message("reading/outlet", number))
        if number % 2000 == 0:
            inbox.keep(commands[number // 2000])
    got = await drained(inbox)
    assert [each for each in got if each.topic == "command/mark"] == commands
    assert got[-1] == message("reading/outlet", 9999)
    assert len(got) <= 100
    assert inbox.dropped + len(got) == 10_005


async def test_more_topics_than_room_drop_the_oldest() -> None:
    inbox = Inbox(limit=100)
    for number in range(1000):
        inbox.keep(message(f"reply/{number:08x}", number))
    assert [int(each.payload) for each in await drained(inbox)] == list(range(900, 1000))
    assert inbox.dropped == 900


async def test_taking_waits_for_the_next_message() -> None:
    inbox = Inbox()
    taking = asyncio.create_task(inbox.take())
    await asyncio.sleep(0)
    assert not taking.done()
    inbox.keep(message("status", 1))
    assert await taking == message("status", 1)


@pytest.mark.parametrize("limit", [1, 3, 8])
@given(topics=st.lists(st.sampled_from("abcde"), max_size=60))
def test_bounded_counted_ordered_and_newest_per_topic(limit: int, topics: list[str]) -> None:
    async def play() -> tuple[list[Message], int]:
        inbox = Inbox(limit=limit)
        for number, topic in enumerate(topics):
            inbox.keep(message(topic, number))
        kept = []
        while len(kept) + inbox.dropped < len(topics):
            kept.append(await inbox.take())
        return kept, inbox.dropped

    kept, dropped = asyncio.run(play())
    numbers = [int(each.payload) for each in kept]
    assert len(kept) <= limit
    assert numbers == sorted(numbers)
    assert len(kept) + dropped == len(topics)
    if topics:
        assert numbers[-1] == len(topics) - 1
    if len(set(topics)) <= limit:
        newest = {topic: number for number, topic in enumerate(topics)}
        assert set(newest.values()) <= set(numbers)
