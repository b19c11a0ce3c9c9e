"""Alarms: one state machine for all of them, as a table, and a record for each.

States and moves after the ISA-18.2 / IEC 62682 / OPC 10000-9 model. Silence stops a sound
and is no state; acknowledging names the activation it answers.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

from monitor.contract.errors import IllegalMove
from monitor.contract.names import Alarm, AlarmState, Signal
from monitor.contract.record import record

SILENCE_S = 120.0
"""A silenced alarm may sound again after this [s] (requirement: 2 min)."""
REALARM_TEMPERATURE_S = 300.0
REALARM_PRESSURE_S = 120.0
"""An acknowledged alarm that is still active asks again after this [s] (requirement)."""


class Cause(StrEnum):
    """Why an alarm moves."""

    ACTIVATED = "activated"
    RETURNED = "returned"
    ACKNOWLEDGED = "acknowledged"
    ASKED_AGAIN = "asked again"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"
    UNSUPPRESSED = "unsuppressed"
    REMOVED = "removed from service"
    RESTORED = "returned to service"
    RESET = "reset"


S, C = AlarmState, Cause

MOVES: dict[tuple[AlarmState, Cause], AlarmState] = {
    (S.NORMAL, C.ACTIVATED): S.UNACKNOWLEDGED,
    (S.UNACKNOWLEDGED, C.ACKNOWLEDGED): S.ACKNOWLEDGED,
    (S.UNACKNOWLEDGED, C.RETURNED): S.RETURNED_UNACKNOWLEDGED,
    (S.ACKNOWLEDGED, C.RETURNED): S.NORMAL,
    (S.ACKNOWLEDGED, C.ASKED_AGAIN): S.UNACKNOWLEDGED,
    (S.RETURNED_UNACKNOWLEDGED, C.ACTIVATED): S.UNACKNOWLEDGED,
    (S.RETURNED_UNACKNOWLEDGED, C.ACKNOWLEDGED): S.NORMAL,
    (S.LATCHED_UNACKNOWLEDGED, C.ACTIVATED): S.UNACKNOWLEDGED,
    (S.LATCHED_UNACKNOWLEDGED, C.ACKNOWLEDGED): S.LATCHED_ACKNOWLEDGED,
    (S.LATCHED_ACKNOWLEDGED, C.ACTIVATED): S.UNACKNOWLEDGED,
    (S.LATCHED_ACKNOWLEDGED, C.RESET): S.NORMAL,
    (S.SHELVED, C.UNSHELVED): S.NORMAL,
    (S.SUPPRESSED, C.UNSUPPRESSED): S.NORMAL,
    (S.OUT_OF_SERVICE, C.RESTORED): S.NORMAL,
    **{
        (state, cause): after
        for cause, after in (
            (C.SHELVED, S.SHELVED),
            (C.SUPPRESSED, S.SUPPRESSED),
            (C.REMOVED, S.OUT_OF_SERVICE),
        )
        for state in (
            S.NORMAL,
            S.UNACKNOWLEDGED,
            S.ACKNOWLEDGED,
            S.RETURNED_UNACKNOWLEDGED,
            S.LATCHED_UNACKNOWLEDGED,
            S.LATCHED_ACKNOWLEDGED,
        )
    },
}
"""(state, cause) to the state after it; what is not listed is refused."""

LATCHING_MOVES: dict[tuple[AlarmState, Cause], AlarmState] = {
    **MOVES,
    (S.UNACKNOWLEDGED, C.RETURNED): S.LATCHED_UNACKNOWLEDGED,
    (S.ACKNOWLEDGED, C.RETURNED): S.LATCHED_ACKNOWLEDGED,
}
"""The same for an alarm that stays until the run ends: what it tells of cannot be undone."""

NEW_ACTIVATION = frozenset({Cause.ACTIVATED, Cause.ASKED_AGAIN})
ENDS_ACTIVE = frozenset({Cause.RETURNED, Cause.UNSHELVED, Cause.UNSUPPRESSED, Cause.RESTORED, Cause.REMOVED})
"""Moves after which the condition has to raise the alarm anew."""
ASKING = frozenset({S.UNACKNOWLEDGED, S.RETURNED_UNACKNOWLEDGED, S.LATCHED_UNACKNOWLEDGED})
"""States that wait for somebody to acknowledge."""
_ACKNOWLEDGED = S.ACKNOWLEDGED
SET_ASIDE = frozenset({S.SHELVED, S.SUPPRESSED, S.OUT_OF_SERVICE})
"""States in which the alarm takes no notice of its condition."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Spec:
    """What one alarm is: its sound, how soon it asks again, whether it latches."""

    priority: Signal
    ask_again_s: float | None = None
    latches: bool = False
    shelvable: bool = True


SPECS: dict[Alarm, Spec] = {
    Alarm.OVER_PRECIPITATION: Spec(priority=Signal.HIGH, ask_again_s=REALARM_TEMPERATURE_S),
    Alarm.NEAR_CLOG: Spec(priority=Signal.HIGH, ask_again_s=REALARM_PRESSURE_S),
    Alarm.STOP_AT_CUTOFF: Spec(priority=Signal.HIGH, ask_again_s=REALARM_PRESSURE_S),
    Alarm.PAPER_LIMIT: Spec(priority=Signal.HIGH, ask_again_s=REALARM_PRESSURE_S),
    Alarm.FILLER_TOO_HOT: Spec(priority=Signal.HIGH, ask_again_s=REALARM_TEMPERATURE_S),
    Alarm.FILLER_TOO_COLD: Spec(priority=Signal.HIGH, ask_again_s=REALARM_TEMPERATURE_S),
    Alarm.INPUT_LOST: Spec(priority=Signal.MEDIUM, ask_again_s=REALARM_TEMPERATURE_S),
    Alarm.PRESSURE_DROP: Spec(priority=Signal.HIGH, latches=True),
    Alarm.PUMP_STALLED: Spec(priority=Signal.MEDIUM, ask_again_s=REALARM_PRESSURE_S),
    Alarm.NOT_RECORDING: Spec(priority=Signal.MEDIUM, ask_again_s=REALARM_TEMPERATURE_S),
    Alarm.MONITOR_SILENT: Spec(priority=Signal.MONITOR_SILENT, shelvable=False),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmRecord:
    """One alarm now; times in engine seconds."""

    state: AlarmState = AlarmState.NORMAL
    activation: int = 0
    active: bool = False
    """The condition holds, whatever the state."""
    since_s: float = 0.0
    """When the last activation began or asked again."""
    silenced_until_s: float = 0.0
    shelved_until_s: float = 0.0

    def sounding(self, now_s: float) -> bool:
        """Tell whether this alarm is to be heard at ``now_s``."""
        return self.state is AlarmState.UNACKNOWLEDGED and now_s >= self.silenced_until_s


def move(
    record: AlarmRecord, cause: Cause, *, alarm: Alarm, now_s: float, shelve_s: float = 0.0
) -> AlarmRecord:
    """Return ``record`` after ``cause``; raise :class:`IllegalMove` if the table has no such move."""
    spec = SPECS[alarm]
    if cause is Cause.SHELVED and not spec.shelvable:
        raise IllegalMove(f"{alarm} cannot be shelved")
    table = LATCHING_MOVES if spec.latches else MOVES
    after = table.get((record.state, cause))
    if after is None:
        raise IllegalMove(f"{alarm} is {record.state}: it cannot be {cause}")
    if cause in NEW_ACTIVATION:
        return replace(
            record,
            state=after,
            activation=record.activation + 1,
            active=True,
            since_s=now_s,
            silenced_until_s=0.0,
        )
    if cause is Cause.SHELVED:
        return replace(record, state=after, shelved_until_s=now_s + shelve_s)
    active = record.active and cause not in ENDS_ACTIVE
    return replace(record, state=after, active=active, shelved_until_s=0.0)


@record(frozen=True, slots=True, kw_only=True)
class Condition:
    """What an alarm is told of its moment."""

    holds: bool
    """The flag of the same name is raised."""
    fitted: bool = True
    """Its sensor belongs to this press."""
    suppressed: bool = False
    """It would mean nothing now, by design."""
    run_open: bool = True


def causes_due(record: AlarmRecord, *, alarm: Alarm, condition: Condition, now_s: float) -> tuple[Cause, ...]:
    """Return the moves that time and ``condition`` ask of ``record``, in order."""
    if not condition.fitted:
        return () if (record.state, C.REMOVED) not in MOVES else (C.REMOVED,)
    if condition.suppressed:
        return () if (record.state, C.SUPPRESSED) not in MOVES else (C.SUPPRESSED,)
    if record.state in SET_ASIDE:
        back = _back(record, now_s=now_s)
        return (*back, C.ACTIVATED) if back and condition.holds else back
    if condition.holds and not record.active:
        return (C.ACTIVATED,)
    if record.active and not condition.holds:
        return (C.RETURNED,)
    if not condition.run_open and record.state is S.LATCHED_ACKNOWLEDGED:
        return (C.RESET,)
    return (C.ASKED_AGAIN,) if _asks_again(record, alarm=alarm, now_s=now_s) else ()


def _back(record: AlarmRecord, *, now_s: float) -> tuple[Cause, ...]:
    """Return the move that ends a state set aside, () if it lasts."""
    match record.state:
        case S.SUPPRESSED:
            return (C.UNSUPPRESSED,)
        case S.OUT_OF_SERVICE:
            return (C.RESTORED,)
        case _:
            return (C.UNSHELVED,) if now_s >= record.shelved_until_s else ()


def _asks_again(record: AlarmRecord, *, alarm: Alarm, now_s: float) -> bool:
    if record.state is not _ACKNOWLEDGED:
        return False
    ask_again_s = SPECS[alarm].ask_again_s
    return ask_again_s is not None and now_s - record.since_s >= ask_again_s
