"""Family 12: a season of runs in little time; memory stays flat, the store grows as predicted.

The engine and the writer run as the monitor has them, in a process of their own whose
resident memory is looked at after every run, on a clock that is moved by hand.
"""

from __future__ import annotations

import math
import os
import random
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from contextlib import closing
from multiprocessing import get_context
from pathlib import Path

from monitor.contract.readings import UNIT_OF, ClockState, Point, Quality, Reading
from monitor.run.effects import Happened, RowDue, RunClosed, RunOpened
from monitor.run.engine import step
from monitor.run.inputs import Input, ReadingArrived, Tick
from monitor.run.state import stored
from monitor.trace.store import PressWriter, TraceWriter
from tests.faults import ledger
from tests.faults.counts import Counts
from tests.faults.metric import Metric
from tests.faults.payloads import Engine

RUN_S = 1200
WARM_UP_S, IDLE_S = 400, 700
"""Until the outlet is hot; between two runs, long enough that the end is proposed."""
SNAPSHOT_EVERY = 30
FLUSH_EVERY = 300
GROWN_LIMIT_KB = 1000.0
"""Resident memory over the second half of the season. A list that kept a run's rows would take
half a megabyte a run; what the allocator takes once is within this."""
PREDICTED_SHARE = 0.1


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Run the season in a process of its own."""
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as workers:
        memory_kb, sizes, kept = workers.submit(_season, counts.season_runs, directory).result()
    half = len(memory_kb) // 2
    grown_kb = memory_kb[-1] - memory_kb[half]
    a_run = (sizes[half] - sizes[0]) / half
    predicted = sizes[half] + a_run * (len(sizes) - 1 - half)
    off = abs(sizes[-1] / predicted - 1.0)
    yield Metric(
        family=12,
        what=f"memory grown in the second half of {counts.season_runs} runs",
        measured=grown_kb,
        limit=GROWN_LIMIT_KB,
        unit="kB",
    )
    yield Metric(
        family=12, what="store off its prediction", measured=100 * off, limit=100 * PREDICTED_SHARE, unit="%"
    )
    yield Metric(family=12, what="store, a run", measured=a_run / 1e6, limit=2.0, unit="MB")
    yield Metric(family=12, what="runs missing", measured=abs(kept - counts.season_runs), limit=0)


def _season(runs: int, directory: Path) -> tuple[list[float], list[int], int]:
    """Return resident memory [kB] and the store's size [bytes] after each run, and the runs kept."""
    path = directory / "season.db"
    writer = TraceWriter(f"sqlite:///{path}", software="a test")
    writer.open()
    press = writer.press("main")
    engine = Engine()
    chance = random.Random(12)  # noqa: S311 - a test's repeatable dice
    memory_kb: list[float] = []
    sizes: list[int] = []
    opened = 0
    for _ in range(runs):
        for second in range(RUN_S + IDLE_S):
            engine.clock.advance(1.0)
            for point, value in _values(second, chance):
                opened += _enter(engine, press, _reading(engine, point, value))
            opened += _enter(engine, press, Tick(stamp=engine.stamp()))
            if second % SNAPSHOT_EVERY == 0:
                press.keep_snapshot(stored(engine.state))
            if second % FLUSH_EVERY == 0:
                writer.flush()
        writer.flush()
        pages = int(Path("/proc/self/statm").read_text().split()[1])
        memory_kb.append(pages * os.sysconf("SC_PAGE_SIZE") / 1000.0)
        sizes.append(_size(path))
    writer.close()
    return memory_kb, sizes, opened


def _size(path: Path) -> int:
    """Return what the store takes once its log is in the file [bytes]."""
    with closing(ledger.connect(path)) as store:
        pages, size = (store.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size"))
    return int(pages * size)


def _values(second: int, chance: random.Random) -> Iterator[tuple[Point, float]]:
    """Give an invented run: a warm-up, a plateau, a line pressure that climbs, and a pause."""
    outlet_c = 20.0 + 66.0 * -math.expm1(-second / 120.0)
    line_kpa = 230.0 + 0.25 * max(0, second - WARM_UP_S)
    if second >= RUN_S:
        outlet_c, line_kpa = 86.0 - 0.05 * (second - RUN_S), 0.0
    yield Point.OUTLET, round(outlet_c * 16 + chance.gauss(0.0, 0.4)) / 16
    yield Point.LINE, line_kpa + (chance.gauss(0.0, 1.5) if line_kpa else 0.0)


def _reading(engine: Engine, point: Point, value: float) -> ReadingArrived:
    stamp = engine.stamp()
    reading = Reading(
        seq=round(engine.clock.now_s), boot=stamp.boot, mono_ms=round(engine.clock.now_s * 1000),
        time=stamp.time,
        clock=ClockState.SYNCHRONISED, value=value, unit=UNIT_OF[point], quality=Quality.GOOD,
        strokes=1 if point is Point.LINE and value > 0.0 else None,
    )  # fmt: skip
    return ReadingArrived(stamp=stamp, point=point, reading=reading)


def _enter(engine: Engine, press: PressWriter, entered: Input) -> int:
    """Step, keep what the service would keep; return the runs that were opened."""
    if isinstance(entered, ReadingArrived):
        press.keep_reading(entered.point, entered.reading, arrived_mono_s=entered.stamp.mono_s)
    engine.state, effects = step(engine.state, entered, rules=engine.rules)
    opened = 0
    for effect in effects:
        if isinstance(effect, Happened | RowDue | RunOpened | RunClosed):
            press.keep_effect(effect)
        opened += isinstance(effect, RunOpened)
    return opened
