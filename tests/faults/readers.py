"""Families 10, 11 and 15: phones that stall, that come and go, and that fetch a long run."""

from __future__ import annotations

import csv
import hashlib
import http.client
import io
import json
import os
import re
import socket
import threading
import time
import zipfile
from collections.abc import Iterator
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path

from monitor.contract.names import Flag, Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.run.effects import RowDue, RunClosed, RunOpened
from monitor.run.row import TraceRow
from monitor.trace.store import TraceWriter
from tests.faults.counts import Counts
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric, tail
from tests.faults.plant import Plant, plant
from tests.ports import LOOPBACK

STALLED = 20
GAP_LIMIT_S = 2.5
"""Statuses come every second; a reader beside stalled ones may wait for two, and a little."""
PAGE_LIMIT_S = 1.0
WARM_UP = 50
"""Connections after which everything that is made once has been made."""
SPARE = 3
MEMORY_LIMIT_MB = 20.0
READERS = 3
NUMBERLESS = re.compile(rb"\b(nan|inf|infinity)\b", re.IGNORECASE)
LONG_RUN = "a-long-run"


def stalled(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Let twenty phones stop reading while one goes on."""
    with plant(directory) as press, ExitStack() as phones:
        press.start()
        press.open_run()
        for _ in range(STALLED):
            phones.enter_context(_stalled(press.services.web_port))
        gaps = _gaps(press, for_s=counts.stalled_s)
        pages = [_page_s(press) for _ in range(20)]
        monitor = _next_status_s(press)
    what = f"wait between two statuses beside {STALLED} stalled readers, longest"
    yield Metric(family=10, what=what, measured=max(gaps), limit=GAP_LIMIT_S, unit="s")
    yield Metric(family=10, what="a page, p99", measured=tail(pages), limit=PAGE_LIMIT_S, unit="s")
    yield Metric(family=10, what="the monitor's next status", measured=monitor, limit=GAP_LIMIT_S, unit="s")


def reconnects(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Open the live stream and leave it, thousands of times."""
    with plant(directory) as press:
        press.start()
        press.open_run()
        for number in range(WARM_UP):
            _visit(press, rude=number % 2 == 1)
        _settled(press)
        before = _footprint(press)
        failed = sum(not _visit(press, rude=number % 2 == 1) for number in range(counts.reconnects))
        _settled(press)
        after = _footprint(press)
    names = ("descriptors", "threads", "open streams")
    for what, now, then in zip(names, after[:3], before[:3], strict=True):
        yield Metric(
            family=11, what=f"{what} left by {counts.reconnects} reconnects", measured=now - then, limit=SPARE
        )
    yield Metric(
        family=11, what="memory grown", measured=after[3] - before[3], limit=MEMORY_LIMIT_MB, unit="MB"
    )
    yield Metric(family=11, what="visits without an answer", measured=failed, limit=0)


def exports(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Fetch a long run with three readers at once while others hang up half-way."""
    length_s = round(counts.export_hours * 3600)
    with plant(directory) as press:
        _keep_long_run(press.services.database, length_s)
        press.start("monitor", "hardware", "web")
        address = f"/runs/{LONG_RUN}/package.zip?units=metric"
        cut = [threading.Thread(target=_fetch, args=(press, address, [], 10_000)) for _ in range(2)]
        whole: list[bytes] = []
        readers = [
            threading.Thread(target=_fetch, args=(press, address, whole, None)) for _ in range(READERS)
        ]
        for thread in (*cut, *readers):
            thread.start()
        for thread in (*cut, *readers):
            thread.join()
        _fetch(press, address, whole, None)
        lives = press.page_lives()
    packages = [_Package(content) for content in whole]
    wrong = sum(package.rows != length_s for package in packages)
    yield Metric(
        family=15,
        what=f"readers without a package of {READERS + 1}",
        measured=READERS + 1 - len(whole),
        limit=0,
    )
    yield Metric(family=15, what=f"packages without all {length_s} rows", measured=wrong, limit=0)
    yield Metric(
        family=15, what="packages that differ", measured=len({p.trace for p in packages}) - 1, limit=0
    )
    yield Metric(
        family=15,
        what="files that do not fit their checksum",
        measured=sum(p.unfit for p in packages),
        limit=0,
    )
    yield Metric(
        family=15, what="numbers that are none", measured=sum(p.numberless for p in packages), limit=0
    )
    yield Metric(family=15, what="page not live afterwards", measured=not lives, limit=0)


def _stalled(port: int) -> socket.socket:
    """Return a connection that asks for the live stream and never reads it."""
    phone = socket.socket()
    phone.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 2048)
    phone.connect((LOOPBACK, port))
    phone.sendall(f"GET /live/main HTTP/1.1\r\nHost: {LOOPBACK}:{port}\r\n\r\n".encode())
    return phone


def _gaps(press: Plant, *, for_s: float) -> list[float]:
    """Return the times between two events of a stream that is read [s]."""
    gaps: list[float] = []
    began_s = last_s = time.monotonic()
    for _ in press.told():
        now_s = time.monotonic()
        gaps.append(now_s - last_s)
        last_s = now_s
        if now_s - began_s >= for_s:
            break
    return gaps or [float("inf")]


def _next_status_s(press: Plant) -> float:
    began_s = time.monotonic()
    return seconds_until(lambda: press.live("monitor", since_s=began_s), deadline_s=10.0)


def _page_s(press: Plant) -> float:
    began_s = time.monotonic()
    return time.monotonic() - began_s if press.page() else float("inf")


def _visit(press: Plant, *, rude: bool) -> bool:
    """Open the live stream, read its first bytes, leave; a rude phone resets the connection."""
    try:
        with socket.create_connection((LOOPBACK, press.services.web_port), timeout=10.0) as phone:
            phone.sendall(b"GET /live/main HTTP/1.1\r\nHost: localhost\r\n\r\n")
            answered = phone.recv(64).startswith(b"HTTP/1.1 200")
            if rude:
                phone.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, b"\x01\0\0\0\0\0\0\0")
    except OSError:
        return False
    return answered


def _settled(press: Plant) -> None:
    """Wait until the page has noticed that its readers are gone: it looks at each new status."""
    seconds_until(lambda: _streams(press) == 0, deadline_s=10.0)
    time.sleep(1.0)


def _streams(press: Plant) -> int:
    """Return the established connections that the page's process holds on its own port."""
    port = f":{press.services.web_port:04X}"
    lines = Path("/proc/net/tcp").read_text().splitlines()[1:]
    return sum(line.split()[1].endswith(port) and line.split()[3] in ("01", "08") for line in lines)


def _footprint(press: Plant) -> tuple[float, float, float, float]:
    """Return the page's descriptors, threads, open streams and memory [MB]."""
    process = press.program("web").process
    assert process is not None
    proc = Path(f"/proc/{process.pid}")
    threads = len(os.listdir(proc / "task"))  # noqa: PTH208 - counted only
    memory_mb = int((proc / "statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6
    return len(os.listdir(proc / "fd")), threads, _streams(press), memory_mb  # noqa: PTH208 - likewise


def _fetch(press: Plant, address: str, into: list[bytes], at_most: int | None) -> None:
    """Fetch a file into ``into``; with ``at_most`` hang up after so many bytes."""
    connection = http.client.HTTPConnection(LOOPBACK, press.services.web_port, timeout=60.0)
    try:
        connection.request("GET", address)
        answer = connection.getresponse()
        content = answer.read(at_most)
        if answer.status == http.client.OK and at_most is None:
            into.append(content)
    except (OSError, http.client.HTTPException):
        return
    finally:
        connection.close()


class _Package:
    """What is in a fetched package, read with nothing of ours."""

    def __init__(self, content: bytes) -> None:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            files = {Path(name).name: archive.read(name) for name in archive.namelist()}
        self.trace = files["trace.csv"]
        self.rows = len(list(csv.reader(io.StringIO(self.trace.decode())))) - 1
        self.numberless = sum(len(NUMBERLESS.findall(file)) for file in files.values())
        described = json.loads(files["datapackage.json"])["resources"]
        self.unfit = sum(
            hashlib.sha256(files[Path(resource["path"]).name]).hexdigest()
            != resource["hash"].removeprefix("sha256:")
            for resource in described
        )


def _keep_long_run(database: Path, length_s: int) -> None:
    writer = TraceWriter(f"sqlite:///{database}", software="a test")
    writer.open()
    press = writer.press("main")
    started = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
    clock = ClockState.SYNCHRONISED
    press.keep_effect(
        RunOpened(run=LONG_RUN, boot="a", started_mono_s=0.0, started=started, clock=clock, by="a test")
    )
    for second in range(length_s):
        press.keep_effect(RowDue(_row(second)))
        if second % 10_000 == 0:
            writer.flush()
    press.keep_effect(
        RunClosed(
            run=LONG_RUN, boot="a", ended_mono_s=float(length_s), ended=None, elapsed_s=float(length_s),
            volume_l=float("nan"), by="a test",
        )
    )  # fmt: skip
    writer.close()


def _row(second: int) -> TraceRow:
    """Return a second; every hundredth has numbers that are none, which no file may carry on."""
    broken = second % 100 == 0
    return TraceRow(
        boot="a", mono_s=float(second), time=None, clock=ClockState.UNSET, elapsed_s=float(second),
        outlet_c=float("nan") if broken else 80.0 + second % 7, outlet_standing=Standing.GOOD,
        line_kpa=float("inf") if broken else 240.0, line_high_kpa=None, line_standing=Standing.GOOD,
        strokes=1, flow_l_min=2.4, volume_l=0.04 * second, pan_c=None, filler_c=None, phase=Phase.BOTTLING,
        flags=(Flag.READY_TO_BOTTLE,),
    )  # fmt: skip
