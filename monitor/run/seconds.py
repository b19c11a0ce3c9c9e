"""What is done once a second: the forecast moves on and the trace gets its row."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from monitor.contract.names import Flag, Phase
from monitor.contract.readings import Point
from monitor.contract.status import Standing
from monitor.rules import forecast as forecasting
from monitor.rules.second import Second
from monitor.rules.signatures import signatures
from monitor.rules.thresholds import RunRules
from monitor.run.effects import RowDue
from monitor.run.look import good, outlet_bounds
from monitor.run.row import TraceRow
from monitor.run.state import OpenRun, State
from monitor.run.step import Step

SHORTEST_SECOND_S = 0.9
"""Ticks closer than this to the last second belong to it [s]: the timer's own jitter."""
OPENABLE = frozenset({Phase.IDLE, Phase.END_PROPOSED})
"""Phases in which pressure opens a run."""
WAITING_MOST = 15
"""Seconds kept for a run that has not opened yet."""
# Asked of its enum, a member takes 0.1 us each time.
_LINE, _OUTLET, _PAN, _FILLER, _FLOW = Point.LINE, Point.OUTLET, Point.PAN, Point.FILLER, Point.FLOW
_VALUED, _ABSENT = frozenset({Standing.GOOD, Standing.UNCERTAIN}), Standing.ABSENT
_READY, _OVER, _STIR = Flag.READY_TO_BOTTLE, Flag.OVER_PRECIPITATION, Flag.STIR_DUE


def second_is_over(step: Step) -> bool:
    """Tell whether the next second of the trace is due."""
    return step.now_s - step.state.second_s >= SHORTEST_SECOND_S


def pass_second(step: Step) -> None:
    """Hand the second that just passed to the open run's forecast, or keep it for a run to come."""
    state = step.state
    run = state.run
    if run is not None:
        second = _second(state, rules=step.rules, zero_s=run.started_s)
        step.put(run=_count_over(run, _foreseen(run, second, rules=step.rules), state))
        _ask_again_to_stir(step)
    if state.flow.pressure_on and state.phase in OPENABLE:
        step.put(waiting=(*state.waiting, _second(state, rules=step.rules))[-WAITING_MOST:])


def begin_next(step: Step) -> None:
    """Start to count the next second."""
    step.put(second_s=step.now_s, strokes=None)


def foresee(run: OpenRun, second: Second, *, rules: RunRules) -> OpenRun:
    """Return ``run`` with its forecast moved on by ``second`` (in engine time)."""
    return _foreseen(run, replace(second, elapsed_s=second.elapsed_s - run.started_s), rules=rules)


def _foreseen(run: OpenRun, second: Second, *, rules: RunRules) -> OpenRun:
    """Return ``run`` with its forecast moved on by ``second`` (in the run's own time)."""
    track = forecasting.advance(run.forecast, second, rules=rules)
    return run.changed(
        forecast=track,
        outlook=forecasting.forecast(track, rules=rules),
        seen=tuple(sorted(signatures(track, rules=rules))),
    )


def row(step: Step) -> RowDue:
    """Return the trace's row of this moment."""
    state = step.state
    outlet_c, outlet_standing = _shown(state, _OUTLET)
    line_kpa, line_standing = _shown(state, _LINE)
    fresh_line = good(state.points.get(_LINE), now_s=state.now_s)
    run = state.run
    filtered = forecasting.volume(run.forecast) if run else None
    mono_s = to_millisecond(step.stamp.mono_s)
    zero_s = None if run is None else to_millisecond(run.started_s + state.origin_s)
    return RowDue(
        TraceRow(
            boot=step.stamp.boot,
            mono_s=mono_s,
            time=time_to_millisecond(step.stamp.time),
            clock=step.stamp.clock,
            elapsed_s=None if zero_s is None else to_millisecond(mono_s - zero_s),
            outlet_c=outlet_c,
            outlet_standing=outlet_standing,
            line_kpa=line_kpa,
            line_high_kpa=fresh_line.reading.high if fresh_line else None,
            line_standing=line_standing,
            strokes=state.strokes,
            flow_l_min=filtered.flow_l_min if filtered else None,
            volume_l=filtered.filtered_l if filtered else None,
            pan_c=_shown(state, _PAN)[0],
            filler_c=_shown(state, _FILLER)[0],
            phase=state.phase,
            flags=raised(state),
        )
    )


def to_millisecond(seconds: float) -> float:
    """Return ``seconds`` as finely as a trace file tells them, so that nothing is lost in one."""
    return round(seconds, 3)


def time_to_millisecond(time: datetime | None) -> datetime | None:
    """Return ``time`` cut to the millisecond, likewise."""
    return None if time is None else time.replace(microsecond=time.microsecond // 1000 * 1000)


def raised(state: State) -> tuple[Flag, ...]:
    """Return the flags raised in ``state``, the verdict first, then in the order of the rules."""
    watched = tuple(flag for flag, watch in state.watches.items() if watch.raised)
    verdict = state.verdict.flag
    return watched if verdict is None else (verdict, *watched)


def _second(state: State, *, rules: RunRules, zero_s: float = 0.0) -> Second:
    """Return the second that ends now, its time counted from ``zero_s`` of the engine's."""
    outlet = outlet_bounds(state, rules=rules)
    now_s, run = state.now_s, state.run
    line = good(state.points.get(_LINE), now_s=now_s)
    pan = good(state.points.get(_PAN), now_s=now_s)
    return Second(
        elapsed_s=now_s - zero_s,
        outlet_c=outlet.value if outlet else None,
        outlet_corrected_c=outlet.corrected if outlet else None,
        line_kpa=line.reading.value if line else None,
        line_low_kpa=line.reading.low if line else None,
        line_high_kpa=line.reading.high if line else None,
        strokes=state.strokes,
        flow_l_min=_shown(state, _FLOW)[0],
        containers_l=run.containers_l if run else 0.0,
        ready=state.verdict.flag is _READY,
        pan_c=pan.reading.value if pan else None,
    )


def _count_over(before: OpenRun, after: OpenRun, state: State) -> OpenRun:
    """Return ``after`` with the second's time and volume counted if it was over the threshold."""
    watch = state.watches.get(_OVER)
    if watch is None or not watch.raised or not state.flow.flowing(state.now_s):
        return after
    passed_l = 0.0
    volume_before, volume_after = forecasting.volume(before.forecast), forecasting.volume(after.forecast)
    if volume_before.filtered_l is not None and volume_after.filtered_l is not None:
        passed_l = max(0.0, volume_after.filtered_l - volume_before.filtered_l)
    return after.changed(over_s=before.over_s + state.now_s - state.second_s, over_l=before.over_l + passed_l)


def _ask_again_to_stir(step: Step) -> None:
    """Count a new prompt each time the stir interval passes with nobody having stirred."""
    watch = step.state.watches.get(_STIR)
    every_s = step.rules.thresholds.stir_every_s
    if watch is None or not watch.raised or every_s <= 0:
        return
    waited_s, waited_before_s = step.now_s - watch.since_s, step.state.second_s - watch.since_s
    if waited_before_s >= 0 and int(waited_s / every_s) > int(waited_before_s / every_s):
        step.put(prompts=step.state.prompts + 1)


def _shown(state: State, point: Point) -> tuple[float | None, Standing]:
    """Return what ``point`` reads now, good or uncertain, never stale, and how it stands."""
    track = state.points.get(point)
    if track is None:
        return None, _ABSENT
    standing = track.standing(state.now_s)
    return track.reading.value if standing in _VALUED else None, standing
