"""What the last dips of the line have in common, and whether that is a pump's strokes."""

from __future__ import annotations

from dataclasses import dataclass

LEAST_PULSATION = 0.035
"""Least depth of strokes as a share of the mean: an air pump shows 5-30 %, gear teeth 1-3 %
(common practice, no source)."""
LEAST_DEPTH_KPA = 3.0
"""Least depth of strokes at any mean [kPa]: under it a line near 0 is only noise."""
CLEAR_PULSATION = 0.10
"""Depth as a share of the mean from which four dips are enough."""
CLEAR_DEPTH_KPA = 8.0
"""The same at a mean near nothing [kPa]."""
CLEAR_DEVIATION = 0.3
"""How unevenly such dips may come."""
LARGE_PULSATION = 0.15
"""Depth as a share of the mean from which uneven strokes are believed: a hand pump swings
25-90 % (common practice, no source)."""
LARGE_DEPTH_KPA = 15.0
"""The same at a mean near nothing [kPa]."""
LARGE_DEVIATION = 0.6
"""How unevenly a hand may work the lever; noise alone comes to about 0.4 but is never large."""
OVER_NOISE = 8.0
"""Depth in deviations of the noise that makes few dips believable."""
ALIKE = 0.3
"""Shallowest against deepest of the first dips: less, and noise is among them."""
MIXED_DIPS = 16
"""Dips after which unlike ones are forgiven."""
ENOUGH_OVER_NOISE = 6.0
"""More height over the noise does not make small dips strokes: a slow wander has it too."""
EVIDENCE = ((24, 2.4), (16, 3.2), (12, 3.6), (8, 4.2))
"""Dips seen, and the least quality that many must have. Over white noise alone the largest
quality met in 6.7 h at 20 to 200 Hz was 2.4, 2.7, 3.7 and 4.3, mostly at depths too small to
believe anyway (measured with the finders that are not strict)."""
STRICT = 1.4
"""How much more quality is asked of dips that had to stand 1.5 times as far over the noise."""
EASE = 0.75
"""Share of every least figure that keeps a trust once given."""
EVEN_DEVIATION = 0.2
"""How unevenly dips may come that are heard half a period apart."""
PERIODS_OF_LAG = (1.3, 3.0)
"""Periods, in lags, between which such a hearing answers to whole strokes and not to details of one."""
RIPPLE_DIPS, RIPPLE_QUALITY = 12, 3.0
"""Dips and quality that make a ripple worth naming."""
SURE = 12.0
"""Quality from which more makes no difference."""
NOISE_LIFT = 1.5
"""What noise adds to a dip's depth, in its standard deviations (from the spread of extremes)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """What the last dips have in common."""

    dips: int
    lag: int
    """Half a period of the strokes listened for [samples]; 0 when any are."""
    strict: bool
    """Whether only dips far over the noise were taken: then noise too looks deep."""
    passed: float
    """Share of a sine of this period that the smoothing lets through."""
    depth_kpa: float
    """Median prominence (the lesser of a dip's fall and rise) of the smoothed dips."""
    noise_kpa: float
    """Standard deviation of the smoothed noise, in the same measure."""
    alike: float
    """The shallowest of the last dips against the deepest."""
    period: float
    """Median distance of two dips [samples]."""
    deviation: float
    """Mean distance of an interval from ``period``, as a share of it."""

    @property
    def over_noise(self) -> float:
        """Depth in standard deviations of the noise."""
        return self.depth_kpa / self.noise_kpa

    @property
    def regularity(self) -> float:
        """How evenly the dips come: 1 like a clock, 0 at random."""
        return max(0.0, 1.0 - 2.0 * self.deviation)

    @property
    def quality(self) -> float:
        """How far the dips stand over the noise, less where they come unevenly; at most ``SURE``."""
        return min(SURE, self.over_noise * self.regularity)

    @property
    def sure(self) -> bool:
        """Whether the dips stand so high over the noise that a rest does not put them in doubt."""
        return self.over_noise >= SURE

    @property
    def confidence(self) -> float:
        """How surely the dips are strokes (0-1)."""
        return self.quality / SURE

    @property
    def ripple(self) -> bool:
        """Whether the dips come evenly enough for a ripple, whatever their depth."""
        return self.dips >= RIPPLE_DIPS and self.quality >= RIPPLE_QUALITY

    @property
    def clear(self) -> bool:
        """Whether the dips stand clear of the noise and are many, even or not."""
        return self.dips >= RIPPLE_DIPS and self.over_noise >= OVER_NOISE

    @property
    def line_kpa(self) -> float:
        """Depth of the dips in the line itself: without noise and before smoothing."""
        return (self.depth_kpa - NOISE_LIFT * self.noise_kpa) / self.passed

    def believable(self, *, level_kpa: float, trusted: bool) -> bool:
        """Tell whether these dips are strokes at a mean of ``level_kpa``; ``trusted`` if they were before."""
        ease = EASE if trusted else 1.0
        if self.line_kpa < ease * max(LEAST_PULSATION * level_kpa, LEAST_DEPTH_KPA):
            return False
        if self.lag:
            low, high = PERIODS_OF_LAG
            if self.deviation > EVEN_DEVIATION / ease or not low < self.period / self.lag < high:
                return False
        elif not self.strict and self._large(level_kpa, ease=ease):
            return True
        if not trusted and self.alike < ALIKE and self.dips < MIXED_DIPS:
            return False
        quality = min(ENOUGH_OVER_NOISE, self.over_noise) * self.regularity
        if self.strict:
            ease *= STRICT
        return any(self.dips >= dips and quality >= ease * least for dips, least in EVIDENCE)

    def _large(self, level_kpa: float, *, ease: float) -> bool:
        """Tell whether the dips are so deep that a few, or uneven ones, are enough."""
        if self.over_noise < OVER_NOISE or (self.alike < ALIKE and self.dips < EVIDENCE[-1][0]):
            return False
        if self.line_kpa > ease * max(LARGE_PULSATION * level_kpa, LARGE_DEPTH_KPA):
            return self.deviation < LARGE_DEVIATION
        clear = self.line_kpa > ease * max(CLEAR_PULSATION * level_kpa, CLEAR_DEPTH_KPA)
        return clear and self.dips >= 4 and self.deviation < CLEAR_DEVIATION
