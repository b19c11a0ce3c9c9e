"""An answer that comes behind a queue's burst is waited for; one that a silent broker owes is not."""

from __future__ import annotations

import asyncio
import time

import aiomqtt
import pytest

from monitor.runtime import broker
from monitor.runtime.inbox import Inbox, Message

ANSWER_S = 0.2
BURST_S = 4 * ANSWER_S


@pytest.fixture(autouse=True)
def impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(broker, "ANSWER_S", ANSWER_S)


async def burst(inbox: Inbox, answer: asyncio.Future[str] | None) -> None:
    """Have messages come in for a while, and the answer behind them."""
    end_s = time.monotonic() + BURST_S
    while time.monotonic() < end_s:
        inbox.keep(Message("niterwatch/hill-main/reading/outlet", b"1", retain=False))
        await asyncio.sleep(ANSWER_S / 20)
    if answer is not None:
        answer.set_result("taken")


async def test_an_answer_behind_a_burst_is_waited_for() -> None:
    inbox, answer = Inbox(), asyncio.get_running_loop().create_future()
    coming = asyncio.create_task(burst(inbox, answer))
    assert await broker._answered(answer, inbox=inbox) == "taken"
    await coming


async def test_a_broker_that_falls_silent_is_lost_soon_after_its_last_message() -> None:
    inbox, never = Inbox(), asyncio.get_running_loop().create_future()
    coming = asyncio.create_task(burst(inbox, None))
    began_s = time.monotonic()
    with pytest.raises(aiomqtt.MqttError, match="no answer"):
        await broker._answered(never, inbox=inbox)
    assert coming.done()
    assert time.monotonic() - began_s >= BURST_S
    assert never.cancelled()


async def test_what_came_before_the_question_counts_for_nothing() -> None:
    inbox, never = Inbox(), asyncio.get_running_loop().create_future()
    await burst(inbox, None)
    began_s = time.monotonic()
    with pytest.raises(aiomqtt.MqttError, match="no answer"):
        await broker._answered(never, inbox=inbox)
    assert ANSWER_S <= time.monotonic() - began_s < BURST_S


async def test_a_cancelled_question_is_withdrawn() -> None:
    never: asyncio.Future[str] = asyncio.get_running_loop().create_future()
    asking = asyncio.create_task(broker._answered(never, inbox=Inbox()))
    await asyncio.sleep(0)
    asking.cancel()
    with pytest.raises(asyncio.CancelledError):
        await asking
    assert never.cancelled()
