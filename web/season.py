"""The season: every closed run's figures beside one another, and what changed since last year. Pure."""

from __future__ import annotations

import csv
import io
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from statistics import median

from monitor.contract.events import AlarmMove, Event, FlagChange
from monitor.contract.names import AlarmState, Flag
from monitor.contract.units import Dimension, convert
from monitor.rules.charging import PlanRules
from monitor.run.learning import learned
from monitor.trace.columns import number_cell, text_cell
from monitor.trace.season import SeasonRun
from web.figures import Figures, Units

CHATTER_TIMES, CHATTER_S = 3, 60.0
"""So many activations of one alarm within this time are one chatter (requirement)."""
MOST_DRAWN = 48
"""Runs that are drawn and learned from step by step, the newest; the file has them all."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Happened:
    """What the events of a run tell: time to ready [s], alarms raised, chatters; null is not known."""

    ready_s: float | None
    alarms: int
    chatters: int


@dataclass(frozen=True, slots=True, kw_only=True)
class RunFigures:
    """One run in the season; null is not known."""

    run: str
    day: date | None
    stored: bool
    """False for a run of a notebook, which has no page."""
    volume_l: float | None
    capacity_l: float | None
    """Syrup that would have filled the frames, by what the cakes took."""
    growth_per_m2: float | None
    """Resistance that a litre adds, at 100 kPa."""
    clean_per_m: float | None
    sand_kg_m3: float | None
    """Sugar sand as known after this run; null where it taught nothing."""
    dose_kg_m3: float | None
    fill: float | None
    ready_s: float | None
    alarms: int | None
    chatters: int | None


@dataclass(frozen=True, slots=True)
class Measure:
    """Something that runs are compared by: its key, and how it is read from a run's figures."""

    key: str
    of: Callable[[RunFigures], float | None]

    @property
    def counted(self) -> bool:
        """True for what is counted in whole numbers."""
        return self.key in ("alarms", "chatters")


MEASURES: tuple[Measure, ...] = (
    Measure("volume", lambda run: run.volume_l),
    Measure("capacity", lambda run: run.capacity_l),
    Measure("growth", lambda run: run.growth_per_m2),
    Measure("sand", lambda run: run.sand_kg_m3),
    Measure("ready", lambda run: run.ready_s),
    Measure("alarms", lambda run: None if run.alarms is None else float(run.alarms)),
    Measure("chatters", lambda run: None if run.chatters is None else float(run.chatters)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """A measure's median last year and this year, in words; empty where a year has none."""

    name: str
    before: str
    now: str
    change: str


def happened(events: Iterable[Event]) -> Happened:
    """Return what ``events`` of a run tell."""
    ready_s = None
    raised: dict[str, list[float]] = defaultdict(list)
    for event in events:
        if isinstance(event, FlagChange) and event.name is Flag.READY_TO_BOTTLE and event.state == "raised":
            ready_s = event.elapsed_s if ready_s is None else ready_s
        elif isinstance(event, AlarmMove) and _raised(event):
            raised[event.name].append(event.mono_ms / 1000.0)
    return Happened(
        ready_s=ready_s,
        alarms=sum(map(len, raised.values())),
        chatters=sum(_chatters(times_s) for times_s in raised.values()),
    )


def _raised(move: AlarmMove) -> bool:
    return move.state is AlarmState.UNACKNOWLEDGED and move.before is AlarmState.NORMAL


def _chatters(times_s: Sequence[float]) -> int:
    """Return how many times an alarm chattered; an activation counts in one chatter only."""
    count, first = 0, 0
    for index in range(len(times_s)):
        while times_s[index] - times_s[first] > CHATTER_S:
            first += 1
        if index - first + 1 >= CHATTER_TIMES:
            count, first = count + 1, index + 1
            if first >= len(times_s):
                break
    return count


def run_figures(
    runs: Sequence[SeasonRun], *, events: Callable[[str], Happened], owner: PlanRules | None
) -> list[RunFigures]:
    """Return the figures of ``runs``, oldest first.

    Args:
        runs: closed runs and those of notebooks, oldest first.
        events: what the events of a stored run tell.
        owner: what the owner says of sand and cake, to learn from; null where nothing is to be learned.
    """
    entries = [run.entry for run in runs]
    first = len(runs) - MOST_DRAWN
    found = []
    for place, run in enumerate(runs):
        sand = None
        if owner is not None and place >= first:
            before, after = learned(entries[:place], owner=owner), learned(entries[: place + 1], owner=owner)
            sand = after.law.sand_kg_m3 if after.runs > before.runs else None
        told = None if run.record is None else events(run.record.run)
        found.append(_figures(run, told, sand))
    return found


def _figures(run: SeasonRun, told: Happened | None, sand_kg_m3: float | None) -> RunFigures:
    entry = run.entry
    fill = None if entry.cake is None else entry.cake.full_share
    return RunFigures(
        run=entry.run,
        day=run.day,
        stored=run.record is not None,
        volume_l=entry.volume_l,
        capacity_l=entry.volume_l / fill if entry.volume_l and fill else None,
        growth_per_m2=entry.growth_per_m2,
        clean_per_m=entry.clean_per_m,
        sand_kg_m3=sand_kg_m3,
        dose_kg_m3=entry.dose_kg_m3,
        fill=fill,
        ready_s=None if told is None else told.ready_s,
        alarms=None if told is None else told.alarms,
        chatters=None if told is None else told.chatters,
    )


def years(runs: Iterable[RunFigures]) -> list[int]:
    """Return the years that have a run, oldest first."""
    return sorted({run.day.year for run in runs if run.day is not None})


def changes(runs: Sequence[RunFigures], *, figures: Figures) -> list[Change]:
    """Return what changed from the last year but one to the last; empty while there is one year."""
    known = years(runs)
    if len(known) < 2:
        return []
    before, now = (
        [run for run in runs if run.day is not None and run.day.year == year] for year in known[-2:]
    )
    found = []
    for measure in MEASURES:
        old, new = _median(before, measure), _median(now, measure)
        if old is None and new is None:
            continue
        found.append(
            Change(
                name=figures.words(f"season.{measure.key}"),
                before="" if old is None else written(measure, old, figures=figures),
                now="" if new is None else written(measure, new, figures=figures),
                change=_change(old, new, figures),
            )
        )
    return found


def _median(runs: Iterable[RunFigures], measure: Measure) -> float | None:
    """Return the median of a measure; of what is counted, the mean, since most runs have none."""
    values = [value for value in map(measure.of, runs) if value is not None]
    if not values:
        return None
    return sum(values) / len(values) if measure.counted else median(values)


def _change(old: float | None, new: float | None, figures: Figures) -> str:
    if old is None or new is None or old <= 0.0:
        return ""
    share = new / old - 1.0
    if abs(share) < 0.005:
        return figures.words("season.same")
    return figures.words("season.up" if share > 0 else "season.down", share=figures.share(abs(share)))


def written(measure: Measure, value: float, *, figures: Figures) -> str:
    """Return a value of ``measure`` with its unit."""
    if measure.key in ("volume", "capacity"):
        return figures.volume(value)
    if measure.key == "ready":
        return figures.duration(value)
    if measure.key == "growth":
        return figures.words("season.growth_worth", value=figures.number(value / 1e12, digits=2))
    if measure.key == "sand":
        return figures.words("season.sand_worth", value=figures.number(value, digits=1))
    return figures.number(value, digits=0 if value == round(value) else 1)


def table(runs: Iterable[RunFigures], *, units: Units) -> bytes:
    """Return the season as CSV (RFC 4180, UTF-8): a line a run, units in the names, unknown empty."""
    volume = "gal" if units is Units.US else "L"
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(
        [
            *("run", "date", f"volume_{volume}", f"capacity_{volume}", "growth_1_per_m2", "clean_1_per_m"),
            *("sand_g_per_L", "filter_aid_g_per_L", "cake_fill", "ready_s", "alarms", "chatters"),
        ]
    )
    for run in runs:
        volumes = (
            None if value is None else convert(value, dimension=Dimension.VOLUME, into=volume)
            for value in (run.volume_l, run.capacity_l)
        )
        numbers = (
            *(*volumes, run.growth_per_m2, run.clean_per_m, run.sand_kg_m3, run.dose_kg_m3, run.fill),
            run.ready_s,
        )
        counts = ("" if count is None else str(count) for count in (run.alarms, run.chatters))
        writer.writerow(
            [
                text_cell(run.run),
                "" if run.day is None else run.day.isoformat(),
                *(number_cell(number) for number in numbers),
                *counts,
            ]
        )
    return text.getvalue().encode()


def drawn_in(measure: Measure, figures: Figures) -> tuple[Callable[[float], float], str]:
    """Return how a value is turned into the number that is drawn, and the unit that it is drawn in."""
    if measure.key in ("volume", "capacity"):
        return (lambda value: figures.worth(value, Dimension.VOLUME)), figures.unit(Dimension.VOLUME)
    if measure.key == "ready":
        return (lambda value: value / 60.0), "min"
    if measure.key == "growth":
        return (lambda value: value / 1e12), figures.words("season.growth_unit")
    if measure.key == "sand":
        return (lambda value: value), "g/L"
    return (lambda value: value), ""
