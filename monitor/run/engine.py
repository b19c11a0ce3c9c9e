"""The engine: ``step(state, input, rules) -> (state, effects)``, pure.

An input is folded into the state (a reading, a tick, an act), then the whole press is looked
at once: run, flow, verdict, flags, phase, alarms. Each change leaves as an event.
"""

from __future__ import annotations

from dataclasses import replace
from typing import assert_never

import monitor.rules.arrival  # noqa: F401 - loads numpy at the start, not in the first minute of a run
from monitor.contract.events import FlagChange
from monitor.contract.names import Flag, Phase
from monitor.contract.readings import Point, Reading
from monitor.rules.flags import PROMPTING, watch
from monitor.rules.freshness import hear, is_newer
from monitor.rules.picture import Picture
from monitor.rules.thresholds import RunRules
from monitor.rules.verdict import judge
from monitor.run import acts, alarming, opening, seconds
from monitor.run.effects import Effect, StatusDue
from monitor.run.inputs import CommandArrived, Input, ReadingArrived, RecordingChanged, Tick
from monitor.run.look import look
from monitor.run.phases import Turn
from monitor.run.state import State
from monitor.run.step import Step

_STATUS_DUE = StatusDue()
# Asked of its enum, a member takes 0.1 us each time.
_READY, _RECIRCULATING, _BOTTLING = Flag.READY_TO_BOTTLE, Phase.RECIRCULATING, Phase.BOTTLING
_LINE, _FLOW = Point.LINE, Point.FLOW

LONG_PAUSE_S = 600.0
"""Paused without pressure for this long, the end of the run is proposed [s] (requirement)."""


def step(state: State, entered: Input, *, rules: RunRules) -> tuple[State, tuple[Effect, ...]]:
    """Return the state after ``entered`` and what is to be done about it."""
    under_way = Step(state, stamp=entered.stamp, rules=rules)
    _take_in(under_way, entered)
    opening.follow_pressure(under_way)
    second = isinstance(entered, Tick) and seconds.second_is_over(under_way)
    if second:
        seconds.pass_second(under_way)
    _judge(under_way)
    if second:
        under_way.effects.append(seconds.row(under_way))
        seconds.begin_next(under_way)
    if second or under_way.effects or under_way.state.points is not state.points:
        under_way.effects.append(_STATUS_DUE)
    return under_way.state, tuple(under_way.effects)


def _take_in(under_way: Step, entered: Input) -> None:
    match entered:
        case ReadingArrived():
            _hear(under_way, entered.point, entered.reading)
        case CommandArrived():
            acts.carry_out(under_way, entered.command, records=entered.records)
        case RecordingChanged():
            under_way.put(trouble=entered.trouble)
        case Tick():
            pass
        case _:
            assert_never(entered)


def _hear(under_way: Step, point: Point, reading: Reading) -> None:
    state = under_way.state
    before = state.points.get(point)
    if not is_newer(reading, than=before):
        return
    same_boot = reading.boot == under_way.stamp.boot
    taken_s = reading.mono_ms / 1000.0 - state.origin_s if same_boot else under_way.now_s
    track = hear(before, reading, now_s=under_way.now_s, taken_s=taken_s)
    flow, strokes = state.flow, state.strokes
    if point is _LINE and reading.value is not None:
        flow = flow.with_line(reading.value, strokes=reading.strokes, at_s=track.taken_s)
        strokes = strokes if reading.strokes is None else (strokes or 0) + reading.strokes
    elif point is _FLOW and reading.value is not None:
        flow = replace(flow, meter_l_min=reading.value)
    under_way.put(points={**state.points, point: track}, flow=flow, strokes=strokes)


def _judge(under_way: Step) -> None:
    picture = look(under_way.state, rules=under_way.rules)
    before = under_way.state
    _decide(under_way, picture)
    if under_way.state is not before:
        _tell_flags(under_way, seconds.raised(before))
    _follow_phase(under_way, picture)
    alarming.follow(under_way, picture)


def _decide(under_way: Step, picture: Picture) -> None:
    state, limits = under_way.state, under_way.rules.thresholds
    verdict = judge(state.verdict, picture, limits=limits)
    watches = watch(state.watches, picture, limits=limits)
    if verdict is state.verdict and watches is state.watches:
        return
    since_s = state.verdict_since_s if verdict.flag is state.verdict.flag else under_way.now_s
    run = state.run
    if run is not None and verdict.flag is Flag.READY_TO_BOTTLE and not run.bottled:
        run = run.changed(bottled=True)
    under_way.put(verdict=verdict, verdict_since_s=since_s, watches=watches, run=run)


def _tell_flags(under_way: Step, before: tuple[Flag, ...]) -> None:
    after = seconds.raised(under_way.state)
    if after == before:
        return
    for flag in before:
        if flag not in after:
            under_way.happened(FlagChange, name=flag, state="cleared")
    for flag in after:
        if flag not in before:
            under_way.happened(FlagChange, name=flag, state="raised")
            if flag in PROMPTING:
                under_way.put(prompts=under_way.state.prompts + 1)


def _follow_phase(under_way: Step, picture: Picture) -> None:
    # Flow that is back on a hot outlet takes two turns at once: recirculating, then bottling.
    while (turn := _turn(under_way, picture)) is not None:
        if under_way.turn(turn) is Phase.END_PROPOSED:
            under_way.put(prompts=under_way.state.prompts + 1)


def _turn(under_way: Step, picture: Picture) -> Turn | None:
    """Return the turn that the run's phase takes now, if any."""
    state = under_way.state
    phase = state.phase
    if phase is _RECIRCULATING or phase is _BOTTLING:
        if picture.line_kpa is not None and not picture.flowing:
            return Turn.FLOW_STOPPED
        ready = state.verdict.flag is _READY
        if ready is (phase is _BOTTLING):
            return None
        return Turn.READY if ready else Turn.NOT_READY
    if phase is Phase.PAUSED:
        if picture.line_kpa is not None and picture.flowing:
            return Turn.FLOW_BACK
        gone = not state.flow.pressure_on and under_way.now_s - state.phase_since_s >= LONG_PAUSE_S
        return Turn.LONG_PAUSE if gone else None
    return None
