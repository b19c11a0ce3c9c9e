"""What a second of a run costs the engine, and how fast replay is: ``python -m tests.bench.engine``.

The step is the live one: a reading of the line, one of the outlet, then the tick with its forecast,
over an hour of an invented run. Its bare way is what nobody can leave out: decoding the reading. The
replay is the whole one, from the file to the records that are printed; its bare way is reading the same
file with the csv module. Both are processor time, so that a busy machine counts little.
"""

from __future__ import annotations

import csv
import json
import sys
import time
from collections.abc import Iterable
from pathlib import Path

from monitor.contract.payloads import encode
from monitor.contract.readings import Reading
from monitor.rules.thresholds import RunRules
from monitor.run.engine import step
from monitor.run.inputs import Input, ReadingArrived, Tick
from monitor.run.state import fresh
from monitor.runtime.settings import load
from monitor.trace import replay
from monitor.trace.trace_file import read_trace
from tests.bench.table import Row, best_cpu_s, lines, middle

TRACE = Path(__file__).parents[1] / "data" / "traces" / "plain-3.csv"
"""An hour and a minute of an invented run, warm-up included."""
LEAST_TIMES_LIFE, AIM_TIMES_LIFE = 5_000, 20_000
DECODES = 20_000


def rows() -> Iterable[Row]:
    """Measure."""
    rules = rules_of(TRACE)
    reading_s, tick_s, one = steps(rules)
    bare_s = decode_s(one)
    yield Row(
        what="engine: a reading, median",
        measured=1e6 * reading_s,
        unit="us",
        bare=1e6 * bare_s,
        bare_way="pydantic decode of it",
    )
    yield Row(
        what="engine: a second with its forecast, median",
        measured=1e6 * tick_s,
        unit="us",
        bare=1e6 * bare_s,
        bare_way="pydantic decode of a reading",
    )
    length_s = float(TRACE.read_text(encoding="utf-8").rstrip().rpartition("\n")[2].partition(",")[0])
    ours_s, bare_csv_s = best_cpu_s(lambda: replayed(rules)), best_cpu_s(read_bare)
    yield Row(
        what="replay of an hour, times life",
        measured=length_s / ours_s,
        unit="x",
        bare=length_s / bare_csv_s,
        bare_way="csv.reader alone",
        limit=LEAST_TIMES_LIFE,
        limit_words=f"aim {AIM_TIMES_LIFE:,}",
        at_least=True,
    )


def rules_of(trace: Path) -> RunRules:
    """Return the rules of the press that ``trace`` was invented on."""
    known = json.loads(trace.with_suffix(".json").read_text(encoding="utf-8"))["known_to_the_owner"]
    return load(overrides=[f"{key}={value}" for key, value in known.items()]).rules()


def steps(rules: RunRules) -> tuple[float, float, Reading]:
    """Return the median step [s] of a reading and of a tick that ends a second, and one of the readings."""
    readings_s: list[float] = []
    ticks_s: list[float] = []
    last: Reading | None = None
    state = fresh(boot=replay.BOOT, mono_s=0.0, rules=rules)
    for entered in inputs(rules):
        began_s = time.perf_counter()
        state, _ = step(state, entered, rules=rules)
        took_s = time.perf_counter() - began_s
        if state.run is None:
            continue
        if isinstance(entered, Tick):
            ticks_s.append(took_s)
        elif isinstance(entered, ReadingArrived):
            readings_s.append(took_s)
            last = entered.reading
    assert last is not None, "no run opened"
    return middle(readings_s), middle(ticks_s), last


def inputs(rules: RunRules) -> list[Input]:
    """Return everything the trace gives the engine."""
    seconds = replay._seconds(read_trace(TRACE), metered=False)
    return [one for entered, _ in seconds for one in entered]


def decode_s(reading: Reading) -> float:
    """Return what a bare decode of ``reading`` takes [s]."""
    payload = encode(reading)
    taken = []
    for _ in range(DECODES):
        began_s = time.perf_counter()
        Reading.model_validate_json(payload)
        taken.append(time.perf_counter() - began_s)
    return middle(taken)


def replayed(rules: RunRules) -> None:
    """Replay the trace."""
    for _ in replay.records(read_trace(TRACE), rules=rules):
        pass


def read_bare() -> None:
    """Read the trace with nothing of ours."""
    with TRACE.open(encoding="utf-8", newline="") as file:
        for _ in csv.reader(file):
            pass


if __name__ == "__main__":
    sys.stdout.writelines(f"{line}\n" for line in lines(rows()))
