"""Puts a run, invented or from a trace file, before the forecast and scores what it said."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from monitor.contract.status import ForecastStatus
from monitor.rules.forecast import ForecastState, Second, advance, begin, forecast
from monitor.rules.smoothing import Recent, corrected
from monitor.rules.thresholds import RunRules
from monitor.runtime.settings import load
from tests.rules.press_runs import PressRun, Row

TRACES = Path(__file__).parents[1] / "data" / "traces"
PROBE_LAG_S = 12.0


def rules_for(known: dict[str, Any]) -> RunRules:
    """Rules of an owner who knows ``known``: keys of the settings file."""
    texts = {key: str(value) if isinstance(value, int) else f'"{value}"' for key, value in known.items()}
    return load(overrides=[f"{key}={text}" for key, text in texts.items()]).rules()


def rules_of(run: PressRun, **more: object) -> RunRules:
    """Rules of the owner of an invented press."""
    setup = run.setup
    return rules_for(
        {
            "press.frames": setup.frames,
            "press.frame_side": f"{setup.side_m} m",
            "press.frame_thickness": f"{setup.thickness_m} m",
            "press.full_volume": f"{run.full_volume_l} L",
            "pump.kind": setup.kind,
            "pump.displacement": f"{setup.displacement_l} L",
            "pump.at_cutoff": "bypass" if setup.bypass else "stop",
            **more,
        }
    )


def seconds(rows: Iterable[Row]) -> Iterator[Second]:
    """The rows as the engine hands them on, the probe's lag taken out."""
    recent = Recent()
    for row in rows:
        lag_free = None
        if row.outlet_c is not None:
            recent = recent.add(row.outlet_c, at_s=row.elapsed_s)
            lag_free = corrected(row.outlet_c, slope_per_s=recent.slope_per_s, time_constant_s=PROBE_LAG_S)
        yield Second(
            elapsed_s=row.elapsed_s,
            outlet_c=row.outlet_c,
            outlet_corrected_c=lag_free,
            line_kpa=row.line_kpa,
            line_high_kpa=row.line_high_kpa,
            line_low_kpa=None,
            strokes=row.strokes,
            flow_l_min=row.flow_l_min,
            containers_l=0.0,
            ready=False,
        )


@dataclass(frozen=True, slots=True)
class Trace:
    """A trace file with its truth."""

    rules: RunRules
    rows: list[Row]
    volume_l: list[float]
    truth: dict[str, Any]


def trace(name: str) -> Trace:
    """The trace called ``name`` of tests/data/traces."""
    beside = json.loads((TRACES / f"{name}.json").read_text(encoding="utf-8"))
    with (TRACES / f"{name}.csv").open(newline="", encoding="utf-8") as file:
        rows = [
            Row(
                elapsed_s=float(row["elapsed_s"]),
                outlet_c=_number(row["outlet_degC"]),
                line_kpa=_number(row["line_kPa"]),
                line_high_kpa=_number(row["line_high_kPa"]),
                strokes=int(row["strokes"]) if row["strokes"] else None,
                flow_l_min=None,
            )
            for row in csv.DictReader(file)
        ]
    return Trace(rules_for(beside["known_to_the_owner"]), rows, beside["volume_by_row_l"], beside["truth"])


def followed(rules: RunRules, rows: Iterable[Row]) -> Iterator[tuple[ForecastState, ForecastStatus]]:
    """State and forecast after each row."""
    state = begin(rules)
    for second in seconds(rows):
        state = advance(state, second, rules=rules)
        yield state, forecast(state, rules=rules)


def errors_of_volume(
    rules: RunRules, rows: list[Row], volume_l: list[float], *, shares: tuple[float, ...]
) -> list[float | None]:
    """Error of the volume left as a share of the total, when these shares of the total have passed."""
    total_l = volume_l[-1]
    marks = [next(i for i, now_l in enumerate(volume_l) if now_l >= share * total_l) for share in shares]
    found: dict[int, float | None] = {}
    state = begin(rules)
    for index, second in enumerate(seconds(rows[: max(marks) + 1])):
        state = advance(state, second, rules=rules)
        if index in marks:
            left_l = forecast(state, rules=rules).volume_left_l
            found[index] = None if left_l is None else (left_l - (total_l - volume_l[index])) / total_l
    return [found[mark] for mark in marks]


def share_of(values: list[float], part: float) -> float:
    """The value that ``part`` of ``values`` does not exceed."""
    return sorted(values)[min(len(values) - 1, int(part * len(values)))]


def _number(text: str) -> float | None:
    return float(text) if text else None
