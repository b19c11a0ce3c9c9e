"""Numbers as a person reads them: base units in, text with a unit out, in either system."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, tzinfo
from enum import StrEnum

from monitor.contract.units import Dimension, convert
from web.language import Words

NO_BREAK = "\N{NO-BREAK SPACE}"
"""Between a number and its unit, which belong on one line."""
UNKNOWN = "\N{EN DASH}"
ABSURD = 1e6
"""No press shows a figure as large as this; it is written as unknown."""
SECONDS_UP_TO_S = 90.0
"""Below this a duration is given in seconds [s]."""
MINUTES_UP_TO_S = 90.0 * 60.0
"""Below this it is given in minutes [s]."""
ROUGHLY_S = 10.0
"""A forecast under a minute and a half is no better than this [s]."""


class Units(StrEnum):
    """The two systems a viewer chooses from."""

    US = "us"
    METRIC = "metric"


SCALE: dict[Units, dict[Dimension, tuple[str, str]]] = {
    Units.US: {
        Dimension.TEMPERATURE: ("degF", "°F"),
        Dimension.TEMPERATURE_DIFFERENCE: ("degF", "°F"),
        Dimension.PRESSURE: ("psi", "psi"),
        Dimension.VOLUME: ("gal", "gal"),
        Dimension.FLOW: ("gal/min", "gal/min"),
        Dimension.LENGTH: ("in", "in"),
    },
    Units.METRIC: {
        Dimension.TEMPERATURE: ("degC", "°C"),
        Dimension.TEMPERATURE_DIFFERENCE: ("degC", "°C"),
        Dimension.PRESSURE: ("kPa", "kPa"),
        Dimension.VOLUME: ("L", "L"),
        Dimension.FLOW: ("L/min", "L/min"),
        Dimension.LENGTH: ("mm", "mm"),
    },
}
"""Unit of the contract's table and how it is written."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Writes quantities for one viewer."""

    words: Words
    units: Units
    zone: tzinfo | None = None
    """Time zone for wall times; null is the board's own."""

    def unit(self, dimension: Dimension) -> str:
        """Return how the unit of ``dimension`` is written."""
        return SCALE[self.units][dimension][1]

    def worth(self, value: float, dimension: Dimension) -> float:
        """Return ``value`` (base unit) in the viewer's unit."""
        return convert(value, dimension=dimension, into=SCALE[self.units][dimension][0])

    def number(self, value: float, *, digits: int = 0) -> str:
        """Return ``value`` with ``digits`` decimals and the language's decimal mark."""
        if not abs(value) < ABSURD:
            return UNKNOWN
        text = f"{value:.{digits}f}"
        if float(text) == 0.0:
            text = text.removeprefix("-")
        return text.replace("-", "\N{MINUS SIGN}").replace(".", self.words.decimal_mark)

    def _with_unit(self, value: float, dimension: Dimension, digits: int) -> str:
        number = self.number(self.worth(value, dimension), digits=digits)
        return f"{number}{NO_BREAK}{self.unit(dimension)}"

    def temperature(self, value_c: float, *, digits: int = 1) -> str:
        """Return a temperature [degC] as "180.4 °F"."""
        return self._with_unit(value_c, Dimension.TEMPERATURE, digits)

    def limit(self, value_c: float) -> str:
        """Return a temperature limit [degC] with no more decimals than it needs."""
        worth = self.worth(value_c, Dimension.TEMPERATURE)
        return self.temperature(value_c, digits=self.limit_digits(worth))

    @staticmethod
    def limit_digits(worth: float) -> int:
        """Return the decimals that a limit of ``worth`` needs in the viewer's unit: none if it is round."""
        return 0 if abs(worth) < ABSURD and abs(worth - round(worth)) < 0.05 else 1

    def temperature_difference(self, value_c: float, *, digits: int = 1) -> str:
        """Return a difference of temperature [degC] as "0.9 °F"."""
        return self._with_unit(value_c, Dimension.TEMPERATURE_DIFFERENCE, digits)

    def pressure(self, value_kpa: float) -> str:
        """Return a pressure [kPa] as "31 psi"."""
        return self._with_unit(value_kpa, Dimension.PRESSURE, 0)

    def volume(self, value_l: float) -> str:
        """Return a volume [L] as "4.2 gal"; tenths are dropped from a hundred on."""
        worth = self.worth(value_l, Dimension.VOLUME)
        return self._with_unit(value_l, Dimension.VOLUME, 1 if abs(worth) < 99.95 else 0)

    def flow(self, value_l_min: float) -> str:
        """Return a flow [L/min] as "0.8 gal/min"."""
        return self._with_unit(value_l_min, Dimension.FLOW, 1)

    def length(self, value_m: float) -> str:
        """Return a thickness [m] as "0.62 in" or "16 mm"."""
        return self._with_unit(value_m, Dimension.LENGTH, 2 if self.units is Units.US else 0)

    def mass(self, value_kg: float) -> str:
        """Return a weight of filter aid [kg] as "495 g"."""
        return f"{self.number(1000.0 * value_kg)}{NO_BREAK}g"

    def brix(self, sugar: float) -> str:
        """Return a share of sugar [mass fraction] as "66.9 °Brix"."""
        return f"{self.number(100.0 * sugar, digits=1)}{NO_BREAK}°Brix"

    def share(self, value: float) -> str:
        """Return a ratio as "43 %"."""
        space = NO_BREAK if self.words.decimal_mark == "," else ""
        return f"{self.number(100.0 * value)}{space}%"

    def duration(self, seconds: float) -> str:
        """Return a length of time as "40 s", "12 min" or "1 h 35 min"."""
        if not 0.0 <= seconds < ABSURD:
            return UNKNOWN
        if seconds < SECONDS_UP_TO_S:
            return f"{seconds:.0f}{NO_BREAK}s"
        if seconds < MINUTES_UP_TO_S:
            return f"{seconds / 60.0:.0f}{NO_BREAK}min"
        hours, minutes = divmod(round(seconds / 60.0), 60)
        return f"{hours}{NO_BREAK}h{NO_BREAK}{minutes:02d}"

    @staticmethod
    def clock(seconds: float) -> str:
        """Return a moment of a run as minutes and seconds since its start, "12:40"."""
        if not 0.0 <= seconds < ABSURD:
            return UNKNOWN
        minutes, rest = divmod(int(seconds), 60)
        return f"{minutes}:{rest:02d}"

    def about(self, seconds: float) -> str:
        """Return a forecast's length of time, no finer than a forecast is."""
        if 0.0 <= seconds < SECONDS_UP_TO_S:
            return self.duration(max(ROUGHLY_S, ROUGHLY_S * round(seconds / ROUGHLY_S)))
        return self.duration(seconds)

    def time(self, moment: datetime, *, seconds: bool = False) -> str:
        """Return the time of day of ``moment``."""
        return f"{moment.astimezone(self.zone):{'%H:%M:%S' if seconds else '%H:%M'}}"

    def day(self, moment: datetime) -> str:
        """Return the day of ``moment``."""
        return f"{moment.astimezone(self.zone):%Y-%m-%d}"

    def date(self, moment: datetime) -> str:
        """Return the day and time of ``moment``."""
        return f"{moment.astimezone(self.zone):%Y-%m-%d %H:%M}"
