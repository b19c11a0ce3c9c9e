"""Real brokers and the three services, each a process of its own that a test may kill.

Nothing here is asynchronous, so a test that drives a browser can use it as well.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from monitor.contract.errors import PayloadRefused
from monitor.contract.payloads import decode
from monitor.contract.presence import Presence, Service
from monitor.contract.topics import Topics
from monitor.runtime.broker import BrokerLink, Message
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import BrokerSection
from tests.ports import LOOPBACK, unused_port

ROOM = Path(__file__).parents[2]
START_DEADLINE_S = 30.0
STOP_DEADLINE_S = 15.0
LOOK_EVERY_S = 0.02
LOG_SHOWN = 2_000
"""Characters of the log of a program that ended where it should not."""

EMBEDDED = """
import asyncio, sys
from monitor.runtime.embedded_broker import embedded_broker

async def serve():
    async with embedded_broker(port=int(sys.argv[1])):
        await asyncio.Event().wait()

asyncio.run(serve())
"""


def until(condition: Callable[[], object], *, what: str, deadline_s: float = START_DEADLINE_S) -> None:
    """Return once ``condition`` holds; fail the test when it has not within the deadline."""
    end_s = time.monotonic() + deadline_s
    while not condition():
        if time.monotonic() > end_s:
            pytest.fail(f"{what}: not within {deadline_s:g} s")
        time.sleep(LOOK_EVERY_S)


def answers(port: int) -> bool:
    """Return whether something accepts connections on ``port``."""
    try:
        with socket.create_connection((LOOPBACK, port), timeout=1.0):
            return True
    except OSError:
        return False


@dataclass
class Program:
    """A process with its output in a file; it can be killed, frozen and started again."""

    command: Sequence[str]
    log: Path
    environment: Mapping[str, str] = field(default_factory=dict)
    process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Start it; its log goes on in the same file."""
        assert self.process is None or self.process.poll() is not None, "it runs already"
        with self.log.open("ab") as out:
            self.process = subprocess.Popen(
                self.command,
                stdout=out,
                stderr=subprocess.STDOUT,
                stdin=subprocess.DEVNULL,
                cwd=self.log.parent,
                env=os.environ | {"PYTHONUNBUFFERED": "1", "PYTHONPATH": str(ROOM)} | self.environment,
            )

    def __enter__(self) -> Program:
        """Start it."""
        self.start()
        return self

    def __exit__(self, *_: object) -> None:
        """End it as a power cut would, if it has not ended by itself."""
        self.kill()

    def signal(self, number: signal.Signals) -> None:
        """Send it ``number``."""
        assert self.process is not None
        self.process.send_signal(number)

    def kill(self) -> None:
        """End it as a power cut would."""
        if self.process is not None and self.process.poll() is None:
            self.process.kill()
            self.process.wait(STOP_DEADLINE_S)

    def stop(self) -> int:
        """Ask it to end, wait for it, return its exit status."""
        assert self.process is not None
        if self.process.poll() is None:
            self.signal(signal.SIGCONT)
            self.signal(signal.SIGTERM)
        try:
            return self.process.wait(STOP_DEADLINE_S)
        except subprocess.TimeoutExpired:
            self.kill()
            pytest.fail(f"{self.command[0]} did not stop within {STOP_DEADLINE_S:g} s of being asked")

    def finish(self) -> int:
        """Wait until it ends by itself; return its exit status."""
        assert self.process is not None
        return self.process.wait(START_DEADLINE_S)

    @property
    def alive(self) -> bool:
        """Whether the process runs."""
        return self.process is not None and self.process.poll() is None

    def text(self) -> str:
        """Return its log so far."""
        return self.log.read_text(errors="replace") if self.log.exists() else ""


@dataclass
class BrokerProgram(Program):
    """A broker on a port of its own."""

    port: int = 0

    @property
    def section(self) -> BrokerSection:
        """Settings that reach it."""
        return BrokerSection(host=LOOPBACK, port=self.port)

    def start(self) -> None:
        """Start it and wait until it listens."""
        super().start()
        until(lambda: not self.alive or answers(self.port), what="the broker listens")
        assert self.alive, f"the broker ended at once:\n{self.text()}"

    def freeze(self) -> None:
        """Stop it in its tracks; its connections stay open."""
        self.signal(signal.SIGSTOP)

    def thaw(self) -> None:
        """Let a frozen one go on."""
        self.signal(signal.SIGCONT)


def mosquitto(
    directory: Path, *, log: Path, shipped: str = "mosquitto.conf", **changes: str
) -> BrokerProgram:
    """Return mosquitto with the configuration we ship on a free port, with ``changes`` to its keys."""
    program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if program is None:
        pytest.fail("mosquitto is not installed: apt install mosquitto")
    port = unused_port()
    # As root it would drop to a user that cannot read the test's folder.
    changes = {"listener": f"{port} {LOOPBACK}", "user": os.environ.get("USER", "root"), **changes}
    lines = (ROOM / "systemd" / shipped).read_text().splitlines()
    kept = [line for line in lines if line.split(" ")[0] not in changes]
    # A listener's own keys, such as max_connections, must come after it.
    configuration = directory / "mosquitto.conf"
    configuration.write_text("\n".join([*(f"{key} {value}" for key, value in changes.items()), *kept]) + "\n")
    return BrokerProgram([program, "-c", str(configuration)], log=log, port=port)


def embedded(*, log: Path) -> BrokerProgram:
    """Return the demo's broker in a process of its own."""
    port = unused_port()
    return BrokerProgram([sys.executable, "-c", EMBEDDED, str(port)], log=log, port=port)


class Ear:
    """Hears everything on a broker, in a thread with its own loop; for sync and async tests alike."""

    def __init__(self, broker: BrokerSection, *, topics: Sequence[str] = ("niterwatch/#",)) -> None:
        self.heard: list[Message] = []
        self._broker = broker
        self._topics = topics
        self._listening = threading.Event()
        self._loop = asyncio.new_event_loop()
        self._task: asyncio.Task[None] | None = None
        self._link: BrokerLink | None = None
        self._thread = threading.Thread(target=self._run, name="ear", daemon=True)

    def __enter__(self) -> Ear:
        self._thread.start()
        if not self._listening.wait(START_DEADLINE_S):
            self.__exit__()
            pytest.fail("the ear does not reach the broker")
        return self

    def __exit__(self, *_: object) -> None:
        if self._task is not None:
            self._loop.call_soon_threadsafe(self._task.cancel)
        self._thread.join(STOP_DEADLINE_S)

    def say(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Publish something."""
        assert self._link is not None
        self._loop.call_soon_threadsafe(lambda: self._link.publish(topic, payload, retain=retain))

    def on(self, topic: str) -> list[Message]:
        """Return what was heard on ``topic``, in order."""
        return [message for message in list(self.heard) if message.topic == topic]

    def _run(self) -> None:
        with contextlib.closing(self._loop):
            self._task = self._loop.create_task(self._hear())
            with contextlib.suppress(asyncio.CancelledError):
                self._loop.run_until_complete(self._task)
            self._loop.run_until_complete(self._loop.shutdown_default_executor())

    async def _hear(self) -> None:
        link = self._link = BrokerLink(
            self._broker,
            topics=Topics("ear"),
            service=Service.WEB,
            clock=SystemClock(),
            subscriptions=self._topics,
        )
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(link.run())
            tasks.create_task(self._collect(link))
            await link.connected_once.wait()
            self._listening.set()

    async def _collect(self, link: BrokerLink) -> None:
        async for message in link.messages():
            self.heard.append(message)


@dataclass
class Services:
    """The services of one press in one folder: settings, database, faked kernel tree, logs."""

    directory: Path
    broker: BrokerSection
    new_log: Callable[[str], Path]
    press: str = "main"
    environment: dict[str, str] = field(default_factory=lambda: {"GPIOZERO_PIN_FACTORY": "mock"})
    settings: dict[str, dict[str, object]] = field(default_factory=dict)
    """Sections added to the file, or over it: ``{"point.outlet": {"time_constant": "0 s"}}``."""
    command: Sequence[str] = (sys.executable, "-m", "monitor.cli")
    web_port: int = field(default_factory=unused_port)
    programs: dict[str, Program] = field(default_factory=dict)

    @property
    def settings_file(self) -> Path:
        """The file all services are started with."""
        return self.directory / "niterwatch.toml"

    @property
    def w1(self) -> Path:
        """Root of the faked 1-wire tree."""
        return self.directory / "w1"

    @property
    def iio(self) -> Path:
        """Root of the faked tree of the converter."""
        return self.directory / "iio"

    @property
    def database(self) -> Path:
        """The store's file."""
        return self.directory / "niterwatch.db"

    @property
    def address(self) -> str:
        """Where the page is."""
        return f"http://{LOOPBACK}:{self.web_port}"

    def start(self, *names: str) -> None:
        """Start the named services ("hardware", "monitor", "web") and wait until each is there."""
        self._write_settings()
        with Ear(self.broker, topics=(Topics(self.press).presences,)) as ear:
            for name in names:
                self._program(name).start()
            for name in names:
                self._await(name, ear)

    def kill(self, name: str) -> None:
        """End a service as a power cut would."""
        self.programs[name].kill()

    def stop(self, name: str) -> int:
        """Ask a service to end; return its exit status."""
        return self.programs[name].stop()

    def stop_all(self) -> None:
        """End whatever runs; for the fixture."""
        for program in self.programs.values():
            if program.alive:
                program.stop()

    def _program(self, name: str) -> Program:
        if name not in self.programs:
            self.programs[name] = Program(
                [*self.command, name, "--settings", str(self.settings_file)],
                log=self.new_log(name),
                environment=self.environment,
            )
        return self.programs[name]

    def _await(self, name: str, ear: Ear) -> None:
        """Wait for a heartbeat that is not the broker's kept one, and for the page to answer."""
        topic = Topics(self.press).presence(Service(name))
        program = self.programs[name]

        def here() -> bool:
            if not program.alive:
                status = program.process and program.process.returncode
                pytest.fail(f"{name} ended with status {status}:\n{program.text()[-LOG_SHOWN:]}")
            beats = any(_is_up(message) for message in ear.on(topic) if not message.retain)
            return beats and (name != Service.WEB or answers(self.web_port))

        until(here, what=f"{name} is up")

    def _write_settings(self) -> None:
        self.w1.mkdir(exist_ok=True)
        self.iio.mkdir(exist_ok=True)
        sections: dict[str, dict[str, object]] = {
            "press": {"name": self.press},
            "broker": {"host": self.broker.host, "port": self.broker.port},
            "store": {"url": f"sqlite:///{self.database}"},
            "web": {
                "host": LOOPBACK,
                "port": self.web_port,
                "code_file": str(self.directory / "device-code"),
            },
            "kernel": {"w1": str(self.w1), "iio": str(self.iio)},
        }
        for section, values in self.settings.items():
            sections[section] = sections.get(section, {}) | values
        self.settings_file.write_text("\n".join(_toml(sections)) + "\n", encoding="utf-8")


def _is_up(message: Message) -> bool:
    try:
        return decode(message.payload, Presence).up
    except PayloadRefused:
        return False


def _toml(sections: Mapping[str, Mapping[str, object]]) -> Iterator[str]:
    """Yield lines of TOML; JSON's spelling of text, numbers, booleans and lists is TOML's too."""
    for section, values in sections.items():
        yield f"[{section}]"
        yield from (f"{key} = {json.dumps(value)}" for key, value in values.items())
