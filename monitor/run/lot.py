"""The lot record: what was packed, when, how hot, how dense, in what.

It helps to find a lot again; it proves no compliance with anything.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from monitor.contract.commands import MarkKind
from monitor.contract.entries import Method
from monitor.contract.errors import EntryRefused
from monitor.contract.events import Event, Mark
from monitor.contract.names import Phase
from monitor.physics.syrup import hot_fill_volume
from monitor.rules.thresholds import Thresholds
from monitor.run.batch import LEAST_SUGAR, MOST_SUGAR
from monitor.run.lot_code import lot_code
from monitor.run.plain_text import plain_text
from monitor.run.row import TraceRow

LONGEST_STEP_S = 5.0
"""A row stands for the time since the row before it, but for no more than this: what was not
seen is not counted."""

_INITIALS = re.compile(r"[^\W\d_]{1,4}")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasuredDensity:
    """Sugar [mass fraction] and how it was found; null sugar only where it was not measured."""

    sugar: float | None = None
    method: Method = Method.NOT_MEASURED

    def __post_init__(self) -> None:
        if (self.sugar is None) != (self.method is Method.NOT_MEASURED):
            raise EntryRefused("a density needs both its figure and how it was measured")
        if self.sugar is not None and not LEAST_SUGAR <= self.sugar <= MOST_SUGAR:
            raise EntryRefused(f"{100.0 * self.sugar:g} Brix is no finished syrup: 50 to 75 Brix are taken")


@dataclass(frozen=True, slots=True, kw_only=True)
class Packing:
    """Temperatures at one point while it was bottled [degC, s]; null where none was seen."""

    least_c: float | None = None
    mean_c: float | None = None
    most_c: float | None = None
    seen_s: float = 0.0
    """Time bottling with a temperature."""
    unseen_s: float = 0.0
    """Time bottling without one."""
    cold_s: float = 0.0
    """Time under the ready temperature."""
    hot_s: float = 0.0
    """Time at or over the precipitation threshold."""

    @property
    def outside_s(self) -> float:
        """Time outside the bottling window."""
        return self.cold_s + self.hot_s


@dataclass(frozen=True, slots=True, kw_only=True)
class Containers:
    """So many containers of one size [L at 68 degF], and what each takes hot [L]."""

    size_l: float
    count: int
    hot_fill_l: float | None
    """Null while neither density nor temperature is known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LotRecord:
    """One lot."""

    code: str
    run: str
    packed: date
    started: datetime | None
    ended: datetime | None
    outlet: Packing
    filler: Packing
    density: MeasuredDensity
    containers: tuple[Containers, ...]
    initials: str
    note: str
    invented: bool

    @property
    def volume_l(self) -> float:
        """Declared volume of all containers [L]."""
        return sum(kind.size_l * kind.count for kind in self.containers)


def lot_record(
    *,
    run: str,
    press: str,
    rows: Iterable[TraceRow],
    events: Iterable[Event],
    thresholds: Thresholds,
    scheme: str,
    packed: date,
    today: date,
    number: int,
    code: str | None = None,
    filled: Mapping[float, int] | None = None,
    density: MeasuredDensity = MeasuredDensity(),
    initials: str = "",
    note: str = "",
    invented: bool = False,
) -> LotRecord:
    """Return the record of a lot from the rows and events of its run.

    Args:
        run: the run's name.
        press: the press's name.
        rows: seconds of the run.
        events: events of the run; filled containers are counted from their marks, unless told.
        thresholds: limits in force in the run.
        scheme: the owner's scheme of lot codes.
        packed: the day it was packed.
        today: the day now; a lot packed later is refused.
        number: which lot of that day.
        code: the lot's code where a person chose it, in place of the scheme's.
        filled: size [L] to count of what was filled; null counts the marks.
        density: what was measured.
        initials: who packed it, up to four letters.
        note: words to keep.
        invented: True for a run of the demo.

    Raises:
        EntryRefused: something entered cannot be.
    """
    if packed > today:
        raise EntryRefused(f"a lot packed on {packed} lies in the future: today is {today}")
    bottled = [(row, step_s) for row, step_s in _stepped(rows) if row.phase is Phase.BOTTLING]
    outlet = packing([(row.outlet_c, step_s) for row, step_s in bottled], thresholds=thresholds)
    filler = packing([(row.filler_c, step_s) for row, step_s in bottled], thresholds=thresholds)
    fill_c = outlet.mean_c if filler.mean_c is None else filler.mean_c
    times = [row.time for row, _ in bottled if row.time is not None]
    return LotRecord(
        code=code or lot_code(scheme, packed=packed, press=press, number=number),
        run=run,
        packed=packed,
        started=min(times, default=None),
        ended=max(times, default=None),
        outlet=outlet,
        filler=filler,
        density=density,
        containers=_containers(
            _tapped(events) if filled is None else filled, sugar=density.sugar, fill_c=fill_c
        ),
        initials=checked_initials(initials),
        note=plain_text(note, name="note"),
        invented=invented,
    )


def checked_initials(initials: str) -> str:
    """Return ``initials`` in capitals; refuse what is no one to four letters, or nothing."""
    if initials and not _INITIALS.fullmatch(initials):
        raise EntryRefused("initials are one to four letters")
    return initials.upper()


def packing(seen: Iterable[tuple[float | None, float]], *, thresholds: Thresholds) -> Packing:
    """Return what pairs of (temperature [degC] or null, time it stands for [s]) amount to."""
    pairs = list(seen)
    warm = [(celsius, step_s) for celsius, step_s in pairs if celsius is not None]
    unseen_s = sum(step_s for celsius, step_s in pairs if celsius is None)
    seen_s = sum(step_s for _, step_s in warm)
    if not warm or seen_s <= 0.0:
        return Packing(unseen_s=unseen_s)
    values = [celsius for celsius, _ in warm]
    return Packing(
        least_c=min(values),
        mean_c=sum(celsius * step_s for celsius, step_s in warm) / seen_s,
        most_c=max(values),
        seen_s=seen_s,
        unseen_s=unseen_s,
        cold_s=sum(step_s for celsius, step_s in warm if celsius < thresholds.ready_c),
        hot_s=sum(step_s for celsius, step_s in warm if celsius >= thresholds.precipitation_c),
    )


def _stepped(rows: Iterable[TraceRow]) -> Iterable[tuple[TraceRow, float]]:
    before: TraceRow | None = None
    for row in rows:
        step_s = 1.0 if before is None or before.boot != row.boot else row.mono_s - before.mono_s
        yield row, min(max(step_s, 0.0), LONGEST_STEP_S)
        before = row


def _tapped(events: Iterable[Event]) -> Counter[float]:
    return Counter(
        event.volume_l
        for event in events
        if isinstance(event, Mark) and event.name is MarkKind.CONTAINER_FILLED and event.volume_l
    )


def _containers(
    filled: Mapping[float, int], *, sugar: float | None, fill_c: float | None
) -> tuple[Containers, ...]:
    known = sugar is not None and fill_c is not None
    return tuple(
        Containers(
            size_l=size_l,
            count=count,
            hot_fill_l=hot_fill_volume(size_l, sugar_fraction=sugar or 0.0, fill_c=fill_c or 0.0)
            if known
            else None,
        )
        for size_l, count in sorted(filled.items(), reverse=True)
    )
