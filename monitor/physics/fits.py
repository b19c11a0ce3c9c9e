"""Fits: what a press's own readings say of its cake and papers.

Every fit takes one-dimensional arrays (or sequences of floats) of equal length and
refuses, with ``ValueError``, a value that is not finite: a least-squares line with a
hole in its data is no fit. What comes out may be negative: a B under zero means that
the clock was started late, not that papers help.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.physics.filtration import COMPRESSIBILITY_LIMIT
from monitor.physics.validity import LEAST, MOST, positive

Array = NDArray[np.float64]
Readings = Array | Sequence[float]
"""Readings of one kind in the order they were taken."""

_ALIKE = 1e-9
"""Columns whose smallest singular value is under this share of the largest tell no two things apart."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PressureFit:
    """A run at constant pressure: t = (Kp / 2) V^2 + B V.

    Attributes:
        kp_s_m6: Kp [s/m6].
        b_s_m3: B [s/m3].
        r_squared: share of the fitted quantity's spread that the fit explains [1]; NaN without spread.
        points: readings used.
    """

    kp_s_m6: float
    b_s_m3: float
    r_squared: float
    points: int


@dataclass(frozen=True, slots=True, kw_only=True)
class CakeConstants:
    """Specific cake resistance ``alpha_m_kg`` [m/kg] and medium resistance ``medium_per_m`` [1/m]."""

    alpha_m_kg: float
    medium_per_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Compressibility:
    """alpha = a0 dP^s: ``alpha_at_1_pa`` a0 [m/kg], ``exponent`` s [1]."""

    alpha_at_1_pa: float
    exponent: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ResistanceFit:
    """R = R0 + k V: ``clean`` R0 [unit of R], ``growth_per_m3`` k [unit of R per m3], ``r_squared`` [1]."""

    clean: float
    growth_per_m3: float
    r_squared: float


def fit_direct(volumes_m3: Readings, times_s: Readings) -> PressureFit:
    """Return Kp and B by least squares of t on (V^2, V).

    The errors are those of the times themselves. Prefer it to :func:`fit_ratio`, which
    weighs the first drops most.

    Args:
        volumes_m3: V since the start [m3], at least two of them different and over zero.
        times_s: t since the start [s].

    Raises:
        ValueError: lengths differ, a value is not finite or under zero, or too few volumes differ.

    Source: ordinary least squares of the parabola of :mod:`monitor.physics.filtration`.

    >>> fit = fit_direct([0.001, 0.002, 0.003], [10.0, 26.0, 48.0])
    >>> round(fit.kp_s_m6), round(fit.b_s_m3)
    (6000000, 7000)
    """
    volumes, times = _pairs(volumes_m3, times_s, names=("volume", "time"))
    scale = _scale(volumes, name="volume")
    shares = volumes / scale
    square, first = _solve(np.column_stack((shares**2, shares)), times)
    explained = _r_squared(times, square * shares**2 + first * shares)
    return PressureFit(
        kp_s_m6=2.0 * square / scale**2, b_s_m3=first / scale, r_squared=explained, points=volumes.size
    )


def fit_ratio(volumes_m3: Readings, times_s: Readings) -> PressureFit:
    """Return Kp and B by the textbook's straight line, t / V on V: slope Kp / 2, intercept B.

    Args:
        volumes_m3: V since the start [m3], all over zero and at least two of them different.
        times_s: t since the start [s].

    Raises:
        ValueError: lengths differ, a value is not finite or under zero, a volume is zero, or all are alike.

    Source: Geankoplis, *Transport Processes and Unit Operations*, ch. 14.

    >>> fit = fit_ratio([0.001, 0.002, 0.003], [10.0, 26.0, 48.0])
    >>> round(fit.kp_s_m6), round(fit.b_s_m3)
    (6000000, 7000)
    """
    volumes, times = _pairs(volumes_m3, times_s, names=("volume", "time"))
    if (volumes < LEAST).any():
        raise ValueError("volume 0 m3 has no t / V: leave it out")
    intercept, slope, explained = _line(volumes, times / volumes, name="volume")
    return PressureFit(kp_s_m6=2.0 * slope, b_s_m3=intercept, r_squared=explained, points=volumes.size)


def cake_constants(
    fit: PressureFit, *, pressure_pa: float, area_m2: float, viscosity_pa_s: float, solids_kg_m3: float
) -> CakeConstants:
    """Return alpha and Rm behind a run at constant pressure.

    alpha = Kp A^2 dP / (mu c), Rm = B A dP / mu

    Args:
        fit: Kp and B of the run.
        pressure_pa: dP over the press [Pa], over zero.
        area_m2: A, filtering area of all papers [m2], over zero.
        viscosity_pa_s: mu of the filtrate [Pa s], over zero.
        solids_kg_m3: c, dry solids per volume of filtrate [kg/m3], over zero.

    Raises:
        ValueError: an argument is not a number over zero.

    Source: Geankoplis, *Transport Processes and Unit Operations*, ch. 14.

    >>> fit = PressureFit(kp_s_m6=6.0e6, b_s_m3=6400.0, r_squared=1.0, points=10)
    >>> found = cake_constants(fit, pressure_pa=338e3, area_m2=0.0439, viscosity_pa_s=8.937e-4,
    ...                        solids_kg_m3=23.47)
    >>> f"{found.alpha_m_kg:.3e} {found.medium_per_m:.3e}"
    '1.863e+11 1.063e+11'
    """
    area = positive(area_m2, name="area", unit="m2")
    thinned = positive(pressure_pa, name="pressure", unit="Pa") * area
    thinned /= positive(viscosity_pa_s, name="viscosity", unit="Pa s")
    solids = positive(solids_kg_m3, name="solids", unit="kg/m3")
    return CakeConstants(alpha_m_kg=fit.kp_s_m6 * thinned * area / solids, medium_per_m=fit.b_s_m3 * thinned)


def fit_compressibility(pressures_pa: Readings, alphas_m_kg: Readings) -> Compressibility:
    """Return a0 and s of alpha = a0 dP^s, by the straight line of log alpha on log dP.

    Args:
        pressures_pa: dP of each run [Pa], over zero, at least two of them different.
        alphas_m_kg: alpha of each run [m/kg], over zero.

    Raises:
        ValueError: lengths differ, a value is not a number over zero, all pressures are alike, or s is
            beyond any cake's, plus or minus 1.5.

    Source: Geankoplis, *Transport Processes and Unit Operations*, ch. 14.

    >>> law = fit_compressibility([1.0e5, 4.0e5], [1.0e11, 2.0e11])
    >>> round(law.exponent, 9)
    0.5
    """
    pressures, alphas = _pairs(pressures_pa, alphas_m_kg, names=("pressure", "alpha"))
    if (pressures < LEAST).any() or (alphas < LEAST).any():
        raise ValueError("pressure or alpha 0 has no logarithm: leave it out")
    intercept, slope, _ = _line(np.log(pressures), np.log(alphas), name="pressure")
    if not abs(slope) <= COMPRESSIBILITY_LIMIT:
        raise ValueError(
            f"exponent {slope:.3g} is no cake's: the pressures are too alike or the alphas wrong"
        )
    return Compressibility(alpha_at_1_pa=math.exp(intercept), exponent=slope)


def fit_resistance(volumes_m3: Readings, resistances: Readings) -> ResistanceFit:
    """Return the straight line of resistance on filtered volume, the live form of the law.

    R = R0 + k V, with R = dP / (mu Q) at one pressure; k = alpha c / A^2 and R0 = Rm / A
    where R is in 1/m3.

    Args:
        volumes_m3: V filtered so far [m3], not under zero, at least two of them different.
        resistances: R [1/m3 or 1/m], not under zero.

    Raises:
        ValueError: lengths differ, a value is not finite or under zero, or all volumes are alike.

    Source: the law of :mod:`monitor.physics.filtration`, solved for dP / (mu Q).

    >>> fit = fit_resistance([0.0, 0.01, 0.02], [1.0e10, 3.0e10, 5.0e10])
    >>> f"{fit.clean:.3g} {fit.growth_per_m3:.3g}"
    '1e+10 2e+12'
    """
    volumes, seen = _pairs(volumes_m3, resistances, names=("volume", "resistance"))
    clean, growth, explained = _line(volumes, seen, name="volume")
    return ResistanceFit(clean=clean, growth_per_m3=growth, r_squared=explained)


def _pairs(first: Readings, second: Readings, *, names: tuple[str, str]) -> tuple[Array, Array]:
    left, right = np.asarray(first, dtype=np.float64), np.asarray(second, dtype=np.float64)
    if left.ndim != 1 or left.shape != right.shape:
        raise ValueError(f"{names[0]} and {names[1]} are not two lists of one length")
    for values, name in ((left, names[0]), (right, names[1])):
        wrong = ~((values >= 0.0) & (values <= MOST))
        if wrong.any():
            place = int(np.argmax(wrong))
            raise ValueError(f"{name} {values[place]:g} at place {place} is not a finite number from zero up")
    return left, right


def _line(x: Array, y: Array, *, name: str) -> tuple[float, float, float]:
    """Return intercept, slope and R squared of the least-squares line."""
    if x.size < 2 or not np.ptp(x) > max(LEAST, _ALIKE * np.abs(x).max()):
        raise ValueError(f"a line needs two readings of different {name}")
    away = x - x.mean()
    slope = float(away @ (y - y.mean()) / (away @ away))
    intercept = float(y.mean() - slope * x.mean())
    return intercept, slope, _r_squared(y, intercept + slope * x)


def _scale(values: Array, *, name: str) -> float:
    if values.size == 0 or values.max() < LEAST:
        raise ValueError(f"no {name} is over zero")
    return float(values.max())


def _solve(columns: Array, wanted: Array) -> tuple[float, float]:
    found, _, rank, _ = np.linalg.lstsq(columns, wanted, rcond=_ALIKE)
    if rank < 2:
        raise ValueError("a parabola needs two readings of different volume over zero")
    return float(found[0]), float(found[1])


def _r_squared(seen: Array, fitted: Array) -> float:
    away = seen - seen.mean()
    spread = float(away @ away)
    if not spread > _ALIKE**2 * float(seen @ seen):
        return math.nan
    missed = seen - fitted
    return 1.0 - float(missed @ missed) / spread
