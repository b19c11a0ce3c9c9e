"""Measures a recorded sound: where it sounds, and at what frequency. For tests; uses scipy."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

ENVELOPE_S = 0.01
LOUD_SHARE = 0.1


@dataclass(frozen=True)
class Note:
    """A stretch of one tone."""

    begin_s: float
    seconds: float
    frequency_hz: float


def notes(rate_hz: int, sound: NDArray[np.int16]) -> list[Note]:
    """Return the notes of ``sound``: loud stretches, split where the pitch changes."""
    wave = sound.astype(float)
    width = int(ENVELOPE_S * rate_hz)
    blocks = len(wave) // width
    level = np.abs(wave[: blocks * width]).reshape(blocks, width).max(axis=1)
    loud = level > LOUD_SHARE * 32767
    edges = np.flatnonzero(np.diff(np.concatenate(([0], loud.view(np.int8), [0]))))
    found = []
    for begin, end in zip(edges[::2] * width, edges[1::2] * width, strict=True):
        found.append(Note(begin / rate_hz, (end - begin) / rate_hz, pitch(rate_hz, wave[begin:end])))
    return found


def pitch(rate_hz: int, wave: NDArray[np.float64]) -> float:
    """Return the strongest frequency, by FFT with zero padding to 0.5 Hz."""
    size = 2 * rate_hz
    spectrum = np.abs(np.fft.rfft(wave * np.hanning(len(wave)), n=size))
    return float(np.argmax(spectrum) * rate_hz / size)
