"""Strokes against generated lines with the truth beside them, and against scipy."""

from __future__ import annotations

import math
import sys
from importlib import util
from itertools import pairwise
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest
from scipy.signal import find_peaks  # type: ignore[import-untyped]

from hardware.strokes import NoStrokes, StrokeCounter
from monitor.contract.names import PumpKind


def _beside(name: str) -> ModuleType:
    """Return the module ``name`` that lies beside this one: tests are no package."""
    if name not in sys.modules:
        spec = util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec is not None
        assert spec.loader is not None
        sys.modules[name] = util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


waveforms = _beside("waveforms")
Hand, Line, Shape, Strokes = waveforms.Hand, waveforms.Line, waveforms.Shape, waveforms.Strokes

ENDS = 1
"""A dip cut by the first or the last sample is seen or not: one stroke either way is not judged."""


def listen(waveform, kind: PumpKind = PumpKind.AIR_DIAPHRAGM) -> tuple[StrokeCounter, list[float]]:
    """Return the counter after the whole waveform, and the moments at which it counted."""
    counter = StrokeCounter(sample_hz=waveform.sample_hz, kind=kind)
    counted = [
        number / waveform.sample_hz
        for number, pressure_kpa in enumerate(waveform.pressure_kpa.tolist())
        if counter.add(pressure_kpa)
    ]
    return counter, counted


def off(waveform, share: float, **options) -> float:
    """Return by how many strokes the count misses what ``share`` of the truth allows."""
    _, counted = listen(waveform, **options)
    return abs(len(counted) - waveform.strokes) - max(ENDS, share * waveform.strokes)


@pytest.mark.parametrize("shape", list(Shape))
@pytest.mark.parametrize(("rate_hz", "length_s"), [(0.15, 420.0), (0.5, 200.0), (1.0, 120.0), (3.0, 70.0)])
def test_the_weakest_air_pump_is_counted_within_two_percent(shape, rate_hz, length_s):
    # 6 % of 20 psi is 1.2 psi peak to peak under 0.3 psi rms of noise
    line = Line(sample_hz=50.0, length_s=length_s, mean_psi=20.0)
    strokes = Strokes(rate_hz=rate_hz, pulsation=0.06, jitter=0.05, shape=shape)
    assert off(waveforms.diaphragm(line, strokes, seed=4), 0.02) <= 0


@pytest.mark.parametrize("sample_hz", [20.0, 50.0, 100.0, 200.0])
@pytest.mark.parametrize("pulsation", [0.06, 0.25])
def test_the_sample_rate_does_not_change_the_count(sample_hz, pulsation):
    line = Line(sample_hz=sample_hz, length_s=120.0, mean_psi=45.0, drift_psi=15.0)
    strokes = Strokes(rate_hz=0.9, end_rate_hz=0.6, pulsation=pulsation, jitter=0.08)
    assert off(waveforms.diaphragm(line, strokes, seed=5), 0.02) <= 0


def test_two_unlike_diaphragms_are_both_counted():
    line = Line(length_s=180.0, mean_psi=50.0)
    strokes = Strokes(
        rate_hz=0.8, pulsation=0.15, weak_side=0.6, offset=0.2, jitter=0.05, shape=Shape.RECOVERY
    )
    assert off(waveforms.diaphragm(line, strokes, seed=6), 0.02) <= 0


def test_start_up_regulator_steps_and_rests_cost_no_more_than_a_stroke_each():
    line = Line(length_s=300.0, mean_psi=30.0, start_up_s=1.5, steps_s=(80.0, 160.0), quantum_kpa=0.67)
    strokes = Strokes(rate_hz=0.7, pulsation=0.12, jitter=0.05, pauses_s=((200.0, 230.0), (260.0, 266.0)))
    waveform = waveforms.diaphragm(line, strokes, seed=7)
    _, counted = listen(waveform)
    assert abs(len(counted) - waveform.strokes) <= 5  # the start, two steps, two rests


def test_a_rate_that_halves_over_twenty_minutes_is_followed():
    line = Line(sample_hz=20.0, length_s=1200.0, mean_psi=30.0, drift_psi=45.0)
    strokes = Strokes(rate_hz=1.2, end_rate_hz=0.3, pulsation=0.08, jitter=0.07)
    waveform = waveforms.diaphragm(line, strokes, seed=8)
    counter, counted = listen(waveform)
    assert len(counted) == pytest.approx(waveform.strokes, rel=0.02)
    assert counter.strokes_per_min == pytest.approx(60 * 0.3, rel=0.15)


@pytest.mark.parametrize("seed", range(8))
def test_a_hand_pump_is_counted_within_five_percent_whatever_kind_is_set(seed):
    rng = np.random.default_rng(seed)
    work = Hand(
        rate_hz=rng.uniform(0.3, 1.1),
        swing=rng.uniform(0.25, 0.9),
        unevenness=rng.uniform(0.1, 0.25),
        leak_s=30.0,
    )
    waveform = waveforms.hand(Line(length_s=240.0, mean_psi=rng.uniform(15, 60)), work, seed=seed)
    assert off(waveform, 0.05) <= 0
    assert off(waveform, 0.05, kind=PumpKind.HAND_DIAPHRAGM) <= 0


def test_details_of_deep_slow_dips_are_not_counted_while_the_line_comes_up():
    line = Line(length_s=411.179, mean_psi=48.9825, drift_psi=9.2233, start_up_s=1.5, quantum_kpa=0.17)
    strokes = Strokes(
        rate_hz=0.3648,
        end_rate_hz=0.2832,
        jitter=0.06,
        pulsation=0.2126,
        weak_side=0.8,
        offset=0.15,
        shape=Shape.SQUARE,
        width=0.4836,
    )
    assert off(waveforms.diaphragm(line, strokes, seed=100180), 0.02) <= 0


def test_a_trust_once_given_is_kept_while_clear_strokes_are_still_few():
    line = Line(
        sample_hz=20.0, length_s=291.15, mean_psi=67.653, drift_psi=11.849, start_up_s=1.5, quantum_kpa=0.67
    )
    strokes = Strokes(
        rate_hz=0.5152,
        end_rate_hz=0.443,
        jitter=0.06,
        pulsation=0.1258,
        depth_spread=0.1,
        weak_side=0.8,
        offset=0.15,
        shape=Shape.ABS_SINE,
    )
    assert off(waveforms.diaphragm(line, strokes, seed=238), 0.02) <= 0


@pytest.mark.parametrize("seed", range(4))
def test_a_line_that_leaks_down_in_every_rest_keeps_the_hand_pump_counted(seed):
    # a rest lets the line fall further than any stroke does, four strokes apart
    line = Line(length_s=300.0, mean_psi=25.0)
    work = Hand(rate_hz=0.6, swing=0.35, unevenness=0.06, strokes_a_burst=4, rest_s=8.0, leak_s=6.0)
    assert off(waveforms.hand(line, work, seed=seed), 0.05) <= 0


@pytest.mark.parametrize("seed", [3, 20, 21])
def test_a_hands_short_strokes_are_not_lost_in_the_broad_smoothing_that_was_sure_first(seed):
    line = Line(sample_hz=100.0, length_s=240.0, mean_psi=20.0)
    work = Hand(rate_hz=0.9, swing=0.4, unevenness=0.28, strokes_a_burst=12, rest_s=8.0, leak_s=40.0)
    assert off(waveforms.hand(line, work, seed=seed), 0.05) <= 0


@pytest.mark.parametrize("seed", range(1, 4))
def test_noise_in_a_long_rest_is_not_counted_when_the_pump_starts_again(seed):
    line = Line(length_s=300.0, mean_psi=25.0, drift_psi=50.0)
    strokes = Strokes(rate_hz=0.7, pulsation=0.22, jitter=0.05, pauses_s=((60.0, 200.0),))
    assert off(waveforms.diaphragm(line, strokes, seed=seed), 0.02) <= 0


@pytest.mark.parametrize(
    ("tooth_hz", "ripple"), [(6.0, 0.04), (9.0, 0.08), (14.0, 0.03), (23.0, 0.02), (37.0, 0.02)]
)
def test_a_gear_pump_has_no_stroke(tooth_hz, ripple):
    line = Line(
        sample_hz=100.0, length_s=180.0, mean_psi=50.0, drift_psi=20.0, start_up_s=2.0, steps_s=(90.0,)
    )
    counter, counted = listen(waveforms.gear(line, tooth_hz=tooth_hz, ripple=ripple, wander=0.01, seed=9))
    assert counted == []
    assert counter.reason in {NoStrokes.TOO_FAST, NoStrokes.DEAD_LINE}
    assert (counter.strokes_per_min, counter.regularity, counter.confidence) == (None, None, None)


def test_a_ripple_that_can_be_seen_is_called_too_fast():
    counter, counted = listen(waveforms.gear(Line(length_s=60.0), tooth_hz=7.0, ripple=0.06, seed=1))
    assert (counted, counter.reason) == ([], NoStrokes.TOO_FAST)


def test_a_pump_named_gear_is_never_counted():
    waveform = waveforms.diaphragm(Line(length_s=60.0), Strokes(), seed=1)
    counter, counted = listen(waveform, kind=PumpKind.GEAR)
    assert (counted, counter.reason) == ([], NoStrokes.TOO_FAST)


@pytest.mark.parametrize("mean_psi", [0.0, 3.0, 20.0, 60.0])
@pytest.mark.parametrize("sample_hz", [20.0, 100.0])
def test_a_dead_line_has_no_stroke(mean_psi, sample_hz):
    line = Line(sample_hz=sample_hz, length_s=400.0, mean_psi=mean_psi, quantum_kpa=0.17)
    counter, counted = listen(waveforms.dead(line, seed=11))
    assert (counted, counter.reason) == ([], NoStrokes.DEAD_LINE)


def test_a_line_that_does_not_move_at_all_has_no_stroke():
    counter = StrokeCounter(sample_hz=50.0)
    assert not any(counter.add(138.0) for _ in range(5000))
    assert counter.reason is NoStrokes.DEAD_LINE


def test_a_fast_electric_pump_is_counted_when_named():
    line = Line(sample_hz=100.0, length_s=40.0, mean_psi=40.0)
    waveform = waveforms.diaphragm(
        line, Strokes(rate_hz=7.0, pulsation=0.2, jitter=0.02, shape=Shape.SINE), seed=2
    )
    assert off(waveform, 0.02, kind=PumpKind.ELECTRIC_DIAPHRAGM) <= 0
    counter, counted = listen(waveform)
    assert (counted, counter.reason) == ([], NoStrokes.TOO_FAST)


def test_a_pump_too_fast_for_the_samples_is_not_counted():
    line = Line(sample_hz=20.0, length_s=40.0, mean_psi=40.0)
    waveform = waveforms.diaphragm(
        line, Strokes(rate_hz=7.0, pulsation=0.2, jitter=0.02, shape=Shape.SINE), seed=2
    )
    counter, counted = listen(waveform, kind=PumpKind.ELECTRIC_DIAPHRAGM)
    assert (counted, counter.reason) == ([], NoStrokes.TOO_FAST)


def test_a_stroke_is_counted_within_a_period_of_its_dip():
    waveform = waveforms.diaphragm(Line(length_s=120.0), Strokes(rate_hz=1.0, jitter=0.05), seed=3)
    _, counted = listen(waveform)
    settled = [moment for moment in counted if moment > 30.0]
    lateness = [moment - waveform.strokes_s[waveform.strokes_s <= moment][-1] for moment in settled]
    assert max(lateness) < 1.0
    assert min(after - before for before, after in pairwise(settled)) > 0.3


@pytest.mark.parametrize("shape", [Shape.SINE, Shape.RECOVERY, Shape.SAWTOOTH, Shape.NOTCH])
def test_a_clean_line_is_counted_as_scipy_finds_its_peaks(shape):
    # scipy.signal.find_peaks on the whole record, offline, as an outside reference
    line = waveforms.noiseless(Line(length_s=150.0, mean_psi=40.0))
    waveform = waveforms.diaphragm(
        line, Strokes(rate_hz=0.8, pulsation=0.2, jitter=0.08, shape=shape), seed=12
    )
    swing = np.ptp(waveform.pressure_kpa)
    bottoms, _ = find_peaks(-waveform.pressure_kpa, prominence=0.4 * swing, distance=10)
    _, counted = listen(waveform)
    assert len(counted) == pytest.approx(len(bottoms), abs=ENDS)
    assert len(bottoms) == pytest.approx(waveform.strokes, abs=ENDS)


def test_rate_regularity_and_confidence_say_what_the_pulsation_shows():
    even, _ = listen(waveforms.diaphragm(Line(length_s=90.0), Strokes(rate_hz=0.75, jitter=0.02), seed=13))
    uneven, _ = listen(waveforms.diaphragm(Line(length_s=90.0), Strokes(rate_hz=0.75, jitter=0.15), seed=13))
    assert even.strokes_per_min == pytest.approx(45.0, rel=0.03)
    assert 0.9 < even.regularity <= 1.0
    assert 0.0 <= uneven.regularity < even.regularity
    assert even.confidence == pytest.approx(1.0, abs=0.1)
    assert even.reason is None


def test_nothing_is_said_before_strokes_are_seen():
    counter = StrokeCounter(sample_hz=50.0)
    assert counter.reason is NoStrokes.WARMING
    assert (counter.strokes_per_min, counter.regularity, counter.confidence) == (None, None, None)


def test_a_stopped_pump_stops_the_count():
    strokes = Strokes(rate_hz=1.0, pulsation=0.08, pauses_s=((60.0, 400.0),))
    waveform = waveforms.diaphragm(Line(length_s=180.0, mean_psi=25.0), strokes, seed=14)
    counter, counted = listen(waveform)
    assert len([moment for moment in counted if moment > 66.0]) <= 1
    assert len(counted) == pytest.approx(waveform.strokes, abs=2)
    assert counter.strokes_per_min is None


def test_samples_that_are_no_number_are_bridged():
    waveform = waveforms.diaphragm(Line(length_s=120.0), Strokes(), seed=15)
    counter = StrokeCounter(sample_hz=50.0)
    holed = [
        math.nan if number % 97 == 0 else value for number, value in enumerate(waveform.pressure_kpa.tolist())
    ]
    assert sum(counter.add(value) for value in holed) == pytest.approx(waveform.strokes, abs=2)


@pytest.mark.parametrize("sample_hz", [0.0, -5.0, math.nan, math.inf])
def test_a_sample_rate_that_cannot_be_is_refused(sample_hz):
    with pytest.raises(ValueError, match="samples a second"):
        StrokeCounter(sample_hz=sample_hz)
