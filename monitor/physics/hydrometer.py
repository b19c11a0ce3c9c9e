"""The hydrometer: what it shows in hot syrup, and what sugar that means.

Pure sucrose solution stands for syrup; sugar is a mass fraction (degrees Brix / 100).
The legal density of syrup is a limit in Brix and is never worked out through degrees
Baume: the trade's "36 Baume" is a rounded figure.
"""

from __future__ import annotations

from monitor.physics.syrup import HOT_LIMIT_C, SUGAR_LIMIT, density, water_density
from monitor.physics.validity import within

HYDROMETER_C = (60.0 - 32.0) / 1.8
"""Temperature at which a syrup hydrometer's scale is true [degC]: 60 degF."""
GLASS_EXPANSION_PER_K = 25e-6
"""Cubical expansion of hydrometer glass [1/K] (soda-lime glass, from memory)."""
BAUME_MODULUS = 145.0
"""Modulus of the Baume scale for liquids heavier than water, at 60 degF (from memory)."""
_HALVINGS = 50
"""Bisection steps: they leave less than 1e-15 of the whole scale of sugar."""


def specific_gravity(sugar_fraction: float) -> float:
    """Return the specific gravity of syrup, 60/60 degF [1].

    SG = rho(w, 60 degF) / rho_water(60 degF)

    Args:
        sugar_fraction: w, mass of sugar per mass of syrup, 0 to 0.85.

    Raises:
        ValueError: the sugar is outside that range or not finite.

    Source: :func:`density`.

    >>> round(specific_gravity(0.669), 4)
    1.3317
    """
    return density(sugar_fraction, temperature_c=HYDROMETER_C) / water_density(HYDROMETER_C)


def baume(sugar_fraction: float) -> float:
    """Return what the heavy Baume scale shows in syrup at 60 degF [degrees Baume].

    Be = 145 - 145 / SG(60/60 degF). Of a hot reading: ``baume(hydrometer_reading(...))``.

    Args:
        sugar_fraction: w, mass of sugar per mass of syrup, 0 to 0.85.

    Raises:
        ValueError: the sugar is outside that range or not finite.

    Source: definition of the scale (from memory).

    >>> round(baume(0.669), 1)
    36.1
    """
    return BAUME_MODULUS * (1.0 - 1.0 / specific_gravity(sugar_fraction))


def hydrometer_reading(sugar_fraction: float, *, temperature_c: float) -> float:
    """Return what a hydrometer true at 60 degF shows in syrup of this temperature [mass fraction].

    The reading w' is where rho(w', 60 degF) = rho(w, t) (1 + beta (t - 15.56 degC)): the glass
    has grown by beta and floats higher than the syrup's own thinning would let it sink.

    Args:
        sugar_fraction: w, mass of sugar per mass of syrup, 0 to 0.85.
        temperature_c: t of syrup and hydrometer [degC], 0 to 110.

    Raises:
        ValueError: an argument is outside its range, not finite, or the scale has no such reading.

    Source: Archimedes' balance with :func:`density`; beta is ``GLASS_EXPANSION_PER_K``.

    >>> round(100.0 * hydrometer_reading(0.66, temperature_c=80.0), 1)
    60.1
    """
    hot = density(sugar_fraction, temperature_c=temperature_c)
    shown = hot * _glass(temperature_c)
    return _sugar_of(shown, temperature_c=HYDROMETER_C)


def sugar_read(reading_fraction: float, *, temperature_c: float) -> float:
    """Return the sugar of syrup in which a hydrometer true at 60 degF shows this reading [mass fraction].

    The inverse of :func:`hydrometer_reading`.

    Args:
        reading_fraction: w', the reading (degrees Brix / 100), 0 to 0.85.
        temperature_c: t of syrup and hydrometer [degC], 0 to 110.

    Raises:
        ValueError: an argument is outside its range, not finite, or no syrup gives the reading.

    Source: as :func:`hydrometer_reading`.

    >>> round(100.0 * sugar_read(0.60, temperature_c=80.0), 1)
    65.9
    """
    shown = density(reading_fraction, temperature_c=HYDROMETER_C)
    return _sugar_of(shown / _glass(temperature_c), temperature_c=temperature_c)


def _glass(temperature_c: float) -> float:
    celsius = within(temperature_c, 0.0, HOT_LIMIT_C, name="temperature", unit="degC")
    return 1.0 + GLASS_EXPANSION_PER_K * (celsius - HYDROMETER_C)


def _sugar_of(density_kg_m3: float, *, temperature_c: float) -> float:
    """Return the sugar of syrup of this density, by bisection: density rises with sugar throughout."""
    low, high = 0.0, SUGAR_LIMIT
    lightest = density(low, temperature_c=temperature_c)
    heaviest = density(high, temperature_c=temperature_c)
    if not lightest <= density_kg_m3 <= heaviest:
        raise ValueError(f"density {density_kg_m3:.1f} kg/m3 at {temperature_c:g} degC is off the scale")
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        if density(middle, temperature_c=temperature_c) < density_kg_m3:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)
