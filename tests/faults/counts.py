"""How often each fault is injected: a short form for every change, the long form of the requirements."""

from __future__ import annotations

import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from multiprocessing import get_context


@dataclass(frozen=True, slots=True, kw_only=True)
class Counts:
    """Repetitions by family, and lengths of what has one."""

    kills: int
    restart_s: float
    """Time between a kill and the restart; our units have one second."""
    power_cuts: int
    failed_writes: int
    broker_kills: int
    sequences: int
    """Random scripts of sensor faults, each a minute or so of a press's time."""
    workers: int
    """Processes that share the sequences and the fuzz."""
    frozen_value: bool
    """Whether the real processes are watched for the minute that tells a frozen value."""
    jumps: int
    """Jumps of the wall clock under the running monitor."""
    flood_s: float
    damaged_files: int
    damaged_starts: int
    """Of those, how many the whole monitor is started over."""
    stalled_s: float
    reconnects: int
    season_runs: int
    payloads: int
    requests: int
    freezes: int
    export_hours: float
    pairs: int
    """Acts that two phones do at the same moment."""


SHORT = Counts(
    kills=8,
    restart_s=0.2,
    power_cuts=10,
    failed_writes=1,
    broker_kills=5,
    sequences=300,
    workers=2,
    frozen_value=False,
    jumps=2,
    flood_s=5.0,
    damaged_files=30,
    damaged_starts=3,
    stalled_s=6.0,
    reconnects=300,
    season_runs=6,
    payloads=20_000,
    requests=500,
    freezes=1,
    export_hours=1.0,
    pairs=3,
)
MEDIUM = Counts(
    kills=40,
    restart_s=1.0,
    power_cuts=200,
    failed_writes=10,
    broker_kills=20,
    sequences=2_000,
    workers=2,
    frozen_value=True,
    jumps=12,
    flood_s=20.0,
    damaged_files=200,
    damaged_starts=10,
    stalled_s=10.0,
    reconnects=3_000,
    season_runs=40,
    payloads=200_000,
    requests=5_000,
    freezes=3,
    export_hours=8.0,
    pairs=20,
)
LONG = Counts(
    kills=1_000,
    restart_s=1.0,
    power_cuts=200,
    failed_writes=50,
    broker_kills=100,
    sequences=10_000,
    workers=2,
    frozen_value=True,
    jumps=12,
    flood_s=60.0,
    damaged_files=500,
    damaged_starts=50,
    stalled_s=60.0,
    reconnects=10_000,
    season_runs=200,
    payloads=1_000_000,
    requests=100_000,
    freezes=20,
    export_hours=8.0,
    pairs=100,
)
NICE = 10
"""Work in process gives way to the services, whose answers are timed."""


def workers_of(counts: Counts) -> ProcessPoolExecutor:
    """Return the processes that share what needs no service."""
    return ProcessPoolExecutor(
        counts.workers, mp_context=get_context("spawn"), initializer=os.nice, initargs=(NICE,)
    )


CHOICES = {"short": SHORT, "medium": MEDIUM, "long": LONG}
