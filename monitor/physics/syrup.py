"""Syrup: how heavy, how thick, how much heat it carries, how far it shrinks.

Pure sucrose solution stands for syrup. Sugar is a mass fraction (degrees Brix / 100) and is
a float, for a batch has one; temperatures [degC] may be an array where a function says
float or array (:mod:`monitor.physics.validity` tells what becomes of bad elements).
"""

from __future__ import annotations

from monitor.physics.validity import Value, positive, within

LABEL_C = 20.0
"""Temperature at which a container's labelled volume holds [degC]: 68 degF (common practice, no source)."""
SUGAR_LIMIT = 0.85
"""Largest mass fraction of sugar that is judged [1] (ours: over any syrup, under the poles)."""
HOT_LIMIT_C = 110.0
"""Highest temperature that is judged [degC]: from 100 up an extrapolation, for syrup boils near 104."""
_WATER = (999.83952, 16.952577, -7.9905127e-3, -46.241757e-6, 105.84601e-9, -281.03006e-12)
_WATER_DIVISOR = 16.887236e-3
_SUGAR = (
    (385.1761, 135.3705, 40.9299, -3.9643, 13.4853, -17.2890),
    (-46.2720, -7.1720, 1.1597, 5.1126, 17.5254),
    (59.7712, 7.2491, 12.3630, -35.4791),
    (-47.2207, -21.6977, 27.6301),
    (18.3184, 12.3081),
)
"""Row j, place i: factor of w^(i+1) tau^j [kg/m3]."""


def water_density(temperature_c: Value) -> Value:
    """Return the density of water [kg/m3].

    rho = (a0 + a1 t + a2 t^2 + a3 t^3 + a4 t^4 + a5 t^5) / (1 + b t)

    Args:
        temperature_c: t [degC], float or array, 0 to 110.

    Raises:
        ValueError: the temperature is outside that range or not finite.

    Source: the water term of ICUMSA SPS-4 (Bubnik, Kadlec, Urban, Bruhns, *Sugar
    Technologists Manual*, Bartens 1995, p. 164).

    >>> round(water_density(20.0), 3)
    998.203
    """
    return _water(_temperature(temperature_c))


def density(sugar_fraction: float, *, temperature_c: Value) -> Value:
    """Return the density of syrup [kg/m3].

    rho = rho_water(t) + sum_j sum_i C[j][i] w^(i+1) tau^j, with tau = (t - 20) / 100

    Args:
        sugar_fraction: w, mass of sugar per mass of syrup, 0 to 0.85.
        temperature_c: t [degC], float or array, 0 to 110.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: ICUMSA SPS-4, formula and coefficients as printed in Bubnik, Kadlec, Urban,
    Bruhns, *Sugar Technologists Manual*, Bartens 1995, p. 164.

    >>> round(density(0.669, temperature_c=85.0), 2)
    1289.73
    """
    return _density(_sugar(sugar_fraction), _temperature(temperature_c))


def viscosity(sugar_fraction: float, *, temperature_c: Value) -> Value:
    """Return the dynamic viscosity of syrup [Pa s].

    log10(mu / mPa s) = 22.46 x - 0.114 + phi (1.1 + 43.1 x^1.25),
    x = B / (1900 - 18 B), phi = (30 - t) / (91 + t), B = 100 w

    Within 2.5 % of the tables between 60 and 70 % sugar and 20 and 95 degC.

    Args:
        sugar_fraction: w, mass of sugar per mass of syrup, 0 to 0.85.
        temperature_c: t [degC], float or array, 0 to 110.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: Genotelle's form, in Mathlouthi and Genotelle, *Sucrose: Properties and
    Applications*, Blackie 1995.

    >>> round(1000.0 * viscosity(0.669, temperature_c=85.0), 2)
    9.56
    """
    brix = 100.0 * _sugar(sugar_fraction)
    celsius = _temperature(temperature_c)
    x = brix / (1900.0 - 18.0 * brix)
    phi = (30.0 - celsius) / (91.0 + celsius)
    pascal_seconds: Value = 10.0 ** (22.46 * x - 3.114 + phi * (1.1 + 43.1 * x**1.25))
    return pascal_seconds


def heat_capacity(sugar_fraction: float, *, temperature_c: Value, purity: float = 1.0) -> Value:
    """Return the specific heat capacity of syrup at constant pressure [J/(kg K)].

    cp = 4184 - 2971 w + 460 w P + 7.5 w t

    Args:
        sugar_fraction: w, mass of sugar per mass of syrup, 0 to 0.85.
        temperature_c: t [degC], float or array, 0 to 110.
        purity: P, sucrose per dissolved solids, 0 to 1.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: Llano, 2005.

    >>> round(heat_capacity(0.669, temperature_c=85.0))
    2931
    """
    sugar = _sugar(sugar_fraction)
    pure = within(purity, 0.0, 1.0, name="purity", unit="of 1")
    constant = 4184.0 - 2971.0 * sugar + 460.0 * sugar * pure
    return constant + 7.5 * sugar * _temperature(temperature_c)


def shrinkage(sugar_fraction: float, *, hot_c: float, cold_c: float = LABEL_C) -> float:
    """Return the share of its volume that syrup loses in cooling [1]; negative when it warms.

    1 - rho(w, hot) / rho(w, cold)

    Args:
        sugar_fraction: w, mass of sugar per mass of syrup, 0 to 0.85.
        hot_c: temperature before [degC], 0 to 110.
        cold_c: temperature after [degC], 0 to 110.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: conservation of mass with :func:`density`.

    >>> round(100.0 * shrinkage(0.669, hot_c=85.0), 3)
    2.896
    """
    return 1.0 - density(sugar_fraction, temperature_c=hot_c) / density(sugar_fraction, temperature_c=cold_c)


def hot_fill_volume(
    volume: float, *, sugar_fraction: float, fill_c: float, label_c: float = LABEL_C
) -> float:
    """Return the volume to fill hot so that ``volume`` is there once cool [unit of ``volume``].

    V_hot = V rho(w, label) / rho(w, fill)

    Args:
        volume: V wanted at ``label_c``, over zero, in any unit of volume.
        sugar_fraction: w, mass of sugar per mass of syrup, 0 to 0.85.
        fill_c: temperature at filling [degC], 0 to 110.
        label_c: temperature at which ``volume`` must hold [degC], 0 to 110.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: conservation of mass with :func:`density`.

    >>> round(hot_fill_volume(500.0, sugar_fraction=0.669, fill_c=85.0), 1)
    514.9
    """
    wanted = positive(volume, name="volume", unit="")
    return wanted / (1.0 - shrinkage(sugar_fraction, hot_c=fill_c, cold_c=label_c))


def _sugar(sugar_fraction: float) -> float:
    return within(sugar_fraction, 0.0, SUGAR_LIMIT, name="sugar", unit="of 1")


def _temperature(temperature_c: Value) -> Value:
    return within(temperature_c, 0.0, HOT_LIMIT_C, name="temperature", unit="degC")


def _water(celsius: Value) -> Value:
    a0, a1, a2, a3, a4, a5 = _WATER
    above = a0 + celsius * (a1 + celsius * (a2 + celsius * (a3 + celsius * (a4 + celsius * a5))))
    return above / (1.0 + _WATER_DIVISOR * celsius)


def _density(sugar: float, celsius: Value) -> Value:
    tau = (celsius - 20.0) * 0.01
    total = tau * 0.0
    for row in reversed(_SUGAR):
        factor = 0.0
        for coefficient in reversed(row):
            factor = sugar * (factor + coefficient)
        total = total * tau + factor
    return _water(celsius) + total
