"""The alarm cases: what a limit, its delay, its dead band and its people must and must not do.

Definitions of alarm, silence, shelving and acknowledgement after ISA-18.2 and OPC 10000-9;
delays and dead bands are the project's own (requirement). The outlet probe of these scenes
has no error and no lag, so that the limit itself is on trial; the guard band has its own test.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from typing import Any

import pytest
from pydantic import ValidationError

from monitor.contract.commands import AcknowledgeArgs, EndArgs, ShelveArgs, SilenceArgs
from monitor.contract.names import Alarm, AlarmState, Flag, Signal
from monitor.contract.readings import Point, Quality
from monitor.rules.flags import RULES
from monitor.run.inputs import Tick
from monitor.run.state import restored, stored

MakeScene = Callable[..., Any]
OVER = Alarm.OVER_PRECIPITATION
ON_S = next(rule.on_s for rule in RULES if rule.flag is Flag.OVER_PRECIPITATION)


def test_an_hour_just_under_the_limit_raises_nothing(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(192.99)
    scene.seconds(3600)
    assert scene.alarm_moves(OVER) == []


def test_over_the_limit_for_less_than_the_delay_raises_nothing(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(185.0)
    scene.outlet_f = 195.0
    scene.second()
    scene.advance(ON_S - 0.1)
    scene.enter(Tick(stamp=scene.stamp()))
    scene.outlet_f = 185.0
    scene.seconds(60)
    assert scene.alarm_moves(OVER) == []


def test_over_the_limit_for_the_delay_raises_once(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(185.0)
    scene.outlet_f = 195.0
    scene.seconds(30)
    assert [move.state for move in scene.alarm_moves(OVER)] == [AlarmState.UNACKNOWLEDGED]
    assert scene.status().sound is Signal.HIGH


def test_noise_of_half_the_dead_band_at_the_limit_is_one_activation(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(185.0)
    for second in range(600):
        scene.outlet_f = 193.0 + (1.0 if second % 2 else -1.0)
        scene.second()
    scene.outlet_f = 193.5
    scene.seconds(10)
    assert len(scene.activations(OVER)) <= 1
    for second in range(600):
        scene.outlet_f = 193.0 + (1.0 if second % 2 else -1.0)
        scene.second()
    assert len(scene.activations(OVER)) == 1


def test_a_reading_of_the_limit_itself_alarms(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(185.0)
    scene.outlet_f = 193.0
    scene.seconds(8)
    assert len(scene.activations(OVER)) == 1


@pytest.mark.parametrize("hours", [-1, 1])
def test_a_stepped_wall_clock_does_not_move_the_end_of_a_shelving(make_scene: MakeScene, hours: int) -> None:
    scene = make_scene()
    scene.warm_up(195.0)
    assert scene.act(ShelveArgs(alarm=OVER, seconds=600)).done
    scene.seconds(300)
    scene.wall += timedelta(hours=hours)
    scene.seconds(299)
    assert scene.state.alarms[OVER].state is AlarmState.SHELVED
    scene.seconds(2)
    assert scene.state.alarms[OVER].state is AlarmState.UNACKNOWLEDGED


def test_two_people_acknowledging_at_once_are_one_event(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(195.0)
    activation = scene.state.alarms[OVER].activation
    first = scene.act(AcknowledgeArgs(alarm=OVER, activation=activation), who="one")
    second = scene.act(AcknowledgeArgs(alarm=OVER, activation=activation), who="two")
    assert first.done
    assert not second.done
    acknowledged = [move for move in scene.alarm_moves(OVER) if move.cause == "acknowledged"]
    assert [move.who for move in acknowledged] == ["one"]


def test_the_probe_pulled_while_over_is_unknown_and_never_cleared(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(195.0)
    scene.outlet_quality = Quality.BAD
    scene.seconds(120)
    assert Flag.OVER_PRECIPITATION in scene.flags()
    assert Flag.UNKNOWN in scene.flags()
    assert scene.state.alarms[OVER].state is AlarmState.UNACKNOWLEDGED
    assert scene.status().points[Point.OUTLET].value is None


def test_silence_stops_the_sound_for_two_minutes_and_not_the_alarm(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(195.0)
    assert scene.act(SilenceArgs()).done
    assert scene.status().sound is None
    assert scene.state.alarms[OVER].state is AlarmState.UNACKNOWLEDGED
    scene.seconds(119)
    assert scene.status().sound is None
    scene.seconds(2)
    assert scene.status().sound is Signal.HIGH


def test_a_new_alarm_breaks_the_silence(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(195.0)
    scene.act(SilenceArgs())
    scene.line_psi = 75.0
    scene.seconds(5)
    assert scene.status().sound is Signal.HIGH


def test_an_old_page_cannot_acknowledge_a_new_activation(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(195.0)
    old = scene.state.alarms[OVER].activation
    scene.outlet_f = 185.0
    scene.seconds(20)
    scene.outlet_f = 195.0
    scene.seconds(20)
    refused = scene.act(AcknowledgeArgs(alarm=OVER, activation=old))
    assert not refused.done
    assert "raised again" in refused.reason
    assert scene.state.alarms[OVER].state is AlarmState.UNACKNOWLEDGED


def test_no_shelving_is_longer_than_ten_minutes() -> None:
    with pytest.raises(ValidationError):
        ShelveArgs(alarm=OVER, seconds=600.1)


def test_the_silent_monitor_cannot_be_shelved(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(185.0)
    before = scene.state.alarms
    assert not scene.act(ShelveArgs(alarm=Alarm.MONITOR_SILENT, seconds=60)).done
    assert scene.state.alarms == before


@pytest.mark.parametrize(
    ("alarm", "outlet_f", "line_psi", "after_s"),
    [(OVER, 195.0, 30.0, 300), (Alarm.NEAR_CLOG, 185.0, 75.0, 120)],
)
def test_an_acknowledged_alarm_that_stays_asks_again(
    make_scene: MakeScene, alarm: Alarm, outlet_f: float, line_psi: float, after_s: int
) -> None:
    scene = make_scene(line_psi=line_psi)
    scene.warm_up(outlet_f)
    began_s = scene.state.alarms[alarm].since_s
    assert scene.act(AcknowledgeArgs(alarm=alarm, activation=1)).done
    while scene.state.now_s - began_s < after_s - 1.5:
        scene.second()
    assert scene.state.alarms[alarm].state is AlarmState.ACKNOWLEDGED
    scene.seconds(3)
    assert scene.state.alarms[alarm].state is AlarmState.UNACKNOWLEDGED
    assert scene.state.alarms[alarm].activation == 2


def test_an_unacknowledged_alarm_is_still_there_after_a_restart(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(195.0)
    snapshot = stored(scene.state)
    for boot in ("boot-a", "boot-b"):
        back = restored(snapshot, boot=boot, mono_s=12.0)
        assert back.alarms == scene.state.alarms
    rebooted = make_scene(boot="boot-b", mono_s=12.0, outlet_f=195.0)
    rebooted.state = restored(snapshot, boot="boot-b", mono_s=12.0)
    rebooted.seconds(3)
    assert rebooted.state.alarms[OVER].state is AlarmState.UNACKNOWLEDGED
    assert rebooted.state.run.id == scene.state.run.id


@pytest.mark.parametrize("period_s", [2, 7, 11, 16, 25])
def test_an_outlet_swinging_inside_the_dead_band_does_not_chatter(
    make_scene: MakeScene, period_s: int
) -> None:
    # Three activations within a minute count as a defect (requirement).
    scene = make_scene()
    scene.warm_up(185.0)
    for second in range(600):
        scene.outlet_f = 194.0 if (second // period_s) % 2 else 191.1
        scene.second()
    assert len(scene.activations(OVER)) == (period_s > ON_S)


def test_an_alarm_that_ended_unseen_waits_for_acknowledgement(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(195.0)
    scene.outlet_f = 185.0
    scene.seconds(15)
    assert scene.state.alarms[OVER].state is AlarmState.RETURNED_UNACKNOWLEDGED
    assert scene.status().sound is None
    assert scene.act(AcknowledgeArgs(alarm=OVER, activation=1)).done
    assert scene.state.alarms[OVER].state is AlarmState.NORMAL


def test_filler_alarms_mean_nothing_before_bottling_or_without_a_probe(
    make_scene: MakeScene, make_rules: Callable[..., Any]
) -> None:
    none = make_scene()
    assert none.state.alarms[Alarm.FILLER_TOO_COLD].state is AlarmState.OUT_OF_SERVICE
    scene = make_scene(rules=make_rules(filler=True), filler_f=70.0, outlet_f=100.0)
    scene.seconds(60)
    assert scene.state.alarms[Alarm.FILLER_TOO_COLD].state is AlarmState.SUPPRESSED
    scene.warm_up(185.0)
    assert scene.state.alarms[Alarm.FILLER_TOO_COLD].state is AlarmState.UNACKNOWLEDGED
    scene.filler_f = 195.0
    scene.seconds(20)
    assert scene.state.alarms[Alarm.FILLER_TOO_HOT].state is AlarmState.UNACKNOWLEDGED


def test_the_peak_of_the_pulsation_raises_the_paper_limit_at_once(make_scene: MakeScene) -> None:
    scene = make_scene(line_psi=70.0, line_high_psi=89.9)
    scene.warm_up(185.0)
    assert scene.alarm_moves(Alarm.PAPER_LIMIT) == []
    scene.line_high_psi = 90.1
    scene.second()
    assert len(scene.activations(Alarm.PAPER_LIMIT)) == 1


def test_not_recording_is_an_alarm_until_it_records_again(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(185.0)
    scene.store("the disk is full")
    assert scene.state.alarms[Alarm.NOT_RECORDING].state is AlarmState.UNACKNOWLEDGED
    assert scene.status().trouble == "the disk is full"
    scene.store(None)
    scene.second()
    assert scene.status().recording
    assert scene.state.alarms[Alarm.NOT_RECORDING].state is AlarmState.RETURNED_UNACKNOWLEDGED


def test_ending_the_run_clears_its_flags_and_returns_its_alarms(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up(195.0)
    scene.act(EndArgs())
    assert scene.flags() == set()
    assert scene.state.alarms[OVER].state is AlarmState.RETURNED_UNACKNOWLEDGED


def test_the_guard_band_alarms_where_the_syrup_may_be_over(
    make_scene: MakeScene, make_rules: Callable[..., Any]
) -> None:
    # Error of 1 degC (1.8 degF) at 193 degF: surely below up to 191.2 degF (JCGM 106 zones).
    rules = make_rules(tolerance=1.0)
    below, within = make_scene(rules=rules), make_scene(rules=rules)
    below.warm_up(191.1)
    within.warm_up(191.3)
    for scene in (below, within):
        scene.seconds(20)
    assert below.alarm_moves(OVER) == []
    assert len(within.activations(OVER)) == 1


def test_a_rising_outlet_alarms_on_what_the_lagging_probe_hides(
    make_scene: MakeScene, make_rules: Callable[..., Any]
) -> None:
    # A ramp of 5 degF/min behind 30 s of lag reads 2.5 degF low (first-order system, computed).
    rules = make_rules(time_constant_s=30.0)
    scene = make_scene(rules=rules, outlet_f=185.0)
    scene.seconds(12)
    while scene.outlet_f < 191.2:
        scene.outlet_f += 5.0 / 60.0
        scene.second()
    assert len(scene.activations(OVER)) == 1
    assert replace(rules).thresholds.precipitation_c > scene.status().points[Point.OUTLET].value
