"""Numbers as a person types them: bare in the viewer's unit, or with a unit; point or comma. Pure."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from monitor.contract.errors import EntryRefused, UnitError
from monitor.contract.units import Dimension, quantity
from web.figures import NO_BREAK, SCALE, Figures

LONGEST = 40
"""Characters of a number and its unit; more is no number."""
FARTHEST = 1e12
"""No quantity that is typed here is as large in its base unit."""

_BARE = re.compile(r"[-+]?(\d+\.?\d*|\.\d+)")
_FRACTION = re.compile(r"^(?:(\d{1,4})\s+)?(\d{1,4})/(\d{1,4})(?=\D|$)")
"""A ruler in inches is read in eighths and sixteenths."""
_CODES = {"°F": "degF", "°C": "degC", "°Brix": "Brix", "psig": "psi"}


class FieldRefused(EntryRefused):
    """What was typed into the field called ``field`` cannot be; the text says why."""

    def __init__(self, field: str, line: str) -> None:
        super().__init__(line)
        self.field = field


@dataclass(frozen=True, slots=True, kw_only=True)
class Field:
    """One field of a form: its name, what stands before it and what is typed in it."""

    name: str
    label: str
    value: str = ""
    hint: str = ""
    options: tuple[tuple[str, str], ...] = ()
    """Value and words of each choice; none for a line to type in."""
    kind: str = "number"
    """``number``, ``text``, ``date`` or ``choice``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """The fields of a form as they were typed."""

    fields: Mapping[str, str]
    figures: Figures

    def text(self, field: str) -> str:
        """Return what was typed, without the blanks around it."""
        return self.fields.get(field, "").strip()

    def quantity(self, field: str, dimension: Dimension, *, least: float, most: float) -> float | None:
        """Return a quantity in the base unit, null where nothing was typed; refuse one out of range."""
        text = self.text(field)
        if not text:
            return None
        value = self._read(field, text, dimension)
        if not least <= value <= most:
            raise self._out_of_range(field, self._shown(least, dimension), self._shown(most, dimension))
        return value

    def plain(self, field: str, *, least: float, most: float) -> float | None:
        """Return a number without a unit, or with a percent sign; null where nothing was typed."""
        text = self.text(field)
        if not text:
            return None
        plain = text.replace(NO_BREAK, " ").replace(",", ".").removesuffix("%").strip()
        if len(plain) > LONGEST or not _BARE.fullmatch(plain):
            raise FieldRefused(field, self.figures.words("typed.no_plain", text=text[:LONGEST]))
        if not least <= float(plain) <= most:
            low, high = (self.figures.number(value, digits=0) for value in (least, most))
            raise self._out_of_range(field, low, high)
        return float(plain)

    def count(self, field: str, *, least: int, most: int) -> int | None:
        """Return a whole number, null where nothing was typed."""
        text = self.text(field)
        if not text:
            return None
        if not (text.isascii() and text.isdecimal() and len(text) < 10):
            raise FieldRefused(field, self.figures.words("typed.no_count", text=text[:LONGEST]))
        if not least <= int(text) <= most:
            raise self._out_of_range(field, str(least), str(most))
        return int(text)

    def choice(self, field: str, known: tuple[str, ...]) -> str | None:
        """Return one of ``known``, null where nothing was chosen."""
        text = self.text(field)
        if not text:
            return None
        if text not in known:
            raise FieldRefused(field, self.figures.words("typed.no_choice", text=text[:LONGEST]))
        return text

    def _read(self, field: str, text: str, dimension: Dimension) -> float:
        words = self.figures.words
        try:
            if len(text) > LONGEST:
                raise UnitError("too long")
            value = quantity(_with_unit(text, code_of(dimension, self.figures)), dimension=dimension)
        except UnitError:
            example = words("typed.example", unit=unit_of(dimension, self.figures))
            raise FieldRefused(
                field, words("typed.no_number", text=text[:LONGEST], example=example)
            ) from None
        return max(-FARTHEST, min(FARTHEST, value))

    def _shown(self, value: float, dimension: Dimension) -> str:
        if dimension is Dimension.SUGAR:
            return self.figures.brix(value / 100.0)
        digits = 2 if dimension is Dimension.LENGTH else 0
        number = self.figures.number(self.figures.worth(value, dimension), digits=digits)
        return f"{number}{NO_BREAK}{self.figures.unit(dimension)}"

    def _out_of_range(self, field: str, least: str, most: str) -> FieldRefused:
        text = self.text(field)[:LONGEST]
        return FieldRefused(field, self.figures.words("typed.range", text=text, least=least, most=most))


def rewritten(text: str, dimension: Dimension, *, before: Figures, now: Figures) -> str:
    """Return a bare number typed in the unit of ``before`` in that of ``now``; other text as it is."""
    plain = text.strip().replace(",", ".")
    if before.units is now.units or len(plain) > LONGEST or not _BARE.fullmatch(plain):
        return text
    value = quantity(f"{plain} {code_of(dimension, before)}", dimension=dimension)
    return now.number(now.worth(value, dimension), digits=1)


def code_of(dimension: Dimension, figures: Figures) -> str:
    """Return the contract's name of the unit that a bare number is in."""
    return "Brix" if dimension is Dimension.SUGAR else SCALE[figures.units][dimension][0]


def unit_of(dimension: Dimension, figures: Figures) -> str:
    """Return how that unit is written on the page."""
    return "°Brix" if dimension is Dimension.SUGAR else figures.unit(dimension)


def _with_unit(text: str, code: str) -> str:
    """Return ``text`` as a number and a unit of the contract's table.

    >>> _with_unit("14,5", "gal"), _with_unit("88 °C", "degF"), _with_unit("1 1/8", "in")
    ('14.5 gal', '88 degC', '1.125 in')
    """
    plain = _FRACTION.sub(_decimal, text.replace(NO_BREAK, " ").replace(",", "."))
    for written, known in _CODES.items():
        if plain.endswith(written):
            plain = plain.removesuffix(written) + f" {known}"
    plain = " ".join(plain.split())
    return f"{plain} {code}" if _BARE.fullmatch(plain) else plain


def _decimal(fraction: re.Match[str]) -> str:
    whole, part, parts = (float(group or 0) for group in fraction.groups())
    return f"{whole + part / parts:.6g}" if parts else fraction[0]
