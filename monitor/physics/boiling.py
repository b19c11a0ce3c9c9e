"""Where water boils: by the pressure of the air, and that by the altitude.

IAPWS Industrial Formulation 1997 (IAPWS-IF97), region 4; International Standard Atmosphere
(ISO 2533).
"""

from __future__ import annotations

import math

from monitor.physics.validity import within

SATURATION = (
    0.11670521452767e4, -0.72421316703206e6, -0.17073846940092e2, 0.12020824702470e5, -0.32325550322333e7,
    0.14915108613530e2, -0.48232657361591e4, 0.40511340542057e6, -0.23855557567849, 0.65017534844798e3,
)  # fmt: skip
"""n1 to n10 of the saturation line (IAPWS-IF97, region 4, table 34)."""
SATURATION_KPA = (0.611213, 22_064.0)
"""Pressures for which the line holds."""
SEA_LEVEL_KPA = 101.325


def boiling_c(pressure_kpa: float) -> float:
    """Return the boiling point of water [degC] at ``pressure_kpa``, the station's, not the sea level's.

    IAPWS-IF97, region 4, backward equation (31). Raises ValueError outside 0.611213 to 22064 kPa.

    >>> round(boiling_c(101.325), 3)
    99.974
    """
    pressure_kpa = within(float(pressure_kpa), *SATURATION_KPA, name="pressure", unit="kPa")
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

    Raises ValueError outside -500 to 11,000 m.

    >>> round(standard_pressure_kpa(1524.0), 2)
    84.31
    """
    altitude_m = within(float(altitude_m), -500.0, 11_000.0, name="altitude", unit="m")
    return SEA_LEVEL_KPA * math.pow(1.0 - 0.0065 * altitude_m / 288.15, 5.25588)
