from __future__ import annotations

import asyncio
import itertools
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import scipy.io.wavfile
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin

from hardware.sound_patterns import PATTERNS
from hardware.sounder import CardSounder, PinSounder, RecordingSounder, WaveSounder, sounder_for
from monitor.contract.errors import SounderFailed
from monitor.contract.names import Signal
from monitor.runtime.clock import ManualClock, SystemClock
from monitor.runtime.settings import SounderSection
from tests.hardware.recordings import notes

PIN, LAMP_PIN = 17, 27
PIN_JITTER_S = 0.25  # sleeps on a shared machine come late; an order of the pattern would still show


class TonePinRecord(MockPWMPin):  # type: ignore[misc]  # gpiozero ships no types
    """gpiozero's mock pin, keeping the tones as well as the duty."""

    def __init__(self, factory: Any, info: Any) -> None:
        super().__init__(factory, info)
        self.tones_hz: list[float] = []

    def _set_frequency(self, value: float | None) -> None:
        super()._set_frequency(value)
        if value is not None:
            self.tones_hz.append(round(value, 3))


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory(pin_class=TonePinRecord)
    yield factory
    factory.close()


@pytest.fixture
def pins(factory: MockFactory) -> Iterator[PinSounder]:
    sounder = PinSounder(pin=PIN, lamp_pin=LAMP_PIN, clock=SystemClock(), factory=factory)
    yield sounder
    sounder.close()


@pytest.mark.parametrize("signal", list(Signal))
async def test_the_pin_follows_the_pattern_in_time_and_pitch(
    pins: PinSounder, factory: MockFactory, signal: Signal
) -> None:
    pin = factory.pin(PIN)
    pin.clear_states()
    pin.tones_hz.clear()
    pattern = PATTERNS[signal]
    await pins.play(pattern)
    sounding = [step.frequency_hz for step in pattern.steps if step.frequency_hz is not None]
    # gpiozero sets the pitch before the duty and repeats it; what counts is the order.
    assert [tone for tone, _ in itertools.groupby(pin.tones_hz)] == [
        tone for tone, _ in itertools.groupby(sounding)
    ]
    merged = [
        sum(step.seconds for step in group)
        for _, group in itertools.groupby(pattern.steps, key=lambda step: step.frequency_hz is not None)
    ]
    held = [state.timestamp for state in pin.states[2:]]
    assert held == pytest.approx(merged, abs=PIN_JITTER_S)
    assert pin.states[-1].state == 0.0


async def test_a_cancelled_sound_is_silent_at_once(pins: PinSounder, factory: MockFactory) -> None:
    playing = asyncio.create_task(pins.play(PATTERNS[Signal.PROMPT]))
    pin = factory.pin(PIN)
    async with asyncio.timeout(5.0):
        while pin.state == 0.0:  # noqa: ASYNC110 - a pin has no event to wait on
            await asyncio.sleep(0.001)
    playing.cancel()
    with pytest.raises(asyncio.CancelledError):
        await playing
    assert pin.state == 0.0


def test_the_lamp_is_switched_and_goes_out_at_the_end(factory: MockFactory) -> None:
    sounder = PinSounder(pin=None, lamp_pin=LAMP_PIN, clock=ManualClock(), factory=factory)
    lamp = factory.pin(LAMP_PIN)
    sounder.light(lit=True)
    assert lamp.state == 1.0
    sounder.close()
    assert lamp.state == 0.0


def test_a_board_without_pins_says_that_the_alarm_output_failed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "native")
    monkeypatch.setattr(Device, "pin_factory", None)
    with pytest.raises(SounderFailed, match="alarm output failed: pin 17"):
        PinSounder(pin=PIN, lamp_pin=None, clock=ManualClock())


async def test_the_file_holds_the_sounds_where_they_fell_and_the_silence_between(tmp_path: Path) -> None:
    clock = ManualClock()
    sounder = WaveSounder(tmp_path / "run.wav", clock=clock)
    clock.advance(2.0)
    await sounder.play(PATTERNS[Signal.HIGH])
    clock.advance(5.0 - PATTERNS[Signal.HIGH].seconds)
    await sounder.play(PATTERNS[Signal.HIGH])
    clock.advance(1.0)
    sounder.close()
    rate_hz, sound = scipy.io.wavfile.read(tmp_path / "run.wav")
    # 2 s of silence, a period of 5 s, 1.15 s of sound, 1 s of silence.
    assert len(sound) / rate_hz == pytest.approx(9.15, abs=0.01)
    heard = notes(rate_hz, sound)
    begins = [2.0 + period + pulse * 0.25 for period in (0.0, 5.0) for pulse in range(5)]
    assert [note.begin_s for note in heard] == pytest.approx(begins, abs=0.011)
    assert [note.frequency_hz for note in heard] == pytest.approx([800, 1000, 800, 1000, 800] * 2, abs=2.0)


CARD_THAT_RECORDS = """
pcm.recorder {{ type file slave.pcm "nothing" file "{file}" format "wav" }}
pcm.nothing {{ type null }}
"""


async def test_a_sound_card_gets_the_pattern_through_aplay(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    taken = tmp_path / "card.wav"
    (tmp_path / "asound.conf").write_text(CARD_THAT_RECORDS.format(file=taken))
    monkeypatch.setenv("ALSA_CONFIG_PATH", str(tmp_path / "asound.conf"))
    await CardSounder("recorder").play(PATTERNS[Signal.MEDIUM])
    # ALSA's file plugin leaves the lengths in the header open; the samples follow 44 bytes.
    sound = np.frombuffer(taken.read_bytes()[44:], dtype="<i2")
    heard = notes(16_000, sound)
    assert [note.frequency_hz for note in heard] == pytest.approx([650.0] * 3, abs=2.0)
    assert [note.begin_s for note in heard] == pytest.approx([0.0, 0.4, 0.8], abs=0.02)


async def test_a_missing_sound_card_says_that_the_alarm_output_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "asound.conf").write_text("")
    monkeypatch.setenv("ALSA_CONFIG_PATH", str(tmp_path / "asound.conf"))
    with pytest.raises(SounderFailed, match="alarm output failed: sound card 'default'"):
        await CardSounder("default").play(PATTERNS[Signal.PROMPT])


async def test_a_board_without_aplay_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("PATH", str(tmp_path))
    with pytest.raises(SounderFailed, match="aplay cannot be started"):
        await CardSounder("default").play(PATTERNS[Signal.PROMPT])


async def test_the_record_keeps_what_sounded_and_what_was_cut_off() -> None:
    clock = ManualClock()
    sounder = RecordingSounder(clock=clock)
    await sounder.play(PATTERNS[Signal.PROMPT])
    sounder.light(lit=True)
    sounder.light(lit=True)
    sounder.light(lit=False)
    (played,) = sounder.played
    assert (played.signal, played.whole) == (Signal.PROMPT, True)
    assert played.ended_s - played.began_s == pytest.approx(0.8, abs=0.3)
    assert [lit for _, lit in sounder.lamp] == [True, False]


def test_settings_choose_the_sounder(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "mock")
    monkeypatch.setenv("GPIOZERO_MOCK_PIN_CLASS", "mockpwmpin")
    monkeypatch.setattr(Device, "pin_factory", None)
    clock = ManualClock()
    assert sounder_for(SounderSection(), clock=clock) is None
    assert isinstance(sounder_for(SounderSection(card="default"), clock=clock), CardSounder)
    fitted = sounder_for(SounderSection(pin=PIN, lamp_pin=LAMP_PIN), clock=clock)
    assert isinstance(fitted, PinSounder)
    fitted.close()
