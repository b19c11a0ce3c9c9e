"""A whole invented run as a trace, as fast as the machine can, with the truth beside it."""

from __future__ import annotations

import csv
import random
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from hardware.simulated_operator import EndReason
from hardware.simulated_run import TICKS_A_SECOND, SimulatedRun
from hardware.simulated_season import PROBE_LOST_S, Mishap, Scenario
from hardware.simulated_sensors import SimulatedTransducer
from monitor.runtime.settings import LinePointSection

COLUMNS = (
    "elapsed_s",
    "outlet_degC",
    "outlet_quality",
    "line_kPa",
    "line_high_kPa",
    "line_quality",
    "strokes",
)
CHIP_STEPS_PER_K = 16
LONGEST_S = 7200.0
"""No invented run is longer: a pump that never clogs anything is stopped."""
READY_C, PRECIPITATION_C = 82.2222, 89.4444
"""180 and 193 degF, for what the truth notes beside a trace."""
NEAR_CLOG_KPA, CUTOFF_KPA = 496.42, 551.58
"""72 and 80 psi."""
CAKE_READING_ERROR = 0.12
"""How far off an owner's reading of the last cake may be (uniform share)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedRow:
    """One second as probe and transducer show it; ``outlet_c`` is null while the probe is lost."""

    elapsed_s: int
    outlet_c: float | None
    line_kpa: float
    line_high_kpa: float
    strokes: int


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceTruth:
    """What really was: seconds from the first pressure, L by row, the cakes' share of the room."""

    scenario: Scenario
    ready_s: float | None
    """When the syrup at the outlet, not the probe, first reached 180 degF."""
    over_precipitation_s: float | None
    near_clog_s: float | None
    """When the mean line pressure first reached 72 psi, ``cutoff_s`` 80."""
    cutoff_s: float | None
    mishap_s: float | None
    end_reason: EndReason | None
    duration_s: float
    volume_l: float
    fill: float
    full_volume_l: float
    """What the owner believes fills the frames, from a last cake: some 12 % off at most."""
    volume_by_row_l: tuple[float, ...]
    outlet_by_row_c: tuple[float, ...]


def simulate_trace(scenario: Scenario, *, seed: int) -> tuple[list[SimulatedRow], TraceTruth]:
    """Return the rows of a run of ``scenario`` and its truth; equal seeds give equal runs."""
    run = SimulatedRun(scenario, seed=seed)
    chance = random.Random(seed)  # noqa: S311 - an invented run, not a secret
    transducer = SimulatedTransducer(LinePointSection(), chance=chance)
    while run.elapsed_s < 0.0:
        run.tick()
    rows: list[SimulatedRow] = []
    volumes: list[float] = []
    outlets: list[float] = []
    means: list[float] = []
    while run.end_reason is None and run.elapsed_s < LONGEST_S:
        strokes = run.pump.strokes
        samples = [run.tick() for _ in range(TICKS_A_SECOND)]
        means.append(sum(samples) / TICKS_A_SECOND)
        sensed = [transducer.sense(sample) for sample in samples]
        lost = run.during(Mishap.PROBE_LOST, lasts_s=PROBE_LOST_S)
        shown_c = run.probe.convert()
        rows.append(
            SimulatedRow(
                elapsed_s=len(rows) + 1,
                outlet_c=None if lost else round(shown_c * CHIP_STEPS_PER_K) / CHIP_STEPS_PER_K,
                line_kpa=sum(sensed) / TICKS_A_SECOND,
                line_high_kpa=max(sensed),
                strokes=run.pump.strokes - strokes,
            )
        )
        volumes.append(run.filtered_l)
        outlets.append(run.plates.outlet_c)
    truth = TraceTruth(
        scenario=scenario,
        ready_s=_first_at(outlets, READY_C),
        over_precipitation_s=_first_at(outlets, PRECIPITATION_C),
        near_clog_s=_first_at(means, NEAR_CLOG_KPA),
        cutoff_s=_first_at(means, CUTOFF_KPA),
        mishap_s=None if scenario.mishap is Mishap.NONE else run.batch.mishap_at_s,
        end_reason=run.end_reason,
        duration_s=float(len(rows)),
        volume_l=run.filtered_l,
        fill=run.cakes.fill,
        full_volume_l=_full_volume_l(run, chance=chance),
        volume_by_row_l=tuple(volumes),
        outlet_by_row_c=tuple(outlets),
    )
    return rows, truth


def _first_at(values: Sequence[float], level: float) -> float | None:
    return next((float(second) for second, value in enumerate(values, start=1) if value >= level), None)


def _full_volume_l(run: SimulatedRun, *, chance: random.Random) -> float:
    """Return what fills the frames by the batch's dose, as an owner reads it off a last cake."""
    true_l = run.filtered_l / run.cakes.fill if run.cakes.fill else run.scenario.frame_room_l * 20.0
    return true_l * (1.0 + chance.uniform(-CAKE_READING_ERROR, CAKE_READING_ERROR))


def write_trace(path: Path, rows: Sequence[SimulatedRow]) -> None:
    """Write ``rows`` as a trace file in the metric form; a lost probe is an empty cell, "bad"."""
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for row in rows:
            outlet = ("", "bad") if row.outlet_c is None else (f"{row.outlet_c:.4f}", "good")
            line = (f"{row.line_kpa:.2f}", f"{row.line_high_kpa:.2f}", "good")
            writer.writerow((row.elapsed_s, *outlet, *line, row.strokes))
