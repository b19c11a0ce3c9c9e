"""What is kept already, as far as a new entry is checked by it; and which entries count.

Entries are only ever added. One that was taken back, or that a later one corrects, does not
count; taking the correction back brings the old one back (:func:`standing`).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date

from monitor.contract.entries import LotArgs
from monitor.contract.errors import CommandRefused
from monitor.contract.events import Mark
from monitor.rules.charging import CUP_KG

TAKEN_BACK = "taken back"
"""Name of the entry that takes another one back."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptRun:
    """A stored run, as it bears on what is entered about it; null is not known."""

    frames: int | None = None
    frame_thickness_m: float | None = None
    day: date | None = None
    """The day it began, where it was run."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Records:
    """The runs and the entries that are kept, and what the owner's settings say of entries."""

    runs: Mapping[str, KeptRun] = field(default_factory=dict)
    entries: Mapping[str, Mark] = field(default_factory=dict)
    """By id, oldest first."""
    today: date | None = None
    """Null while the clock is unset: no day is in the future then."""
    cup_kg: float = CUP_KG
    lot_scheme: str = "{year}-{day}-{number}"

    def at(self, today: date | None) -> Records:
        """Return the records as they are on another day."""
        return self if today == self.today else replace(self, today=today)

    def with_run(self, name: str, kept: KeptRun) -> Records:
        """Return the records with another run."""
        return replace(self, runs={**self.runs, name: kept})

    def with_entry(self, mark: Mark) -> Records:
        """Return the records with another entry; a mark that is none changes nothing."""
        return self if mark.entry is None else replace(self, entries={**self.entries, mark.entry: mark})

    def entry(self, name: str) -> Mark:
        """Return the entry that counts under ``name``; refuse one that is not there or counts no more."""
        mark = self.entries.get(name)
        if mark is None or mark.name == TAKEN_BACK:
            raise CommandRefused(f"no entry is called {name}: look at the page once more")
        if mark not in standing(self.entries.values()):
            raise CommandRefused("that entry has been corrected or taken back already: look once more")
        return mark

    def lots(self) -> tuple[Mark, ...]:
        """Return the lots that count."""
        return tuple(mark for mark in standing(self.entries.values()) if isinstance(mark.given, LotArgs))


def standing(entries: Iterable[Mark]) -> tuple[Mark, ...]:
    """Return the entries that count, in the order they were made."""
    marks = [mark for mark in entries if mark.entry is not None]
    taken = {mark.corrects for mark in marks if mark.name == TAKEN_BACK}
    kept = [mark for mark in marks if mark.name != TAKEN_BACK and mark.entry not in taken]
    replaced = {mark.corrects for mark in kept}
    return tuple(mark for mark in kept if mark.entry not in replaced)
