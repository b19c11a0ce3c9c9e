"""The line to the broker: reconnects by itself, keeps order, stays bounded, says it is there.

The only importer of ``aiomqtt`` (which asyncio-mqtt was renamed to). Wills of brokers
differ, so presence rests on heartbeats; the will only makes a loss known sooner.
A publish that was on its way when the connection broke is sent again, so a reader may
see it twice: it tells by ``seq``.
"""

from __future__ import annotations

import asyncio
import logging
import math
import random
import re
import socket
import time
import uuid
from collections.abc import AsyncIterator, Awaitable, Iterator, Sequence
from contextlib import asynccontextmanager
from functools import partial
from pathlib import Path
from typing import TypeVar

import aiomqtt

from monitor.contract.commands import Command, Reply
from monitor.contract.errors import BrokerUnreachable, PayloadRefused
from monitor.contract.payloads import decode, encode
from monitor.contract.presence import HEARTBEAT_S, Presence, Service
from monitor.contract.topics import Topics
from monitor.contract.wire import STATUS_LIMIT
from monitor.runtime.clock import Clock
from monitor.runtime.inbox import INBOX_LIMIT, Inbox, Message
from monitor.runtime.outbox import OUTBOX_LIMIT, Outbox
from monitor.runtime.settings import BrokerSection

KEEPALIVE_S = 5
"""A broker hears from a silent client at least this often."""
ANSWER_S = 3.0
"""A broker that takes longer to answer counts as lost; on loopback it answers in milliseconds."""
RETRY_FIRST_S = 0.2
RETRY_LONGEST_S = 3.0
"""Longest wait between two tries, so that a returned broker is found within 5 s."""
STEADY_S = 5.0
"""A connection that held this long makes the next retry quick again."""
GOODBYE_S = 1.0
"""Longest a stopping service spends on what it still has to send."""
GRACE_S = 0.2
"""Time a connection under way is given to come about before it is given up."""
OUTBOX_OF_A_PRESS, INBOX_OF_A_PRESS = 60, 20
"""What each of many presses needs of the queues, where that is more than they have for one."""
QOS = 1
LARGEST_PAYLOAD = STATUS_LIMIT
"""Bytes; more is neither sent nor kept."""
BROKEN_OFF = "Disconnected during message iteration"
"""How aiomqtt says that a connection was lost."""
REFUSED_SUBSCRIPTION = 0x80
"""Return code of MQTT 3.1.1, section 3.9.3."""

__all__ = ["BrokerLink", "Message", "ask", "reachable"]

_log = logging.getLogger(__name__)
Answer = TypeVar("Answer")


class BrokerLink:
    """One service's line to the broker; used from the event loop's own thread only.

    ``topics`` are the presses it speaks for, at least one. ``clock`` paces the heartbeats and
    must be one that really waits.
    """

    def __init__(
        self,
        settings: BrokerSection,
        *,
        topics: Topics | Sequence[Topics],
        service: Service,
        clock: Clock,
        subscriptions: Sequence[str] = (),
    ) -> None:
        presses = (topics,) if isinstance(topics, Topics) else tuple(topics)
        self._settings = settings
        self._presence_topics = tuple(each.presence(service) for each in presses)
        self._clock = clock
        self._subscriptions = tuple(subscriptions)
        self._name = f"niterwatch-{service}-{uuid.uuid4().hex[:8]}"
        self._inbox = Inbox(limit=max(INBOX_LIMIT, INBOX_OF_A_PRESS * len(presses)))
        self._outbox = Outbox(limit=max(OUTBOX_LIMIT, OUTBOX_OF_A_PRESS * len(presses)))
        self._heartbeat_seq = 0
        self._connected = False
        self._trouble: str | None = None
        self.complaint: str | None = None
        """What this service says is wrong with it (200 characters at most), in every heartbeat."""
        self.connected_once = asyncio.Event()

    @property
    def connected(self) -> bool:
        """Whether the broker answers and every subscription is made."""
        return self._connected

    @property
    def dropped(self) -> int:
        """Messages lost to full queues, out and in, since the start."""
        return self._outbox.dropped + self._inbox.dropped

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Queue ``payload`` for ``topic``; when the queue is full the oldest is dropped and counted.

        A retained message takes the place of one that still waits on its topic: the broker keeps the newest.
        Raises :class:`PayloadRefused` for what the broker would cut the connection over.
        """
        if len(payload) > LARGEST_PAYLOAD:
            raise PayloadRefused(f"payload of {len(payload)} bytes is over {LARGEST_PAYLOAD}")
        if not topic or set(topic) & set("+#\0"):
            raise PayloadRefused(f"topic {topic[:80]!r} cannot be published to")
        self._outbox.put(Message(topic, payload, retain))

    async def messages(self) -> AsyncIterator[Message]:
        """Yield what arrives, over all reconnections; for one reader.

        A payload over the limit comes cut to one byte more than that, for the codec to refuse.
        """
        while True:
            yield await self._inbox.take()

    async def run(self) -> None:
        """Keep the connection for ever; cancel to say goodbye and leave."""
        loop = asyncio.get_running_loop()
        delays = _retry_delays()
        while True:
            began_s = loop.time()
            try:
                await self._connection()
            except (aiomqtt.MqttError, BrokerUnreachable) as error:
                self._report_lost(_why(error))
            if loop.time() - began_s > STEADY_S + ANSWER_S:
                delays = _retry_delays()
            await asyncio.sleep(next(delays))

    async def _connection(self) -> None:
        """Hold one connection until it is lost, then raise."""
        will = aiomqtt.Will(self._presence_topics[0], encode(Presence(up=False)), QOS, retain=True)
        async with _connected(self._settings, name=self._name, will=will, inbox=self._inbox) as client:
            for topic in self._subscriptions:
                await self._subscribe(client, topic)
            self._report_back()
            try:
                await self._converse(client)
            except asyncio.CancelledError:
                await self._say_goodbye(client)
                raise
            finally:
                self._connected = False

    async def _converse(self, client: aiomqtt.Client) -> None:
        """Run the three sides of a connection until one fails; raise its error.

        No TaskGroup: on Python 3.11 one that fails late leaves its parent marked as cancelled.
        """
        sides = [
            asyncio.create_task(_until_lost(client), name="broker watch"),
            asyncio.create_task(
                self._outbox.send_all(partial(_publish, client, inbox=self._inbox)), name="broker send"
            ),
            asyncio.create_task(self._beat(client), name="broker heartbeat"),
        ]
        try:
            await asyncio.wait(sides, return_when=asyncio.FIRST_COMPLETED)
        finally:
            for side in sides:
                side.cancel()
            await asyncio.wait(sides)
        raise next(error for side in sides if not side.cancelled() and (error := side.exception()))

    async def _subscribe(self, client: aiomqtt.Client, topic: str) -> None:
        codes = await _answered(client.subscribe(topic, qos=QOS, timeout=math.inf), inbox=self._inbox)
        if any((code if isinstance(code, int) else code.value) >= REFUSED_SUBSCRIPTION for code in codes):
            _log.error("the broker refuses the subscription to %s: check its access list", topic)

    async def _beat(self, client: aiomqtt.Client) -> None:
        while True:
            await self._show_presence(client, up=True)
            await self._clock.sleep(HEARTBEAT_S)

    async def _show_presence(self, client: aiomqtt.Client, *, up: bool) -> None:
        heartbeat = Presence(up=up, seq=self._heartbeat_seq, boot=self._clock.boot, trouble=self.complaint)
        self._heartbeat_seq += 1
        payload = encode(heartbeat)
        for topic in self._presence_topics:
            await _publish(client, Message(topic, payload, retain=True), inbox=self._inbox)

    async def _say_goodbye(self, client: aiomqtt.Client) -> None:
        try:
            async with asyncio.timeout(GOODBYE_S):
                await self._outbox.send(partial(_publish, client))
                await self._show_presence(client, up=False)
        except (aiomqtt.MqttError, TimeoutError) as error:
            _log.warning("left the broker with %d messages unsent: %s", len(self._outbox), _why(error))

    def _report_back(self) -> None:
        self._connected = True
        self.connected_once.set()
        if self._trouble is not None:
            _log.warning("the broker at %s is back", _address(self._settings))
        self._trouble = None

    def _report_lost(self, why: str) -> None:
        """Log one line when the trouble starts or changes, not at every retry."""
        if why != self._trouble:
            _log.warning("no broker at %s: %s; retrying", _address(self._settings), why)
        self._trouble = why


async def reachable(settings: BrokerSection) -> None:
    """Return when the broker lets this program in; raise :class:`BrokerUnreachable` otherwise."""
    async with _visit(settings, purpose="check"):
        return


async def ask(settings: BrokerSection, *, topics: Topics, command: Command) -> Reply:
    """Return the running monitor's answer to ``command``.

    Raises :class:`BrokerUnreachable` if the broker or the monitor does not answer, and
    :class:`PayloadRefused` for a command that no message holds.
    """
    inbox = Inbox()
    reply, payload = topics.reply(command.id), encode(command)
    try:
        async with _visit(settings, purpose="ask", inbox=inbox) as client:
            await _answered(client.subscribe(reply, qos=QOS))
            await _publish(client, Message(topics.command(command.verb), payload, False))
            async with asyncio.timeout(ANSWER_S):
                # The embedded broker hands out kept messages of other topics, too.
                while (message := await inbox.take()).topic != reply:
                    pass
                return decode(message.payload, Reply)
    except TimeoutError:
        raise BrokerUnreachable(
            f"no monitor of this press answers at {_address(settings)}: "
            "check that it runs, press.name, and that this account may ask it"
        ) from None


@asynccontextmanager
async def _visit(
    settings: BrokerSection, *, purpose: str, inbox: Inbox | None = None
) -> AsyncIterator[aiomqtt.Client]:
    """Yield a client for one errand; what the broker says no to is one line."""
    try:
        async with _connected(
            settings, name=f"niterwatch-{purpose}-{uuid.uuid4().hex[:8]}", inbox=inbox
        ) as client:
            yield client
    except aiomqtt.MqttCodeError as error:
        raise BrokerUnreachable(
            f"the broker at {_address(settings)} refuses: {_why(error)}; "
            "check username and password_file under [broker] and the broker's accounts"
        ) from None
    except aiomqtt.MqttError as error:
        raise BrokerUnreachable(
            f"no broker answers at {_address(settings)}: {_why(error)}; "
            "check that it runs and host and port under [broker]"
        ) from None


@asynccontextmanager
async def _connected(
    settings: BrokerSection, *, name: str, will: aiomqtt.Will | None = None, inbox: Inbox | None = None
) -> AsyncIterator[aiomqtt.Client]:
    """Yield a new client that is connected: one that failed once can stay locked."""
    client = aiomqtt.Client(
        settings.host,
        settings.port,
        username=settings.username,
        password=_password(settings.password_file),
        identifier=name,
        queue_type=_handover(Inbox(limit=1) if inbox is None else inbox),
        will=will,
        clean_session=True,
        timeout=ANSWER_S,
        keepalive=KEEPALIVE_S,
        socket_options=((socket.IPPROTO_TCP, socket.TCP_NODELAY, 1),),
    )
    opening = asyncio.create_task(client.__aenter__(), name="broker connect")
    try:
        # Not awaited outright: on Python 3.11 a timeout inside can swallow our own cancellation.
        await asyncio.wait({opening})
        try:
            opening.result()
        except UnicodeError:
            raise aiomqtt.MqttError("the host is no possible name") from None
        yield client
    finally:
        if not opening.done():
            # The thread that connects cannot be interrupted; its socket shows up in a moment.
            await asyncio.wait({opening}, timeout=GRACE_S)
            opening.cancel()
        await _hang_up(client)


def _handover(inbox: Inbox) -> type[asyncio.Queue[aiomqtt.Message]]:
    """Return the queue class that makes aiomqtt hand each message to ``inbox`` at once.

    Its own queue is unbounded, or else loses the newest message, already acknowledged.
    """

    class Handover(asyncio.Queue[aiomqtt.Message]):
        def put_nowait(self, item: aiomqtt.Message) -> None:
            payload = item.payload if isinstance(item.payload, bytes) else b""
            inbox.keep(Message(item.topic.value, payload[: LARGEST_PAYLOAD + 1], item.retain))

    return Handover


async def _until_lost(client: aiomqtt.Client) -> None:
    """Raise when the connection is lost; its queue stays empty, see :func:`_handover`."""
    async for _ in client.messages:
        pass


async def _publish(client: aiomqtt.Client, message: Message, *, inbox: Inbox | None = None) -> None:
    request = client.publish(message.topic, message.payload, qos=QOS, retain=message.retain, timeout=math.inf)
    await _answered(request, inbox=inbox)


async def _answered(request: Awaitable[Answer], *, inbox: Inbox | None = None) -> Answer:
    """Return the broker's answer; one that is late is a lost connection.

    While messages still come into ``inbox`` it is not lost: an answer waits behind all that the broker
    sends before it, which after an outage is hours of readings.
    """
    answer = asyncio.ensure_future(request)
    began_s = time.monotonic()
    try:
        while not answer.done():
            heard_s = began_s if inbox is None else max(began_s, inbox.heard_s)
            left_s = heard_s + ANSWER_S - time.monotonic()
            if left_s <= 0.0:
                raise aiomqtt.MqttError(f"no answer for {ANSWER_S:.0f} s")
            await asyncio.wait({answer}, timeout=left_s)
        return answer.result()
    finally:
        answer.cancel()


async def _hang_up(client: aiomqtt.Client) -> None:
    """Close the connection, whatever became of it.

    aiomqtt's own exit waits on a broker that may be frozen and leaves the socket of a
    connection that never came about; so paho, underneath, is told directly.
    """
    paho = client._client
    paho.on_disconnect = None
    lost = client._disconnected
    if lost.done() and not lost.cancelled():
        # Looked at, so that asyncio does not tell of it in words of its own.
        lost.exception()
    paho.disconnect()
    for _ in range(10):
        await asyncio.sleep(0)
        if paho.socket() is None:
            return
    left = paho.socket()
    if isinstance(left, socket.socket):
        left.shutdown(socket.SHUT_RDWR)
        await asyncio.sleep(0)


def _retry_delays() -> Iterator[float]:
    """Yield waits [s] that double up to the cap, each jittered so that services do not march in step."""
    delay_s = RETRY_FIRST_S
    while True:
        yield random.uniform(delay_s / 2, delay_s)  # noqa: S311 - spreads load, guards nothing
        delay_s = min(2 * delay_s, RETRY_LONGEST_S)


def _password(file: Path | None) -> str | None:
    if file is None:
        return None
    try:
        return file.read_text(encoding="utf-8").strip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise BrokerUnreachable(f"password_file {file} cannot be read: {why}; check its owner") from None


def _address(settings: BrokerSection) -> str:
    return f"{settings.host}:{settings.port}"


def _why(error: BaseException) -> str:
    """Return the reason in one line."""
    text = " ".join(str(error).split())
    if text == BROKEN_OFF:
        return "the connection broke off"
    return re.sub(r"^\[(code:|Errno )-?\d+\] ", "", text) or type(error).__name__
