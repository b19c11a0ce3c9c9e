"""How a run opens and closes: by a person, by pressure, or because it was left open."""

from __future__ import annotations

from datetime import datetime, timedelta

from monitor.rules import forecast as forecasting
from monitor.run.effects import RunClosed, RunOpened
from monitor.run.phases import Turn
from monitor.run.seconds import foresee
from monitor.run.state import OpenRun
from monitor.run.step import Step

OPENS_AFTER_S = 10.0
"""Pressure for this long opens a run, back-dated to its beginning [s] (requirement)."""
LEFT_OPEN_S = 7200.0
"""A run without pressure for this long was left open and closes by itself [s] (judgement)."""
BY_PRESSURE = "pressure"
BY_ITSELF = "no pressure for two hours"


def follow_pressure(step: Step) -> None:
    """Open a run that pressure asks for; close one that was left open."""
    state = step.state
    flow = state.flow
    if not flow.pressure_on:
        if not state.may_open or (state.waiting and state.run is None):
            step.put(may_open=True, waiting=())
        gone_s = flow.pressure_gone_s
        if state.run is not None and gone_s is not None and step.now_s - gone_s >= LEFT_OPEN_S:
            close(step, by=BY_ITSELF)
        return
    since_s = flow.pressure_since_s
    if state.run is None and state.may_open and since_s is not None and step.now_s - since_s >= OPENS_AFTER_S:
        open_run(step, by=BY_PRESSURE, started_s=since_s)


def open_run(step: Step, *, by: str, started_s: float) -> None:
    """Open a run that began at ``started_s`` (engine time) and give it the seconds since."""
    started = _wall(step, at_s=started_s)
    run = OpenRun(
        id=_name(step, started=started),
        by=by,
        started_s=started_s,
        forecast=forecasting.begin(step.rules),
        stirred_s=started_s,
    )
    for second in step.state.waiting:
        run = foresee(run, second, rules=step.rules)
    step.put(run=run, waiting=())
    step.effects.append(
        RunOpened(
            run=run.id,
            boot=step.stamp.boot,
            started_mono_s=started_s + step.state.origin_s,
            started=started,
            clock=step.stamp.clock,
            by=by,
        )
    )
    step.turn(Turn.OPENED, cause=f"opened by {by}"[:64])


def close(step: Step, *, by: str) -> None:
    """Close the open run; the phase becomes idle."""
    run = step.state.run
    if run is None:
        return
    step.turn(Turn.CLOSED, cause=f"closed by {by}"[:64])
    step.effects.append(
        RunClosed(
            run=run.id,
            boot=step.stamp.boot,
            ended_mono_s=step.stamp.mono_s,
            ended=step.stamp.time,
            elapsed_s=step.now_s - run.started_s,
            volume_l=forecasting.volume(run.forecast).filtered_l,
            by=by,
        )
    )
    step.put(run=None, may_open=not step.state.flow.pressure_on, waiting=())


def _wall(step: Step, *, at_s: float) -> datetime | None:
    if step.stamp.time is None:
        return None
    return step.stamp.time - timedelta(seconds=step.now_s - at_s)


def _name(step: Step, *, started: datetime | None) -> str:
    press = step.rules.press.name
    if started is not None:
        return f"{press}-{started:%Y%m%d-%H%M%S}"
    return f"{press}-{step.stamp.boot[:8]}-{round(step.stamp.mono_s)}"
