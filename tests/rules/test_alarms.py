"""The alarm table, held against the state model written out by hand.

States and transitions: ISA-18.2 / IEC 62682 figure of alarm states as carried by
OPC 10000-9 (acknowledge, shelve, suppress, out of service); names read in OPC 10000-9, the
transitions of ISA-18.2 from memory.
"""

from __future__ import annotations

import pytest

from monitor.contract.errors import IllegalMove
from monitor.contract.names import Alarm, AlarmState
from monitor.rules.alarms import SPECS, AlarmRecord, Cause, move

LIVE = (
    "normal",
    "unacknowledged",
    "acknowledged",
    "returned unacknowledged",
    "latched unacknowledged",
    "latched acknowledged",
)
BY_HAND = {
    ("normal", "activated"): "unacknowledged",
    ("unacknowledged", "acknowledged"): "acknowledged",
    ("unacknowledged", "returned"): "returned unacknowledged",
    ("acknowledged", "returned"): "normal",
    ("acknowledged", "asked again"): "unacknowledged",
    ("returned unacknowledged", "activated"): "unacknowledged",
    ("returned unacknowledged", "acknowledged"): "normal",
    ("latched unacknowledged", "activated"): "unacknowledged",
    ("latched unacknowledged", "acknowledged"): "latched acknowledged",
    ("latched acknowledged", "activated"): "unacknowledged",
    ("latched acknowledged", "reset"): "normal",
    ("shelved", "unshelved"): "normal",
    ("suppressed", "unsuppressed"): "normal",
    ("out of service", "returned to service"): "normal",
    **{(state, "shelved"): "shelved" for state in LIVE},
    **{(state, "suppressed"): "suppressed" for state in LIVE},
    **{(state, "removed from service"): "out of service" for state in LIVE},
}
LATCHING = {
    **BY_HAND,
    ("unacknowledged", "returned"): "latched unacknowledged",
    ("acknowledged", "returned"): "latched acknowledged",
}


@pytest.mark.parametrize("alarm", [Alarm.NEAR_CLOG, Alarm.PRESSURE_DROP])
@pytest.mark.parametrize("state", list(AlarmState))
@pytest.mark.parametrize("cause", list(Cause))
def test_each_move_is_the_models_or_refused(alarm: Alarm, state: AlarmState, cause: Cause) -> None:
    table = LATCHING if alarm is Alarm.PRESSURE_DROP else BY_HAND
    record = AlarmRecord(state=state, activation=3, active=True)
    wanted = table.get((state.value, cause.value))
    if wanted is None:
        with pytest.raises(IllegalMove):
            move(record, cause, alarm=alarm, now_s=10.0)
    else:
        assert move(record, cause, alarm=alarm, now_s=10.0).state.value == wanted


def test_a_new_activation_has_a_new_number_and_breaks_the_silence() -> None:
    record = AlarmRecord(activation=3, silenced_until_s=100.0)
    after = move(record, Cause.ACTIVATED, alarm=Alarm.NEAR_CLOG, now_s=10.0)
    assert (after.activation, after.sounding(10.0)) == (4, True)


def test_a_shelved_alarm_is_not_heard() -> None:
    record = AlarmRecord(state=AlarmState.UNACKNOWLEDGED, activation=1, active=True)
    shelved = move(record, Cause.SHELVED, alarm=Alarm.NEAR_CLOG, now_s=10.0, shelve_s=60.0)
    assert shelved.shelved_until_s == 70.0
    assert not shelved.sounding(11.0)


def test_every_alarm_has_a_spec_and_only_the_silent_monitor_cannot_be_shelved() -> None:
    assert set(SPECS) == set(Alarm)
    assert [alarm for alarm, spec in SPECS.items() if not spec.shelvable] == [Alarm.MONITOR_SILENT]
