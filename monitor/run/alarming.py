"""Moves the alarms: what time and the flags ask of each, as events."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.events import AlarmMove
from monitor.contract.names import Alarm, AlarmState, Flag, Signal
from monitor.contract.readings import Point
from monitor.contract.status import Standing
from monitor.rules.alarms import SPECS, AlarmRecord, Cause, Condition, causes_due, move
from monitor.rules.picture import Picture
from monitor.rules.thresholds import Thresholds
from monitor.run.state import FILLER_ALARMS, State
from monitor.run.step import Step

FLAG_OF: dict[Alarm, Flag] = {
    alarm: Flag(alarm.value) for alarm in Alarm if alarm is not Alarm.MONITOR_SILENT
}
"""An alarm and the flag that raises it share their words."""

POINT_OF: dict[Alarm, Point] = {
    Alarm.OVER_PRECIPITATION: Point.OUTLET,
    Alarm.NEAR_CLOG: Point.LINE,
    Alarm.STOP_AT_CUTOFF: Point.LINE,
    Alarm.PAPER_LIMIT: Point.LINE,
    Alarm.FILLER_TOO_HOT: Point.FILLER,
    Alarm.FILLER_TOO_COLD: Point.FILLER,
    Alarm.PRESSURE_DROP: Point.LINE,
    Alarm.PUMP_STALLED: Point.LINE,
}
"""The point whose value an alarm is about, where it is about one."""

# Asked of its enum, a member takes 0.1 us each time.
_NORMAL, _OUT_OF_SERVICE = AlarmState.NORMAL, AlarmState.OUT_OF_SERVICE


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """The value, its standing and the threshold in force when an alarm moves."""

    value: float | None
    standing: Standing | None
    threshold: float | None


def follow(step: Step, picture: Picture) -> None:
    """Make every move that is due, each an event."""
    watches = step.state.watches
    for alarm, record in step.state.alarms.items():
        state, of_filler = record.state, alarm in FILLER_ALARMS
        if state is _OUT_OF_SERVICE and of_filler and not picture.filler_fitted:
            continue
        holds = (watch := watches.get(FLAG_OF[alarm])) is not None and watch.raised
        if state is _NORMAL and not holds and not of_filler:
            continue
        condition = Condition(
            holds=holds,
            fitted=picture.filler_fitted or not of_filler,
            suppressed=of_filler and not picture.bottled,
            run_open=picture.run_open,
        )
        for cause in causes_due(record, alarm=alarm, condition=condition, now_s=step.now_s):
            shift(step, alarm, cause)


def shift(
    step: Step, alarm: Alarm, cause: Cause, *, who: str | None = None, shelve_s: float = 0.0
) -> AlarmRecord:
    """Make one move of ``alarm`` and record it; an illegal one raises and changes nothing."""
    before = step.state.alarms[alarm]
    after = move(before, cause, alarm=alarm, now_s=step.now_s, shelve_s=shelve_s)
    measured = measure(alarm, step.state, limits=step.rules.thresholds)
    step.put(alarms={**step.state.alarms, alarm: after})
    step.happened(
        AlarmMove,
        name=alarm,
        activation=after.activation,
        before=before.state,
        state=after.state,
        cause=cause.value,
        who=who,
        value=measured.value,
        standing=measured.standing,
        threshold=measured.threshold,
    )
    return after


def measure(alarm: Alarm, state: State, *, limits: Thresholds) -> Measure:
    """Return what ``alarm`` is about as it stands now."""
    point = POINT_OF.get(alarm)
    track = state.points.get(point) if point else None
    standing = track.standing(state.now_s) if track else None
    value = track.reading.value if track and standing is not Standing.STALE else None
    if track and alarm is Alarm.PAPER_LIMIT and value is not None:
        value = track.reading.high if track.reading.high is not None else value
    return Measure(value=value, standing=standing, threshold=threshold(alarm, limits=limits))


def threshold(alarm: Alarm, *, limits: Thresholds) -> float | None:
    """Return the limit that ``alarm`` watches, in the unit of its point."""
    match alarm:
        case Alarm.OVER_PRECIPITATION | Alarm.FILLER_TOO_HOT:
            return limits.precipitation_c
        case Alarm.FILLER_TOO_COLD:
            return limits.ready_c
        case Alarm.NEAR_CLOG:
            return limits.near_clog_kpa
        case Alarm.STOP_AT_CUTOFF:
            return limits.cutoff_kpa
        case Alarm.PAPER_LIMIT:
            return limits.paper_limit_kpa
        case _:
            return None


def sound(state: State) -> Signal | None:
    """Return the alarm signal due now: the highest of those that sound."""
    due = {SPECS[alarm].priority for alarm, record in state.alarms.items() if record.sounding(state.now_s)}
    return next((signal for signal in (Signal.HIGH, Signal.MEDIUM) if signal in due), None)
