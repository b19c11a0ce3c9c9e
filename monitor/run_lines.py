"""Runs and what a replay finds, as lines and facts for the terminal."""

from __future__ import annotations

import json
from datetime import timedelta
from typing import Literal

from monitor.contract.units import Dimension, convert
from monitor.trace.reader import RunRecord


def run_facts(run: RunRecord) -> dict[str, object]:
    """Return one run for ``--json``."""
    return {
        "run": run.run,
        "press": run.press,
        "started": run.started.isoformat() if run.started else None,
        "elapsed_s": run.elapsed_s,
        "volume_L": run.volume_l,
        "opened_by": run.opened_by,
        "closed_by": run.closed_by,
        "invented": run.invented,
    }


def run_line(run: RunRecord, *, units: Literal["us", "metric"]) -> str:
    """Return one run as a line: its name, its length, its volume."""
    length = "open" if run.elapsed_s is None else str(timedelta(seconds=round(run.elapsed_s)))
    unit = "gal" if units == "us" else "L"
    volume = "-"
    if run.volume_l is not None:
        volume = f"{convert(run.volume_l, dimension=Dimension.VOLUME, into=unit):.1f} {unit}"
    return f"{run.run}  {length:>8}  {volume:>9}{'  invented' if run.invented else ''}"


def replay_line(record: dict[str, object]) -> str:
    """Return one record of a replay as a line; the summary stays JSON."""
    if record["kind"] == "summary":
        return json.dumps(record)
    elapsed = timedelta(seconds=round(float(str(record["elapsed_s"]))))
    return f"{elapsed}  {record['kind']}  {record['name']}: {record['state']}"
