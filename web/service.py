"""The page as a service: its line to the broker, its reader of the store, its server."""

from __future__ import annotations

import asyncio
import errno
import logging
import socket
import sys
from collections.abc import Callable
from pathlib import Path
from ssl import SSLContext
from types import FrameType

import uvicorn

from monitor.contract.errors import AddressInUse, SettingsError
from monitor.contract.presence import Service
from monitor.contract.topics import ANY_PRESS_STATUS, ROOT, Topics
from monitor.runtime.broker import BrokerLink
from monitor.runtime.clock import Clock, SystemClock
from monitor.runtime.settings import Settings, WebSection
from monitor.runtime.watchdog import Watchdog
from monitor.trace.export import package_zip
from monitor.trace.reader import TraceReader
from web.acts import Desk
from web.address import address
from web.app import create_app
from web.connections import Connection
from web.figures import Units
from web.heard import SILENT_S
from web.kept_code import KeptCode
from web.live import Hub
from web.rooms import Rooms
from web.runs import RunBook
from web.secure_line import SecureLine
from web.security import Code, new_code
from web.server_words import in_our_words
from web.sheet_pages import FILE_NAME, sheet_file

SUBSCRIPTIONS = (ANY_PRESS_STATUS, f"{ROOT}/+/presence/+", f"{ROOT}/+/reply/+")
CONNECTION_LIMIT = 200
"""Connections at once; a phone holds two, and no crew has a hundred phones."""
LOOK_EVERY_S = 1.0
"""Time between two looks at how old the statuses are [s]; each tells systemd that the page lives."""
GOODBYE_S = 2
"""Longest a stopping server waits for answers under way [s]."""
SECURE_GOODBYE_S = 0.5
"""Longest it waits for a phone to say goodbye on the secure line [s]; a sleeping one says nothing."""
HANDSHAKE_S = 10.0
"""Longest a phone may take to begin on the secure line [s]; one that stalls holds a connection."""

_log = logging.getLogger(__name__)


class PageServer(uvicorn.Server):
    """A server whose open streams end with it; ``ready`` is called once it listens."""

    def __init__(
        self,
        config: uvicorn.Config,
        *,
        hub: Hub,
        ready: Callable[[], None] | None = None,
        secure: tuple[socket.socket, SSLContext] | None = None,
    ) -> None:
        super().__init__(config)
        self._hub = hub
        self._ready = ready
        self._secure = secure

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """Start to listen, then say so; the same application answers on the secure listener, if any."""
        await super().startup(sockets=sockets)
        if self._secure is not None:
            listener, context = self._secure
            loop = asyncio.get_running_loop()
            self.servers.append(
                await loop.create_server(
                    self._protocol,
                    sock=listener,
                    ssl=context,
                    ssl_handshake_timeout=HANDSHAKE_S,
                    ssl_shutdown_timeout=SECURE_GOODBYE_S,
                )
            )
        if self._ready is not None:
            self._ready()

    def _protocol(self) -> asyncio.Protocol:
        """Return what answers one connection, made as the server's own listener makes it."""
        # It is typed as any protocol, so that its own arguments are not known.
        return self.config.http_protocol_class(  # type: ignore[call-arg]
            config=self.config, server_state=self.server_state, app_state=self.lifespan.state
        )

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """End the streams first: one that stays open would hold the server for ever."""
        self._hub.close()
        super().handle_exit(sig, frame)

    def stop(self) -> None:
        """End the streams and ask the server to stop."""
        self._hub.close()
        self.should_exit = True


async def serve(
    settings: Settings,
    *,
    clock: Clock,
    code: Code | None = None,
    ready: Callable[[], None] | None = None,
    invented: bool = False,
) -> None:
    """Serve the page until cancelled or told to stop by a signal.

    ``code`` is the device's; when none is given it is what ``web.code_file`` has at the time.
    Raises :class:`AddressInUse` when the port is taken.
    """
    secure = SecureLine.of(settings.web)
    listener = listen(settings.web)
    listeners = [listener]
    try:
        if secure is not None:
            listeners.append(listen(settings.web, port=settings.web.secure_port))
        code = code or _kept_code(settings.web.code_file)
        link = BrokerLink(
            settings.broker,
            topics=Topics(settings.press.name),
            service=Service.WEB,
            clock=clock,
            subscriptions=SUBSCRIPTIONS,
        )
        hub = Hub(clock=clock, silent_s=silent_s(clock))
        watchdog = Watchdog(clock=clock)

        def open_now() -> None:
            watchdog.ready()
            _log.info("the page is at %s", address(settings.web))
            if ready is not None:
                ready()

        rooms = make_rooms(
            settings, clock=clock, link=link, hub=hub, code=code, secure=secure, invented=invented
        )
        server = PageServer(
            configured(rooms),
            hub=hub,
            ready=open_now,
            secure=(listeners[-1], secure.context) if secure is not None else None,
        )
        async with asyncio.TaskGroup() as tasks:
            line = tasks.create_task(link.run(), name="page broker line")
            ears = tasks.create_task(_listen_to(link, hub), name="page listens")
            watch = tasks.create_task(_look_over(hub, watchdog), name="page watch")
            await _run(server, listener)
            line.cancel()
            ears.cancel()
            watch.cancel()
    finally:
        for each in listeners:
            each.close()


def make_rooms(
    settings: Settings,
    *,
    clock: Clock,
    link: BrokerLink,
    hub: Hub,
    code: Code,
    secure: SecureLine | None = None,
    invented: bool = False,
) -> Rooms:
    """Return the rooms of a page over ``link`` and the store of ``settings``."""
    reader = TraceReader(settings.store.url)
    desk = Desk(publish=link.publish, connected=lambda: link.connected, code=code, clock=clock)
    hub.on_reply = desk.hear

    def package(run: str, units: Units) -> bytes:
        sheet = sheet_file(reader, run, settings=settings, units=units)
        return package_zip(reader, run, units=units.value, extra={FILE_NAME: sheet})

    return Rooms(
        settings=settings,
        hub=hub,
        desk=desk,
        book=RunBook(reader, package),
        connected=lambda: link.connected,
        dropped=lambda: link.dropped,
        secure=secure,
        invented=invented,
    )


def silent_s(clock: Clock) -> float:
    """Return the age at which a status stops being live, in seconds of ``clock``.

    A person waits in true seconds, however fast a demonstration's clock runs.
    """
    return SILENT_S * (clock.speed if isinstance(clock, SystemClock) else 1.0)


def listen(settings: WebSection, *, port: int | None = None) -> socket.socket:
    """Return a socket that listens where the settings say, on ``port`` if it is given."""
    port = settings.port if port is None else port
    family = socket.AF_INET6 if ":" in settings.host else socket.AF_INET
    listener = socket.socket(family)
    try:
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((settings.host, port))
        listener.listen()
    except OSError as error:
        listener.close()
        where = f"port {port} on {settings.host}"
        if error.errno == errno.EADDRINUSE:
            raise AddressInUse(
                f"{where} is taken by another program: stop it, or set web.port to another"
            ) from None
        raise SettingsError(
            f"{where} cannot be opened: {error.strerror}; check web.host and web.port"
        ) from None
    return listener


def configured(rooms: Rooms) -> uvicorn.Config:
    """Return how the server runs: quiet, bounded, with nothing said of what it is."""
    in_our_words()
    return uvicorn.Config(
        create_app(rooms),
        http=Connection,
        ws="none",
        lifespan="off",
        log_config=None,
        access_log=False,
        server_header=False,
        proxy_headers=False,
        limit_concurrency=CONNECTION_LIMIT,
        timeout_graceful_shutdown=GOODBYE_S,
    )


async def _run(server: PageServer, listener: socket.socket) -> None:
    """Run ``server`` to its end; a cancellation ends it in order too."""
    serving = asyncio.create_task(server.serve(sockets=[listener]), name="page server")
    try:
        await asyncio.shield(serving)
    except asyncio.CancelledError:
        server.stop()
        await serving
        raise


async def _listen_to(link: BrokerLink, hub: Hub) -> None:
    async for message in link.messages():
        hub.hear(message.topic, message.payload, retain=message.retain)


async def _look_over(hub: Hub, watchdog: Watchdog) -> None:
    """Judge every press's status for its age, as each viewer will see it, then say that the page lives."""
    while True:
        for press in hub.presses:
            hub.heard(press)
        watchdog.pet()
        await asyncio.sleep(LOOK_EVERY_S)


def _kept_code(file: Path) -> KeptCode:
    """Return the code kept in ``file``. At a first start by hand one is made and shown there, once.

    A service has nobody at its terminal, and a log keeps what it is told: then no code is made,
    and acts stay closed until `niterwatch code` has made one.
    """
    code = KeptCode(file)
    if code.made:
        return code
    if not sys.stderr.isatty():
        _log.warning("there is no device code yet, so acts are closed: `niterwatch code` makes one")
        return code
    sys.stderr.write(
        f"The device's code is {new_code(file)}. Write it on the door card: it is not shown again.\n"
    )
    return code
