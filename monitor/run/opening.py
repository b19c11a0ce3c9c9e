"""How a run opens and closes: by a person, by pressure, or because it was left open."""

from __future__ import annotations

from datetime import datetime, timedelta

from monitor.contract.events import FlagChange
from monitor.rules import forecast as forecasting
from monitor.rules.flags import RULES
from monitor.rules.verdict import Verdict
from monitor.run import entering
from monitor.run.effects import RunClosed, RunOpened
from monitor.run.phases import Turn
from monitor.run.press_memory import after_run
from monitor.run.seconds import OPENABLE, foresee, raised, time_to_millisecond, to_millisecond
from monitor.run.state import OpenRun
from monitor.run.step import Step

OPENS_AFTER_S = 10.0
"""Pressure for this long opens a run, back-dated to its beginning [s] (requirement)."""
LEFT_OPEN_S = 7200.0
"""A run without pressure for this long was left open and closes by itself [s] (judgement)."""
BY_PRESSURE = "pressure"
BY_ITSELF = "no pressure for two hours"
BY_NEXT = "the next run"
"""Who opened or closed a run, where no person did."""
OUTSIDE_RUN = frozenset(rule.flag for rule in RULES if not rule.needs_run)
"""Flags that hold with no run open, too."""


def follow_pressure(step: Step) -> None:
    """Open a run that pressure asks for; close one that was left open."""
    if step.state.flow.pressure_on:
        _open_by_pressure(step)
        return
    if step.state.phase in OPENABLE and not (step.state.may_open and not step.state.waiting):
        step.put(may_open=True, waiting=())
    gone_s = step.state.flow.pressure_gone_s
    if step.state.run is not None and gone_s is not None and step.now_s - gone_s >= LEFT_OPEN_S:
        close(step, by=BY_ITSELF, ended_s=gone_s)


def _open_by_pressure(step: Step) -> None:
    """Open a run after enough pressure; it ends one whose end had been proposed."""
    state = step.state
    since_s = state.flow.pressure_since_s
    if state.phase not in OPENABLE or not state.may_open or since_s is None:
        return
    if step.now_s - since_s < OPENS_AFTER_S:
        return
    waiting, gone_s = state.waiting, state.flow.pressure_gone_s
    if state.run is not None:
        close(step, by=BY_NEXT, ended_s=gone_s)
    step.put(waiting=waiting)
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
    step.put(run=run, last_run=run.id, waiting=())
    step.effects.append(
        RunOpened(
            run=run.id,
            boot=step.stamp.boot,
            started_mono_s=to_millisecond(started_s + step.state.origin_s),
            started=started,
            clock=step.stamp.clock,
            by=by,
        )
    )
    step.turn(Turn.OPENED, cause=f"opened by {by}"[:64])
    entering.charge_of_run(step)


def close(step: Step, *, by: str, ended_s: float | None = None) -> None:
    """Close the open run as of ``ended_s`` (engine time; now if null); the phase becomes idle."""
    run = step.state.run
    if run is None:
        return
    ended_s = step.now_s if ended_s is None else max(run.started_s, ended_s)
    _clear_flags(step)
    step.turn(Turn.CLOSED, cause=f"closed by {by}"[:64])
    step.effects.append(
        RunClosed(
            run=run.id,
            boot=step.stamp.boot,
            ended_mono_s=to_millisecond(ended_s + step.state.origin_s),
            ended=_wall(step, at_s=ended_s),
            elapsed_s=ended_s - run.started_s,
            volume_l=forecasting.volume(run.forecast).filtered_l,
            by=by,
        )
    )
    learned = after_run(step.state.memory, run.forecast)
    step.put(run=None, memory=learned, may_open=not step.state.flow.pressure_on or by == BY_NEXT, waiting=())


def _clear_flags(step: Step) -> None:
    """Clear what only holds in a run, so that the run's own record says so."""
    before = raised(step.state)
    kept = {flag: watch for flag, watch in step.state.watches.items() if flag in OUTSIDE_RUN}
    step.put(verdict=Verdict(), verdict_since_s=step.now_s, watches=kept)
    for flag in before:
        if flag not in OUTSIDE_RUN:
            step.happened(FlagChange, name=flag, state="cleared")


def _wall(step: Step, *, at_s: float) -> datetime | None:
    if step.stamp.time is None:
        return None
    return time_to_millisecond(step.stamp.time - timedelta(seconds=step.now_s - at_s))


def _name(step: Step, *, started: datetime | None) -> str:
    press = step.rules.press.name
    if started is not None:
        name = f"{press}-{started:%Y%m%d-%H%M%S}"
    else:
        name = f"{press}-{step.stamp.boot[:8]}-{round(step.stamp.mono_s)}"
    # A run ended and begun anew within a second is another one; the store knows runs by name.
    return f"{name}-{step.state.events}" if step.state.last_run.startswith(name) else name
