"""The word to systemd, heard on a real datagram socket. Protocol: sd_notify(3), systemd.service(5)."""

from __future__ import annotations

import logging
import os
import socket
import subprocess
import sys
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from monitor.runtime.clock import ManualClock
from monitor.runtime.watchdog import Watchdog


@contextmanager
def listening(address: str) -> Iterator[socket.socket]:
    """Listen as systemd does, on a path or, after "@", an abstract name."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.bind("\0" + address[1:] if address.startswith("@") else address)
        heard.setblocking(False)
        yield heard


def all_of(heard: socket.socket) -> list[str]:
    """Return the datagrams that are there."""
    got = []
    while True:
        try:
            got.append(heard.recv(4096).decode())
        except BlockingIOError:
            return got


@pytest.fixture(params=["path", "abstract"])
def address(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    return str(tmp_path / "notify") if request.param == "path" else f"@niterwatch-test-{uuid.uuid4().hex}"


def test_ready_and_status_are_one_datagram(address: str) -> None:
    with listening(address) as heard:
        watchdog = Watchdog(clock=ManualClock(), environment={"NOTIFY_SOCKET": address})
        watchdog.ready("waiting for\npressure")
        assert all_of(heard) == ["READY=1\nSTATUS=waiting for pressure"]
        watchdog.stopping()
        assert all_of(heard) == ["STOPPING=1"]


def test_a_slow_start_asks_for_more_time(address: str) -> None:
    with listening(address) as heard:
        watchdog = Watchdog(clock=ManualClock(), environment={"NOTIFY_SOCKET": address})
        watchdog.starting(within_s=20.0)
        assert all_of(heard) == ["EXTEND_TIMEOUT_USEC=20000000"]


def test_the_same_status_is_said_once(address: str) -> None:
    with listening(address) as heard:
        watchdog = Watchdog(clock=ManualClock(), environment={"NOTIFY_SOCKET": address})
        watchdog.ready()
        for text in ("idle", "idle", "recirculating", "idle"):
            watchdog.status(text)
        assert all_of(heard) == ["READY=1", "STATUS=idle", "STATUS=recirculating", "STATUS=idle"]


def test_pets_are_sent_at_most_every_half_of_the_allowed_time(address: str) -> None:
    clock = ManualClock()
    environment = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "10000000"}
    with listening(address) as heard:
        watchdog = Watchdog(clock=clock, environment=environment)
        assert watchdog.interval_s == 5.0
        sent_at = []
        for second in range(21):
            watchdog.pet()
            if all_of(heard) == ["WATCHDOG=1"]:
                sent_at.append(second)
            clock.advance(1.0)
    assert sent_at == [0, 5, 10, 15, 20]


@pytest.mark.parametrize(
    "watch",
    [
        {},
        {"WATCHDOG_USEC": "0"},
        {"WATCHDOG_USEC": "soon"},
        {"WATCHDOG_USEC": "10000000", "WATCHDOG_PID": "1"},
    ],
)
def test_no_pet_where_systemd_does_not_watch_this_process(address: str, watch: dict[str, str]) -> None:
    with listening(address) as heard:
        watchdog = Watchdog(clock=ManualClock(), environment={"NOTIFY_SOCKET": address, **watch})
        watchdog.pet()
        assert watchdog.interval_s is None
        assert all_of(heard) == []


def test_a_pet_is_sent_where_systemd_names_this_process(address: str) -> None:
    environment = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "10000000", "WATCHDOG_PID": str(os.getpid())}
    with listening(address) as heard:
        Watchdog(clock=ManualClock(), environment=environment).pet()
        assert all_of(heard) == ["WATCHDOG=1"]


@pytest.mark.parametrize("socket_name", ["", "relative/name"])
def test_without_systemd_nothing_happens(socket_name: str) -> None:
    environment = {"NOTIFY_SOCKET": socket_name, "WATCHDOG_USEC": "10000000"}
    watchdog = Watchdog(clock=ManualClock(), environment=environment)
    watchdog.ready("up")
    watchdog.pet()
    watchdog.status("idle")


def test_a_systemd_that_is_gone_stops_nothing(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    environment = {"NOTIFY_SOCKET": str(tmp_path / "gone"), "WATCHDOG_USEC": "10000000"}
    with caplog.at_level(logging.WARNING):
        Watchdog(clock=ManualClock(), environment=environment).pet()
    assert caplog.messages == ["systemd was not told WATCHDOG=1: No such file or directory"]


def test_a_systemd_that_does_not_read_never_blocks_the_service(address: str) -> None:
    clock = ManualClock()
    with listening(address):
        watchdog = Watchdog(clock=clock, environment={"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "2"})
        for _ in range(5000):
            watchdog.pet()
            clock.advance(1.0)


def test_the_environment_of_the_process_is_read(tmp_path: Path) -> None:
    address = str(tmp_path / "notify")
    script = (
        "from monitor.runtime.clock import SystemClock\n"
        "from monitor.runtime.watchdog import Watchdog\n"
        "watchdog = Watchdog(clock=SystemClock())\n"
        "watchdog.ready()\n"
        "watchdog.pet()\n"
    )
    with listening(address) as heard:
        environment = os.environ | {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "10000000"}
        subprocess.run([sys.executable, "-c", script], check=True, env=environment, timeout=20)
        assert all_of(heard) == ["READY=1", "WATCHDOG=1"]
