"""Counts pump strokes in the line pressure as samples arrive.

Each change of a diaphragm pump's side makes the line dip: one dip is one stroke. How
wide the dips are is not known beforehand, so the line is heard through several
smoothings at once (:mod:`hardware.pulsation`), and the one whose dips stand highest over
the noise and come most evenly does the counting. Nothing is counted before some
smoothing is trusted (:mod:`hardware.pulse`); the dips it has seen until then are counted
afterwards, one a sample, so totals stay right. A gear pump's ripple comes too fast and
too small, a dead line shows nothing even: both count nothing and say why.

One limit is physical: a ripple faster than half the sample rate looks slow. Where it is
as deep as a stroke only a higher sample rate, or the pump's kind, can tell it.

Pure: no clock, no I/O. Work per sample is bounded and small.
"""

from __future__ import annotations

import math
from enum import StrEnum

from hardware.ears import BETWEEN, GAP, Ears
from hardware.pulsation import KEPT, WIDTHS_S, DipFinder
from hardware.pulse import Pulse
from monitor.contract.names import PumpKind


class NoStrokes(StrEnum):
    """Why no stroke is counted; the value is what a person reads."""

    WARMING = "too few strokes seen yet to tell them from noise"
    DEAD_LINE = "no stroke can be made out in the line"
    TOO_FAST = "ripple too fast for strokes: nothing to count on a gear pump"
    TOO_IRREGULAR = "pulsation too uneven or too small to be strokes"


FASTEST_HZ = {
    PumpKind.AIR_DIAPHRAGM: 4.0,
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
REST_S = 60.0
"""Longest rest over which clear strokes stay known [s]."""
MEAN_S = 5.0
"""Time constant of the mean [s]."""
SETTLE_S = 0.25
"""How often noise, mean, rests and the counting finder are looked at [s]."""
WARM_S = 0.5
"""Time in which the noise is first measured [s]."""
BEND_OF_NOISE = 0.5244 * math.sqrt(6.0)
"""40 % quantile of |second difference| of white noise of deviation 1: the second difference
has variance 1 + 4 + 1, and |z| of the normal distribution lies below 0.5244 in 40 % of cases.
The quantile, not the mean, because the edges of dips bend too."""
MEAN_TO_BEND = 0.5244 / 0.7979
"""From the mean of |z| of the normal distribution to that quantile."""
BEND_UP, BEND_DOWN = 1.0 + 0.01 * 0.4, 1.0 - 0.01 * 0.6
"""Steps of the quantile's estimate: they balance where 40 % lie below."""
LEAST_BEND_KPA = 0.02
"""No sensor is quieter [kPa]."""
ROUGH_KPA = 7.0
"""More than this from sample to sample [kPa rms] is no sensor's noise but a pulsation too
fast for the samples: three times the 0.3 psi rms of a usual transducer (common practice)."""
TOO_SOON = 0.45
"""Share of a period after a stroke in which no other comes."""
REST_PERIODS = 6.0
"""Periods without a stroke that are a rest."""
CAUGHT_UP = 0.9
"""Share of the depth needed now that dips seen before a finder was chosen must have."""
LOOKED_BACK = 0.6
"""The same for dips before the first counted one: a start's ramp flattens them, while less
than this is the noise of a rest."""


class StrokeCounter:
    """Counts strokes from samples of the line pressure taken ``sample_hz`` times a second.

    ``kind`` is what the owner says the pump is. The default counts air and hand pumps and
    tells a gear pump's ripple; an electric pump's fast strokes are only believed when it
    is named, and a pump named as gear is never counted.
    """

    def __init__(self, *, sample_hz: float, kind: PumpKind = PumpKind.AIR_DIAPHRAGM) -> None:
        if not (math.isfinite(sample_hz) and 1.0 <= sample_hz <= 10_000.0):
            raise ValueError(f"{sample_hz} samples a second cannot be counted in: take 20 to 200")
        self._hz = sample_hz
        self._kind = kind
        self._shortest = max(SAMPLES_A_STROKE, sample_hz / max(FASTEST_HZ[kind], 1e-9))
        self._ears = Ears(sample_hz=sample_hz)
        self._finders = [] if kind is PumpKind.GEAR else self._ears.finders
        self._turns = [] if kind is PumpKind.GEAR else self._ears.turns()
        self._broad = max(1, round(WIDTHS_S[-1] * sample_hz))
        self._slots = 1 + self._ears.reach
        self._sums: list[float] = []
        self._sum = 0.0
        self._at = 0
        self._before = self._before_that = 0.0
        self._bend = 0.0
        self._mean = self._level = 0.0
        self._warm = max(20, round(WARM_S * sample_hz))
        self._settle_every = max(1, round(SETTLE_S * sample_hz))
        self._active: DipFinder | None = None
        self._counted_at = self._last_run_at = -math.inf
        self._first_at: float | None = None
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
        if at > self._warm:
            self._bend *= BEND_UP if bend > self._bend else BEND_DOWN
        else:
            self._bend += (MEAN_TO_BEND * bend - self._bend) / at
        for every, group in self._turns:
            if at % every:
                continue
            for finder, width, share, lag in group:
                # negative indices are meant: the sums are a ring
                level = (total - sums[here - width]) * share
                if lag:
                    mid, far = here - lag, here - lag - lag
                    around = 0.5 * (level + (sums[far] - sums[far - width]) * share)
                    level = (sums[mid] - sums[mid - width]) * share - around
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
        pulse = self._pulse
        return None if pulse is None else 60.0 * self._hz / pulse.period

    @property
    def regularity(self) -> float | None:
        """How evenly strokes follow each other: 1 like a clock, 0 at random; None while none are counted."""
        pulse = self._pulse
        return None if pulse is None else pulse.regularity

    @property
    def confidence(self) -> float | None:
        """How surely the dips are strokes (0-1), high over the noise and even; None while none are."""
        pulse = self._pulse
        return None if pulse is None else pulse.confidence

    @property
    def reason(self) -> NoStrokes | None:
        """Why no stroke is counted, None while strokes are."""
        if self._pulse is not None:
            return None
        pulses = [finder.pulse for finder in self._finders if finder.pulse is not None]
        rough = self._at > self._warm and self._bend / BEND_OF_NOISE > ROUGH_KPA
        if self._kind is PumpKind.GEAR or rough or any(self._too_fast(pulse) for pulse in pulses):
            return NoStrokes.TOO_FAST
        if any(pulse.clear for pulse in pulses):
            return NoStrokes.TOO_IRREGULAR
        if self._at < 2.0 * SLOWEST_S * self._hz:
            return NoStrokes.WARMING
        return NoStrokes.DEAD_LINE

    @property
    def _pulse(self) -> Pulse | None:
        return None if self._active is None else self._active.pulse

    def _begin(self, pressure_kpa: float) -> None:
        """Take the line to have stood at its first sample before."""
        self._sums = [0.0] + [-pressure_kpa * (self._slots - slot) for slot in range(1, self._slots)]
        self._mean = self._before = self._before_that = pressure_kpa

    def _hear(self, finder: DipFinder, change: int) -> None:
        """Count a dip just seen, or judge anew a finder that knows one dip more."""
        if self._at <= self._warm:
            return
        if change < 0:
            finder.trusted = self._trusts(finder)
        elif finder is self._active and finder.seen_at is not None:
            self._count(finder, finder.seen_at)

    def _trusts(self, finder: DipFinder) -> bool:
        pulse = finder.pulse
        if pulse is None or pulse.period < self._shortest:
            return False
        return pulse.believable(level_kpa=self._level, trusted=finder.trusted)

    def _too_fast(self, pulse: Pulse) -> bool:
        return pulse.period < self._shortest and pulse.ripple

    def _settle(self) -> None:
        self._bend = max(self._bend, LEAST_BEND_KPA)
        noise_kpa = self._bend / BEND_OF_NOISE
        now = (self._sum - self._sums[self._at % self._slots - self._broad]) / self._broad
        self._level = max(self._mean, now)
        for finder in self._finders:
            finder.settle(noise_kpa=noise_kpa, level_kpa=self._level)
            if self._rests(finder):
                finder.forget()
        best = self._ears.best(active=self._active)
        if best is not self._active:
            if self._active is None:
                self._first_at = None
            self._active = best
            if best is not None:
                self._catch_up(best)
        if self._active is not None:
            self._look_back(self._active)

    def _rests(self, finder: DipFinder) -> bool:
        """Tell whether a finder's dips stopped coming for so long that they mean nothing now."""
        pulse = finder.pulse
        if pulse is None:
            patience = SLOWEST_S * self._hz
        elif pulse.sure:
            patience = REST_S * self._hz
        else:
            patience = min(SLOWEST_S * self._hz, 4.0 * pulse.period + self._hz)
        return bool(finder.bottoms) and self._at - finder.bottoms[-1] > patience

    def _catch_up(self, finder: DipFinder) -> None:
        """Count the dips seen before the finder was chosen."""
        for bottom in finder.dips_at(share=CAUGHT_UP):
            self._count(finder, bottom)
        if finder.seen_at is not None:
            self._count(finder, finder.seen_at)

    def _count(self, finder: DipFinder, bottom: int) -> None:
        pulse = finder.pulse
        if pulse is None:
            return
        middle = finder.middle(bottom)
        gap = (middle - self._counted_at) / pulse.period
        if gap < TOO_SOON:
            return
        if GAP < gap < REST_PERIODS:
            self._owed += self._ears.missed(pulse, after=self._counted_at, before=middle)
        if gap >= REST_PERIODS and self._first_at is None:
            self._first_at = middle
            self._last_run_at = self._counted_at
        self._counted_at = middle
        self._owed += 1

    def _look_back(self, finder: DipFinder) -> None:
        """Count strokes before the first counted one that another finder saw: a start hides dips."""
        pulse = finder.pulse
        if self._first_at is None or pulse is None:
            return
        if self._at - self._first_at > KEPT * pulse.period:
            self._first_at = None
            return
        apart = BETWEEN * pulse.period
        for other in self._ears.of_one_pace(pulse):
            for bottom in reversed(other.dips_at(share=LOOKED_BACK)):
                middle = other.middle(bottom)
                before = self._first_at - middle
                if apart < before < GAP * pulse.period and middle > self._last_run_at + apart:
                    self._first_at = middle
                    self._owed += 1
