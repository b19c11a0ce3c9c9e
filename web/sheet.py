"""The run sheet: one printable page that holds all that is known of a run. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from monitor.contract.entries import CakeArgs, ChargeArgs, CheckArgs, LotArgs
from monitor.contract.events import Event, Mark
from monitor.rules.thresholds import Thresholds
from monitor.run.cake import CakeReading, SetEnd, what_it_says
from monitor.run.entering import cake_reading
from monitor.run.row import TraceRow
from monitor.trace.descriptor import seconds_gone
from monitor.trace.reader import RunRecord
from web import trace_picture
from web.cake_words import cake_lines
from web.columns import Span, narrow
from web.entries import charge_lines
from web.figures import Figures
from web.language import slug
from web.plan_view import size
from web.retold import retold
from web.runs import limit_lines, limits_of
from web.sheet_figures import SheetFigures, sheet_figures

CHART_HEIGHT = 120
"""Of each trace [px]: three fit beside one another on paper."""
MOST_FLAGS, MOST_ALARMS, MOST_SIZES, MOST_NOTES, MOST_LOTS = 10, 8, 6, 4, 2
"""Lines of each list that fit the page; what is left out is counted, and is in the package."""
LONGEST_NOTE = 90
"""Characters of a note on the sheet."""

ROOMY_LINES = 74
"""A sheet with more lines than this is set in smaller letters."""
HALF = 19
"""Letters that fit half of a column."""
Lines = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmLine:
    """An alarm of the run in words."""

    name: str
    when: str
    who: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetView:
    """Everything on the sheet."""

    run: str
    press: str
    started: str
    invented: bool
    facts: Lines
    heat: Lines
    charge: Lines
    cakes: Lines
    sayings: tuple[str, ...]
    charts: tuple[tuple[str, str], ...]
    flags: tuple[tuple[str, str, str], ...]
    """Name, first moment, and for how long in all."""
    more_flags: int
    alarms: tuple[AlarmLine, ...]
    more_alarms: int
    containers: Lines
    more_containers: int
    lots: tuple[Lines, ...]
    more_lots: int
    notes: tuple[str, ...]
    more_notes: int
    checks: tuple[str, ...]
    limits: Lines
    ready: str

    @property
    def crowded(self) -> bool:
        """There is so much on it that it fits the page in small letters only."""
        told = (self.facts, self.heat, self.charge, self.cakes, self.containers, self.limits, *self.lots)
        pairs = [pair for lines in told for pair in lines]
        pairs += [(name, total) for name, _, total in self.flags]
        pairs += [(alarm.name, alarm.who) for alarm in self.alarms]
        halves = sum(max(_rows(name, HALF), _rows(value, HALF)) for name, value in pairs)
        wholes = sum(_rows(text, 2 * HALF) for text in (*self.sayings, *self.notes, *self.checks))
        return halves + wholes > ROOMY_LINES


def sheet_view(
    record: RunRecord,
    rows: Sequence[TraceRow],
    events: Sequence[Event],
    *,
    thresholds: Thresholds,
    checks: Sequence[Mark] = (),
    invented: bool = False,
    damaged: int = 0,
    figures: Figures,
) -> SheetView:
    """Return the sheet of a run.

    Args:
        record: the run.
        rows: its seconds.
        events: its events.
        thresholds: limits in force in it.
        checks: probe checks that count, newest last.
        invented: True where everything of this board is made up.
        damaged: seconds and events that could not be read.
        figures: the viewer's.
    """
    counted = sheet_figures(rows, events, thresholds=thresholds)
    words = figures.words
    cake = None
    if counted.cake is not None and isinstance(counted.cake.given, CakeArgs):
        cake = cake_reading(counted.cake.given, note=counted.cake.text)
    end = SetEnd(end_kpa=counted.most_kpa, cutoff_kpa=thresholds.cutoff_kpa)
    return SheetView(
        run=record.run,
        press=record.press,
        started=words("runs.started_unknown") if record.started is None else figures.date(record.started),
        invented=record.invented or invented,
        facts=_facts(record, counted, figures, damaged=damaged),
        heat=_heat(counted, figures),
        charge=_charge(counted.charge, figures),
        cakes=() if cake is None else _short(cake_lines(cake, figures=figures)),
        sayings=_sayings(cake, end, figures),
        charts=_charts(record, rows, events, figures),
        flags=tuple(
            (
                words(f"flag.{slug(time.flag)}"),
                figures.clock(time.first_s),
                figures.duration(time.total_s) + (f" ({time.times})" if time.times > 1 else ""),
            )
            for time in counted.flags[:MOST_FLAGS]
        ),
        more_flags=max(0, len(counted.flags) - MOST_FLAGS),
        alarms=tuple(_alarms(counted, figures)),
        more_alarms=max(0, len(counted.alarms) - MOST_ALARMS),
        containers=tuple(
            (size(size_l, figures), str(count)) for size_l, count in counted.containers[:MOST_SIZES]
        ),
        more_containers=max(0, len(counted.containers) - MOST_SIZES),
        lots=tuple(_lot(mark, figures) for mark in counted.lots[:MOST_LOTS]),
        more_lots=max(0, len(counted.lots) - MOST_LOTS),
        notes=tuple(_note(mark) for mark in counted.notes[:MOST_NOTES]),
        more_notes=max(0, len(counted.notes) - MOST_NOTES),
        checks=tuple(_checks(checks, figures)),
        limits=tuple(limit_lines(record.thresholds, figures=figures)),
        ready=figures.limit(thresholds.ready_c),
    )


def _facts(record: RunRecord, counted: SheetFigures, figures: Figures, *, damaged: int) -> Lines:
    words = figures.words
    unknown = words("point.unknown")

    def who(by: str | None) -> str:
        return words("sheet.open") if by is None else words("runs.pressure") if by == "pressure" else by

    volume_l = counted.volume_l if record.volume_l is None else record.volume_l
    gone = seconds_gone(record, stored=counted.seconds > 0)
    over = unknown if gone else words("sheet.none")
    if counted.over_s > 0.0:
        over = words(
            "sheet.over_for",
            time=figures.duration(counted.over_s),
            volume=figures.volume(counted.over_l),
        )
    return (
        (words("sheet.run"), record.run),
        (words("sheet.ended"), unknown if record.ended is None else figures.date(record.ended)),
        (
            words("runs.elapsed"),
            unknown if record.elapsed_s is None else figures.duration(record.elapsed_s),
        ),
        (words("runs.opened_by"), who(record.opened_by)),
        (words("runs.closed_by"), who(record.closed_by)),
        (words("runs.volume"), unknown if volume_l is None else figures.volume(volume_l)),
        (words("sheet.over"), over),
        (words("health.clock"), words(f"health.clock_{slug(record.clock)}")),
        (words("runs.software"), record.software),
        *(((words("run.seconds"), words("run.seconds_gone")),) if gone else ()),
        *(((words("run.damaged"), words("run.left_out", count=damaged)),) if damaged else ()),
    )


def _heat(counted: SheetFigures, figures: Figures) -> Lines:
    words, outlet = figures.words, counted.outlet
    unknown = words("point.unknown")
    first = unknown if counted.first_ready_s is None else figures.clock(counted.first_ready_s)
    heat = unknown
    if outlet.least_c is not None and outlet.mean_c is not None and outlet.most_c is not None:
        heat = words(
            "lot.heat",
            least=figures.temperature(outlet.least_c),
            mean=figures.temperature(outlet.mean_c),
            most=figures.temperature(outlet.most_c),
        )
    lines = [
        (words("sheet.first_ready"), first),
        (words("sheet.bottling"), figures.duration(counted.bottling_s)),
        (words("sheet.outlet"), heat),
    ]
    lines.append((words("sheet.outside"), figures.duration(outlet.outside_s)))
    if outlet.unseen_s > 0.0:
        lines.append((words("sheet.unseen"), figures.duration(outlet.unseen_s)))
    hottest = unknown if counted.most_c is None else figures.temperature(counted.most_c)
    highest = unknown if counted.most_kpa is None else figures.pressure(counted.most_kpa)
    peak = unknown if counted.peak_kpa is None else figures.pressure(counted.peak_kpa)
    return (
        *lines,
        (words("sheet.hottest"), hottest),
        (words("sheet.highest"), words("sheet.with_peak", value=highest, peak=peak)),
    )


def _charge(mark: Mark | None, figures: Figures) -> Lines:
    if mark is None or not isinstance(mark.given, ChargeArgs):
        return ()
    by = (figures.words("sheet.by"), mark.who)
    return (*charge_lines(mark.given, figures=figures), by)


def _sayings(cake: CakeReading | None, end: SetEnd, figures: Figures) -> tuple[str, ...]:
    if cake is None:
        return ()
    return tuple(retold(saying.reason, figures.words) for saying in what_it_says(cake, end=end)[:2])


def _charts(
    record: RunRecord, rows: Sequence[TraceRow], events: Iterable[Event], figures: Figures
) -> tuple[tuple[str, str], ...]:
    length_s = max((row.elapsed_s or 0.0 for row in rows), default=0.0)
    narrowed = narrow(rows, span=Span(), length_s=record.elapsed_s or length_s)
    if narrowed.empty:
        return ()
    marks_s = [e.elapsed_s for e in events if isinstance(e, Mark) and e.elapsed_s is not None]
    return tuple(
        (
            f"{chart.title}, {figures.unit(chart.dimension)}",
            trace_picture.draw(
                replace(chart, height=CHART_HEIGHT), narrowed, marks_s=marks_s, figures=figures
            ),
        )
        for chart in trace_picture.charts(limits_of(record.thresholds), figures=figures)
    )


def _alarms(counted: SheetFigures, figures: Figures) -> Iterable[AlarmLine]:
    words = figures.words
    for time in counted.alarms[:MOST_ALARMS]:
        who = words("sheet.nobody")
        if time.who is not None:
            at = "" if time.acknowledged_s is None else figures.clock(time.acknowledged_s)
            who = words("sheet.acknowledged", who=time.who, at=at)
        yield AlarmLine(
            name=words(f"flag.{slug(time.alarm)}"),
            when="" if time.raised_s is None else figures.clock(time.raised_s),
            who=who,
        )


def _lot(mark: Mark, figures: Figures) -> Lines:
    given, words = mark.given, figures.words
    if not isinstance(given, LotArgs):
        return ()
    lines = [(words("lot.code"), given.code or ""), (words("lot.packed"), str(given.packed or ""))]
    if given.sugar is not None:
        method = words(f"lot.method_{slug(given.method)}")
        lines.append((words("lot.density"), f"{figures.brix(given.sugar)}, {method}"))
    return (*lines, (words("lot.initials"), given.initials or mark.who))


def _note(mark: Mark) -> str:
    return f"{_cut(mark.text)} ({mark.who})"


def _rows(text: str, letters: int) -> int:
    """Return how many lines ``text`` takes where so many letters fit one."""
    return -(-len(text) // letters)


def _short(lines: Lines) -> Lines:
    return tuple((name, _cut(value)) for name, value in lines)


def _cut(text: str) -> str:
    return text if len(text) <= LONGEST_NOTE else f"{text[: LONGEST_NOTE - 1]}…"


def _checks(checks: Sequence[Mark], figures: Figures) -> Iterable[str]:
    """Give the newest check of each probe."""
    newest = {mark.given.point: mark for mark in checks if isinstance(mark.given, CheckArgs)}
    for point, mark in newest.items():
        day = figures.words("point.unknown") if mark.time is None else figures.day(mark.time)
        yield f"{figures.words(f'point.{point}')}: {day}"
