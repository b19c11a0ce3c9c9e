"""Makes the status that everybody else sees out of the engine's state."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

from monitor.contract.names import AlarmState, Flag
from monitor.contract.readings import Point
from monitor.contract.status import (
    AlarmStatus,
    FlagStatus,
    ForecastStatus,
    PointStatus,
    PressShape,
    RunFacts,
    RunStatus,
    Standing,
    ThresholdStatus,
    VolumeStatus,
)
from monitor.rules import forecast as forecasting
from monitor.rules.alarms import SPECS
from monitor.rules.freshness import PointTrack, tolerance
from monitor.rules.smoothing import corrected
from monitor.rules.thresholds import PointTuning, Press, RunRules, Thresholds
from monitor.run.alarming import POINT_OF, measure, sound
from monitor.run.inputs import Stamp
from monitor.run.seconds import raised
from monitor.run.state import State

UNSEEN = frozenset({AlarmState.NORMAL, AlarmState.SUPPRESSED, AlarmState.OUT_OF_SERVICE})
"""States of an alarm that a viewer need not see."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Signature:
    """What the service adds to a status: its number, its maker, what it refused."""

    seq: int
    software: str
    invented: bool
    refused: int


def status_of(state: State, *, stamp: Stamp, rules: RunRules, signed: Signature) -> RunStatus:
    """Return the status of the press at ``stamp``."""
    run = state.run
    return RunStatus(
        press=rules.press.name,
        seq=signed.seq,
        boot=stamp.boot,
        mono_ms=max(0, round(stamp.mono_s * 1000)),
        time=stamp.time,
        clock=stamp.clock,
        software=signed.software,
        invented=signed.invented,
        phase=state.phase,
        run=_facts(state, stamp=stamp),
        points={point: _point(point, state, rules=rules) for point in state.points},
        flags=tuple(FlagStatus(name=flag, for_s=_flag_for_s(flag, state)) for flag in raised(state)),
        alarms=_alarms(state, limits=rules.thresholds),
        sound=sound(state),
        prompts=state.prompts,
        forecast=run.outlook if run else ForecastStatus(),
        volume=_volume(state),
        shape=_shape(rules.press),
        thresholds=_thresholds(rules.thresholds),
        recording=state.trouble is None,
        trouble=state.trouble[:200] if state.trouble else None,
        refused=signed.refused,
    )


def _facts(state: State, *, stamp: Stamp) -> RunFacts | None:
    run = state.run
    if run is None:
        return None
    elapsed_s = state.now_s - run.started_s
    started = stamp.time - timedelta(seconds=elapsed_s) if stamp.time else None
    return RunFacts(id=run.id, started=started, elapsed_s=round(elapsed_s, 1), by=run.by)


def _point(point: Point, state: State, *, rules: RunRules) -> PointStatus:
    track = state.points[point]
    standing = track.standing(state.now_s)
    age_s = round(track.age_s(state.now_s), 2)
    if standing in (Standing.STALE, Standing.BAD) or track.reading.value is None:
        return PointStatus(standing=standing, reason=track.reading.reason, age_s=age_s)
    return _valued(track, point, standing=standing, age_s=age_s, tuning=rules.tuning(point))


def _valued(
    track: PointTrack, point: Point, *, standing: Standing, age_s: float, tuning: PointTuning
) -> PointStatus:
    reading = track.reading
    slope = track.slope_per_s
    value = reading.value if reading.value is not None else 0.0
    return PointStatus(
        standing=standing,
        reason=reading.reason,
        age_s=age_s,
        value=value,
        tolerance=tolerance(reading, point=point, tuning=tuning),
        corrected=round(corrected(value, slope_per_s=slope, time_constant_s=tuning.time_constant_s), 3),
        per_min=None if slope is None else round(slope * 60.0, 3),
        low=reading.low,
        high=reading.high,
        strokes_per_min=reading.strokes_per_min,
    )


def _flag_for_s(flag: Flag, state: State) -> float:
    watch = state.watches.get(flag)
    since_s = watch.since_s if watch is not None else state.verdict_since_s
    return round(max(0.0, state.now_s - since_s), 1)


def _alarms(state: State, *, limits: Thresholds) -> tuple[AlarmStatus, ...]:
    shown = []
    for alarm, record in state.alarms.items():
        if record.state in UNSEEN:
            continue
        measured = measure(alarm, state, limits=limits)
        shown.append(
            AlarmStatus(
                name=alarm,
                state=record.state,
                activation=record.activation,
                priority=SPECS[alarm].priority,
                active=record.active,
                for_s=round(max(0.0, state.now_s - record.since_s), 1),
                silenced_s=round(max(0.0, record.silenced_until_s - state.now_s), 1),
                shelved_s=round(max(0.0, record.shelved_until_s - state.now_s), 1),
                value=measured.value,
                threshold=measured.threshold,
                point=POINT_OF.get(alarm),
            )
        )
    return tuple(shown)


def _volume(state: State) -> VolumeStatus:
    run = state.run
    if run is None:
        return VolumeStatus()
    filtered = forecasting.volume(run.forecast)
    return VolumeStatus(
        source=filtered.source,
        filtered_l=_rounded(filtered.filtered_l),
        uncertainty_l=_rounded(filtered.uncertainty_l),
        flow_l_min=_rounded(filtered.flow_l_min),
        containers=run.containers,
        containers_l=round(run.containers_l, 3),
        over_s=round(run.over_s, 1),
        over_l=round(run.over_l, 3),
    )


def _rounded(value: float | None) -> float | None:
    return None if value is None else round(value, 3)


def _shape(press: Press) -> PressShape:
    return PressShape(
        frames=press.frames, frame_thickness_m=press.frame_thickness_m, full_volume_l=press.full_volume_l
    )


def _thresholds(limits: Thresholds) -> ThresholdStatus:
    return ThresholdStatus(
        ready_c=limits.ready_c,
        ceiling_c=limits.ceiling_c,
        precipitation_c=limits.precipitation_c,
        start_kpa=limits.start_kpa,
        near_clog_kpa=limits.near_clog_kpa,
        cutoff_kpa=limits.cutoff_kpa,
        paper_limit_kpa=limits.paper_limit_kpa,
    )
