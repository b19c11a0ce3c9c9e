"""Bytes on the wire of the live page: ``python -m tests.bench.page_weight``.

A real Chromium opens the page of a press with a run open, through a relay that counts what passes in
both directions: first all that the page needs, then a minute of its stream. The stream's bare way is
the statuses of the same minute as they are published.
"""

from __future__ import annotations

import contextlib
import socket
import sys
import tempfile
import threading
import time
from collections.abc import Iterable, Iterator
from pathlib import Path

from playwright.sync_api import sync_playwright

from tests.bench.table import Row, lines
from tests.faults.plant import Plant, plant
from tests.integration import services

SETTLED_S, FOR_S = 3.0, 60.0
CHUNK = 65536


def rows() -> Iterable[Row]:
    """Measure."""
    with tempfile.TemporaryDirectory() as name, plant(Path(name)) as pressed:
        pressed.outlet_f, pressed.psi = 170.0, 35.0
        pressed.start()
        pressed.open_run()
        with relay(pressed.services.web_port) as passed:
            first, stream, statuses = watched(pressed, passed)
    yield Row(what="page: first load, everything", measured=first / 1024, unit="KiB")
    yield Row(
        what="page: a minute of its stream",
        measured=stream / 1024,
        unit="KiB",
        bare=statuses / 1024,
        bare_way="the statuses themselves",
    )


def watched(pressed: Plant, passed: Relay) -> tuple[int, int, int]:
    """Return the bytes of a first load, of a minute of the stream, and of the statuses in it."""
    statuses = [0]

    def tap(topic: str, payload: bytes, _: float) -> None:
        statuses[0] += len(payload) if topic == pressed.listener.topics.status else 0

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-background-networking"]
        )
        page = browser.new_page(viewport={"width": 390, "height": 844})
        page.goto(f"http://{services.LOOPBACK}:{passed.port}/press/{pressed.services.press}")
        page.wait_for_selector(".temperature")
        time.sleep(SETTLED_S)
        first = passed.count
        pressed.listener.taps.append(tap)
        time.sleep(FOR_S)
        stream = passed.count - first
        pressed.listener.taps.remove(tap)
        browser.close()
    return first, stream, statuses[0]


class Relay:
    """Passes bytes on between a browser and a port, and counts them."""

    def __init__(self, to_port: int) -> None:
        self.count = 0
        self._to_port = to_port
        self._listener = socket.create_server((services.LOOPBACK, 0))
        self.port: int = self._listener.getsockname()[1]
        threading.Thread(target=self._accept, daemon=True).start()

    def close(self) -> None:
        """Take no more connections."""
        self._listener.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                far = socket.create_connection((services.LOOPBACK, self._to_port))
                for source, sink in ((near, far), (far, near)):
                    threading.Thread(target=self._pass_on, args=(source, sink), daemon=True).start()

    def _pass_on(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(CHUNK):
                self.count += len(data)
                sink.sendall(data)
        with contextlib.suppress(OSError):
            sink.shutdown(socket.SHUT_WR)


@contextlib.contextmanager
def relay(to_port: int) -> Iterator[Relay]:
    """Give a relay to ``to_port``."""
    passed = Relay(to_port)
    try:
        yield passed
    finally:
        passed.close()


if __name__ == "__main__":
    sys.stdout.writelines(f"{line}\n" for line in lines(rows()))
