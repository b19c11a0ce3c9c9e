"""Families 3 and 4: a write that fails once or for good, and a disk that is full.

``strace`` makes the Nth write to the store's log fail in the running monitor, as a worn
card would; a small disk of its own is filled to the last byte.
"""

from __future__ import annotations

import errno
import itertools
import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.contract.names import Flag
from monitor.trace.store import TraceWriter
from tests.faults import ledger
from tests.faults.counts import Counts
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric
from tests.faults.plant import Plant, plant
from tests.integration.services import Program

SAID_LIMIT_S = 5.0
ALARM_DELAY_S = 5.0
ALARM_LIMIT_S = ALARM_DELAY_S + 3.0
"""The on-delay, a second each for the reading and the tick, and one for a busy machine."""
DISK_MB = 3
MONITOR = (sys.executable, "-m", "monitor.cli")
HOT_F, WARM_F = 197.0, 150.0


@dataclass
class Tally:
    """What a failing disk cost."""

    died: int = 0
    unsound: int = 0
    missing: int = 0
    said_s: float = 0.0
    back_s: float = 0.0
    alarm_s: float = 0.0


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Fail single writes, then all writes, then fill the disk."""
    yield from failed_writes(counts, directory / "writes")
    yield from full_disk(counts, directory / "full")


def failed_writes(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Let one write fail, at a different place in each monitor's life; then every one."""
    once, ever = Tally(), Tally()
    for number in range(counts.failed_writes):
        with plant(directory / f"once-{number}") as press:
            _fail_writes(press, when=f"{60 + 7 * number}")
            _once(press, once)
    with plant(directory / "for-good") as press:
        _fail_writes(press, when="150+")
        _for_good(press, ever)
    yield Metric(family=3, what="monitors ended by one failed write", measured=once.died, limit=0)
    yield Metric(family=3, what="seconds missing after one failed write", measured=once.missing, limit=0)
    yield Metric(family=3, what="files not whole afterwards", measured=once.unsound + ever.unsound, limit=0)
    yield Metric(family=3, what="monitors ended when every write fails", measured=ever.died, limit=0)
    yield Metric(
        family=3,
        what="not recording is said after the first failed write",
        measured=ever.said_s,
        limit=SAID_LIMIT_S,
        unit="s",
    )
    yield Metric(
        family=3,
        what="alarm while every write fails (its delay of 5 s included)",
        measured=ever.alarm_s,
        limit=ALARM_LIMIT_S,
        unit="s",
    )


def full_disk(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Fill the store's disk during a run, raise an alarm, make room again."""
    del counts
    tally = Tally()
    directory.mkdir(parents=True, exist_ok=True)
    with small_disk(directory) as disk, plant(directory / "press") as press:
        url = {"url": f"sqlite:///{disk / 'niterwatch.db'}"}
        press.services.settings["store"] = url
        press.start("monitor", "hardware", "web")
        press.open_run()
        filler = _fill(disk)
        tally.said_s = press.await_flag(Flag.NOT_RECORDING)
        shown = seconds_until(lambda: "not recording" in press.page().lower(), deadline_s=SAID_LIMIT_S)
        tally.alarm_s = _alarm_s(press)
        filler.unlink()
        tally.back_s = seconds_until(
            lambda: not press.listener.says(Flag.NOT_RECORDING), deadline_s=4 * SAID_LIMIT_S
        )
        press.program("monitor").stop()
        tally.unsound += not ledger.is_whole(disk / "niterwatch.db")
        tally.missing += _missing(disk / "niterwatch.db")
    yield Metric(family=4, what="not recording is said", measured=tally.said_s, limit=SAID_LIMIT_S, unit="s")
    yield Metric(family=4, what="and shown on the page", measured=shown, limit=SAID_LIMIT_S, unit="s")
    yield Metric(
        family=4,
        what="alarm on a full disk (its delay of 5 s included)",
        measured=tally.alarm_s,
        limit=ALARM_LIMIT_S,
        unit="s",
    )
    yield Metric(
        family=4,
        what="recording again once there is room",
        measured=tally.back_s,
        limit=SAID_LIMIT_S,
        unit="s",
    )
    yield Metric(family=4, what="seconds missing afterwards", measured=tally.missing, limit=0)
    yield Metric(family=4, what="files not whole afterwards", measured=tally.unsound, limit=0)


@contextmanager
def small_disk(directory: Path) -> Iterator[Path]:
    """Give a disk of its own of ``DISK_MB``; needs the right to mount one."""
    disk = directory / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", f"size={DISK_MB}m", "tmpfs", str(disk)]
    if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
        pytest.fail("only root may mount a small disk")
    try:
        yield disk
    finally:
        subprocess.run(["umount", "-l", str(disk)], check=True)


class Traced(Program):
    """A program under strace; killing the tracer alone would leave it running."""

    def kill(self) -> None:
        """End it, and the tracer with it."""
        if self.process is not None and self.process.poll() is None:
            children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text()
            for child in children.split():
                os.kill(int(child), signal.SIGKILL)
        super().kill()


def _fail_writes(press: Plant, *, when: str) -> None:
    """Start the press with a monitor whose writes to the log fail from inside the kernel."""
    strace = shutil.which("strace")
    if strace is None:
        pytest.fail("strace is not installed: apt install strace")
    services = press.services
    # Made beforehand, so that the writes that count are those of the run and not of the tables.
    maker = TraceWriter(f"sqlite:///{services.database}", software="a test")
    maker.open()
    maker.close()
    log = f"{services.database}-wal"
    services.programs["monitor"] = Traced(
        [
            *(strace, "-f", "--seccomp-bpf", "-o", str(services.directory / "strace.log")),
            *("-P", log, "-e", "trace=pwrite64", "-e", f"inject=pwrite64:error=EIO:when={when}"),
            *(*MONITOR, "monitor", "--settings", str(services.settings_file)),
        ],
        log=services.new_log("monitor"),
        environment=services.environment,
    )
    press.start("monitor", "hardware")


def _once(press: Plant, tally: Tally) -> None:
    text = press.services.directory / "strace.log"
    press.open_run()
    seconds_until(lambda: "(INJECTED)" in text.read_text(), deadline_s=30.0)
    kept = ledger.committed(press.services.database).counts["moment"]
    seconds_until(
        lambda: ledger.committed(press.services.database).counts["moment"] >= kept + 3, deadline_s=15.0
    )
    tally.died += not press.program("monitor").alive
    tally.unsound += not ledger.is_whole(press.services.database)
    tally.missing += _missing(press.services.database)


def _for_good(press: Plant, tally: Tally) -> None:
    text = press.services.directory / "strace.log"
    press.open_run()
    seconds_until(lambda: "(INJECTED)" in text.read_text(), deadline_s=30.0)
    tally.said_s = press.await_flag(Flag.NOT_RECORDING)
    tally.alarm_s = _alarm_s(press)
    tally.died += not press.program("monitor").alive
    tally.unsound += not ledger.is_whole(press.services.database)


def _alarm_s(press: Plant) -> float:
    press.outlet_f = HOT_F
    took_s = press.await_flag(Flag.OVER_PRECIPITATION)
    press.outlet_f = WARM_F
    return took_s


def _fill(disk: Path) -> Path:
    filler = disk / "filler"
    try:
        with filler.open("wb", buffering=0) as file:
            while file.write(b"x" * 4096):
                pass
    except OSError as error:
        if error.errno != errno.ENOSPC:
            raise
    return filler


def _missing(path: Path) -> int:
    """Return the seconds of the monitor's life that have no row, by its own monotonic time."""
    connection = ledger.connect(path)
    try:
        moments = [at_s for (at_s,) in connection.execute("SELECT mono_s FROM moment ORDER BY id")]
    finally:
        connection.close()
    return without_a_row(moments)


def without_a_row(moments_s: Sequence[float]) -> int:
    """Return how many seconds have no row, of rows at these moments [s].

    A late tick makes one second longer and the next one shorter; a lost row leaves two in one.

    >>> without_a_row([1.0, 2.0, 3.95, 4.0, 5.0]), without_a_row([1.0, 2.0, 4.0, 5.0])
    (0, 1)
    """
    gaps_s = [after - before for before, after in itertools.pairwise(moments_s)]
    nexts_s = [*gaps_s[1:], 1.0]
    return sum(
        round(gap_s + min(next_s, 1.0)) - 2
        for gap_s, next_s in zip(gaps_s, nexts_s, strict=True)
        if gap_s > 1.9
    )
