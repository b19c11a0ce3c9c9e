"""Family 2: the power goes while the monitor writes; its files as the disk may then hold them.

The monitor is stopped for the instant of the copy, as the power cut would stop it. Of the
copy the end of the log is torn where a commit was under way: cut short, zeroed, or noise.
The shared index lives in memory, so it is never part of what a disk keeps.
"""

from __future__ import annotations

import random
import shutil
import signal
import struct
import time
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from monitor.contract.commands import MarkArgs, MarkKind
from monitor.run.state import restored
from monitor.trace.reader import TraceReader
from monitor.trace.store import COMMIT_INTERVAL_S, TraceWriter
from tests.faults import ledger
from tests.faults.counts import Counts
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric
from tests.faults.plant import Plant, plant

APART_S = (0.0, 0.3)
HEADER_BYTES, FRAME_HEADER_BYTES = 32, 24
"""Of a write-ahead log and of each of its frames (sqlite.org/fileformat2.html, section 4)."""
ROW_S = 1.0
"""A second is kept when it is over, so the newest may be this much older than the cut."""


@dataclass
class Tally:
    """What the cuts cost."""

    cuts: int = 0
    torn: int = 0
    unopened: int = 0
    unsound: int = 0
    set_aside: int = 0
    states: int = 0
    worst_s: float = 0.0
    beyond: int = 0


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Cut the power under a monitor that records a run."""
    chance = random.Random(2)  # noqa: S311 - a test's repeatable dice
    tally = Tally()
    with plant(directory) as press:
        press.start("monitor", "hardware")
        press.open_run()
        seconds_until(lambda: _newest_second(press.services.database) > 0.0, deadline_s=10.0)
        time.sleep(2 * COMMIT_INTERVAL_S)
        for cut in range(counts.power_cuts):
            if cut % 3 == 0:
                press.act(MarkArgs(mark=MarkKind.STIRRED))
            time.sleep(chance.uniform(*APART_S))
            copy = directory / "cut"
            _copy(press, copy)
            _check(copy / press.services.database.name, tally, chance)
            shutil.rmtree(copy)
    what = f"copies that do not open of {tally.cuts} ({tally.torn} with a torn log)"
    yield Metric(family=2, what=what, measured=tally.unopened, limit=0)
    yield Metric(family=2, what="copies not whole", measured=tally.unsound, limit=0)
    yield Metric(family=2, what="copies set aside as damaged", measured=tally.set_aside, limit=0)
    yield Metric(family=2, what="states that cannot be restored", measured=tally.states, limit=0)
    yield Metric(family=2, what="rows lost beyond the last commit", measured=tally.beyond, limit=0)
    yield Metric(
        family=2,
        what="most time lost (a commit interval and the second under way)",
        measured=tally.worst_s,
        limit=COMMIT_INTERVAL_S + ROW_S,
        unit="s",
    )


def _copy(press: Plant, copy: Path) -> None:
    copy.mkdir()
    database = press.services.database
    monitor = press.program("monitor")
    monitor.signal(signal.SIGSTOP)
    try:
        for side in ("", "-wal", "-shm"):
            shutil.copy(f"{database}{side}", copy)
    finally:
        monitor.signal(signal.SIGCONT)


def _check(path: Path, tally: Tally, chance: random.Random) -> None:
    tally.cuts += 1
    log_path, index_path = (path.with_name(f"{path.name}{side}") for side in ("-wal", "-shm"))
    # Before anything opens the copy, which would write the index anew.
    moved = _moved_into_file(index_path.read_bytes(), log_path.read_bytes())
    index_path.unlink()
    whole = _newest_second(path)
    tally.torn += _tear(log_path, moved=moved, chance=chance)
    before_last = _rows_without_last_commit(path, log_path)
    # What plain sqlite3 finds must be what our own opening finds.
    try:
        writer = TraceWriter(f"sqlite:///{path}", software="a test")
        tally.set_aside += writer.open() is not None
        writer.close()
    except OSError:
        tally.unopened += 1
        return
    tally.unsound += not ledger.is_whole(path)
    left = _newest_second(path)
    tally.worst_s = max(tally.worst_s, whole - left)
    tally.beyond += max(0, before_last - ledger.committed(path).counts["moment"])
    snapshot = TraceReader(f"sqlite:///{path}").snapshot("main")
    try:
        assert snapshot is not None
        restored(snapshot, boot="after the cut", mono_s=1.0)
    except (AssertionError, OSError):
        tally.states += 1


def _newest_second(path: Path) -> float:
    with closing(ledger.connect(path)) as connection:
        return float(connection.execute("SELECT coalesce(max(mono_s), 0.0) FROM moment").fetchone()[0])


def _rows_without_last_commit(path: Path, log_path: Path) -> int:
    """Return the rows that are there when all of the last commit is left out."""
    aside = path.parent / "without"
    aside.mkdir()
    shutil.copy(path, aside)
    log = log_path.read_bytes() if log_path.exists() else b""
    ends = commits(log)
    (aside / log_path.name).write_bytes(log[: ends[-2]] if len(ends) > 1 else log[:0])
    try:
        return ledger.committed(aside / path.name).counts["moment"]
    finally:
        shutil.rmtree(aside)


def _tear(log_path: Path, *, moved: int, chance: random.Random) -> bool:
    """Tear the last commit of the log, if a disk may still be writing it."""
    log = log_path.read_bytes()
    ends = commits(log)
    if len(ends) < 2 or moved > ends[-2]:
        return False
    at = chance.randrange(ends[-2], ends[-1])
    rest = chance.choice((b"", bytes(ends[-1] - at), chance.randbytes(ends[-1] - at)))
    log_path.write_bytes(log[:at] + rest)
    return True


def commits(log: bytes) -> list[int]:
    """Return where the commits of a write-ahead log end [bytes]."""
    if len(log) < HEADER_BYTES:
        return []
    page_bytes, salts = struct.unpack(">I", log[8:12])[0], log[16:24]
    ends = []
    frame_bytes = FRAME_HEADER_BYTES + page_bytes
    for start in range(HEADER_BYTES, len(log) - FRAME_HEADER_BYTES + 1, frame_bytes):
        if log[start + 8 : start + 16] != salts:
            break
        if struct.unpack(">I", log[start + 4 : start + 8])[0]:  # size of the file after a commit
            ends.append(start + frame_bytes)
    return ends


def _moved_into_file(index: bytes, log: bytes) -> int:
    """Return up to where the log was copied into the file (``nBackfill`` of the log's index)."""
    page_bytes = struct.unpack(">I", log[8:12])[0]
    (count,) = struct.unpack("=I", index[96:100])
    return HEADER_BYTES + int(count) * (FRAME_HEADER_BYTES + page_bytes)
