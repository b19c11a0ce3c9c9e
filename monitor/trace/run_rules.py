"""The rules that a stored run was judged by, and what it is for new entries, from its own facts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TypeVar

from pydantic import TypeAdapter, ValidationError

from monitor.contract.readings import Point
from monitor.rules.thresholds import PointTuning, Press, Pump, RunRules, Thresholds
from monitor.run.records import KeptRun
from monitor.trace.reader import RunRecord

Part = TypeVar("Part")

_PRESS = TypeAdapter(Press)
_PUMP = TypeAdapter(Pump)
_THRESHOLDS = TypeAdapter(Thresholds)
_POINTS: TypeAdapter[Mapping[Point, PointTuning]] = TypeAdapter(dict[Point, PointTuning])


def run_rules(record: RunRecord, *, otherwise: RunRules) -> RunRules:
    """Return the rules of ``record``; what its facts do not tell is taken from ``otherwise``."""
    facts = record.facts
    return replace(
        otherwise,
        press=_press(record) or otherwise.press,
        pump=_told(facts.get("pump"), _PUMP) or otherwise.pump,
        thresholds=thresholds_of(record) or otherwise.thresholds,
        points=_told(facts.get("points"), _POINTS) or otherwise.points,
    )


def thresholds_of(record: RunRecord) -> Thresholds | None:
    """Return the limits that ``record`` was judged by; null where its facts do not tell them all."""
    return _told(record.facts.get("thresholds"), _THRESHOLDS)


def kept_run(record: RunRecord) -> KeptRun:
    """Return what new entries about ``record`` are checked by."""
    press = _press(record)
    return KeptRun(
        frames=None if press is None else press.frames,
        frame_thickness_m=None if press is None else press.frame_thickness_m,
        day=None if record.started is None else record.started.astimezone().date(),
    )


def _press(record: RunRecord) -> Press | None:
    """Return the press of ``record``; null where it is not told, or is none that syrup passes."""
    press = _told(record.facts.get("press"), _PRESS)
    if press is None or not min(press.frame_volume_l, press.paper_area_m2, press.frame_thickness_m) > 0.0:
        return None
    return press


def _told(facts: object, adapter: TypeAdapter[Part]) -> Part | None:
    """Return what ``facts`` tell, null where another version told something else."""
    try:
        return adapter.validate_python(facts)
    except ValidationError:
        return None
