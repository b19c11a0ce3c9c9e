"""How far off the forecast is on a few hundred invented runs: ``python -m tests.bench.forecast``.

Draws presses, syrups and operators at random, replays each run before the forecast, and tells
the error of the volume left at 25, 50 and 75 % of the run's volume and at half its time, by
kind of ending; the share of good times to ready; and what a second costs. ``--off 0.12`` has every
owner's reading of the cake off by so much, high or low, instead of by a normal error of 12 %. Exit status
1 when half-run is worse than a median of 10 % or a 90th percentile of 20 % of the total.

Measured, volume left at half a run with every reading 12 % off: 9.1 % and 17.9 % on 240 seeds that no
constant was chosen by (20000 and on); with readings off by a normal error of 12 %, of which a tenth are
more than 20 % off, 8.0 % and 21.3 % on the same.

Measured, volume left at half a run, on runs that no constant was chosen by, the owner's reading off by a
normal error of 12 %: a median of 8 to 9 % and a 90th percentile of 19 to 20 % of the total on
tests/rules/press_runs.py widened (pumps 5 to 10 % off, other squeezes, late dark syrup), and 8 % and 21 %
on an independent simulation (19 % without the pumps that hold their flow). Most of it is the reading's:
with the frames' true volume known, the same forecast is within 4 % and 11 %, and 2 % and 6 %, and half a
run does not tell how much of the growth is solids and how much a tight cake. A pump that holds its flow
until it is stopped at the cut-off is foretold too late, and so is dark syrup poured in after half the run.

Measured, time to ready within 30 s or 20 %, every second from the first minute on until ready, as
a mean over runs. On the six traces of tests/data/traces 67 % of the forecasts hold, over runs begun 0
to 4 s into the trace (a shift of a second turns many that are near the edge), and 64 % through the
whole engine; the constants of the stack have seen all six, and 57 % was held by constants that had
seen three other ones. On invented runs of an independent simulation, other ones than those that the
constants were chosen by, 45 % hold (plates one after the other, plugs of cold syrup, pauses, a pan that
sags) and 46 % (one lump and a pan held within a degree); on odd seeds of tests/rules/press_runs.py 55 %.
Not much more can be told at all: a regression by boosted trees, taught on thousands of runs of the very
simulation that it was then asked about, as no monitor can be, holds 45, 55 and 65 % of new runs of these
three kinds. With the probe's error and lag, the pan and the flow to come known to it, it holds 59, 67
and 82 %: where the outlet creeps, half a degree of the probe is a minute, and no reading of that probe
can tell it.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Iterable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial
from statistics import mean, median

from monitor.contract.status import ForecastStatus
from monitor.rules.forecast import advance, begin, forecast
from tests.bench.table import Row
from tests.rules import forecast_trial as trial
from tests.rules.press_runs import PressRun, invent, simulate

MARKS = (0.25, 0.5, 0.75)
HALF_TIME = "half time"
READY_EVERY_S = 10.0
MOST_MEDIAN, MOST_P90 = 0.10, 0.20
READING_OFF = 0.12
"""How far off an owner's reading of the cake is taken to be, as a share of the full volume."""
RUNS = 100
"""Invented runs for the table of all benches."""


@dataclass(frozen=True, slots=True)
class Score:
    """What was said of one run."""

    ended_by: str
    errors: dict[str, float | None]
    inside: dict[str, bool]
    ready: list[bool]
    cost_s: float


def score(seed: int, *, off: float | None = None) -> Score:
    """Replay the run drawn with ``seed``, its reading ``off`` by that share where given."""
    setup = invent(seed)
    if off is not None:
        setup = replace(setup, reading_error=off if seed % 2 else -off)
    run = simulate(setup)
    rules = trial.rules_of(run)
    marks = {
        f"{share:.0%}": next(i for i, v in enumerate(run.volume_l) if v >= share * run.total_l)
        for share in MARKS
    }
    marks[HALF_TIME] = len(run.rows) // 2
    errors: dict[str, float | None] = {}
    inside: dict[str, bool] = {}
    ready, costs, state = [], [], begin(rules)
    for index, second in enumerate(trial.seconds(run.rows)):
        began = time.perf_counter()
        state = advance(state, second, rules=rules)
        said = forecast(state, rules=rules)
        costs.append(time.perf_counter() - began)
        for name, mark in marks.items():
            if mark == index:
                errors[name], inside[name] = _volume(run, index, said)
        left_s = (run.ready_s or 0.0) - second.elapsed_s
        if left_s > 0.0 and second.elapsed_s >= 60.0 and second.elapsed_s % READY_EVERY_S == 0.0:
            ready.append(
                said.ready_in_s is not None and abs(said.ready_in_s - left_s) <= max(30.0, 0.2 * left_s)
            )
    return Score(run.ended_by, errors, inside, ready, median(costs))


def _volume(run: PressRun, index: int, said: ForecastStatus) -> tuple[float | None, bool]:
    left_l = run.total_l - run.volume_l[index]
    if said.volume_left_l is None or said.volume_left_low_l is None or said.volume_left_high_l is None:
        return None, False
    held = said.volume_left_low_l <= left_l <= said.volume_left_high_l
    return (said.volume_left_l - left_l) / run.total_l, held


def _table(scores: list[Score]) -> Iterable[str]:
    yield "at         ended by   runs silent  median    p90   bias in range"
    for name in (*(f"{share:.0%}" for share in MARKS), HALF_TIME):
        for kind in ("all", "frames", "pressure", "time"):
            some = [s for s in scores if kind in ("all", s.ended_by)]
            told = [error for s in some if (error := s.errors.get(name)) is not None]
            if not told:
                continue
            sizes = [abs(error) for error in told]
            held = mean(s.inside[name] for s in some if s.errors.get(name) is not None)
            yield (
                f"{name:10} {kind:9} {len(told):5} {len(some) - len(told):6} {median(sizes):7.1%} "
                f"{trial.share_of(sizes, 0.9):6.1%} {mean(told):+6.1%} {held:8.0%}"
            )


def rows() -> Iterable[Row]:
    """Measure how far off the volume left is at half a run."""
    with ProcessPoolExecutor() as pool:
        scores = list(pool.map(partial(score, off=READING_OFF), range(RUNS), chunksize=4))
        drawn = list(pool.map(score, range(RUNS), chunksize=4))
    for some, how, limited in (
        (scores, f"cake read {READING_OFF:.0%} off", True),
        (drawn, f"cake read with an error of {READING_OFF:.0%}", False),
    ):
        half = [abs(error) for s in some if (error := s.errors.get("50%")) is not None]
        for part, value, most in (
            ("median", median(half), MOST_MEDIAN),
            ("90th percentile", trial.share_of(half, 0.9), MOST_P90),
        ):
            yield Row(
                what=f"forecast: error of the volume left at half a run, {how}, {part}",
                measured=100.0 * value,
                unit="%",
                limit=100.0 * most if limited else None,
            )
    ready = [good for s in scores for good in s.ready]
    yield Row(what="forecast: times to ready within 30 s or 20 %", measured=100.0 * mean(ready), unit="%")


def main() -> int:
    """Print the table; 1 when the limits are not kept."""
    arguments = argparse.ArgumentParser(description="error of the forecast on invented runs")
    arguments.add_argument("--runs", type=int, default=300)
    arguments.add_argument("--first", type=int, default=0, help="first seed")
    arguments.add_argument("--off", type=float, help="every reading of the cake off by this share")
    chosen = arguments.parse_args()
    scored = partial(score, off=chosen.off)
    with ProcessPoolExecutor() as pool:
        scores = list(pool.map(scored, range(chosen.first, chosen.first + chosen.runs), chunksize=4))
    for line in _table(scores):
        sys.stdout.write(line + "\n")
    ready = [good for s in scores for good in s.ready]
    sys.stdout.write(f"time to ready within 30 s or 20 %: {mean(ready):.0%} of {len(ready)} forecasts\n")
    sys.stdout.write(f"a second costs {1e6 * median(s.cost_s for s in scores):.0f} us (median)\n")
    half = [abs(error) for s in scores if (error := s.errors.get("50%")) is not None]
    return int(median(half) > MOST_MEDIAN or trial.share_of(half, 0.9) > MOST_P90)


if __name__ == "__main__":
    sys.exit(main())
