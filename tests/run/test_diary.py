"""What the log tells of a run."""

from __future__ import annotations

from typing import Any

import pytest

from monitor.contract.events import AlarmMove, FlagChange, PhaseMove
from monitor.contract.names import Alarm, AlarmState, Flag, Phase
from monitor.contract.readings import ClockState
from monitor.run.diary import line_of
from monitor.run.effects import Effect, Happened, RunClosed, RunOpened, StatusDue
from monitor.run.opening import BY_PRESSURE

MOMENT: dict[str, Any] = {"press": "main", "seq": 1, "boot": "b", "mono_ms": 1, "clock": ClockState.UNSET}


def opened(by: str) -> Effect:
    return RunOpened(run="r-1", boot="b", started_mono_s=1.0, started=None, clock=ClockState.UNSET, by=by)


def closed(by: str) -> Effect:
    return RunClosed(
        run="r-1", boot="b", ended_mono_s=1.0, ended=None, elapsed_s=1500.0, volume_l=None, by=by
    )


def flag(name: Flag, state: Any = "raised") -> Effect:
    return Happened(FlagChange(**MOMENT, name=name, state=state))


ALARM = AlarmMove(
    **MOMENT,
    name=Alarm.NEAR_CLOG,
    activation=1,
    before=AlarmState.UNACKNOWLEDGED,
    state=AlarmState.ACKNOWLEDGED,
    cause="acknowledged",
    who="Ann",
)
PHASE = PhaseMove(**MOMENT, before=Phase.RECIRCULATING, state=Phase.BOTTLING, cause="ready")


@pytest.mark.parametrize(
    ("effect", "line"),
    [
        (opened(BY_PRESSURE), "run r-1 began, by pressure"),
        (closed("Ann"), "run r-1 ended after 25 min, by a person"),
        (flag(Flag.READY_TO_BOTTLE), "ready to bottle"),
        (flag(Flag.UNKNOWN), "unknown"),
        (Happened(ALARM), "alarm near clog pressure: acknowledged, now acknowledged"),
        (flag(Flag.READY_TO_BOTTLE, "cleared"), None),
        (flag(Flag.STIR_DUE), None),
        (Happened(PHASE), None),
        (StatusDue(), None),
    ],
)
def test_a_line_for_what_somebody_would_look_for(effect: Effect, line: str | None) -> None:
    assert line_of(effect) == line


def test_nobodys_name_is_in_the_log() -> None:
    assert "Ann" not in f"{line_of(opened('Ann'))} {line_of(closed('Ann'))} {line_of(Happened(ALARM))}"
