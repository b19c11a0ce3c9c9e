"""Line pressure of invented pumps, with the time of every stroke beside it.

Written from a picture of the pump: a stroke has a start and a length; at its start the
pump changes sides and delivery falters, so the line sags and recovers as the shape says;
the regulator sets the mean; the transducer adds noise and the converter its steps.
Nothing here knows how strokes are counted.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import Enum

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

PSI_KPA = 6.894757
NOISE_KPA = 0.3 * PSI_KPA


class Shape(Enum):
    """How the line sags and recovers within one stroke (0 full delivery, 1 the bottom)."""

    SINE = "sine"
    RAISED_COSINE = "raised cosine"
    HALF_SINE = "half sine"
    ABS_SINE = "abs sine"
    RECOVERY = "exponential recovery"
    SAWTOOTH = "sawtooth"
    NOTCH = "narrow notch"
    SQUARE = "square notch"


def sag(shape: Shape, share: Array, *, width: float) -> Array:
    """Return the sag (0-1) at ``share`` (0-1) of a stroke; ``width`` is the dip's share of it."""
    middle = np.abs(share - 0.5)
    match shape:
        case Shape.SINE:
            return 0.5 + 0.5 * np.cos(2 * np.pi * (share - 0.5))
        case Shape.RAISED_COSINE:
            return np.where(middle < width / 2, 0.5 + 0.5 * np.cos(2 * np.pi * middle / width), 0.0)
        case Shape.HALF_SINE:
            return np.where(middle < width / 2, np.cos(np.pi * middle / width), 0.0)
        case Shape.ABS_SINE:
            return 1.0 - np.abs(np.sin(np.pi * (share - 0.5)))
        case Shape.RECOVERY:
            fall = 0.15 * width
            late = np.exp(-(share - fall) / (0.4 * width))
            return np.where(share < fall, share / fall, late)
        case Shape.SAWTOOTH:
            fall = 0.1
            return np.where(share < fall, share / fall, 1.0 - (share - fall) / (1.0 - fall))
        case Shape.NOTCH:
            return np.exp(-0.5 * (middle / (width / 5)) ** 2)
        case Shape.SQUARE:
            edge = width / 4
            return np.clip((width / 2 - middle) / edge + 0.5, 0.0, 1.0)


@dataclass(frozen=True, slots=True)
class Waveform:
    """Samples of the line and what made them."""

    sample_hz: float
    pressure_kpa: Array
    strokes_s: Array

    @property
    def strokes(self) -> int:
        """How many strokes were made."""
        return len(self.strokes_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The line's mean and what the sensor makes of it."""

    sample_hz: float = 50.0
    length_s: float = 120.0
    mean_psi: float = 40.0
    drift_psi: float = 0.0
    """Rise of the mean over the whole length."""
    steps_s: tuple[float, ...] = ()
    """Moments at which the regulator is raised by 10 psi within 1 s."""
    start_up_s: float = 0.0
    """Time constant of the rise from 0; 0 begins under pressure."""
    noise_kpa: float = NOISE_KPA
    quantum_kpa: float = 0.0
    """Step of the converter."""

    def times(self) -> Array:
        """Return the moments of the samples in s."""
        return np.arange(int(self.length_s * self.sample_hz)) / self.sample_hz

    def mean_kpa(self) -> Array:
        """Return the mean pressure at each sample."""
        t = self.times()
        mean = self.mean_psi + self.drift_psi * t / self.length_s
        for step in self.steps_s:
            mean = mean + 10.0 * np.clip(t - step, 0.0, 1.0)
        if self.start_up_s:
            mean = mean * (1.0 - np.exp(-t / self.start_up_s))
        return mean * PSI_KPA

    def read(self, pressure_kpa: Array, rng: np.random.Generator) -> Array:
        """Return what the converter reports of ``pressure_kpa``."""
        seen = pressure_kpa + rng.normal(0.0, 1.0, len(pressure_kpa)) * self.noise_kpa
        return np.round(seen / self.quantum_kpa) * self.quantum_kpa if self.quantum_kpa else seen


@dataclass(frozen=True, slots=True, kw_only=True)
class Strokes:
    """How a diaphragm pump strokes."""

    rate_hz: float = 1.0
    end_rate_hz: float | None = None
    """Rate at the end of the length, reached in a straight line."""
    jitter: float = 0.0
    """Standard deviation of a stroke's length, as a share of it."""
    pulsation: float = 0.15
    """Depth of a full dip as a share of the mean."""
    depth_spread: float = 0.0
    """Standard deviation of the dips' depth, as a share of it."""
    weak_side: float = 1.0
    """Depth of every second dip (the other diaphragm) against the first."""
    offset: float = 0.0
    """How much of a stroke every second change comes late (-0.3 to 0.3)."""
    shape: Shape = Shape.RAISED_COSINE
    width: float = 0.5
    pauses_s: tuple[tuple[float, float], ...] = field(default=())
    """Begin and end of each time the pump stands; the line holds its pressure."""


def diaphragm(line: Line, strokes: Strokes, *, seed: int) -> Waveform:
    """Return a diaphragm pump's line pressure with a truth of one stroke a dip."""
    rng = np.random.default_rng(seed)
    t = line.times()
    depth = np.zeros(len(t))
    bottoms: list[float] = []
    bottom_share = _bottom_share(strokes)
    last = strokes.end_rate_hz if strokes.end_rate_hz is not None else strokes.rate_hz
    start, number = float(rng.uniform(-0.5, 0.5)) / strokes.rate_hz, 0
    while start < line.length_s:
        pause = next((end for begin, end in strokes.pauses_s if begin <= start < end), None)
        if pause is not None:
            start = pause
        rate = strokes.rate_hz + (last - strokes.rate_hz) * max(0.0, start) / line.length_s
        late = (strokes.offset if number % 2 else -strokes.offset) / 2
        length = (1.0 + 2 * late) / rate * max(0.3, 1.0 + rng.normal(0.0, 1.0) * strokes.jitter)
        size = max(0.2, 1.0 + rng.normal(0.0, 1.0) * strokes.depth_spread)
        size *= strokes.weak_side if number % 2 else 1.0
        first, beyond = np.searchsorted(t, (start, start + length))
        share = (t[first:beyond] - start) / length
        depth[first:beyond] = size * sag(strokes.shape, share, width=strokes.width)
        bottom = start + bottom_share * length
        if 0.0 <= bottom < line.length_s:
            bottoms.append(bottom)
        start, number = start + length, number + 1
    pressure = line.mean_kpa() * (1.0 - strokes.pulsation * (depth - 0.5 * depth.mean()))
    return Waveform(line.sample_hz, line.read(pressure, rng), np.array(bottoms))


def _bottom_share(strokes: Strokes) -> float:
    share = np.linspace(0.0, 1.0, 2001)
    return float(share[np.argmax(sag(strokes.shape, share, width=strokes.width))])


@dataclass(frozen=True, slots=True, kw_only=True)
class Hand:
    """How a person works a lever pump: no two strokes alike, and rests between."""

    rate_hz: float = 0.7
    swing: float = 0.6
    """Peak to bottom as a share of the mean."""
    unevenness: float = 0.25
    """Standard deviation of a stroke's length and height, as a share."""
    strokes_a_burst: int = 15
    rest_s: float = 6.0
    leak_s: float = 20.0
    """Time constant of the line's fall while the person rests."""


def hand(line: Line, work: Hand, *, seed: int) -> Waveform:
    """Return a hand pump's line pressure: a push lifts it, the return lets it sag."""
    rng = np.random.default_rng(seed)
    t = line.times()
    share_of_mean = np.full(len(t), 1.0 - work.swing / 2)
    bottoms: list[float] = []
    now, left = 0.5, work.strokes_a_burst
    while now < line.length_s:
        length = max(0.35, 1.0 + rng.normal() * work.unevenness) / work.rate_hz
        height = work.swing * float(np.clip(1.0 + rng.normal() * work.unevenness, 0.5, 1.6))
        push = float(rng.uniform(0.35, 0.6))
        first, beyond = np.searchsorted(t, (now, now + length))
        u = (t[first:beyond] - now) / length
        up = 0.5 - 0.5 * np.cos(np.pi * np.clip(u / push, 0.0, 1.0))
        down = 0.5 + 0.5 * np.cos(np.pi * np.clip((u - push) / (1.0 - push), 0.0, 1.0))
        share_of_mean[first:beyond] = 1.0 - work.swing / 2 + height * np.minimum(up, down)
        if now + push * length < line.length_s:
            bottoms.append(now + push * length)
        now, left = now + length, left - 1
        if left <= 0:
            rest = float(rng.uniform(0.3, 1.7)) * work.rest_s
            first, beyond = np.searchsorted(t, (now, now + rest))
            share_of_mean[first:beyond] *= np.exp(-(t[first:beyond] - now) / work.leak_s)
            now, left = now + rest, max(2, int(rng.normal(work.strokes_a_burst, work.strokes_a_burst / 4)))
    pressure = np.maximum(line.mean_kpa() * share_of_mean, 0.0)
    return Waveform(line.sample_hz, line.read(pressure, rng), np.array(bottoms))


def gear(line: Line, *, tooth_hz: float, ripple: float, seed: int, wander: float = 0.0) -> Waveform:
    """Return a gear pump's line: a ripple (share of the mean, peak to peak) at each tooth, no stroke.

    ``wander`` is the standard deviation of the speed as a share, changing over seconds.
    """
    rng = np.random.default_rng(seed)
    t = line.times()
    knots = np.arange(0.0, line.length_s + 3.0, 2.0)
    slow = np.interp(t, knots, rng.normal(0.0, 1.0, len(knots)))
    phase = 2 * np.pi * np.cumsum(tooth_hz * (1.0 + wander * slow)) / line.sample_hz
    shaft = 0.2 * np.sin(phase / 9.0)
    pressure = line.mean_kpa() * (1.0 + ripple / 2 * (1.0 + shaft) * np.sin(phase + rng.uniform(0, 6.28)))
    return Waveform(line.sample_hz, line.read(pressure, rng), np.array([]))


def dead(line: Line, *, seed: int, wander_kpa: float = 0.0) -> Waveform:
    """Return a line nothing pumps; ``wander_kpa`` adds a slow random walk (its spread in 60 s)."""
    rng = np.random.default_rng(seed)
    walk = np.cumsum(rng.normal(0.0, 1.0, len(line.times()))) / np.sqrt(60.0 * line.sample_hz)
    return Waveform(line.sample_hz, line.read(line.mean_kpa() + wander_kpa * walk, rng), np.array([]))


def noiseless(line: Line) -> Line:
    """Return ``line`` read by a perfect sensor."""
    return replace(line, noise_kpa=0.0, quantum_kpa=0.0)
