from __future__ import annotations

import itertools

import pytest

from hardware.sound_patterns import PATTERNS, Pattern
from monitor.contract.names import Signal


@pytest.fixture(params=list(Signal))
def pattern(request: pytest.FixtureRequest) -> Pattern:
    return PATTERNS[request.param]


def test_there_are_four_signals() -> None:
    # MIL-STD-1472E 5.3: at most four.
    assert set(PATTERNS) == set(Signal)
    assert len(PATTERNS) == 4


def test_each_lasts_half_a_second_and_stays_within_500_to_1500_hz(pattern: Pattern) -> None:
    # MIL-STD-1472E 5.3; ISO 7731 (from memory).
    assert pattern.seconds >= 0.5
    tones = [step.frequency_hz for step in pattern.steps if step.frequency_hz is not None]
    assert tones
    assert all(500.0 <= tone <= 1500.0 for tone in tones)


def test_the_lamp_flashes_at_most_twice_a_second(pattern: Pattern) -> None:
    # WCAG 2.3.1 allows three.
    assert pattern.flash.lit_s + pattern.flash.dark_s >= 0.5


def test_a_pattern_is_over_before_it_begins_anew(pattern: Pattern) -> None:
    assert pattern.period_s is None or pattern.period_s > pattern.seconds + 1.0


def first_half_second(pattern: Pattern) -> tuple[float | None, ...]:
    """What sounds in each of the first fifty hundredths of a second."""
    ends = list(itertools.accumulate(step.seconds for step in pattern.steps))
    moments = [(n + 0.5) / 100.0 for n in range(50)]
    return tuple(
        next(step.frequency_hz for step, end in zip(pattern.steps, ends, strict=True) if moment < end)
        for moment in moments
    )


def test_the_first_half_second_tells_them_apart() -> None:
    for one, other in itertools.combinations(PATTERNS.values(), 2):
        pairs = zip(first_half_second(one), first_half_second(other), strict=True)
        assert sum(here != there for here, there in pairs) >= 20


# The requirement's own words: HIGH five pulses 800/1000 Hz, 150 ms on, 100 ms off, every 5 s;
# MEDIUM three pulses 650 Hz, 200 ms, every 15 s; PROMPT one 500 Hz note of 0.8 s, once.
@pytest.mark.parametrize(
    ("signal", "tones", "pulse_s", "gap_s", "period_s"),
    [
        (Signal.HIGH, [800.0, 1000.0, 800.0, 1000.0, 800.0], 0.15, 0.1, 5.0),
        (Signal.MEDIUM, [650.0] * 3, 0.2, 0.2, 15.0),
        (Signal.PROMPT, [500.0], 0.8, 0.0, None),
    ],
)
def test_the_patterns_are_the_required_ones(
    signal: Signal, tones: list[float], pulse_s: float, gap_s: float, period_s: float | None
) -> None:
    pattern = PATTERNS[signal]
    sounding = [step for step in pattern.steps if step.frequency_hz is not None]
    silent = [step for step in pattern.steps if step.frequency_hz is None]
    assert [step.frequency_hz for step in sounding] == tones
    assert {step.seconds for step in sounding} == {pulse_s}
    assert {step.seconds for step in silent} <= {gap_s}
    assert pattern.period_s == period_s
