"""Dips of the line pressure, found through one smoothing as samples arrive.

A dip is a fall and a rise of at least ``need_kpa`` between turning points, so a ramp or a
slow drift is no dip. ``need_kpa`` follows the depth of the last dips and never sinks into
the noise.

Two smoothings serve. A plain one is the running mean over ``width`` samples. An even one
(``lag`` above 0) is that mean against half the sum of the means one lag before and after:
a straight drift or ramp vanishes, and strokes two lags apart stand out about 1.6 times
further over the noise; its depths are twice the line's.
"""

from __future__ import annotations

import math
from collections import deque
from itertools import pairwise
from statistics import median

from hardware.pulse import Pulse

WIDTHS_S = (0.02, 0.05, 0.1, 0.15, 0.25, 0.45, 0.8)
"""Widths of the plain smoothings [s]: from a sharp dip at 3 Hz to a broad one at 0.15 Hz."""
SHARP_WIDTHS_S = (0.05, 0.1, 0.15)
"""Widths at which sharp dips far apart are also listened for strictly [s]."""
LAGS_S = (0.11, 0.16, 0.24, 0.36, 0.54, 0.8, 1.2, 1.8, 2.7)
"""Half periods of the even smoothings [s]: 4.5 Hz to under 0.2 Hz in steps of 1.5."""
NEED_SHARE = 0.45
"""Fall and rise that make a dip, as a share of a full one. Half of a full dip lies as far
from a missed dip as from a doubled one; a little less leaves room for a weak second side."""
FULL_RANK = 3
"""A full dip is the third deepest of the last eight: one rest or one knock does not set it."""
NEED_NOISE = 2.8
"""Fall and rise that make a dip, in standard deviations of the smoothed noise."""
NEED_NOISE_TRUSTED = 2.0
"""The same once the dips are known to be strokes: the pause after each guards against doubles."""
NEED_NOISE_STRICT = 4.2
"""The same for sharp dips far apart: between two of them noise has many chances."""
NEED_MEAN = 0.02
"""Fall and rise that make a dip, as a share of the mean: well under an air pump's 5 %."""
NEED_KPA = 0.7
"""Fall and rise that make a dip at a mean near nothing [kPa]: one step of a 10-bit converter at 100 psi."""
LEAST_NOISE_KPA = 1e-3
"""Keeps ratios finite [kPa]."""
REST = 3.0
"""A distance of so many periods is a rest of the pump, not a stroke. The line may leak down in
it further than any stroke sags, so the dip that ends a rest says nothing of a full one."""
KEPT = 40
"""Dips remembered."""
PERIOD_OVER = 16
"""Intervals that make the period: few enough to follow a drifting rate."""
EVENNESS_OVER = 32
"""Intervals that make the deviation: enough to tell strokes from noise."""
FULL_OVER = 8
"""Dips that make the depth of a full one."""
WIDER_THAN_A_STROKE = 0.25
"""Least share taken to pass: beyond it the smoothing hides the strokes."""


class DipFinder:
    """The dips of the line through one smoothing: ``width`` and ``lag`` in samples."""

    __slots__ = (
        "_fall",
        "_falling",
        "_floor_kpa",
        "_gain",
        "_high",
        "_low",
        "_low_at",
        "_need_noise",
        "_need_noise_trusted",
        "_quiet",
        "_strict",
        "_while_running",
        "bottoms",
        "depths",
        "full_kpa",
        "lag",
        "need_kpa",
        "noise_kpa",
        "pulse",
        "trusted",
        "width",
    )

    def __init__(self, width: int, *, lag: int = 0, strict: bool = False) -> None:
        self.width = width
        self.lag = lag
        self._strict = strict
        self._need_noise = NEED_NOISE_STRICT if strict else NEED_NOISE
        self._need_noise_trusted = NEED_NOISE_STRICT if strict else NEED_NOISE_TRUSTED
        self.trusted = False
        self.pulse: Pulse | None = None
        self.bottoms: deque[int] = deque(maxlen=KEPT)
        self.depths: deque[float] = deque(maxlen=KEPT)
        self._while_running: deque[float] = deque(maxlen=FULL_OVER)
        self.full_kpa = 0.0
        self.noise_kpa = LEAST_NOISE_KPA
        self.need_kpa = self._floor_kpa = NEED_KPA
        self._gain = 2.0 if lag else 1.0
        self._quiet = math.sqrt((1.5 if lag else 1.0) / width)
        self._falling = False
        self._high = -math.inf
        self._low = math.inf
        self._low_at = 0
        self._fall = 0.0

    def step(self, level_kpa: float, at: int) -> int:
        """Take one smoothed sample; return 1 when a dip is seen, -1 when its full depth is known."""
        if self._falling:
            if level_kpa < self._low:
                self._low = level_kpa
                self._low_at = at
            elif level_kpa > self._low + self.need_kpa:
                self._falling = False
                self._fall = self._high - self._low
                self._high = level_kpa
                return 1
        elif level_kpa > self._high:
            self._high = level_kpa
        elif level_kpa < self._high - self.need_kpa:
            rise, bottom = self._high - self._low, self._low_at
            self._falling = True
            self._low = level_kpa
            self._low_at = at
            if self._fall > 0.0:
                self._keep(bottom, min(self._fall, rise))
                return -1
        return 0

    @property
    def seen_at(self) -> int | None:
        """Bottom of the dip that is seen but whose depth is not known yet."""
        return None if self._falling or self._fall <= 0.0 else self._low_at

    def dips_at(self, *, share: float) -> list[int]:
        """Bottoms of the dips remembered that have ``share`` of the depth needed now."""
        need_kpa = share * self.need_kpa
        return [bottom for bottom, depth in zip(self.bottoms, self.depths, strict=True) if depth >= need_kpa]

    @property
    def deepest_kpa(self) -> float:
        """Depth of the deepest dip known, even as it ends, less what noise may have made of it."""
        ending = 0.0 if self._falling else min(self._fall, self._high - self._low)
        return (max(ending, max(self.depths, default=0.0)) - 4.0 * self.noise_kpa) / self._gain

    def middle(self, bottom: int) -> float:
        """Return the sample at which the line stood where the smoothed level stood at ``bottom``."""
        return bottom - 0.5 * (self.width - 1) - self.lag

    def settle(self, *, noise_kpa: float, level_kpa: float) -> None:
        """Follow the line's noise and mean (called a few times a second)."""
        self.noise_kpa = max(LEAST_NOISE_KPA, noise_kpa * self._quiet)
        least = self._gain * max(NEED_KPA, NEED_MEAN * level_kpa)
        noises = self._need_noise_trusted if self.trusted else self._need_noise
        self._floor_kpa = max(least, noises * self.noise_kpa)
        self.need_kpa = max(self._floor_kpa, NEED_SHARE * self.full_kpa)

    def forget(self) -> None:
        """Drop the dips seen: they belong to a pump that stood since."""
        self.bottoms.clear()
        self.depths.clear()
        self._while_running.clear()
        self.pulse = None
        self.trusted = False
        self.full_kpa = 0.0
        self.need_kpa = self._floor_kpa

    def _keep(self, bottom: int, depth: float) -> None:
        after_rest = self.pulse is not None and bottom - self.bottoms[-1] > REST * self.pulse.period
        self.bottoms.append(bottom)
        self.depths.append(depth)
        if not after_rest:
            self._while_running.append(depth)
        last = sorted(self._while_running)
        self.full_kpa = last[-min(FULL_RANK, len(last))]
        self.need_kpa = max(self._floor_kpa, NEED_SHARE * self.full_kpa)
        if len(last) >= 3:
            self.pulse = self._sum_up(alike=last[0] / last[-1])

    def _sum_up(self, *, alike: float) -> Pulse:
        gaps = [after - before for before, after in pairwise(list(self.bottoms)[-EVENNESS_OVER - 1 :])]
        period = median(gaps[-PERIOD_OVER:])
        running = [gap for gap in gaps if gap < REST * period]
        return Pulse(
            dips=len(self.bottoms),
            lag=self.lag,
            strict=self._strict,
            passed=self._passed(period),
            depth_kpa=median(list(self.depths)[-PERIOD_OVER:]) / self._gain,
            noise_kpa=self.noise_kpa / self._gain,
            alike=alike,
            period=period,
            deviation=sum(min(1.0, abs(gap - period) / period) for gap in running) / len(running),
        )

    def _passed(self, period: float) -> float:
        turn = math.pi * self.width / period
        passed = math.sin(turn) / turn if turn < math.pi else 0.0
        if self.lag:
            passed *= 0.5 - 0.5 * math.cos(2.0 * math.pi * self.lag / period)
        return max(WIDER_THAN_A_STROKE, passed)
