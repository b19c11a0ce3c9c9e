"""The stored runs: the list, one run with its traces and events, and the package to take away."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import PurePosixPath

from monitor.contract.events import AlarmMove, Event, FlagChange, Mark, PhaseMove
from monitor.contract.units import Dimension
from monitor.trace.descriptor import seconds_gone
from monitor.trace.reader import RunRecord, TraceReader
from web import flag_picture, trace_picture
from web.columns import Narrowed, Span, narrow
from web.figures import Figures, Units
from web.language import slug

Package = Callable[[str, Units], bytes]
"""Run and units to the zip of its trace package."""
ZOOMS_MIN = (5, 20, 60)
"""Stretches at the end of a run that are one tap away [min]."""
EVENT_LIMIT = 400
"""Events listed on a page, the newest; all are in the package."""
LIMITS: tuple[tuple[str, Dimension], ...] = (
    ("ready_c", Dimension.TEMPERATURE),
    ("ceiling_c", Dimension.TEMPERATURE),
    ("precipitation_c", Dimension.TEMPERATURE),
    ("start_kpa", Dimension.PRESSURE),
    ("near_clog_kpa", Dimension.PRESSURE),
    ("cutoff_kpa", Dimension.PRESSURE),
    ("paper_limit_kpa", Dimension.PRESSURE),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class RunView:
    """One run in a list or at the head of its page."""

    run: str
    press: str
    started: str
    facts: tuple[tuple[str, str], ...]
    open: bool
    invented: bool


@dataclass(frozen=True, slots=True)
class EventView:
    """One event: its minute, what it was, whether it is a person's."""

    at: str
    what: str
    by_person: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceView:
    """The charts of a stretch of a run, and the ways to look at another."""

    charts: tuple[tuple[str, str], ...]
    flags: str | None
    empty: bool
    gone: bool
    """The run has outlived its seconds."""
    start_min: float
    end_min: float
    zooms: tuple[tuple[int, float], ...]
    """Minutes, and the minute such a stretch starts at."""


@dataclass(frozen=True, slots=True)
class RunBook:
    """The stored runs as pages show them; blocking, for a thread."""

    reader: TraceReader
    package: Package

    def runs(self, *, figures: Figures) -> list[RunView]:
        """Return the newest runs, newest first."""
        return [run_view(record, figures=figures) for record in self.reader.runs()]

    def run(self, run: str, *, figures: Figures) -> RunView:
        """Return one run; raise :class:`RunNotFound`."""
        return run_view(self.reader.run(run), figures=figures)

    def limits(self, run: str, *, figures: Figures) -> list[tuple[str, str]]:
        """Return the thresholds that were in force in ``run``."""
        return limit_lines(self.reader.run(run).thresholds, figures=figures)

    def traces(self, run: str, *, span: Span, figures: Figures, length_s: float | None = None) -> TraceView:
        """Return the charts of ``span`` of ``run``; ``length_s`` is known for an open run."""
        record = self.reader.run(run)
        if length_s is None:
            length_s = self._length_s(record)
        narrowed = narrow(self.reader.rows(run), span=span, length_s=length_s)
        marks_s = [
            e.elapsed_s for e in self.reader.events(run) if isinstance(e, Mark) and e.elapsed_s is not None
        ]
        return trace_view(
            narrowed,
            limits_of(record.thresholds),
            marks_s=marks_s,
            length_s=length_s,
            gone=narrowed.empty and self._gone(record),
            figures=figures,
        )

    def events(self, run: str, *, figures: Figures) -> list[EventView]:
        """Return what happened in ``run``, newest first."""
        newest = self.reader.events(run)[-EVENT_LIMIT:]
        return [event_view(event, figures=figures) for event in reversed(newest)]

    def _gone(self, record: RunRecord) -> bool:
        return seconds_gone(record, stored=next(self.reader.rows(record.run), None) is not None)

    def _length_s(self, record: RunRecord) -> float:
        if record.elapsed_s is not None:
            return record.elapsed_s
        last_s = 0.0
        for row in self.reader.rows(record.run):
            last_s = max(last_s, row.elapsed_s or 0.0)
        return last_s

    def count(self) -> int:
        """Return how many of the newest runs can be read; raise :class:`StoreError`."""
        return len(self.reader.runs())


def limits_of(thresholds: Mapping[str, object]) -> dict[str, float]:
    """Return the thresholds that are numbers, as stored, base units in their names."""
    return {key: float(value) for key, value in thresholds.items() if isinstance(value, int | float)}


def run_view(record: RunRecord, *, figures: Figures) -> RunView:
    """Return ``record`` in words."""
    words = figures.words
    facts: list[tuple[str, str]] = []
    if record.elapsed_s is not None:
        facts.append((words("runs.elapsed"), figures.duration(record.elapsed_s)))
    if record.volume_l is not None:
        facts.append((words("runs.volume"), figures.volume(record.volume_l)))
    facts.append((words("runs.opened_by"), _who(record.opened_by, figures)))
    if record.closed_by:
        facts.append((words("runs.closed_by"), _who(record.closed_by, figures)))
    started = words("runs.started_unknown") if record.started is None else figures.date(record.started)
    return RunView(
        run=record.run,
        press=record.press,
        started=started,
        facts=tuple(facts),
        open=record.closed_by is None,
        invented=record.invented,
    )


def _who(by: str, figures: Figures) -> str:
    return figures.words("runs.pressure") if by == "pressure" else by


def limit_lines(thresholds: Mapping[str, object], *, figures: Figures) -> list[tuple[str, str]]:
    """Return the thresholds of a run, name and value."""
    known = limits_of(thresholds)
    write = {Dimension.TEMPERATURE: figures.limit, Dimension.PRESSURE: figures.pressure}
    return [
        (figures.words(f"thresholds.{key}"), write[dimension](known[key]))
        for key, dimension in LIMITS
        if key in known
    ]


def trace_view(
    narrowed: Narrowed,
    limits: Mapping[str, float],
    *,
    marks_s: list[float],
    length_s: float,
    gone: bool = False,
    figures: Figures,
) -> TraceView:
    """Return the charts of ``narrowed``."""
    drawn = tuple(
        (
            f"{chart.title}, {figures.unit(chart.dimension)}",
            trace_picture.draw(chart, narrowed, marks_s=marks_s, figures=figures),
        )
        for chart in trace_picture.charts(limits, figures=figures)
    )
    zooms = tuple(
        (minutes, round(length_s / 60.0 - minutes, 2)) for minutes in ZOOMS_MIN if minutes * 60.0 < length_s
    )
    return TraceView(
        charts=drawn,
        flags=flag_picture.draw(narrowed, figures=figures),
        empty=narrowed.empty,
        gone=gone,
        start_min=round(narrowed.start_s / 60.0, 2),
        end_min=round(narrowed.end_s / 60.0, 2),
        zooms=zooms,
    )


def event_view(event: Event, *, figures: Figures) -> EventView:
    """Return ``event`` in words."""
    words = figures.words
    at = "" if event.elapsed_s is None else figures.duration(max(0.0, event.elapsed_s))
    if isinstance(event, FlagChange):
        return EventView(at, words(f"event.{event.state}", name=words(f"flag.{slug(event.name)}")), False)
    if isinstance(event, AlarmMove):
        name, state = words(f"flag.{slug(event.name)}"), words(f"alarm_state.{slug(event.state)}")
        what = words("event.alarm", name=name, state=state)
        return EventView(at, _signed(what, event.who, figures), event.who is not None)
    if isinstance(event, PhaseMove):
        return EventView(at, words("event.phase", state=words(f"phase.{slug(event.state)}")), False)
    return EventView(at, _signed(_mark(event, figures), event.who, figures), True)


def _mark(mark: Mark, figures: Figures) -> str:
    what = figures.words(f"event.{slug(mark.name)}")
    if mark.volume_l is not None:
        what += f", {figures.volume(mark.volume_l)}"
    if mark.fill is not None:
        what += f", {figures.share(mark.fill)}"
    return f"{what}: {mark.text}" if mark.text else what


def _signed(what: str, who: str | None, figures: Figures) -> str:
    return f"{what}, {figures.words('event.by', who=who)}" if who else what


def file_name(run: str, units: Units) -> str:
    """Return the name of the package of ``run`` for a download, safe in a header."""
    safe = "".join(c if c.isascii() and (c.isalnum() or c in "-_.") else "-" for c in PurePosixPath(run).name)
    return f"{safe[:64] or 'run'}-{units}.zip"
