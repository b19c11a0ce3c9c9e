"""Container sizes that can be tapped in with one touch. Common sizes of the trade, no source."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.units import Dimension, convert, quantity
from web.figures import Figures, Units

US_SIZES: tuple[tuple[str, float], ...] = (
    ("1 gal", 1.0),
    ("½ gal", 0.5),
    ("1 qt", 0.25),
    ("1 pt", 0.125),
    ("½ pt", 0.0625),
)
"""Name and US gallons."""
METRIC_SIZES: tuple[tuple[str, float], ...] = (
    ("4 L", 4.0),
    ("1 L", 1.0),
    ("540 mL", 0.540),
    ("500 mL", 0.500),
    ("250 mL", 0.250),
)
"""Name and litres."""


@dataclass(frozen=True, slots=True)
class Size:
    """A container's name and what it holds [L]."""

    name: str
    volume_l: float


def sizes(units: Units) -> list[Size]:
    """Return the sizes of a system of units, largest first."""
    if units is Units.METRIC:
        return [Size(name, volume_l) for name, volume_l in METRIC_SIZES]
    gallon_l = quantity("1 gal", dimension=Dimension.VOLUME)
    return [Size(name, round(share * gallon_l, 4)) for name, share in US_SIZES]


def total_unit(figures: Figures) -> Size:
    """Return the unit a total is typed in, and its worth [L]."""
    one_l = convert(1.0, dimension=Dimension.VOLUME, into=figures.unit(Dimension.VOLUME))
    return Size(figures.unit(Dimension.VOLUME), 1.0 / one_l)
