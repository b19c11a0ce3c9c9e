"""Power cuts and kills, on real processes and real files."""

from __future__ import annotations

import os
import random
import select
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import IO, Any

import pytest

CHILD = Path(__file__).with_name("writing_child.py")
KILLS = 20
CUTS = 20
ROWS_PER_FLUSH = 3

pytestmark = pytest.mark.timeout(180)


@contextmanager
def writing(url: str) -> Iterator[subprocess.Popen[bytes]]:
    with subprocess.Popen([sys.executable, CHILD, url], stdout=subprocess.PIPE, bufsize=0) as child:
        try:
            yield child
        finally:
            child.kill()


def last_said(pipe: IO[bytes], *, wait_s: float) -> int | None:
    """Return the newest count that the child said was safe."""
    said = b""
    while select.select([pipe], [], [], wait_s)[0]:
        piece = os.read(pipe.fileno(), 65536)
        if not piece:
            break
        said += piece
        wait_s = 0.0
    whole = said[: said.rfind(b"\n") + 1].split()
    return int(whole[-1]) if whole else None


def seconds_in(path: Path) -> list[int]:
    """Read with plain sqlite3; fail unless the file is whole."""
    with closing(sqlite3.connect(path)) as connection:
        assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        readings = [seq for (seq,) in connection.execute("SELECT seq FROM reading ORDER BY id")]
        rows = [int(mono) for (mono,) in connection.execute("SELECT mono_s FROM moment ORDER BY id")]
    assert rows == readings[: len(rows)] or readings == rows[: len(readings)]
    return rows


def test_a_killed_writer_loses_no_committed_row(bench: Any) -> None:
    chance = random.Random(1)  # noqa: S311 - a test's repeatable dice
    safe = 0
    for _ in range(KILLS):
        with writing(bench.url) as child:
            assert child.stdout is not None
            safe = last_said(child.stdout, wait_s=20.0) or safe
            select.select([], [], [], chance.uniform(0.0, 0.15))
            child.send_signal(signal.SIGKILL)
            safe = last_said(child.stdout, wait_s=0.1) or safe
        seconds = seconds_in(bench.path)
        assert seconds == list(range(len(seconds)))
        assert len(seconds) >= safe
    assert safe > KILLS * ROWS_PER_FLUSH
    assert bench.opened().problem is None


def frames(log: bytes) -> list[int]:
    """Return where the commits of a write-ahead log end (sqlite.org/fileformat2.html, section 4)."""
    page_bytes, salts = struct.unpack(">I", log[8:12])[0], log[16:24]
    ends = []
    for start in range(32, len(log) - 23, 24 + page_bytes):
        if log[start + 8 : start + 16] != salts:
            break
        if struct.unpack(">I", log[start + 4 : start + 8])[0]:  # size of the file after a commit
            ends.append(start + 24 + page_bytes)
    return ends


def moved_into_file(index: bytes, log: bytes) -> int:
    """Return up to where the log has been copied into the file (``nBackfill`` of the log's index)."""
    page_bytes = struct.unpack(">I", log[8:12])[0]
    (count,) = struct.unpack("=I", index[96:100])
    return 32 + int(count) * (24 + page_bytes)


def test_a_power_cut_loses_at_most_the_last_commit(bench: Any, tmp_path: Path) -> None:
    chance = random.Random(2)  # noqa: S311 - a test's repeatable dice
    torn = 0
    with writing(bench.url) as child:
        assert child.stdout is not None
        safe = last_said(child.stdout, wait_s=20.0) or 0
        for cut in range(CUTS):
            select.select([], [], [], chance.uniform(0.0, 0.05))
            child.send_signal(signal.SIGSTOP)
            safe = last_said(child.stdout, wait_s=0.05) or safe
            copy = tmp_path / f"cut-{cut}"
            copy.mkdir()
            for side in ("", "-wal", "-shm"):
                shutil.copy(f"{bench.path}{side}", copy)
            child.send_signal(signal.SIGCONT)
            torn += check_cut(copy, safe=safe, chance=chance)
    assert torn > CUTS // 2


def check_cut(copy: Path, *, safe: int, chance: random.Random) -> bool:
    """Check the copy as it is and, where that can happen to a disk, with its last commit torn."""
    path, log_path = copy / "trace.db", copy / "trace.db-wal"
    index = (copy / "trace.db-shm").read_bytes()
    (copy / "trace.db-shm").unlink()
    whole, log = path.read_bytes(), log_path.read_bytes()
    seconds = seconds_in(path)
    assert seconds == list(range(len(seconds)))
    assert len(seconds) >= safe
    ends = frames(log)
    if len(ends) < 2 or moved_into_file(index, log) > ends[-2]:
        return False
    path.write_bytes(whole)
    at = chance.randrange(ends[-2], ends[-1])
    rest = chance.choice((b"", bytes(ends[-1] - at), chance.randbytes(ends[-1] - at)))
    log_path.write_bytes(log[:at] + rest)
    left = seconds_in(path)
    assert left == list(range(len(left)))
    assert safe - ROWS_PER_FLUSH <= len(left) <= len(seconds)
    return True
