"""Earlier runs from a notebook: a CSV of one line a run, in an open form.

Columns, in any order: ``date`` (2024-03-09), ``volume_gal`` or ``volume_L``, ``filter_aid_cups`` or
``filter_aid_g``, ``cake`` (light, half, full, or a share such as 0.8 or 80 %), and if known
``ended_by`` (pressure, frames) and ``note``. Only date and volume must be there; an empty cell is
not known. One line that cannot be read refuses the whole file, so nothing is half taken.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable
from datetime import date

from monitor.contract.entries import Amount
from monitor.contract.errors import EntryRefused
from monitor.contract.names import Limit
from monitor.contract.units import UNITS
from monitor.run.cake import CakeReading
from monitor.run.plain_text import plain_text
from monitor.run.press_record import RunEntry

COLUMNS = (
    "date",
    "volume_gal",
    "volume_L",
    "filter_aid_cups",
    "filter_aid_g",
    "cake",
    "ended_by",
    "note",
)

MOST_LINES = 5_000
"""More runs than a lifetime of seasons has."""

LARGEST_L, LARGEST_AID_KG = 100_000.0, 10_000.0


def read_notes(lines: Iterable[str], *, room_l: float, cup_kg: float, today: date) -> tuple[RunEntry, ...]:
    """Return the runs of a notebook, oldest first.

    Args:
        lines: the file's lines, header first.
        room_l: room of the press's window frames [L].
        cup_kg: weight of a cup of filter aid [kg].
        today: the day now; later runs are refused.

    Raises:
        EntryRefused: with the line and what is wrong in it.
    """
    reader = csv.DictReader(lines, strict=True)
    try:
        names = list(reader.fieldnames or ())
        _check_header(names)
        entries: list[RunEntry] = []
        for cells in reader:
            if len(entries) >= MOST_LINES:
                raise EntryRefused(f"notes: more than {MOST_LINES} lines")
            entries.append(_entry(cells, reader.line_num, room_l=room_l, cup_kg=cup_kg, today=today))
    except csv.Error as error:
        raise EntryRefused(f"notes line {reader.reader.line_num}: {error}") from None
    return tuple(sorted(entries, key=lambda entry: entry.run))


def _check_header(names: list[str]) -> None:
    unknown = [name for name in names if name not in COLUMNS]
    if unknown or len(set(names)) < len(names):
        raise EntryRefused(f"notes line 1: the columns are {', '.join(COLUMNS)}, each once")
    if "date" not in names or not {"volume_gal", "volume_L"} & set(names):
        raise EntryRefused("notes line 1: the columns date and volume_gal (or volume_L) must be there")


def _entry(cells: dict[str, str], line: int, *, room_l: float, cup_kg: float, today: date) -> RunEntry:
    if None in cells or None in cells.values():
        raise EntryRefused(f"notes line {line}: it has not as many cells as the header")
    try:
        day = _day(cells["date"], today=today)
        volume_l = _amount(
            cells, {"volume_L": 1.0, "volume_gal": UNITS["gal"][0].factor}, most=LARGEST_L, what="volume"
        )
        if volume_l is None:
            raise EntryRefused("a run needs its volume")
        aid_kg = _amount(
            cells,
            {"filter_aid_g": 1e-3, "filter_aid_cups": cup_kg},
            most=LARGEST_AID_KG,
            what="filter aid",
        )
        return RunEntry(
            run=f"{day} line {line:05d}",
            dose_kg_m3=None if aid_kg is None else 1000.0 * aid_kg / volume_l,
            volume_l=volume_l,
            room_l=room_l,
            limit=_limit(cells.get("ended_by", "")),
            cake=_cake(cells.get("cake", ""), note=cells.get("note", "")),
        )
    except EntryRefused as refusal:
        raise EntryRefused(f"notes line {line}: {refusal}") from None


def _day(text: str, *, today: date) -> date:
    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        raise EntryRefused(f"{text[:20]!r} is no date such as 2024-03-09") from None
    if day > today:
        raise EntryRefused(f"{day} lies in the future: today is {today}")
    return day


def _amount(cells: dict[str, str], factors: dict[str, float], *, most: float, what: str) -> float | None:
    given = [(name, cells[name].strip()) for name in factors if cells.get(name, "").strip()]
    if not given:
        return None
    if len(given) > 1:
        raise EntryRefused(f"{what} is given twice")
    name, text = given[0]
    value = _number(text) * factors[name]
    if not 0.0 < value <= most:
        raise EntryRefused(f"{what} {text[:20]!r} cannot be")
    return value


def _number(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise EntryRefused(f"{text[:20]!r} is no number")
    return value


def _limit(text: str) -> Limit:
    word = text.strip().lower()
    try:
        return Limit(word) if word else Limit.UNKNOWN
    except ValueError:
        raise EntryRefused(f"{text[:20]!r} ended no run: pressure or frames") from None


def _cake(text: str, *, note: str) -> CakeReading | None:
    word = text.strip().lower()
    plain_text(note, name="note")
    if not word:
        return None
    if word in {amount.value for amount in Amount}:
        return CakeReading(amount=Amount(word), note=note)
    share = _number(word.removesuffix("%").strip()) / (100.0 if word.endswith("%") else 1.0)
    return CakeReading(fill=share, note=note)
