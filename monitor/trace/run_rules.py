"""The rules that a stored run was judged by, and what it is for new entries, from its own facts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TypeVar

from monitor.contract.names import PumpKind
from monitor.contract.readings import Point
from monitor.rules.thresholds import PointTuning, Press, Pump, RunRules, Thresholds
from monitor.run.records import KeptRun
from monitor.trace.reader import RunRecord

Kind = TypeVar("Kind")


def run_rules(record: RunRecord, *, otherwise: RunRules) -> RunRules:
    """Return the rules of ``record``; what its facts do not tell is taken from ``otherwise``."""
    facts = record.facts
    return replace(
        otherwise,
        press=_press(facts.get("press"), otherwise.press),
        pump=_pump(facts.get("pump"), otherwise.pump),
        thresholds=_thresholds(facts.get("thresholds"), otherwise.thresholds),
        points=_points(facts.get("points"), otherwise.points),
    )


def kept_run(record: RunRecord) -> KeptRun:
    """Return what new entries about ``record`` are checked by."""
    press = record.facts.get("press")
    press = press if isinstance(press, dict) else {}
    frames, thickness_m = press.get("frames"), press.get("frame_thickness_m")
    return KeptRun(
        frames=frames if isinstance(frames, int) else None,
        frame_thickness_m=thickness_m if isinstance(thickness_m, float) else None,
        day=None if record.started is None else record.started.astimezone().date(),
    )


def _press(told: object, otherwise: Press) -> Press:
    return _built(Press, told, otherwise)


def _thresholds(told: object, otherwise: Thresholds) -> Thresholds:
    return _built(Thresholds, told, otherwise)


def _pump(told: object, otherwise: Pump) -> Pump:
    if not isinstance(told, dict):
        return otherwise
    try:
        return Pump(**(told | {"kind": PumpKind(told["kind"])}))
    except (TypeError, ValueError, KeyError):
        return otherwise


def _points(told: object, otherwise: Mapping[Point, PointTuning]) -> Mapping[Point, PointTuning]:
    if not isinstance(told, dict):
        return otherwise
    try:
        return {Point(name): PointTuning(**tuning) for name, tuning in told.items()}
    except (TypeError, ValueError):
        return otherwise


def _built(kind: type[Kind], told: object, otherwise: Kind) -> Kind:
    """Return ``kind`` of the facts told by some version; a version that told others means ours."""
    try:
        return kind(**told) if isinstance(told, dict) else otherwise
    except TypeError:
        return otherwise
