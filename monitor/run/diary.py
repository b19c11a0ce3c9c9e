"""What happened in a run as the service's log tells it: one plain line each, and nobody's name."""

from __future__ import annotations

from monitor.contract.events import AlarmMove, FlagChange
from monitor.contract.names import Flag
from monitor.run.effects import Effect, Happened, RunClosed, RunOpened
from monitor.run.opening import BY_ITSELF, BY_NEXT, BY_PRESSURE

NAMELESS = (BY_ITSELF, BY_NEXT, BY_PRESSURE)
"""Who opens and closes runs without being a person."""
TOLD = {Flag.READY_TO_BOTTLE, Flag.UNKNOWN, Flag.STILL_RECIRCULATING}
"""Flags that are told as they are raised; each alarm has a line of its own."""


def line_of(effect: Effect) -> str | None:
    """Return the line of ``effect``, null for what the log does not tell."""
    match effect:
        case RunOpened():
            return f"run {effect.run} began, by {_by(effect.by)}"
        case RunClosed():
            return f"run {effect.run} ended after {effect.elapsed_s / 60.0:.0f} min, by {_by(effect.by)}"
        case Happened(event=AlarmMove() as move):
            return f"alarm {move.name}: {move.cause}, now {move.state}"
        case Happened(event=FlagChange() as change) if change.name in TOLD and change.state == "raised":
            return f"{change.name}"
    return None


def _by(who: str) -> str:
    return who if who in NAMELESS else "a person"
