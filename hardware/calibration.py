"""Two-point check of a temperature probe in ice slush and in boiling water. Pure.

A corrected value is ``read x scale + offset``, which is what ``scale`` and ``offset`` of a
point's settings mean. Boiling water is only as sure as the station pressure; from altitude
alone it is wrong by up to 0.8 degC with the weather.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.contract.errors import SensorError

ICE_C = 0.0
ICE_UNCERTAINTY_C = 0.1
"""Stirred slush of ice and clean water (this project's judgement)."""
BAROMETER_UNCERTAINTY_C = 0.1
"""Boiling point from a station pressure known to 0.3 kPa (0.28 degC per kPa near sea level)."""
ALTITUDE_UNCERTAINTY_C = 0.8
"""The same from altitude alone: the weather's 1.5 degF."""
LARGEST_ERROR_C = 2.0 * 5.0 / 9.0
"""A thermometer that is off by more than 2 degF is not fit for the job (California HSC 114159(c))."""
DRIFT_C = 0.2
"""Drift over 1000 h at 125 degC (DS18B20 data sheet, from memory)."""
HALF_STEP_C = 0.03125
"""Half of the probe's step at 12 bit."""

SATURATION = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip
"""n1 to n10 of the saturation line (IAPWS-IF97, region 4, table 34)."""
SATURATION_KPA = (0.611213, 22_064.0)
"""Pressures for which the line holds."""
SEA_LEVEL_KPA = 101.325


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPoint:
    """What the probe read in a bath of known temperature, and how well that is known [degC]."""

    true_c: float
    read_c: float
    uncertainty_c: float

    @property
    def error_c(self) -> float:
        """How much the probe reads too high."""
        return self.read_c - self.true_c


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Slope, offset [degC] and the error that is left [degC]."""

    scale: float
    offset_c: float
    tolerance_c: float

    def corrected_c(self, read_c: float) -> float:
        """Return the true temperature for a reading."""
        return read_c * self.scale + self.offset_c

    def settings(self) -> str:
        """Return the lines for the point's table in the settings file."""
        return (
            f"scale = {self.scale:.5f}\n"
            f'offset = "{self.offset_c:.3f} degC"\n'
            f'tolerance = "{self.tolerance_c:.2f} degC"\n'
        )


def two_point(ice: CheckPoint, *, boiling: CheckPoint) -> Calibration:
    """Return the straight line through both checks.

    The error left is the worse bath's, plus drift and half a step. Raises
    :class:`SensorError` for baths or a probe that cannot be right.

    >>> line = two_point(CheckPoint(true_c=0.0, read_c=0.25, uncertainty_c=0.1),
    ...                  boiling=CheckPoint(true_c=100.0, read_c=99.75, uncertainty_c=0.1))
    >>> round(line.corrected_c(0.25), 9), round(line.corrected_c(99.75), 9)
    (0.0, 100.0)
    """
    for name, point in (("ice", ice), ("boiling water", boiling)):
        if not abs(point.error_c) <= LARGEST_ERROR_C:
            raise SensorError(
                f"the probe is {point.error_c:+.2f} degC off in {name}: stir the bath, wait two minutes, "
                "check the pressure; a probe that stays more than 1.1 degC off is to be replaced"
            )
    if boiling.true_c - ice.true_c < 50.0:
        raise SensorError("the two baths are too close: use ice slush and boiling water")
    scale = (boiling.true_c - ice.true_c) / (boiling.read_c - ice.read_c)
    return Calibration(
        scale=scale,
        offset_c=ice.true_c - ice.read_c * scale,
        tolerance_c=max(ice.uncertainty_c, boiling.uncertainty_c) + DRIFT_C + HALF_STEP_C,
    )


def ice_check(read_c: float) -> CheckPoint:
    """Return the check in ice slush."""
    return CheckPoint(true_c=ICE_C, read_c=read_c, uncertainty_c=ICE_UNCERTAINTY_C)


def boiling_check(
    read_c: float, *, pressure_kpa: float | None = None, altitude_m: float | None = None
) -> CheckPoint:
    """Return the check in boiling water at a station pressure, else at an altitude, else at sea level."""
    if pressure_kpa is not None:
        return CheckPoint(
            true_c=boiling_c(pressure_kpa), read_c=read_c, uncertainty_c=BAROMETER_UNCERTAINTY_C
        )
    true_c = boiling_c(standard_pressure_kpa(altitude_m or 0.0))
    return CheckPoint(true_c=true_c, read_c=read_c, uncertainty_c=ALTITUDE_UNCERTAINTY_C)


def boiling_c(pressure_kpa: float) -> float:
    """Return the boiling point of water [degC] at ``pressure_kpa``, the station's, not the sea level's.

    IAPWS-IF97, region 4, backward equation (31); 0.611213 to 22064 kPa.

    >>> round(boiling_c(101.325), 3)
    99.974
    """
    low_kpa, high_kpa = SATURATION_KPA
    if not low_kpa <= pressure_kpa <= high_kpa:
        raise SensorError(f"{pressure_kpa} kPa is no air pressure: a barometer shows 60 to 105 kPa")
    n1, n2, n3, n4, n5, n6, n7, n8, n9, n10 = SATURATION
    beta = math.pow(pressure_kpa / 1000.0, 0.25)
    e = beta**2 + n3 * beta + n6
    f = n1 * beta**2 + n4 * beta + n7
    g = n2 * beta**2 + n5 * beta + n8
    d = 2.0 * g / (-f - math.sqrt(f**2 - 4.0 * e * g))
    kelvin = (n10 + d - math.sqrt((n10 + d) ** 2 - 4.0 * (n9 + n10 * d))) / 2.0
    return kelvin - 273.15


def standard_pressure_kpa(altitude_m: float) -> float:
    """Return the air pressure [kPa] of the standard atmosphere at ``altitude_m``.

    International standard atmosphere (ISO 2533), up to 11,000 m.

    >>> round(standard_pressure_kpa(1524.0), 2)
    84.31
    """
    if not -500.0 <= altitude_m <= 11_000.0:
        raise SensorError(f"{altitude_m} m is no place to boil syrup: give the altitude in metres")
    return SEA_LEVEL_KPA * math.pow(1.0 - 0.0065 * altitude_m / 288.15, 5.25588)
