"""Lot codes by the owner's own scheme, such as ``{year}-{day}-{number}``."""

from __future__ import annotations

import re
from datetime import date
from string import Formatter

from monitor.contract.errors import EntryRefused

FIELDS = ("year", "yy", "month", "mday", "day", "press", "number")
"""What a scheme may name: year in four or two figures, month, day of the month, day of the year,
press, and the lot's number of that day."""

_CODE = re.compile(r"[A-Z0-9]([A-Z0-9./-]{0,30}[A-Z0-9])?", re.IGNORECASE)


def lot_code(scheme: str, *, packed: date, press: str, number: int) -> str:
    """Return the code of a lot.

    Args:
        scheme: the owner's scheme, fields of :data:`FIELDS` in braces.
        packed: the day it was packed.
        press: the press's name.
        number: which lot of that day, from 1.

    Raises:
        EntryRefused: the scheme names an unknown field, or makes no code of 1-32 letters, figures,
            hyphens, points and slashes.

    >>> lot_code("{year}-{day}-{number}", packed=date(2024, 3, 9), press="main", number=2)
    '2024-069-2'
    """
    if not 1 <= number <= 9999:
        raise EntryRefused(f"lot number {number} cannot be: lots of a day count from 1")
    values = {
        "year": f"{packed.year:04d}",
        "yy": f"{packed.year % 100:02d}",
        "month": f"{packed.month:02d}",
        "mday": f"{packed.day:02d}",
        "day": f"{packed.timetuple().tm_yday:03d}",
        "press": press,
        "number": str(number),
    }
    code = "".join(words + values.get(field, "") for words, field in _parts(scheme))
    if not _CODE.fullmatch(code):
        raise EntryRefused(f"lot scheme {scheme[:64]!r} makes no code of 1 to 32 letters, figures, - . and /")
    return code


def checked_code(code: str) -> str:
    """Return a code that a person chose; refuse one that no lot may have."""
    if not _CODE.fullmatch(code):
        raise EntryRefused(
            "a lot code is 1 to 32 letters, figures, - . and /, with a letter or figure at both ends"
        )
    return code


def _parts(scheme: str) -> list[tuple[str, str]]:
    try:
        parts = list(Formatter().parse(scheme))
    except ValueError:
        raise EntryRefused(f"lot scheme {scheme[:64]!r}: braces must open and close") from None
    for _, field, form, conversion in parts:
        if field is not None and (field not in FIELDS or form or conversion):
            raise EntryRefused(f"lot scheme {scheme[:64]!r}: {{{field}}} is none of {', '.join(FIELDS)}")
    return [(words, field or "") for words, field, _, _ in parts]
