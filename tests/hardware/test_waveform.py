from __future__ import annotations

import io
import re
import subprocess
from pathlib import Path

import numpy as np
import pytest
import scipy.io.wavfile

from hardware import waveform
from hardware.sound_patterns import PATTERNS, Step
from monitor.contract.names import Signal
from tests.hardware.recordings import notes, pitch


@pytest.mark.parametrize("signal", [Signal.HIGH, Signal.MEDIUM, Signal.PROMPT])
def test_the_wav_has_the_notes_of_the_pattern_by_fft(signal: Signal) -> None:
    rate_hz, sound = scipy.io.wavfile.read(io.BytesIO(waveform.wav(PATTERNS[signal].steps)))
    wanted = [step for step in PATTERNS[signal].steps if step.frequency_hz is not None]
    heard = notes(rate_hz, sound)
    assert len(heard) == len(wanted)
    for note, step in zip(heard, wanted, strict=True):
        assert note.frequency_hz == pytest.approx(step.frequency_hz, abs=2.0)
        assert note.seconds == pytest.approx(step.seconds, abs=0.02)


def test_monitor_silent_is_two_joined_notes_that_fall() -> None:
    rate_hz, sound = scipy.io.wavfile.read(io.BytesIO(waveform.wav(PATTERNS[Signal.MONITOR_SILENT].steps)))
    wave = sound.astype(float)
    assert pitch(rate_hz, wave[: int(0.38 * rate_hz)]) == pytest.approx(1300.0, abs=2.0)
    assert pitch(rate_hz, wave[int(0.42 * rate_hz) :]) == pytest.approx(700.0, abs=2.0)


@pytest.mark.parametrize(("signal", "frequency_hz"), [(Signal.MEDIUM, 650.0), (Signal.PROMPT, 500.0)])
def test_sox_hears_the_same_pitch(tmp_path: Path, signal: Signal, frequency_hz: float) -> None:
    file = tmp_path / "sound.wav"
    file.write_bytes(waveform.wav(PATTERNS[signal].steps))
    said = subprocess.run(["sox", file, "-n", "stat"], check=True, capture_output=True, text=True).stderr
    rough = re.search(r"Rough\s+frequency:\s+(\d+)", said)
    assert rough is not None
    assert float(rough[1]) == pytest.approx(frequency_hz, rel=0.03)


def test_tones_are_loud_and_neither_clip_nor_click() -> None:
    sound = np.array(waveform.samples(Step(800.0, 0.5)), dtype=float)
    assert 0.75 * 32767 < np.abs(sound).max() < 0.85 * 32767
    assert abs(sound[0]) < 100
    assert abs(sound[-1]) < 1000


def test_a_step_cut_short_is_short() -> None:
    assert len(waveform.samples(Step(800.0, 1.0), seconds=0.25)) == 4000
    assert len(waveform.samples(Step(None, 1.0), seconds=9.0)) == 16_000
    assert len(waveform.samples(Step(None, 1.0), seconds=-1.0)) == 0
