"""What is kept of a run for the next plan: the charge, what the trace showed, what the cakes said.

Entries are only ever added. A correction or a withdrawal is an entry of its own; what counts is
worked out from all of them (:func:`in_force`), so a wrong entry that is corrected leaves
nothing behind.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from monitor.contract.names import Limit
from monitor.contract.readings import Point
from monitor.rules import cake as cakes
from monitor.rules.forecast import advance, begin, volume
from monitor.rules.second import Second
from monitor.rules.signatures import clean_resistance_per_m
from monitor.rules.thresholds import RunRules
from monitor.run.cake import CakeReading
from monitor.run.cake_law import REFERENCE_PA
from monitor.run.row import TraceRow


@dataclass(frozen=True, slots=True, kw_only=True)
class RunEntry:
    """One run of one set of papers; null is not known.

    Attributes:
        run: the run's name, or the date of an earlier note.
        dose_kg_m3: filter aid per volume of syrup [kg/m3].
        volume_l: syrup that passed [L].
        room_l: room of all window frames [L].
        growth_per_m2: alpha c brought to 100 kPa [1/m2], from the trace.
        clean_per_m: resistance of papers and fittings [1/m], from the trace.
        hot_flow_l_min: flow when the outlet was first hot [L/min], from the trace.
        limit: what ended the set; unknown where the batch ended first.
        cake: what the opened cakes showed.
    """

    run: str
    dose_kg_m3: float | None = None
    volume_l: float | None = None
    room_l: float
    growth_per_m2: float | None = None
    clean_per_m: float | None = None
    hot_flow_l_min: float | None = None
    limit: Limit = Limit.UNKNOWN
    cake: CakeReading | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class CakeEntry:
    """Somebody's word on the cakes of ``run``; a null reading takes the last one back."""

    run: str
    reading: CakeReading | None
    who: str = ""


def in_force(entries: Iterable[CakeEntry]) -> dict[str, CakeReading]:
    """Return the reading that counts for each run: the last one that was not taken back."""
    stacks: dict[str, list[CakeReading]] = {}
    for entry in entries:
        stack = stacks.setdefault(entry.run, [])
        if entry.reading is not None:
            stack.append(entry.reading)
        elif stack:
            stack.pop()
    return {run: stack[-1] for run, stack in stacks.items() if stack}


def with_cakes(runs: Sequence[RunEntry], entries: Iterable[CakeEntry]) -> tuple[RunEntry, ...]:
    """Return ``runs`` with the cake readings that count now."""
    counting = in_force(entries)
    return tuple(replace(entry, cake=counting.get(entry.run, entry.cake)) for entry in runs)


def shown_by(rows: Iterable[TraceRow], *, run: str, rules: RunRules) -> RunEntry:
    """Return what the seconds of a run show by themselves: volume, growth, clean papers, pace."""
    state, kept_l = begin(rules), None
    metered = Point.FLOW in rules.points
    for row in rows:
        kept_l = row.volume_l if row.volume_l is not None else kept_l
        if row.elapsed_s is not None:
            state = advance(state, _second(row, row.elapsed_s, metered=metered), rules=rules)
    cutoff_pa = 1000.0 * rules.thresholds.cutoff_kpa
    growth = cakes.growth_per_m2(state.cake, rules=rules)
    if growth is not None:
        growth *= (REFERENCE_PA / cutoff_pa) ** cakes.COMPRESSIBILITY
    return RunEntry(
        run=run,
        volume_l=kept_l if kept_l is not None else volume(state).filtered_l,
        room_l=rules.press.frame_volume_l,
        growth_per_m2=growth if growth is not None and growth > 0.0 else None,
        clean_per_m=clean_resistance_per_m(state),
        hot_flow_l_min=state.cake.first_hot_l_min,
    )


def _second(row: TraceRow, elapsed_s: float, *, metered: bool) -> Second:
    return Second(
        elapsed_s=elapsed_s,
        outlet_c=row.outlet_c,
        outlet_corrected_c=row.outlet_c,
        line_kpa=row.line_kpa,
        line_high_kpa=row.line_high_kpa,
        line_low_kpa=None,
        strokes=row.strokes,
        flow_l_min=row.flow_l_min if metered else None,
        containers_l=0.0,
        ready=False,
    )
