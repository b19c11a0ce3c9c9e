"""Dips of the line pressure, found at one smoothing width as samples arrive.

A dip is a fall and a rise of at least ``need_kpa`` between turning points, so a ramp, a
step of the regulator or a slow drift is no dip. ``need_kpa`` follows the depth of the
last dips and never sinks into the noise. What the dips say of the pump (how deep, how
far above the noise, how regular, how fast) is :class:`Pulse`; who believes it is
:mod:`hardware.strokes`.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

NEED_SHARE = 0.45
"""Fall and rise that make a dip, as a share of a full one. Half of a full dip lies as far
from a missed dip as from a doubled one; a little less leaves room for a weak second side."""
NEED_NOISE = 2.8
"""Fall and rise that make a dip, in standard deviations of the smoothed noise."""
LEAST_SHARE = 0.02
"""Fall and rise that make a dip, as a share of the mean: well under an air pump's 5 %."""
LEAST_KPA = 0.7
"""Fall and rise that make a dip at a mean near nothing [kPa]: one step of a 10-bit converter at 100 psi."""
NOISE_LIFT = 1.5
"""What noise adds to a dip's depth, in its standard deviations (from the spread of extremes)."""
REST = 3.0
"""A distance of so many periods is a rest of the pump, not a stroke."""
KEPT = 40
"""Dips remembered: what the slowest judgement needs, and some."""


@dataclass(frozen=True, slots=True)
class Pulse:
    """What the last dips have in common."""

    dips: int
    lag: int
    passed: float
    """Share of a sine of this period that the smoothing lets through."""
    alike: float
    """The shallowest of the last dips against the deepest."""
    noise_kpa: float
    depth_kpa: float
    """Median prominence: the lesser of a dip's fall and rise."""
    over_noise: float
    """``depth_kpa`` in standard deviations of the smoothed noise."""
    period: float
    """Median distance of two dips [samples]."""
    deviation: float
    """Mean distance of an interval from ``period``, as a share of it."""

    @property
    def net_kpa(self) -> float:
        """Depth without what noise adds to it."""
        return (self.depth_kpa - NOISE_LIFT * self.noise_kpa) / self.passed


class DipFinder:
    """The dips of the line at one smoothing ``width`` [samples]."""

    __slots__ = (
        "_fall",
        "_falling",
        "_floor",
        "_gain",
        "_high",
        "_low",
        "_low_at",
        "_quiet",
        "bottoms",
        "depths",
        "full_kpa",
        "lag", "trusted",
        "need_kpa",
        "noise_kpa",
        "pulse",
        "width",
    )

    def __init__(self, width: int, *, lag: int = 0) -> None:
        self.width = width
        self.lag = lag
        self.trusted = False
        self._gain = 2.0 if lag else 1.0
        self._quiet = math.sqrt((1.5 if lag else 1.0) / width)
        self.need_kpa = self._floor = LEAST_KPA
        self.noise_kpa = 0.0
        self.full_kpa = 0.0
        self.bottoms: deque[int] = deque(maxlen=KEPT)
        self.depths: deque[float] = deque(maxlen=KEPT)
        self.pulse: Pulse | None = None
        self._falling = False
        self._high = -1e9
        self._low = 1e9
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
            rise = self._high - self._low
            self._falling = True
            self._low = level_kpa
            bottom, self._low_at = self._low_at, at
            if self._fall > 0.0:
                self._keep(bottom, min(self._fall, rise))
                return -1
        return 0

    @property
    def seen_at(self) -> int | None:
        """Bottom of the dip that is seen but not finished."""
        return None if self._falling or self._fall <= 0.0 else self._low_at

    @property
    def net_full_kpa(self) -> float:
        """Depth of a full dip without what noise may have made of it."""
        return (max(self.depths, default=0.0) - 4.0 * self.noise_kpa) / self._gain

    def middle(self, bottom: float) -> float:
        """When the line itself stood where the smoothed level stood at ``bottom``."""
        return bottom - 0.5 * (self.width - 1) - self.lag

    def _keep(self, bottom: int, depth: float) -> None:
        self.bottoms.append(bottom)
        self.depths.append(depth)
        last = sorted(list(self.depths)[-8:])
        self.full_kpa = last[-min(3, len(last))]
        self.need_kpa = max(self._floor, NEED_SHARE * self.full_kpa)
        self._judge()

    def settle(self, *, noise_kpa: float, mean_kpa: float) -> None:
        """Follow the noise and the mean (called a few times a second)."""
        self.noise_kpa = noise_kpa * self._quiet
        self._floor = max(self._gain * LEAST_KPA, self._gain * LEAST_SHARE * mean_kpa, NEED_NOISE * self.noise_kpa)
        self.need_kpa = max(self._floor, NEED_SHARE * self.full_kpa)

    def forget(self) -> None:
        """Drop the dips seen: they belong to a pump that stood since."""
        self.full_kpa = 0.0
        self.bottoms.clear()
        self.depths.clear()
        self.trusted = False
        self.pulse = None

    def _judge(self) -> None:
        if len(self.bottoms) < 3:
            self.pulse = None
            return
        bottoms = list(self.bottoms)[-33:]
        gaps = [b - a for a, b in pairwise(bottoms)]
        period = median(gaps[-16:])
        gaps = [gap for gap in gaps if gap < REST * period]
        last = list(self.depths)[-8:]
        depth = median(list(self.depths)[-16:])
        self.pulse = Pulse(
            dips=len(self.bottoms),
            lag=self.lag,
            passed=self._passed(period),
            alike=min(last) / max(last),
            depth_kpa=depth / self._gain,
            noise_kpa=self.noise_kpa / self._gain,
            over_noise=depth / max(self.noise_kpa, 1e-3),
            period=period,
            deviation=sum(min(1.0, abs(gap - period) / period) for gap in gaps) / len(gaps),
        )

    def _passed(self, period: float) -> float:
        share = math.pi * self.width / period
        passed = math.sin(share) / share if share < 0.8 * math.pi else 0.25
        if self.lag:
            passed *= 0.5 - 0.5 * math.cos(2.0 * math.pi * self.lag / period)
        return max(0.25, passed)
