"""The season, lots and entries as lines or JSON for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Literal

from monitor.contract.events import Mark
from monitor.contract.readings import Point
from monitor.contract.units import Dimension, convert
from monitor.run.probe_check import settings_lines
from monitor.trace.columns import time_text
from monitor.trace.lots import LotLine
from monitor.trace.season import ProbeCheck, SeasonRun


def season_lines(runs: Iterable[SeasonRun], *, units: Literal["us", "metric"]) -> Iterator[str]:
    """Give one line a run: day, name, volume, filter aid, cake, growth of the resistance."""
    unit = "gal" if units == "us" else "L"
    for run in runs:
        entry = run.entry
        volume = "-"
        if entry.volume_l is not None:
            volume = f"{convert(entry.volume_l, dimension=Dimension.VOLUME, into=unit):.1f} {unit}"
        dose = "-" if entry.dose_kg_m3 is None else f"{entry.dose_kg_m3:.1f} g/L"
        share = None if entry.cake is None else entry.cake.full_share
        fill = "-" if share is None else f"{100.0 * share:.0f} %"
        growth = "-" if entry.growth_per_m2 is None else f"{entry.growth_per_m2:.2e} 1/m2"
        day = "          " if run.day is None else run.day.isoformat()
        yield f"{day}  {entry.run:<28}{volume:>10}{dose:>11}{fill:>7}{growth:>16}"


def lot_line(lot: LotLine) -> str:
    """Return one lot as a line."""
    mark = "  invented" if lot.invented else ""
    return f"{lot.code:<20}{lot.packed}  {lot.run}  {lot.initials}{mark}".rstrip()


def lot_facts(lot: LotLine) -> dict[str, Any]:
    """Return one lot for ``--json``."""
    return {
        "code": lot.code,
        "packed": lot.packed.isoformat(),
        "run": lot.run,
        "initials": lot.initials,
        "note": lot.note,
        "entry": lot.entry,
        "invented": lot.invented,
    }


def entry_line(mark: Mark, *, counts: bool) -> str:
    """Return one entry as a line: its id, what it is, who made it, whether it counts."""
    stands = "" if counts else "  (counts no more)"
    return (
        f"{mark.entry}  {time_text(mark.time):<24}  {mark.name:<11}{mark.who:<12}{mark.text}{stands}".rstrip()
    )


def check_lines(check: ProbeCheck) -> Iterator[str]:
    """Give what a probe check found and the lines to paste into the settings file."""
    found = check.found
    yield f"{check.args.point}: checked {time_text(check.time) or 'on a day that is not known'}"
    if found.tolerance_c is None:
        yield "the error left is not known: ice, boiling water and the station pressure tell it together"
    yield "into the settings file:"
    yield from (f"  {line}" for line in settings_lines(found, point=Point(check.args.point)))
