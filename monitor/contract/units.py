"""Units as data: what a settings file, a page or an export may say, and its worth in ours.

Inside the program every quantity is in the base unit of its dimension: degC, kPa,
L, L/min, m, m2, s, kg, and plain ratios. A temperature *difference* (a tolerance, a
dead band) is a dimension of its own, because 2 degF of difference is not 2 degF of level.

Factors: the international pound, inch and foot, the US gallon of 231 cubic inches, and the
conventional inch of mercury (NIST SP 811, appendix B.8); tests hold the table against the ``pint`` package.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from enum import Enum

from monitor.contract.errors import UnitError


class Dimension(Enum):
    """What kind of quantity a unit measures; the value names the base unit."""

    TEMPERATURE = "degC"
    TEMPERATURE_DIFFERENCE = "degC of difference"
    PRESSURE = "kPa"
    VOLUME = "L"
    FLOW = "L/min"
    LENGTH = "m"
    AREA = "m2"
    TIME = "s"
    MASS = "kg"
    RATIO = "1"
    SUGAR = "Brix"
    CONCENTRATION = "g/L"
    PERMEABILITY = "darcy"
    VOLTAGE = "V"
    RESISTANCE = "ohm"


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: ``base = value * factor + offset``."""

    dimension: Dimension
    factor: float
    offset: float = 0.0


_PSI_KPA = 6.894757293168361
_INCH_MERCURY_KPA = 0.0254 * 13.5951 * 9.80665
_GALLON_L = 3.785411784
_FAHRENHEIT = 5.0 / 9.0

UNITS: dict[str, tuple[Unit, ...]] = {
    "degC": (Unit(Dimension.TEMPERATURE, 1.0), Unit(Dimension.TEMPERATURE_DIFFERENCE, 1.0)),
    "degF": (
        Unit(Dimension.TEMPERATURE, _FAHRENHEIT, -32.0 * _FAHRENHEIT),
        Unit(Dimension.TEMPERATURE_DIFFERENCE, _FAHRENHEIT),
    ),
    "kPa": (Unit(Dimension.PRESSURE, 1.0),),
    "psi": (Unit(Dimension.PRESSURE, _PSI_KPA),),
    "bar": (Unit(Dimension.PRESSURE, 100.0),),
    "hPa": (Unit(Dimension.PRESSURE, 0.1),),
    "inHg": (Unit(Dimension.PRESSURE, _INCH_MERCURY_KPA),),
    "L": (Unit(Dimension.VOLUME, 1.0),),
    "mL": (Unit(Dimension.VOLUME, 1e-3),),
    "gal": (Unit(Dimension.VOLUME, _GALLON_L),),
    "cup": (Unit(Dimension.VOLUME, _GALLON_L / 16.0),),
    "L/min": (Unit(Dimension.FLOW, 1.0),),
    "gal/min": (Unit(Dimension.FLOW, _GALLON_L),),
    "m": (Unit(Dimension.LENGTH, 1.0),),
    "cm": (Unit(Dimension.LENGTH, 1e-2),),
    "mm": (Unit(Dimension.LENGTH, 1e-3),),
    "in": (Unit(Dimension.LENGTH, 0.0254),),
    "ft": (Unit(Dimension.LENGTH, 0.3048),),
    "m2": (Unit(Dimension.AREA, 1.0),),
    "cm2": (Unit(Dimension.AREA, 1e-4),),
    "in2": (Unit(Dimension.AREA, 0.0254**2),),
    "s": (Unit(Dimension.TIME, 1.0),),
    "min": (Unit(Dimension.TIME, 60.0),),
    "h": (Unit(Dimension.TIME, 3600.0),),
    "d": (Unit(Dimension.TIME, 86_400.0),),
    "g": (Unit(Dimension.MASS, 1e-3),),
    "kg": (Unit(Dimension.MASS, 1.0),),
    "lb": (Unit(Dimension.MASS, 0.45359237),),
    "%": (Unit(Dimension.RATIO, 0.01),),
    "Brix": (Unit(Dimension.SUGAR, 1.0),),
    "g/L": (Unit(Dimension.CONCENTRATION, 1.0),),
    "darcy": (Unit(Dimension.PERMEABILITY, 1.0),),
    "V": (Unit(Dimension.VOLTAGE, 1.0),),
    "ohm": (Unit(Dimension.RESISTANCE, 1.0),),
}
"""Unit text to its meaning; degC and degF mean a level or a difference by context."""

_QUANTITY = re.compile(r"\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*([^\d\s.]\S*)\s*")


def unit(text: str, *, dimension: Dimension) -> Unit:
    """Return the unit called ``text`` in ``dimension``; raise :class:`UnitError` otherwise."""
    for candidate in UNITS.get(text, ()):
        if candidate.dimension is dimension:
            return candidate
    known = ", ".join(name for name, units in UNITS.items() if any(u.dimension is dimension for u in units))
    raise UnitError(f"unit {text!r} does not fit here: use one of {known}")


def quantity(text: str, *, dimension: Dimension) -> float:
    """Return what ``text`` ("180 degF") is worth in the base unit of ``dimension``.

    >>> round(quantity("212 degF", dimension=Dimension.TEMPERATURE), 9)
    100.0
    >>> round(quantity("9 degF", dimension=Dimension.TEMPERATURE_DIFFERENCE), 9)
    5.0
    """
    match = _QUANTITY.fullmatch(text)
    if match is None:
        raise UnitError(f"{text!r} is not a number with a unit, such as {_example(dimension)!r}")
    found = unit(match[2], dimension=dimension)
    value = float(match[1]) * found.factor + found.offset
    if not math.isfinite(value):
        raise UnitError(f"{text!r} is too large to be a {dimension.name.lower()}")
    return value


def convert(value: float, *, dimension: Dimension, into: str) -> float:
    """Return ``value`` (base unit of ``dimension``) in the unit called ``into``.

    >>> round(convert(100.0, dimension=Dimension.TEMPERATURE, into="degF"), 9)
    212.0
    """
    wanted = unit(into, dimension=dimension)
    return (value - wanted.offset) / wanted.factor


def _example(dimension: Dimension) -> str:
    name = next(name for name, units in UNITS.items() if any(u.dimension is dimension for u in units))
    return f"1 {name}"
