"""The season read back: entries that count, runs with what they taught, lots, probe checks.

What the seconds of a closed run show never changes, so it is worked out once: the monitor keeps it
beside the run, and any other reader remembers it while it lives. The entries are few and are
read anew each time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time

from monitor.contract.entries import CakeArgs, ChargeArgs, CheckArgs, EarlierRun, ProbeFound
from monitor.contract.errors import EntryRefused
from monitor.contract.events import Mark
from monitor.contract.readings import Point
from monitor.rules.charging import PlanRules
from monitor.rules.thresholds import RunRules
from monitor.run.cake import CakeReading
from monitor.run.entering import cake_reading
from monitor.run.lot import LotRecord
from monitor.run.press_record import RunEntry, shown_by
from monitor.run.records import Records, standing
from monitor.run.teaching import Lesson, dose_of, lesson_of
from monitor.trace.database import file_of, parse_url
from monitor.trace.lots import LotLine, lot_line, lots_of
from monitor.trace.reader import RunRecord, Shown, TraceReader
from monitor.trace.run_rules import kept_run, run_rules

MOST_RUNS = 5_000
"""More than a lifetime of seasons."""
LONG_AGO = datetime(1, 1, 1, tzinfo=UTC)
"""Where a run stands that no clock dated, if none before it was dated either."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeasonRun:
    """A run as the season tells it: with its charge and cakes, as they count now."""

    entry: RunEntry
    record: RunRecord | None = None
    """Null for a run of a notebook."""
    day: date | None = None
    """When it was; null while its board's clock had never been set."""
    charge: ChargeArgs | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeCheck:
    """A probe check that counts: when it was entered, by whom, what was read and what was found."""

    entry: str
    time: datetime | None
    who: str
    args: CheckArgs
    found: ProbeFound
    note: str


class Season:
    """Reads the runs and entries of one press from a store; for one thread at a time.

    ``rules`` and ``owner`` are the settings'; what a run was judged by is read from its own facts.
    ``invented`` chooses the demo's runs (True) or real ones (False); null takes both.
    ``every_press`` reads those of every press in the store, to be looked at: they teach no one press.
    """

    def __init__(
        self,
        reader: TraceReader,
        *,
        rules: RunRules,
        owner: PlanRules,
        invented: bool | None = None,
        every_press: bool = False,
    ) -> None:
        self._reader = reader if every_press else reader.of(rules.press.name)
        self._rules = rules
        self._owner = owner
        self._invented = invented
        self._shown: dict[str, Shown] = {}
        self._lots: dict[tuple[str, int], tuple[LotRecord, ...]] = {}

    def entries(self, run: str) -> tuple[Mark, ...]:
        """Return every entry about ``run`` in order, also those that count no more."""
        return tuple(mark for mark in self._reader.entries().values() if mark.run == run)

    def standing(self, run: str) -> tuple[Mark, ...]:
        """Return the entries about ``run`` that count."""
        return standing(self.entries(run))

    def cake(self, run: str) -> CakeReading | None:
        """Return the cake reading of ``run`` that counts, None if there is none."""
        return _cake(self.standing(run))

    def runs(
        self,
        *,
        going_on: Callable[[], bool] = lambda: True,
        worked_out: Callable[[RunEntry], None] | None = None,
    ) -> tuple[SeasonRun, ...]:
        """Return the closed runs and those of notebooks, oldest first.

        ``going_on`` is asked before each run that has to be worked out; once it is False, what is there
        is returned. ``worked_out`` is given what such a run showed.
        """
        counting = standing(self._reader.entries().values())
        totals, kept = self._reader.totals(), self._reader.shown()
        found: list[SeasonRun] = []
        for record in self._closed():
            shown = self._shown.get(record.run) or kept.get(record.run)
            if shown is None:
                if not going_on():
                    break
                shown = self._work_out(record, worked_out)
            self._shown[record.run] = shown
            own = [mark for mark in counting if mark.run == record.run]
            found.append(_season_run(self._entry(record, shown), record, own, total_l=totals.get(record.run)))
        return _in_order(_notebook(counting), found)

    def lesson(
        self,
        *,
        going_on: Callable[[], bool] = lambda: True,
        worked_out: Callable[[RunEntry], None] | None = None,
    ) -> Lesson:
        """Return what runs, cakes and probe checks teach for the next run."""
        runs = tuple(run.entry for run in self.runs(going_on=going_on, worked_out=worked_out))
        checks = {point: check.found for point, check in self.last_checks().items()}
        return lesson_of(runs, owner=self._owner, checks=checks)

    def lots(self, search: str = "") -> tuple[LotLine, ...]:
        """Return the lots that count, newest first, in which ``search`` is found."""
        records = {record.run: record for record in self._reader.runs(limit=MOST_RUNS)}
        lines = []
        for mark in reversed(standing(self._reader.entries().values())):
            record = records.get(mark.run or "")
            line = lot_line(mark, record=record) if record is not None and self._ours(record) else None
            if line is not None and line.holds(search):
                lines.append(line)
        return tuple(lines)

    def lot_records(self, run: str) -> tuple[LotRecord, ...]:
        """Return the lots packed from ``run``, with the temperatures while bottling."""
        record = self._reader.run(run)
        key = (run, len(self._reader.events(run)))
        if key not in self._lots:
            made = lots_of(self._reader, record)
            if record.closed_by is None:
                return made  # its seconds go on
            self._lots[key] = made
        return self._lots[key]

    def probe_checks(self) -> tuple[ProbeCheck, ...]:
        """Return the probe checks that count, newest first."""
        found = (_check(mark) for mark in reversed(standing(self._reader.entries().values())))
        return tuple(check for check in found if check is not None)

    def last_checks(self) -> dict[Point, ProbeCheck]:
        """Return the newest check of each point that was ever checked."""
        return {check.args.point: check for check in reversed(self.probe_checks())}

    def records(self, *, today: date | None, lot_scheme: str) -> Records:
        """Return what is kept, for new entries to be checked by."""
        return Records(
            runs={record.run: kept_run(record) for record in self._reader.runs(limit=MOST_RUNS)},
            entries=self._reader.entries(),
            today=today,
            cup_kg=self._owner.cup_kg,
            lot_scheme=lot_scheme,
        )

    def rules_of(self, run: str) -> RunRules:
        """Return the rules that ``run`` was judged by; raise :class:`RunNotFound` if there is none."""
        return self._rules_of(self._reader.run(run))

    def _closed(self) -> Iterator[RunRecord]:
        for record in reversed(self._reader.runs(limit=MOST_RUNS)):
            if record.closed_by is not None and self._ours(record):
                yield record

    def _ours(self, record: RunRecord) -> bool:
        return self._invented in (None, record.invented)

    def _rules_of(self, record: RunRecord) -> RunRules:
        return run_rules(record, otherwise=self._rules)

    def _work_out(self, record: RunRecord, worked_out: Callable[[RunEntry], None] | None) -> Shown:
        rules = self._rules_of(record)
        try:
            entry = shown_by(self._reader.rows(record.run), run=record.run, rules=rules)
        except (ValueError, ArithmeticError):
            # An imported run may tell of a press that cannot be; it teaches nothing and stops nothing.
            entry = RunEntry(run=record.run, room_l=rules.press.frame_volume_l)
        if worked_out is not None:
            worked_out(entry)
        return Shown(
            volume_l=entry.volume_l,
            growth_per_m2=entry.growth_per_m2,
            clean_per_m=entry.clean_per_m,
            hot_flow_l_min=entry.hot_flow_l_min,
        )

    def _entry(self, record: RunRecord, shown: Shown) -> RunEntry:
        return RunEntry(
            run=record.run,
            volume_l=shown.volume_l if (shown.volume_l or 0.0) > 0.0 else None,
            room_l=self._rules_of(record).press.frame_volume_l,
            growth_per_m2=shown.growth_per_m2,
            clean_per_m=shown.clean_per_m,
            hot_flow_l_min=shown.hot_flow_l_min,
        )


def earlier_runs(
    url: str, *, rules: RunRules, owner: PlanRules, notebook: bool = True
) -> tuple[RunEntry, ...]:
    """Return the runs kept in the store at ``url``, oldest first; none where no store was begun yet.

    ``notebook`` False leaves out those that were imported from a notebook.
    """
    path = file_of(parse_url(url))
    if path is not None and not path.exists():
        return ()
    season = Season(TraceReader(url), rules=rules, owner=owner)
    return tuple(run.entry for run in season.runs() if notebook or run.record is not None)


def _season_run(
    entry: RunEntry, record: RunRecord, counting: Sequence[Mark], *, total_l: float | None
) -> SeasonRun:
    """Return a run with its entries; a total that somebody measured goes before the one counted."""
    charges = [mark.given for mark in counting if isinstance(mark.given, ChargeArgs)]
    charge = charges[-1] if charges else None
    return SeasonRun(
        entry=replace(
            entry,
            volume_l=total_l or entry.volume_l,
            dose_kg_m3=None if charge is None else dose_of(charge),
            cake=_cake(counting),
        ),
        record=record,
        day=None if record.started is None else record.started.astimezone().date(),
        charge=charge,
    )


def _cake(counting: Iterable[Mark]) -> CakeReading | None:
    """Return the last reading among entries that count; one that no rule of today takes is left out."""
    reading = None
    for mark in counting:
        if isinstance(mark.given, CakeArgs):
            try:
                reading = cake_reading(mark.given, note=mark.text)
            except EntryRefused:
                continue
    return reading


def _notebook(counting: Iterable[Mark]) -> list[SeasonRun]:
    return [_of_notebook(mark.earlier, note=mark.text) for mark in counting if mark.earlier is not None]


def _of_notebook(earlier: EarlierRun, *, note: str) -> SeasonRun:
    cake = None
    if earlier.fill is not None or earlier.amount is not None:
        cake = CakeReading(fill=earlier.fill, amount=earlier.amount, note=note)
    entry = RunEntry(
        run=f"{earlier.day} line {earlier.line:05d}",
        dose_kg_m3=earlier.dose_kg_m3,
        volume_l=earlier.volume_l,
        room_l=earlier.room_l,
        limit=earlier.limit,
        cake=cake,
    )
    return SeasonRun(entry=entry, day=earlier.day)


def _in_order(notebook: Sequence[SeasonRun], found: Sequence[SeasonRun]) -> tuple[SeasonRun, ...]:
    """Return all runs by time; one that no clock dated stays behind the one stored before it."""
    dated: list[tuple[datetime, SeasonRun]] = [
        (datetime.combine(run.day, time(tzinfo=UTC)) if run.day else LONG_AGO, run)
        for run in sorted(notebook, key=lambda run: run.entry.run)
    ]
    last = LONG_AGO
    for run in found:
        last = run.record.started if run.record is not None and run.record.started is not None else last
        dated.append((last, run))
    return tuple(run for _, run in sorted(dated, key=lambda pair: pair[0]))


def _check(mark: Mark) -> ProbeCheck | None:
    if not isinstance(mark.given, CheckArgs) or mark.found is None or mark.entry is None:
        return None
    return ProbeCheck(
        entry=mark.entry,
        time=mark.time,
        who=mark.who,
        args=mark.given,
        found=mark.found,
        note=mark.text,
    )
