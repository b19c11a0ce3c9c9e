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

from hardware.pulsation import KEPT, DipFinder, Pulse
from monitor.contract.names import PumpKind


class NoStrokes(StrEnum):
    """Why no stroke is counted; the value is what a person reads."""

    WARMING = "too few strokes seen yet to tell them from noise"
    DEAD_LINE = "no pulsation in the line"
    TOO_FAST = "ripple too fast for strokes: nothing to count on a gear pump"
    TOO_IRREGULAR = "pulsation too irregular or too small to be strokes"


WIDTHS_S = (0.02, 0.05, 0.1, 0.15, 0.25, 0.45, 0.8)
"""Smoothing widths [s]: from a sharp dip at 3 Hz to a broad one at 0.15 Hz."""
LAGS_S = (0.11, 0.16, 0.24, 0.36, 0.54, 0.8, 1.2, 1.8, 2.7)
"""Half periods [s] of even strokes listened for."""
LAG_WIDTH = 0.6
LOOKS = 10
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
CLEAR_PULSATION = 0.10
CLEAR_KPA = 8.0
ENOUGH = 6.0
LARGE_KPA = 15.0
"""The same at a mean near nothing [kPa]."""
LEAST_DEPTH_KPA = 3.0
"""Least depth of strokes at any mean [kPa]: under it a line near 0 is only noise."""
SURE = 12.0
"""Quality from which more makes no difference."""
TRUST = ((24, 2.4), (16, 3.2), (12, 3.6), (8, 4.2))
"""Dips seen and least quality for their being strokes."""
EASE = 0.75
"""Share of that quality which keeps a trust once given."""
MEAN_S = 5.0
"""Time constant of the mean [s]."""
PAUSE_S = 60.0
"""Longest rest over which clear strokes stay known [s]."""
BEND_OF_NOISE = 0.5244 * math.sqrt(6.0)
"""40 % quantile of |second difference| of white noise of deviation 1: the second difference
has variance 1 + 4 + 1, the normal distribution's |z| is below 0.5244 in 40 % of cases."""
BEND_UP, BEND_DOWN = 1.0 + 0.4 * 0.01, 1.0 - 0.6 * 0.01
"""Steps of the estimate of that quantile: they balance where 40 % lie below."""
MEAN_TO_BEND = 0.5244 / 0.7979
"""From the mean of |z| of the normal distribution to its 40 % quantile."""
LEAST_NOISE_KPA = 0.02
"""No sensor is quieter [kPa]; keeps ratios finite on a made-up line."""
WARM_S = 0.5
"""Time in which the noise is first measured [s]."""
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
        self._finders = _finders(sample_hz)
        self._turns = _turns(self._finders)
        self._slots = 1 + max(finder.width + 2 * finder.lag for finder in self._finders)
        self._sums: list[float] = []
        self._sum = 0.0
        self._at = 0
        self._before = self._before_that = 0.0
        self._bend = 0.0
        self._mean = self._level = 0.0
        self._broad = max(1, round(WIDTHS_S[-1] * sample_hz))
        self._warm = max(20, round(WARM_S * sample_hz))
        self._settle_every = max(1, round(SETTLE_S * sample_hz))
        self._active: DipFinder | None = None
        self._counted_at = -math.inf
        self._owed = 0
        self._first_at: float | None = None
        self._last_run_at = -math.inf

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
        if at > self._warm:
            self._bend *= BEND_UP if bend > self._bend else BEND_DOWN
        else:
            self._bend += (MEAN_TO_BEND * bend - self._bend) / at
        for every, finders in self._turns:
            if at % every:
                continue
            for finder, width, share, lag in finders:
                level = (total - sums[here - width]) * share
                if lag:
                    mid, far = here - lag, here - lag - lag
                    level = (sums[mid] - sums[mid - width]) * share - 0.5 * (
                        level + (sums[far] - sums[far - width]) * share
                    )
                change = finder.step(level, at)
                if change:
                    self._hear(finder, change)
        if at % self._settle_every == 0 or at <= self._warm:
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
        if any(self._deep(pulse, ease=1.0) and pulse.dips >= 12 and pulse.over_noise > 8 for pulse in pulses):
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

    def _settle(self) -> None:
        broad = self._broad
        now = (self._sum - self._sums[self._at % self._slots - broad]) / broad
        self._level = max(self._mean, now)
        noise_kpa = self._bend = max(self._bend, LEAST_NOISE_KPA)
        noise_kpa /= BEND_OF_NOISE
        for finder in self._finders:
            finder.settle(noise_kpa=noise_kpa, mean_kpa=self._level)
            self._let_go(finder)
        self._choose()

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
        if self._kind is PumpKind.GEAR or self._at <= self._warm:
            return
        if change > 0:
            if finder is self._active:
                self._count(finder, finder.seen_at)
            return
        finder.trusted = self._trusted(finder.pulse, ease=EASE if finder.trusted else 1.0)

    def _choose(self) -> None:
        """Let the finder count whose dips are surest; where rates differ, the deepest dips are right."""
        trusted = [(finder, finder.pulse) for finder in self._finders if finder.trusted and finder.pulse]
        floor = 0.5 * max(finder.net_full_kpa for finder in self._finders if not finder.lag)
        trusted = [(finder, pulse) for finder, pulse in trusted if pulse.net_kpa > floor or not finder.lag]
        best, most = None, 0.0
        if trusted:
            deepest = max((pulse for _, pulse in trusted), key=lambda pulse: pulse.net_kpa)
            for finder, pulse in trusted:
                pace = pulse.period / deepest.period
                if deepest.net_kpa > 1.15 * pulse.net_kpa and (pace > 1.5 or (finder.lag and pace < 0.67)):
                    continue
                score = min(SURE, _quality(pulse)) * (1.3 if finder is self._active else 1.0)
                if score > most:
                    best, most = finder, score
        if best is not self._active:
            if self._active is None:
                self._first_at = None
            self._active = best
            if best is not None:
                self._catch_up(best)
        if self._active is not None:
            self._look_back(self._active)

    def _look_back(self, finder: DipFinder) -> None:
        """Count the strokes before the first counted one that another finder saw: start-up hides dips."""
        if self._first_at is None or finder.pulse is None:
            return
        period = finder.pulse.period
        if self._at - self._first_at > KEPT * period:
            self._first_at = None
            return
        for other in self._finders:
            pulse = other.pulse
            if not other.trusted or pulse is None or not 0.75 < pulse.period / period < 1.33:
                continue
            for bottom in reversed(other.bottoms):
                middle = other.middle(bottom)
                if 0.6 * period < self._first_at - middle < 1.6 * period and middle > self._last_run_at + 0.6 * period:
                    self._first_at = middle
                    self._owed += 1

    def _catch_up(self, finder: DipFinder) -> None:
        """Count the dips seen before the finder was chosen."""
        for bottom, depth in zip(finder.bottoms, finder.depths, strict=True):
            if depth >= 0.9 * finder.need_kpa:
                self._count(finder, bottom)
        if finder.seen_at is not None:
            self._count(finder, finder.seen_at)

    def _count(self, finder: DipFinder, bottom: float | None) -> None:
        if bottom is None or finder.pulse is None:
            return
        period = finder.pulse.period
        middle = finder.middle(bottom)
        gap = middle - self._counted_at
        if gap > 0.45 * period:
            if 1.6 * period < gap < 6.0 * period:
                self._owed += self._missed(finder, self._counted_at, middle)
            if self._first_at is None and gap > 6.0 * period:
                self._first_at = middle
                self._last_run_at = self._counted_at
            self._counted_at = middle
            self._owed += 1

    def _missed(self, finder: DipFinder, after: float, before: float) -> int:
        """Return how many strokes another finder saw where the counting one saw none."""
        assert finder.pulse
        period = finder.pulse.period
        most = 0
        for other in self._finders:
            pulse = other.pulse
            if not other.trusted or pulse is None or not 0.75 < pulse.period / period < 1.33:
                continue
            last, found = after, 0
            for bottom in other.bottoms:
                middle = other.middle(bottom)
                if middle - last > 0.6 * period and before - middle > 0.6 * period:
                    last, found = middle, found + 1
            most = max(most, found)
        return most

    def _deep(self, pulse: Pulse, *, ease: float) -> bool:
        return pulse.net_kpa / ease > max(LEAST_PULSATION * self._level, LEAST_DEPTH_KPA)

    def _too_fast(self, pulse: Pulse) -> bool:
        return pulse.period < self._shortest and pulse.dips >= 12 and _quality(pulse) >= 3.0

    def _trusted(self, pulse: Pulse | None, *, ease: float) -> bool:
        if pulse is None or pulse.period < self._shortest or not self._deep(pulse, ease=ease):
            return False
        if pulse.lag:
            if pulse.deviation > 0.2 / ease or not 0.65 < pulse.period / (2 * pulse.lag) < 1.5:
                return False
        elif pulse.over_noise > 8 and (pulse.dips >= 8 or pulse.alike > 0.3):
            if pulse.depth_kpa > max(LARGE_PULSATION * self._level, LARGE_KPA) and pulse.dips >= 3:
                return pulse.deviation < 0.6
            if pulse.depth_kpa > max(CLEAR_PULSATION * self._level, CLEAR_KPA) and pulse.dips >= 4:
                return pulse.deviation < 0.3
        quality = min(ENOUGH, pulse.over_noise) * max(0.0, 1.0 - 2.0 * pulse.deviation) / ease
        return any(pulse.dips >= dips and quality >= least for dips, least in TRUST)


def _finders(sample_hz: float) -> list[DipFinder]:
    plain = {(max(1, round(sample_hz * width)), 0) for width in WIDTHS_S}
    even = {
        (max(1, round(LAG_WIDTH * sample_hz * lag)), max(1, round(sample_hz * lag))) for lag in LAGS_S
    }
    return [DipFinder(width, lag=lag) for width, lag in sorted(plain | even)]


def _turns(finders: list[DipFinder]) -> list[tuple[int, list[tuple[DipFinder, int, float, int]]]]:
    """Return the finders by how often they listen: a broad smoothing needs no look at each sample."""
    turns: dict[int, list[tuple[DipFinder, int, float, int]]] = {}
    for finder in finders:
        every = 1 << max(0, (finder.width // LOOKS).bit_length() - 1)
        turns.setdefault(every, []).append((finder, finder.width, 1.0 / finder.width, finder.lag))
    return sorted(turns.items())


def _quality(pulse: Pulse) -> float:
    """Return how far the dips stand over the noise, less where they come unevenly."""
    return pulse.over_noise * max(0.0, 1.0 - 2.0 * pulse.deviation)
