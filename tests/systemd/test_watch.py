"""What systemd hears of each service: real processes, a real broker, a socket in systemd's place."""

from __future__ import annotations

import os
import signal
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.integration.services import BrokerProgram, Services, until

pytestmark = pytest.mark.broker

WATCHDOG_S = 1.0
"""Short, so that the tests are; pets come at most twice in it."""
QUIET_S = 4.0
"""With no pet in this time systemd would have acted; each service's own round takes a second."""


class Ledger:
    """Takes what a service says to systemd: sd_notify(3), one datagram a message."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.heard: list[tuple[float, str]] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(str(path))
        self._thread = threading.Thread(target=self._listen, daemon=True)
        self._thread.start()

    def _listen(self) -> None:
        while said := self._socket.recv(4096):
            self.heard += [(time.monotonic(), line) for line in said.decode().splitlines()]

    def count(self, line: str, *, since_s: float = 0.0) -> int:
        """Return how often ``line`` was said since a moment of the monotonic clock."""
        return sum(1 for at_s, said in list(self.heard) if said == line and at_s >= since_s)

    def close(self) -> None:
        """Stop listening; an empty datagram is the sign."""
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as own:
            own.sendto(b"", str(self.path))
        self._thread.join(5)
        self._socket.close()


@pytest.fixture
def ledger(mosquitto: BrokerProgram, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Ledger]:
    """Listen as systemd would; services started from now on are told where.

    The broker, which would say that it is ready too, runs already.
    """
    there = Ledger(tmp_path / "notify")
    monkeypatch.setenv("NOTIFY_SOCKET", str(there.path))
    monkeypatch.setenv("WATCHDOG_USEC", f"{WATCHDOG_S * 1e6:.0f}")
    yield there
    there.close()


@pytest.fixture
def press(mosquitto: BrokerProgram, tmp_path: Path, new_log: Callable[[str], Path]) -> Iterator[Services]:
    """Return the services of one press over mosquitto, not yet started."""
    directory = tmp_path / "press"
    directory.mkdir()
    there = Services(directory, broker=mosquitto.section, new_log=new_log)
    yield there
    there.stop_all()


@pytest.mark.parametrize("service", ["hardware", "monitor", "web"])
def test_a_service_says_once_that_it_is_ready_and_again_and_again_that_it_lives(
    ledger: Ledger, press: Services, service: str
) -> None:
    press.start(service)
    until(lambda: ledger.count("WATCHDOG=1") >= 3, what="three pets")
    assert ledger.count("READY=1") == 1


def test_the_page_lives_on_without_a_broker(
    ledger: Ledger, press: Services, mosquitto: BrokerProgram
) -> None:
    press.start("web")
    mosquitto.kill()
    since_s = time.monotonic() + 2.0
    until(lambda: ledger.count("WATCHDOG=1", since_s=since_s) >= 2, what="pets without a broker")


def test_a_sensor_that_hangs_for_good_ends_the_pets(ledger: Ledger, press: Services) -> None:
    """Opening a pipe that nobody writes to hangs, as a driver may that never answers."""
    probe = press.w1 / "28-0316a279b1ff"
    press.w1.mkdir()
    probe.mkdir()
    os.mkfifo(probe / "w1_slave")
    press.start("hardware")
    began_s = time.monotonic()
    until(lambda: time.monotonic() > began_s + QUIET_S, what="the time")
    assert ledger.count("READY=1") == 1
    assert ledger.count("WATCHDOG=1", since_s=began_s) == 0
    press.programs["hardware"].signal(signal.SIGKILL)
