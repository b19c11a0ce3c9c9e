from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hardware.sound_duty import SoundDuty
from hardware.sound_patterns import PATTERNS
from monitor.contract.names import Signal
from tests.hardware.statuses import status

STEP_S = 0.05


def sounded(
    duty: SoundDuty, begin_s: float, seconds: float, *, heard: dict[float, Signal | None] | None = None
) -> list[tuple[float, Signal]]:
    """Return what begins to sound, and when, while a fresh status of the last sound arrives every second."""
    begun, sound, seq = [], None, 1000
    for step in range(round(seconds / STEP_S)):
        now_s = round(begin_s + step * STEP_S, 6)
        if heard is not None and step % round(1 / STEP_S) == 0:
            sound = heard.get(now_s, sound)
            duty.hear(status(seq, sound=sound), now_s=now_s, retained=False)
            seq += 1
        signal = duty.due(now_s)
        if signal is not None:
            duty.begin(signal, now_s=now_s)
            begun.append((now_s, signal))
    return begun


def test_high_begins_at_once_and_every_5_s() -> None:
    begun = sounded(SoundDuty(), 0.0, 16.0, heard={2.0: Signal.HIGH})
    assert begun == [(2.0, Signal.HIGH), (7.0, Signal.HIGH), (12.0, Signal.HIGH)]


def test_medium_begins_every_15_s() -> None:
    begun = sounded(SoundDuty(), 0.0, 40.0, heard={1.0: Signal.MEDIUM})
    assert begun == [(1.0, Signal.MEDIUM), (16.0, Signal.MEDIUM), (31.0, Signal.MEDIUM)]


def test_high_takes_over_from_medium_at_once() -> None:
    begun = sounded(SoundDuty(), 0.0, 8.0, heard={1.0: Signal.MEDIUM, 3.0: Signal.HIGH})
    assert begun == [(1.0, Signal.MEDIUM), (3.0, Signal.HIGH)]


def test_silence_ends_it_and_the_next_alarm_sounds_at_once() -> None:
    begun = sounded(SoundDuty(), 0.0, 8.0, heard={1.0: Signal.HIGH, 3.0: None, 4.0: Signal.HIGH})
    assert begun == [(1.0, Signal.HIGH), (4.0, Signal.HIGH)]


def test_a_sounding_signal_gives_way_to_silence_and_to_a_higher_one() -> None:
    duty = SoundDuty()
    duty.hear(status(1, sound=Signal.MEDIUM), now_s=0.0, retained=False)
    assert not duty.must_stop(Signal.MEDIUM, now_s=0.1)
    assert duty.must_stop(Signal.PROMPT, now_s=0.1)
    duty.hear(status(2, sound=Signal.HIGH), now_s=0.2, retained=False)
    assert duty.must_stop(Signal.MEDIUM, now_s=0.2)
    duty.hear(status(3), now_s=0.3, retained=False)
    assert duty.must_stop(Signal.HIGH, now_s=0.3)
    assert not duty.must_stop(Signal.PROMPT, now_s=0.3)


def test_a_prompt_sounds_once_when_the_count_grows_and_not_for_the_first_count_heard() -> None:
    duty = SoundDuty()
    duty.hear(status(1, prompts=7), now_s=0.0, retained=False)
    assert sounded(duty, 0.0, 1.0) == []
    duty.hear(status(2, prompts=8), now_s=1.0, retained=False)
    duty.hear(status(3, prompts=8), now_s=2.0, retained=False)
    assert sounded(duty, 2.0, 5.0) == [(2.0, Signal.PROMPT)]


def test_a_restarted_monitor_counts_from_the_start_without_a_prompt() -> None:
    duty = SoundDuty()
    duty.hear(status(9, prompts=7), now_s=0.0, retained=False)
    duty.hear(status(0, prompts=0, boot="later"), now_s=1.0, retained=False)
    assert sounded(duty, 1.0, 1.0) == []
    duty.hear(status(1, prompts=1, boot="later"), now_s=2.0, retained=False)
    assert sounded(duty, 2.0, 1.0) == [(2.0, Signal.PROMPT)]


@pytest.mark.parametrize(("silenced_s", "begun"), [(5.0, [Signal.PROMPT]), (12.0, [])])
def test_a_prompt_waits_behind_an_alarm_for_10_s_at_most(silenced_s: float, begun: list[Signal]) -> None:
    duty = SoundDuty()
    duty.hear(status(1, sound=Signal.HIGH), now_s=0.0, retained=False)
    duty.hear(status(2, sound=Signal.HIGH, prompts=1), now_s=0.5, retained=False)
    assert {signal for _, signal in sounded(duty, 0.5, 1.0)} == {Signal.HIGH}
    for second in range(1, int(silenced_s)):
        duty.hear(status(2 + second, sound=Signal.HIGH, prompts=1), now_s=float(second), retained=False)
    duty.hear(status(99, prompts=1), now_s=silenced_s, retained=False)
    assert [signal for _, signal in sounded(duty, silenced_s, 2.0)] == begun


def test_a_silent_monitor_in_a_run_is_said_after_10_s_and_until_it_speaks() -> None:
    duty = SoundDuty()
    duty.hear(status(1, sound=Signal.HIGH), now_s=0.0, retained=False)
    period_s = PATTERNS[Signal.MONITOR_SILENT].period_s
    assert period_s is not None
    begun = [moment for moment, signal in sounded(duty, 0.0, 19.0) if signal is Signal.MONITOR_SILENT]
    assert begun == pytest.approx([10.0, 10.0 + period_s, 10.0 + 2 * period_s], abs=STEP_S)
    duty.hear(status(2), now_s=20.0, retained=False)
    assert sounded(duty, 20.0, 9.0) == []


def test_a_silent_monitor_without_a_run_is_no_alarm() -> None:
    duty = SoundDuty()
    duty.hear(status(1, sound=Signal.HIGH, running=False), now_s=0.0, retained=False)
    assert {signal for moment, signal in sounded(duty, 0.0, 60.0) if moment >= 10.0} == set()


def test_the_same_status_again_is_no_sign_of_life() -> None:
    duty = SoundDuty()
    for second in range(12):
        duty.hear(status(5), now_s=float(second), retained=False)
    assert duty.alarm(11.0) is Signal.MONITOR_SILENT


def test_a_retained_status_sounds_nothing_but_starts_the_watch() -> None:
    duty = SoundDuty()
    duty.hear(status(1, sound=Signal.HIGH, prompts=3, alarmed=True), now_s=0.0, retained=True)
    assert sounded(duty, 0.0, 9.0) == []
    assert not duty.lamp_steady(1.0)
    assert duty.alarm(10.0) is Signal.MONITOR_SILENT


def test_the_lamp_stays_lit_while_an_alarm_is_silenced() -> None:
    duty = SoundDuty()
    duty.hear(status(1, alarmed=True), now_s=0.0, retained=False)
    assert duty.lamp_steady(1.0)
    assert not duty.lamp_steady(10.0)
    duty.hear(status(2), now_s=11.0, retained=False)
    assert not duty.lamp_steady(11.0)


def test_nothing_sounds_before_the_first_status() -> None:
    assert sounded(SoundDuty(), 0.0, 60.0) == []


@given(
    st.lists(
        st.tuples(
            st.floats(0.0, 15.0),
            st.sampled_from([None, Signal.MEDIUM, Signal.HIGH]),
            st.integers(0, 3),
            st.booleans(),
            st.booleans(),
        ),
        max_size=12,
    )
)
def test_what_is_due_never_outlives_its_cause(
    events: list[tuple[float, Signal | None, int, bool, bool]],
) -> None:
    duty, now_s = SoundDuty(), 0.0
    for seq, (wait_s, sound, prompts, running, retained) in enumerate(events):
        now_s += wait_s
        duty.hear(status(seq, sound=sound, prompts=prompts, running=running), now_s=now_s, retained=retained)
        if (signal := duty.due(now_s)) is not None:
            duty.begin(signal, now_s=now_s)
        if retained:
            assert duty.alarm(now_s) is None
        else:
            assert duty.alarm(now_s) is sound
        assert duty.alarm(now_s + 10.001) is (Signal.MONITOR_SILENT if running else None)


def test_what_comes_due_unheard_is_told_beforehand() -> None:
    duty = SoundDuty()
    assert duty.next_s(0.0) == math.inf
    duty.hear(status(1, sound=Signal.HIGH), now_s=2.0, retained=False)
    assert duty.next_s(2.0) == 12.0
    duty.begin(Signal.HIGH, now_s=2.0)
    assert duty.next_s(2.0) == 7.0
    assert duty.next_s(7.0) == 12.0
    assert duty.due(7.0 - 1e-6) is None
    assert duty.due(7.0) is Signal.HIGH


@given(
    st.lists(st.tuples(st.floats(0.0, 40.0), st.sampled_from([None, Signal.HIGH, Signal.MEDIUM])), max_size=6)
)
def test_nothing_comes_due_unheard_at_any_other_moment(words: list[tuple[float, Signal | None]]) -> None:
    duty, now_s = SoundDuty(), 0.0
    for seq, (pause_s, sound) in enumerate(words, start=1):
        until_s = now_s + pause_s
        while (moment_s := duty.next_s(now_s)) < until_s:
            assert duty.due(0.5 * (now_s + moment_s)) is None
            now_s = moment_s
            if (signal := duty.due(now_s)) is not None:
                duty.begin(signal, now_s=now_s)
        now_s = until_s
        duty.hear(status(seq, sound=sound), now_s=now_s, retained=False)
        if (signal := duty.due(now_s)) is not None:
            duty.begin(signal, now_s=now_s)
