"""What the three real services leave in systemd's journal over a broker's death and return.

The journal's end is a socket, as systemd.exec(5) has it: its device and inode are in
JOURNAL_STREAM. Priorities: sd-daemon(3).
"""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.contract.presence import Service
from tests.integration.services import ROOM, BrokerProgram, until
from tests.ports import unused_port

pytestmark = pytest.mark.broker

LINE = re.compile(r"<[346]>[^<\n]+")
"""A priority and one line of words."""


class Journal:
    """One service and the lines that the journal got of it."""

    def __init__(self, service: Service, *, settings: Path, folder: Path) -> None:
        self._ours, theirs = socket.socketpair()
        self._ours.setblocking(False)
        found = os.fstat(theirs.fileno())
        told = {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}", "PYTHONPATH": str(ROOM)}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli", service, "--settings", settings],
            stderr=theirs,
            cwd=folder,
            env=os.environ | told | {"GPIOZERO_PIN_FACTORY": "mock"},
        )
        theirs.close()
        self._text = ""

    @property
    def lines(self) -> list[str]:
        try:
            while more := self._ours.recv(65536):
                self._text += more.decode()
        except BlockingIOError:
            pass
        return self._text.splitlines()

    def told(self, words: str) -> Callable[[], bool]:
        return lambda: any(words in line for line in self.lines)

    def stop(self) -> None:
        self._process.send_signal(signal.SIGTERM)
        assert self._process.wait(15) == 0

    def close(self) -> None:
        self._process.kill()
        self._process.wait()
        self._ours.close()


@pytest.fixture
def journals(mosquitto: BrokerProgram, tmp_path: Path) -> Iterator[dict[Service, Journal]]:
    """Run the three services, each with a journal of its own."""
    settings = tmp_path / "niterwatch.toml"
    settings.write_text(
        f"[broker]\nport = {mosquitto.port}\n"
        f'[web]\nhost = "127.0.0.1"\nport = {unused_port()}\n'
        f'[store]\nurl = "sqlite:///{tmp_path / "runs.db"}"\n'
        '[kernel]\nw1 = "/nowhere/w1"\niio = "/nowhere/iio"\n'
    )
    running = {service: Journal(service, settings=settings, folder=tmp_path) for service in Service}
    yield running
    for journal in running.values():
        journal.close()


def test_every_line_has_its_priority_and_is_about_something(
    mosquitto: BrokerProgram, journals: dict[Service, Journal]
) -> None:
    until(journals[Service.MONITOR].told("press main is watched"), what="the monitor")
    until(journals[Service.WEB].told("the page is at http://127.0.0.1:"), what="the page")
    until(journals[Service.HARDWARE].told("no probe answers at the outlet"), what="the sensors")
    mosquitto.kill()
    for journal in journals.values():
        until(journal.told("Connection refused; retrying"), what="the loss")
    mosquitto.start()
    for service, journal in journals.items():
        until(journal.told(f"<4>the broker at 127.0.0.1:{mosquitto.port} is back"), what="the return")
        journal.stop()
        until(journal.told("<6>stopped"), what="the end")
        assert [line for line in journal.lines if not LINE.fullmatch(line)] == [], service
        assert len(journal.lines) < 12, service
