"""A broker inside this process, for the demo and quick tests; a service uses mosquitto.

The only importer of ``amqtt``, which comes with the ``demo`` extra and is imported when
it is asked for. It speaks MQTT 3.1.1 only and listens on loopback only.
"""

from __future__ import annotations

import asyncio
import errno
import logging
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import TYPE_CHECKING

from monitor.contract.errors import AddressInUse, BrokerUnreachable

if TYPE_CHECKING:
    from amqtt.broker import Broker

LOOPBACK = "127.0.0.1"
_LISTENER = "default"


@asynccontextmanager
async def embedded_broker(*, port: int = 0) -> AsyncIterator[int]:
    """Run a broker on 127.0.0.1 and yield its port; 0 takes a free one.

    Raises :class:`AddressInUse` when the port is taken and :class:`BrokerUnreachable`
    when the package it needs is not installed.
    """
    broker = _broker()
    attended: set[asyncio.Task[None]] = set()
    server = await _listening(broker, port=port, attended=attended)
    await broker.start()
    try:
        yield server.sockets[0].getsockname()[1]
    finally:
        server.close()
        await broker.shutdown()
        for connection in attended:
            connection.cancel()
        await asyncio.gather(*attended, return_exceptions=True)


async def _listening(broker: Broker, *, port: int, attended: set[asyncio.Task[None]]) -> asyncio.Server:
    """Listen for ``broker``: its own listeners tell no one which free port they got."""

    async def attend(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(broker.stream_connected(reader, writer, _LISTENER))
        attended.add(task)
        try:
            await asyncio.wait({task})
        finally:
            attended.discard(task)
            writer.close()

    try:
        return await asyncio.start_server(attend, LOOPBACK, port)
    except OSError as error:
        if error.errno != errno.EADDRINUSE:
            raise
        raise AddressInUse(
            f"port {port} is taken: stop the other broker, or choose another with --set broker.port=…"
        ) from None


def _broker() -> Broker:
    try:
        from amqtt.broker import Broker
        from amqtt.contexts import BrokerConfig, ListenerConfig, ListenerType
    except ImportError:
        raise BrokerUnreachable(
            "the broker inside the demo is not installed: pip install 'niterwatch[demo]', "
            "or start mosquitto and use the services"
        ) from None
    # Every connection that ends without a farewell is an error to it; our own links report what matters.
    for talkative in ("amqtt", "transitions"):
        logging.getLogger(talkative).setLevel(logging.CRITICAL)
    listener = ListenerConfig(type=ListenerType.EXTERNAL, bind=LOOPBACK)
    anonymous = {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}}
    return Broker(BrokerConfig(listeners={_LISTENER: listener}, plugins=anonymous))
