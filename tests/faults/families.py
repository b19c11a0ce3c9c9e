"""Every family of faults by name, in the order in which they are run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

from tests.faults import (
    broker_kills,
    clocks,
    damaged_files,
    disks,
    floods,
    freezes,
    kills,
    mistakes,
    payloads,
    power_cuts,
    readers,
    scripts,
    season,
    sensors,
    visits,
)
from tests.faults.counts import Counts
from tests.faults.metric import Metric

Trial = Callable[[Counts, Path], Iterator[Metric]]

TRIALS: dict[str, Trial] = {
    "kills": kills.trial,
    "power cuts": power_cuts.trial,
    "failed writes": disks.failed_writes,
    "full disk": disks.full_disk,
    "broker kills": broker_kills.trial,
    "sensors": sensors.trial,
    "scripts": scripts.trial,
    "clocks": clocks.trial,
    "floods": floods.trial,
    "damaged files": damaged_files.trial,
    "stalled readers": readers.stalled,
    "reconnects": readers.reconnects,
    "season": season.trial,
    "payloads": payloads.trial,
    "requests": visits.trial,
    "freezes": freezes.trial,
    "exports": readers.exports,
    "mistakes": mistakes.trial,
}
