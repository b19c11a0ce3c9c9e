"""Sound patterns as samples and WAV bytes: 16 bit, one channel. Pure."""

from __future__ import annotations

import io
import math
import sys
import wave
from array import array
from collections.abc import Sequence

from hardware.sound_patterns import Step

RATE_HZ = 16_000
"""Samples a second; every sound card takes it, and the highest tone is 1.3 kHz."""
LOUDNESS = 0.8
"""Amplitude as a share of full scale."""
RAMP_S = 0.005
"""Fade at both ends of a tone, so that it does not click."""
FULL_SCALE = 32_767


def samples(step: Step, *, seconds: float | None = None) -> array[int]:
    """Return ``step`` as 16-bit samples, cut short after ``seconds`` where given."""
    length_s = step.seconds if seconds is None else min(max(seconds, 0.0), step.seconds)
    count = round(length_s * RATE_HZ)
    if step.frequency_hz is None:
        return array("h", bytes(2 * count))
    turn = 2.0 * math.pi * step.frequency_hz / RATE_HZ
    ramp = RAMP_S * RATE_HZ
    return array(
        "h",
        (
            round(FULL_SCALE * LOUDNESS * min(1.0, n / ramp, (count - n) / ramp) * math.sin(turn * n))
            for n in range(count)
        ),
    )


def wav(steps: Sequence[Step]) -> bytes:
    """Return ``steps`` one after the other as a whole WAV file."""
    file = io.BytesIO()
    with wave.open(file, "wb") as sound:
        begin(sound)
        for step in steps:
            sound.writeframes(frames(samples(step)))
    return file.getvalue()


def begin(sound: wave.Wave_write) -> None:
    """Set the format of ``sound``."""
    sound.setnchannels(1)
    sound.setsampwidth(2)
    sound.setframerate(RATE_HZ)


def frames(sound: array[int]) -> bytes:
    """Return samples in the byte order of WAV."""
    if sys.byteorder == "big":
        sound.byteswap()
    return sound.tobytes()
