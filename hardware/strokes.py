"""Counts pump strokes in the line pressure as samples arrive.

Each change of a diaphragm pump's side makes the line dip: one dip is one stroke. How
wide the dips are is not known beforehand, so the line is heard through several
smoothing widths at once (:mod:`hardware.pulsation`), and the width whose dips stand
highest over the noise and come most regularly does the counting. Nothing is counted
before some width is trusted; the dips it has seen until then are counted afterwards,
one a sample, so totals stay right. A gear pump's ripple comes too fast and too small, a
dead line shows nothing regular: both count nothing and say why.

Pure: no clock, no I/O. Work per sample is bounded and small.
"""

from __future__ import annotations

import math
from enum import StrEnum

from hardware.pulsation import DipFinder, Pulse
from monitor.contract.names import PumpKind


class NoStrokes(StrEnum):
    """Why no stroke is counted; the value is what a person reads."""

    WARMING = "too few strokes seen yet to tell them from noise"
    DEAD_LINE = "no pulsation in the line"
    TOO_FAST = "ripple too fast for strokes: nothing to count on a gear pump"
    TOO_IRREGULAR = "pulsation too irregular or too small to be strokes"


WIDTHS_S = (0.02, 0.05, 0.1, 0.15, 0.25, 0.45, 0.8)
"""Smoothing widths [s]: from a sharp dip at 3 Hz to a broad one at 0.15 Hz."""
FASTEST_HZ = {
    PumpKind.AIR_DIAPHRAGM: 4.5,
    PumpKind.HAND_DIAPHRAGM: 3.0,
    PumpKind.ELECTRIC_DIAPHRAGM: 10.0,
    PumpKind.GEAR: 0.0,
}
"""Fastest strokes believed [Hz]. Air pumps reach 3 Hz and gear teeth pass above 5 (common
practice, no source); 10 is what a reading can carry."""
SAMPLES_A_STROKE = 4.5
"""Fewest samples that still show a stroke as a dip."""
SLOWEST_S = 16.0
"""Longest time between two strokes of a running pump [s]."""
LEAST_PULSATION = 0.035
"""Least depth of strokes as a share of the mean: an air pump shows 5-30 %, gear teeth 1-3 %
(common practice, no source)."""
LARGE_PULSATION = 0.15
"""Depth as a share of the mean from which uneven strokes are believed: a hand pump swings 25-90 %."""
NOISE_LIFT = 1.5
"""What noise adds to a dip's depth, in its standard deviations (from the spread of extremes)."""
LEAST_DEPTH_KPA = 3.0
"""Least depth of strokes at any mean [kPa]: under it a line near 0 is only noise."""
SURE = 12.0
"""Quality from which more makes no difference."""
TRUST = ((12, 3.0), (6, 4.0), (4, 6.0))
"""Dips seen and least quality for their being strokes."""
MEAN_S = 5.0
"""Time constant of the mean [s]."""
PAUSE_S = 60.0
"""Longest rest over which clear strokes stay known [s]."""
BEND_OF_NOISE = 0.5244 * math.sqrt(6.0)
"""40 % quantile of |second difference| of white noise of deviation 1: the second difference
has variance 1 + 4 + 1, the normal distribution's |z| is below 0.5244 in 40 % of cases."""
SETTLE_S = 0.25
"""How often noise, mean and stillness are looked at [s]."""


class StrokeCounter:
    """Counts strokes from samples of the line pressure taken ``sample_hz`` times a second."""

    def __init__(self, *, sample_hz: float, kind: PumpKind = PumpKind.AIR_DIAPHRAGM) -> None:
        if not (math.isfinite(sample_hz) and 1.0 <= sample_hz <= 10_000.0):
            raise ValueError(f"{sample_hz} samples a second cannot be: take 20 to 200")
        self._hz = sample_hz
        self._kind = kind
        self._shortest = max(SAMPLES_A_STROKE, sample_hz / max(FASTEST_HZ[kind], 1e-9))
        widths = sorted({max(1, round(sample_hz * width)) for width in WIDTHS_S})
        self._finders = [DipFinder(width) for width in widths]
        self._listening = [(finder, finder.width, 1.0 / finder.width) for finder in self._finders]
        self._slots = widths[-1] + 1
        self._sums: list[float] = []
        self._sum = 0.0
        self._at = 0
        self._before = self._before_that = 0.0
        self._bend = 0.0
        self._mean = 0.0
        self._settle_every = max(1, round(SETTLE_S * sample_hz))
        self._active: DipFinder | None = None
        self._counted_at = -math.inf
        self._owed = 0

    def add(self, pressure_kpa: float) -> bool:
        """Take one sample; return True when a stroke is counted at it.

        A sample that is no number repeats the one before it.
        """
        if not math.isfinite(pressure_kpa):
            pressure_kpa = self._before
        if not self._sums:
            self._begin(pressure_kpa)
        at = self._at = self._at + 1
        here = at % self._slots
        sums = self._sums
        total = self._sum = sums[here] = self._sum + pressure_kpa
        bend = abs(pressure_kpa - 2.0 * self._before + self._before_that)
        self._before_that, self._before = self._before, pressure_kpa
        self._mean += (pressure_kpa - self._mean) / (MEAN_S * self._hz)
        self._bend = self._bend * (1.0 + (0.4 if bend > self._bend else -0.6) * self._agility()) + 1e-6
        for finder, width, share in self._listening:
            change = finder.step((total - sums[here - width]) * share, at)
            if change:
                self._hear(finder, change)
        if at % self._settle_every == 0:
            self._settle()
        if self._owed:
            self._owed -= 1
            return True
        return False

    @property
    def strokes_per_min(self) -> float | None:
        """Strokes a minute over the last dips, None while nothing is counted."""
        pulse = self._pulse()
        return None if pulse is None else 60.0 * self._hz / pulse.period

    @property
    def regularity(self) -> float | None:
        """How evenly strokes follow each other: 1 like a clock, 0 at random."""
        pulse = self._pulse()
        return None if pulse is None else max(0.0, 1.0 - 2.0 * pulse.deviation)

    @property
    def confidence(self) -> float | None:
        """How surely the dips are strokes (0-1): high over the noise, and regular or large."""
        pulse = self._pulse()
        return None if pulse is None else min(1.0, _quality(pulse) / SURE)

    @property
    def reason(self) -> NoStrokes | None:
        """Why no stroke is counted, None while strokes are."""
        if self._active is not None:
            return None
        if self._kind is PumpKind.GEAR:
            return NoStrokes.TOO_FAST
        pulses = [finder.pulse for finder in self._finders if finder.pulse is not None]
        if any(self._too_fast(pulse) for pulse in pulses):
            return NoStrokes.TOO_FAST
        if any(self._deep(pulse) and pulse.dips >= 12 and pulse.over_noise > 8 for pulse in pulses):
            return NoStrokes.TOO_IRREGULAR
        if self._at < 2.0 * SLOWEST_S * self._hz:
            return NoStrokes.WARMING
        return NoStrokes.DEAD_LINE

    def _pulse(self) -> Pulse | None:
        return None if self._active is None else self._active.pulse

    def _begin(self, pressure_kpa: float) -> None:
        """Take the line to have stood at its first sample before."""
        self._sums = [-pressure_kpa * (self._slots - slot) for slot in range(self._slots)]
        self._sums[0] = 0.0
        self._mean = self._before = self._before_that = pressure_kpa

    def _agility(self) -> float:
        return max(0.01, 1.0 / (1.0 + self._at))

    def _settle(self) -> None:
        noise_kpa = self._bend / BEND_OF_NOISE
        for finder in self._finders:
            finder.settle(noise_kpa=noise_kpa / math.sqrt(finder.width), mean_kpa=self._mean)
            self._let_go(finder)

    def _let_go(self, finder: DipFinder) -> None:
        """Let a finder forget dips that stopped coming."""
        quiet = self._at - (finder.bottoms[-1] if finder.bottoms else -math.inf)
        pulse = finder.pulse
        if pulse is not None and pulse.over_noise >= SURE:
            patience = PAUSE_S * self._hz
        else:
            patience = min(SLOWEST_S * self._hz, 4.0 * pulse.period + self._hz if pulse else math.inf)
        if quiet > patience:
            finder.forget()
            if finder is self._active:
                self._active = None

    def _hear(self, finder: DipFinder, change: int) -> None:
        if self._kind is PumpKind.GEAR:
            return
        if change > 0:
            if finder is self._active:
                self._count(finder, finder.seen_at)
            return
        trusted = self._trusted(finder.pulse)
        if finder is self._active:
            if not trusted:
                self._active = None
        elif trusted and self._better(finder):
            self._active = finder
            for bottom, depth in zip(finder.bottoms, finder.depths, strict=True):
                if depth >= 0.9 * finder.need_kpa:
                    self._count(finder, bottom)

    def _better(self, finder: DipFinder) -> bool:
        rival = self._pulse()
        if rival is None:
            return True
        assert finder.pulse is not None
        return min(SURE, _quality(finder.pulse)) > 1.3 * min(SURE, _quality(rival))

    def _count(self, finder: DipFinder, bottom: float | None) -> None:
        if bottom is None or finder.pulse is None:
            return
        middle = bottom - 0.5 * (finder.width - 1)
        if middle - self._counted_at > 0.45 * finder.pulse.period:
            self._counted_at = middle
            self._owed += 1

    def _deep(self, pulse: Pulse) -> bool:
        noise = pulse.depth_kpa / pulse.over_noise
        return pulse.depth_kpa - NOISE_LIFT * noise > max(LEAST_PULSATION * self._mean, LEAST_DEPTH_KPA)

    def _too_fast(self, pulse: Pulse) -> bool:
        return pulse.period < self._shortest and pulse.dips >= 12 and _quality(pulse) >= 3.0

    def _trusted(self, pulse: Pulse | None) -> bool:
        if pulse is None or pulse.period < self._shortest or not self._deep(pulse):
            return False
        if pulse.depth_kpa > LARGE_PULSATION * self._mean and pulse.over_noise > 8 and pulse.dips >= 3:
            return pulse.deviation < 0.6
        quality = _quality(pulse)
        return any(pulse.dips >= dips and quality >= least for dips, least in TRUST)


def _quality(pulse: Pulse) -> float:
    """Return how far the dips stand over the noise, less where they come unevenly."""
    return pulse.over_noise * max(0.0, 1.0 - 2.0 * pulse.deviation)
