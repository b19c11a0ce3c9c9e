"""Tables of the stroke counter's error and cost; a person runs it: ``python tests/bench/strokes.py``.

Every count is set against the truth beside an invented waveform. ``--runs`` random air
pumps, hand pumps, gear pumps and dead lines are drawn; the worst are listed with what
made them. Cost is given as a ratio to a bare loop that only sums the same samples,
measured in the same run.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "hardware")]

from waveforms import Hand, Line, Shape, Strokes, Waveform, dead, diaphragm, gear, hand  # noqa: E402

from hardware.strokes import StrokeCounter  # noqa: E402 - the path comes first
from tests.bench.table import Row  # noqa: E402

RATES_HZ = (0.15, 0.3, 0.6, 1.0, 1.5, 2.0, 2.5, 3.0)
SAMPLE_RATES_HZ = (20.0, 50.0, 100.0)
PUMPS = 60
"""Random pumps of each kind for the table of all benches."""
Result = tuple[int, int, str]


def say(line: str) -> None:
    """Write one line."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


def counted(waveform: Waveform) -> int:
    """Return how many strokes the counter finds."""
    counter = StrokeCounter(sample_hz=waveform.sample_hz)
    return sum(counter.add(pressure) for pressure in waveform.pressure_kpa.tolist())


def air(seed: int) -> Result:
    """Count one random air pump within what is asked: 6-25 %, 0.15-3 Hz, 20-90 psi, 0.3 psi rms."""
    rng = np.random.default_rng(seed)
    rate = float(np.exp(rng.uniform(np.log(0.15), np.log(3.0))))
    length_s = max(100.0, 150.0 / rate)
    line = Line(
        sample_hz=float(rng.choice(SAMPLE_RATES_HZ)),
        length_s=length_s,
        mean_psi=float(rng.uniform(20, 70)),
        drift_psi=float(rng.uniform(0, 20)),
        start_up_s=float(rng.choice([0.0, 0.0, 1.5])),
        steps_s=(length_s / 2,) if rng.random() < 0.4 else (),
        quantum_kpa=float(rng.choice([0.0, 0.17, 0.67])),
    )
    strokes = Strokes(
        rate_hz=rate,
        end_rate_hz=rate * float(rng.uniform(0.6, 1.0)),
        jitter=float(rng.choice([0.0, 0.03, 0.06, 0.1])),
        pulsation=float(rng.uniform(0.06, 0.25)),
        depth_spread=float(rng.choice([0.0, 0.1])),
        weak_side=float(rng.choice([1.0, 1.0, 0.8, 0.65])),
        offset=float(rng.choice([0.0, 0.0, 0.15])),
        shape=list(Shape)[int(rng.integers(len(Shape)))],
        width=float(rng.uniform(0.25, 0.8)),
    )
    waveform = diaphragm(line, strokes, seed=seed)
    pump = f"{strokes.shape.value} {rate:.2f}/s width {strokes.width:.2f} weak {strokes.weak_side}"
    what = f"{line.sample_hz:.0f} Hz {pump}, {strokes.pulsation:.0%} of {line.mean_psi:.0f} psi"
    return counted(waveform), waveform.strokes, what


def with_rests(seed: int) -> Result:
    """Count one random air pump that rests twice while the line climbs from 20 to 80 psi."""
    rng = np.random.default_rng(seed)
    rate = float(np.exp(rng.uniform(np.log(0.2), np.log(2.0))))
    length_s = 250.0 / rate
    cuts_s = np.sort(rng.uniform(0.1, 0.95, 4)) * length_s
    line = Line(
        sample_hz=float(rng.choice(SAMPLE_RATES_HZ)), length_s=length_s, mean_psi=20.0, drift_psi=60.0
    )
    strokes = Strokes(
        rate_hz=rate,
        end_rate_hz=rate * float(rng.uniform(0.6, 1.3)),
        jitter=float(rng.choice([0.0, 0.05, 0.1])),
        pulsation=float(rng.uniform(0.06, 0.25)),
        shape=list(Shape)[int(rng.integers(len(Shape)))],
        pauses_s=((float(cuts_s[0]), float(cuts_s[1])), (float(cuts_s[2]), float(cuts_s[3]))),
    )
    waveform = diaphragm(line, strokes, seed=seed)
    pump = f"{strokes.shape.value} {rate:.2f}/s, {strokes.pulsation:.0%}"
    what = f"{line.sample_hz:.0f} Hz {pump}, rests {cuts_s.round()}"
    return counted(waveform), waveform.strokes, what


def by_hand(seed: int) -> Result:
    """Count one random hand pump."""
    rng = np.random.default_rng(seed)
    line = Line(
        sample_hz=float(rng.choice(SAMPLE_RATES_HZ)), length_s=300.0, mean_psi=float(rng.uniform(15, 60))
    )
    work = Hand(
        rate_hz=float(rng.uniform(0.25, 1.2)),
        swing=float(rng.uniform(0.25, 0.9)),
        unevenness=float(rng.uniform(0.05, 0.3)),
        strokes_a_burst=int(rng.integers(4, 30)),
        rest_s=float(rng.uniform(2, 15)),
        leak_s=float(rng.uniform(5, 60)),
    )
    waveform = hand(line, work, seed=seed)
    return counted(waveform), waveform.strokes, f"{line.sample_hz:.0f} Hz {work}"


def by_gear(seed: int) -> Result:
    """Count one random gear pump.

    A tooth faster than half the sample rate is folded to any rate, strokes' own among
    them; there the ripple keeps to the 2.5 % that a gear pump's has by common practice.
    """
    rng = np.random.default_rng(seed)
    sample_hz, tooth_hz = float(rng.choice([*SAMPLE_RATES_HZ, 200.0])), float(rng.uniform(5.0, 60.0))
    seen_hz = abs((tooth_hz + sample_hz / 2) % sample_hz - sample_hz / 2)
    ripple = float(rng.uniform(0.005, 0.025 if tooth_hz > 0.45 * sample_hz else 0.1))
    line = Line(
        sample_hz=sample_hz,
        length_s=120.0,
        mean_psi=float(rng.uniform(10, 90)),
        drift_psi=float(rng.choice([0.0, 20.0])),
        start_up_s=float(rng.choice([0.0, 2.0])),
        steps_s=(60.0,) if rng.random() < 0.3 else (),
    )
    waveform = gear(
        line, tooth_hz=tooth_hz, ripple=ripple, wander=float(rng.choice([0.0, 0.01, 0.05])), seed=seed
    )
    return (
        counted(waveform),
        0,
        f"{sample_hz:.0f} Hz tooth {tooth_hz:.1f} seen at {seen_hz:.1f} Hz, {ripple:.1%}",
    )


def by_nothing(seed: int) -> Result:
    """Count one random dead line of 20 minutes."""
    rng = np.random.default_rng(seed)
    line = Line(
        sample_hz=float(rng.choice(SAMPLE_RATES_HZ)),
        length_s=1200.0,
        mean_psi=float(rng.choice([0.0, 1.0, 3.0, 8.0, 14.0, 20.0, 40.0, 80.0])),
        quantum_kpa=float(rng.choice([0.0, 0.17, 0.67])),
    )
    return counted(dead(line, seed=seed)), 0, f"{line.sample_hz:.0f} Hz at {line.mean_psi} psi"


def random_runs(pool: ProcessPoolExecutor, runs: int) -> None:
    """Print how many random runs of each kind are out, and the worst."""
    asked: list[tuple[str, Callable[[int], Result], float, int]] = [
        ("air", air, 0.02, runs),
        ("air with rests", with_rests, 0.02, runs // 2),
        ("hand", by_hand, 0.05, runs // 2),
        ("gear", by_gear, 0.0, runs),
        ("dead", by_nothing, 0.0, runs // 4),
    ]
    for name, make, share, number in asked:
        results = list(pool.map(make, range(number), chunksize=4))
        missed = [(abs(n - truth) / max(truth, 1), n, truth, what) for n, truth, what in results]
        slack = 1 if share else 0
        out = [one for one in missed if abs(one[1] - one[2]) > max(slack, share * one[2])]
        errors = np.array([one[0] for one in missed])
        say(
            f"\n{name}: {len(out)} of {number} out of {share:.0%} (one stroke at the ends not judged);"
            f" median {np.median(errors):.2%}, 90th {np.quantile(errors, 0.9):.2%}, worst {errors.max():.2%}"
        )
        for _, n, truth, what in sorted(missed, reverse=True)[:8]:
            if n != truth:
                say(f"  {n - truth:+d} of {truth}: {what}")


def cell(task: tuple[float, float, float, Shape, float]) -> float:
    """Return the worst of three errors in percent."""
    sample_hz, mean_psi, pulsation, shape, rate = task
    line = Line(sample_hz=sample_hz, mean_psi=mean_psi, length_s=max(100.0, 150.0 / rate))
    strokes = Strokes(rate_hz=rate, pulsation=pulsation, jitter=0.05, shape=shape)
    errors = []
    for seed in range(3):
        waveform = diaphragm(line, strokes, seed=seed)
        errors.append(100.0 * (counted(waveform) - waveform.strokes) / waveform.strokes)
    return max(errors, key=abs)


def grid(pool: ProcessPoolExecutor, sample_hz: float, mean_psi: float, pulsation: float) -> None:
    """Print the worst error of three, by shape and rate."""
    say(
        f"\n{pulsation:.0%} of {mean_psi:.0f} psi at {sample_hz:.0f} Hz, 0.3 psi rms: worst error of three, %"
    )
    say(" " * 22 + "".join(f"{rate:>8} Hz" for rate in RATES_HZ))
    tasks = [(sample_hz, mean_psi, pulsation, shape, rate) for shape in Shape for rate in RATES_HZ]
    cells = iter(pool.map(cell, tasks, chunksize=4))
    for shape in Shape:
        say(f"{shape.value:22}" + "".join(f"{next(cells):+11.1f}" for _ in RATES_HZ))


def rows() -> Iterable[Row]:
    """Measure the cost of a sample, and how many random pumps are miscounted."""
    bare_s, each_s = sample_costs(50.0)
    yield Row(
        what="strokes: a sample at 50 Hz",
        measured=1e6 * each_s,
        unit="us",
        bare=1e6 * bare_s,
        bare_way="sum of it",
    )
    with ProcessPoolExecutor() as pool:
        for name, make, share in (("air", air, 0.02), ("hand", by_hand, 0.05), ("gear", by_gear, 0.0)):
            results = list(pool.map(make, range(PUMPS), chunksize=4))
            out = sum(abs(n - truth) > max(1 if share else 0, share * truth) for n, truth, _ in results)
            yield Row(
                what=f"strokes: {name} pumps counted within {share:.0%}",
                measured=100.0 * (1.0 - out / PUMPS),
                unit=f"% of {PUMPS}",
            )


def sample_costs(sample_hz: float) -> tuple[float, float]:
    """Return what a sample takes in a loop that only sums, and counted [s]."""
    line = Line(sample_hz=sample_hz, length_s=40_000 / sample_hz, mean_psi=30.0)
    samples = diaphragm(line, Strokes(rate_hz=1.0, pulsation=0.1), seed=1).pressure_kpa.tolist()
    bare, full = [], []
    for _ in range(5):
        start, total = time.perf_counter(), 0.0
        for pressure in samples:
            total += pressure
        bare.append(time.perf_counter() - start)
        counter = StrokeCounter(sample_hz=sample_hz)
        start = time.perf_counter()
        for pressure in samples:
            counter.add(pressure)
        full.append(time.perf_counter() - start)
    return min(bare) / len(samples), min(full) / len(samples)


def cost() -> None:
    """Print the time of a sample, as a ratio to a loop that only sums."""
    say("\ncost of a sample")
    for sample_hz in (20.0, 50.0, 100.0, 200.0):
        bare_s, each_s = sample_costs(sample_hz)
        say(f"  {sample_hz:5.0f} Hz: {1e6 * each_s:5.1f} us, {each_s / bare_s:6.0f} times the bare loop")


def main() -> None:
    """Print every table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--runs", type=int, default=400)
    runs = parser.parse_args().runs
    cost()
    with ProcessPoolExecutor() as pool:
        for sample_hz in SAMPLE_RATES_HZ:
            grid(pool, sample_hz, 20.0, 0.06)
        grid(pool, 50.0, 60.0, 0.2)
        random_runs(pool, runs)


if __name__ == "__main__":
    main()
