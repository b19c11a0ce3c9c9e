"""Family 9: the store's file with flipped bytes, cut short, zeroed, or not a database at all.

Each damaged copy is handed to the monitor: its service in this process with a real broker,
and now and then to a process of its own. It must start, and never begin anew in silence.
"""

from __future__ import annotations

import asyncio
import logging
import random
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from monitor.contract.commands import MarkArgs, MarkKind
from monitor.contract.names import Flag
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import Settings, load
from monitor.service import serve
from tests.faults.counts import Counts
from tests.faults.metric import Metric
from tests.faults.plant import Plant, plant

RECORD_S = 6.0
START_LIMIT_S = 20.0
PAGE_BYTES = 4096
"""SQLite's page (its default; sqlite.org/pgszchng2016.html)."""
HEADER_BYTES = 100

Damage = Callable[[bytearray, random.Random], bytes]


def _flip(low: int, high: int, *, first: int = 0, last: int | None = None) -> Damage:
    def damage(data: bytearray, chance: random.Random) -> bytes:
        end = len(data) if last is None else min(last, len(data))
        for _ in range(chance.randint(low, high)):
            data[chance.randrange(first, end)] ^= 1 << chance.randrange(8)
        return bytes(data)

    return damage


def _cut(data: bytearray, chance: random.Random) -> bytes:
    return bytes(data[: chance.randrange(len(data))])


def _zero_page(data: bytearray, chance: random.Random) -> bytes:
    start = chance.randrange(len(data) // PAGE_BYTES) * PAGE_BYTES
    data[start : start + PAGE_BYTES] = bytes(PAGE_BYTES)
    return bytes(data)


def _noise(data: bytearray, chance: random.Random) -> bytes:
    start = chance.randrange(len(data))
    data[start : start + PAGE_BYTES] = chance.randbytes(PAGE_BYTES)
    return bytes(data)


def _letters(data: bytearray, chance: random.Random) -> bytes:
    """Change words of the contract, which leaves the file's structure whole."""
    words = (b"good", b"outlet", b"saved", b"recirculating", b'"phase"', b"line", b"Cel", b"alarm")
    word = chance.choice(words)
    places = [at for at in range(len(data) - len(word)) if data[at : at + len(word)] == word]
    for at in chance.sample(places, min(len(places), 200)):
        data[at] ^= 1
    return bytes(data)


def _other(data: bytearray, chance: random.Random) -> bytes:
    del data
    return chance.choice((b"", b"\0" * 8192, b"this is no database\n" * 300))


DAMAGES: tuple[Damage, ...] = (
    _flip(1, 3),
    _flip(10, 200),
    _flip(1, 5, last=HEADER_BYTES),
    _flip(1, 20, first=HEADER_BYTES, last=PAGE_BYTES),
    _cut,
    _zero_page,
    _noise,
    _letters,
    _other,
)


@dataclass
class Tally:
    """What the damaged files did."""

    unstarted: list[str] = field(default_factory=list)
    silent: list[str] = field(default_factory=list)
    changed: int = 0
    unsaid: int = 0
    set_aside: int = 0
    slowest_s: float = 0.0


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Record a little of a run, then start monitors over damaged copies of it."""
    tally = Tally()
    logging.getLogger("monitor").addHandler(said := _Said())
    with plant(directory) as press:
        original = _recorded(press)
        press.program("hardware").stop()
        try:
            for number in range(counts.damaged_files):
                chance = random.Random(number)  # noqa: S311 - a test's repeatable dice
                damage = DAMAGES[number % len(DAMAGES)]
                copy = directory / f"copy-{number}" / "niterwatch.db"
                copy.parent.mkdir()
                damaged = damage(bytearray(original), chance)
                copy.write_bytes(damaged)
                _judge(press, copy, damaged, tally, said, own_process=number < counts.damaged_starts)
                shutil.rmtree(copy.parent)
        finally:
            logging.getLogger("monitor").removeHandler(said)
    files = f"of {counts.damaged_files} files, {tally.set_aside} set aside"
    yield Metric(
        family=9,
        what=f"monitors that do not start{_example(tally.unstarted)}",
        measured=len(tally.unstarted),
        limit=0,
    )
    yield Metric(
        family=9, what=f"silently empty, {files}{_example(tally.silent)}", measured=len(tally.silent), limit=0
    )
    yield Metric(family=9, what="files set aside otherwise than they were", measured=tally.changed, limit=0)
    yield Metric(family=9, what="files set aside without a word", measured=tally.unsaid, limit=0)
    yield Metric(family=9, what="start, slowest", measured=tally.slowest_s, limit=START_LIMIT_S / 2, unit="s")


class _Said(logging.Handler):
    """Keeps what the monitor logs."""

    def __init__(self) -> None:
        super().__init__(logging.WARNING)
        self.lines: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.lines.append(record.getMessage())


def _example(names: list[str]) -> str:
    return f" (such as {names[0]})" if names else ""


def _recorded(press: Plant) -> bytes:
    """Record for a while; return the store as one file."""
    press.outlet_f = 197.0
    press.start("monitor", "hardware")
    press.open_run()
    press.await_flag(Flag.OVER_PRECIPITATION)
    press.act(MarkArgs(mark=MarkKind.CONTAINER_FILLED, volume_l=3.8))
    time.sleep(RECORD_S)
    press.kill_monitor()
    with closing(sqlite3.connect(press.services.database)) as store:
        store.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return press.services.database.read_bytes()


def _judge(press: Plant, copy: Path, damaged: bytes, tally: Tally, said: _Said, *, own_process: bool) -> None:
    name = copy.parent.name
    url = f"store.url=sqlite:///{copy}"
    said.lines.clear()
    began_s = time.monotonic()
    if own_process:
        trouble, log = press.try_monitor(url, limit_s=START_LIMIT_S)
        said.lines = log.splitlines()
    else:
        trouble = asyncio.run(_started(load(press.services.settings_file, overrides=[url])))
    tally.slowest_s = max(tally.slowest_s, time.monotonic() - began_s)
    if trouble is not None:
        tally.unstarted.append(f"{name}: {trouble}")
        return
    aside = sorted(copy.parent.glob("niterwatch.db.damaged-*"))
    tally.set_aside += bool(aside)
    if not aside:
        # Flips inside a number or a note leave a whole file, in which no row may be missing.
        before, after = _rows(damaged, copy.parent / "before.db"), _rows(copy.read_bytes(), copy)
        if after < before or (before == 0 and len(damaged) > 0):
            tally.silent.append(name)
        return
    tally.changed += aside[0].read_bytes() != damaged
    tally.unsaid += not any("set aside" in line for line in said.lines)


def _rows(content: bytes, path: Path) -> int:
    if not path.exists():
        path.write_bytes(content)
    try:
        with closing(sqlite3.connect(path)) as store:
            return int(store.execute("SELECT count(*) FROM moment").fetchone()[0])
    except sqlite3.Error:
        return 0


async def _started(settings: Settings) -> str | None:
    """Run the monitor's service until it is ready; return why it never was."""
    ready = asyncio.Event()
    service = asyncio.create_task(serve(settings, clock=SystemClock(), ready=ready.set))
    waiting = asyncio.create_task(ready.wait())
    await asyncio.wait({service, waiting}, timeout=START_LIMIT_S, return_when=asyncio.FIRST_COMPLETED)
    up = ready.is_set()
    # Readings and ticks over what was restored must not end it either.
    if up and not service.done():
        await asyncio.wait({service}, timeout=0.1)
    why = repr(service.exception()) if service.done() and not service.cancelled() else None
    waiting.cancel()
    service.cancel()
    await asyncio.wait({service, waiting})
    return why or (None if up else "not ready in time")
