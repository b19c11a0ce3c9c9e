"""The figures of a run sheet, counted from the run's own seconds and events. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from monitor.contract.commands import MarkKind
from monitor.contract.entries import CakeArgs, ChargeArgs, LotArgs
from monitor.contract.events import AlarmMove, Event, Mark
from monitor.contract.names import Alarm, AlarmState, Flag, Phase
from monitor.rules.thresholds import Thresholds
from monitor.run.lot import Packing, packing
from monitor.run.records import standing
from monitor.run.row import TraceRow
from monitor.trace.lots import entries_in

LONGEST_STEP_S = 5.0
"""A row stands for the time since the row before it, but for no more than this: what was not
seen is not counted."""
ACTIVE = frozenset({AlarmState.UNACKNOWLEDGED})
"""State that an alarm comes into when it is raised."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FlagTime:
    """How often and how long a flag was raised in a run [s]."""

    flag: Flag
    times: int
    first_s: float
    last_s: float
    total_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmTime:
    """One activation of an alarm: when, until when, who acknowledged it and when [s]; null is never."""

    alarm: Alarm
    raised_s: float | None
    ended_s: float | None
    who: str | None
    acknowledged_s: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetFigures:
    """What is counted for the sheet; null is unknown."""

    seconds: int
    """Rows of the run."""
    first_ready_s: float | None
    bottling_s: float
    outlet: Packing
    filler: Packing
    most_c: float | None
    """Hottest the outlet was in the run."""
    most_kpa: float | None
    """Highest mean pressure of a second."""
    peak_kpa: float | None
    """Highest peak."""
    end_kpa: float | None
    """Pressure in the last second that had one with flow."""
    volume_l: float | None
    over_s: float
    over_l: float
    containers: tuple[tuple[float, int], ...]
    """Size [L] and count, largest first."""
    first_packed: datetime | None
    last_packed: datetime | None
    flags: tuple[FlagTime, ...]
    alarms: tuple[AlarmTime, ...]
    notes: tuple[Mark, ...]
    charge: Mark | None
    cake: Mark | None
    lots: tuple[Mark, ...]

    @property
    def containers_l(self) -> float:
        """Declared volume of what was filled."""
        return sum(size_l * count for size_l, count in self.containers)


def sheet_figures(
    rows: Sequence[TraceRow], events: Sequence[Event], *, thresholds: Thresholds
) -> SheetFigures:
    """Return the figures of a run.

    Args:
        rows: its seconds, in order.
        events: its events, those entered later too.
        thresholds: limits in force in it.
    """
    steps_s = list(_steps_s(rows))
    bottling = [(r, s) for r, s in zip(rows, steps_s, strict=True) if r.phase is Phase.BOTTLING]
    times = [row.time for row, _ in bottling if row.time is not None]
    marks = [event for event in events if isinstance(event, Mark)]
    entries = standing(entries_in(events))
    sizes = Counter(m.volume_l for m in marks if m.name is MarkKind.CONTAINER_FILLED and m.volume_l)
    ready = (row.elapsed_s for row in rows if Flag.READY_TO_BOTTLE in row.flags)
    over_s, over_l = _over(rows, steps_s)
    return SheetFigures(
        seconds=len(rows),
        first_ready_s=next(ready, None),
        bottling_s=sum(step_s for _, step_s in bottling),
        outlet=packing([(row.outlet_c, step_s) for row, step_s in bottling], thresholds=thresholds),
        filler=packing([(row.filler_c, step_s) for row, step_s in bottling], thresholds=thresholds),
        most_c=_most(row.outlet_c for row in rows),
        most_kpa=_most(row.line_kpa for row in rows),
        peak_kpa=_most(row.line_high_kpa for row in rows),
        end_kpa=_last(row.line_kpa for row in rows if row.phase is not Phase.PAUSED),
        volume_l=_last(row.volume_l for row in rows),
        over_s=over_s,
        over_l=over_l,
        containers=tuple(sorted(sizes.items(), reverse=True)),
        first_packed=min(times, default=None),
        last_packed=max(times, default=None),
        flags=tuple(_flag_times(rows, steps_s)),
        alarms=tuple(_alarm_times(event for event in events if isinstance(event, AlarmMove))),
        notes=tuple(
            m for m in marks if m.name in ("note", "correction") and (m.entry is None or m in entries)
        ),
        charge=_newest(entries, ChargeArgs),
        cake=_newest(entries, CakeArgs),
        lots=tuple(mark for mark in entries if isinstance(mark.given, LotArgs)),
    )


def _steps_s(rows: Iterable[TraceRow]) -> Iterable[float]:
    before: TraceRow | None = None
    for row in rows:
        step_s = 1.0 if before is None or before.boot != row.boot else row.mono_s - before.mono_s
        yield min(max(step_s, 0.0), LONGEST_STEP_S)
        before = row


def _over(rows: Sequence[TraceRow], steps_s: Sequence[float]) -> tuple[float, float]:
    """Return time [s] and volume [L] that ran while the over-threshold flag was raised."""
    total_s = total_l = 0.0
    before: TraceRow | None = None
    for row, step_s in zip(rows, steps_s, strict=True):
        if Flag.OVER_PRECIPITATION in row.flags and row.phase is not Phase.PAUSED:
            total_s += step_s
            if before is not None and row.volume_l is not None and before.volume_l is not None:
                total_l += max(0.0, row.volume_l - before.volume_l)
        before = row
    return total_s, total_l


def _flag_times(rows: Sequence[TraceRow], steps_s: Sequence[float]) -> Iterable[FlagTime]:
    for flag in Flag:
        times, total_s, raised = 0, 0.0, False
        moments_s: list[float] = []
        for row, step_s in zip(rows, steps_s, strict=True):
            now = flag in row.flags
            if now:
                times += not raised
                total_s += step_s
                moments_s.append(row.elapsed_s or 0.0)
            raised = now
        if times:
            yield FlagTime(
                flag=flag, times=times, first_s=moments_s[0], last_s=moments_s[-1], total_s=total_s
            )


def _alarm_times(moves: Iterable[AlarmMove]) -> Iterable[AlarmTime]:
    """Give every activation in the order it was raised."""
    activations: dict[tuple[Alarm, int], list[AlarmMove]] = {}
    for move in moves:
        activations.setdefault((move.name, move.activation), []).append(move)
    for (alarm, _), story in activations.items():
        answered = next((move for move in story if move.who and move.state is not AlarmState.SHELVED), None)
        raised = next((move for move in story if move.state in ACTIVE), None)
        if raised is None and answered is None:
            continue
        ended = next((move for move in reversed(story) if move.state is AlarmState.NORMAL), None)
        yield AlarmTime(
            alarm=alarm,
            raised_s=None if raised is None else raised.elapsed_s,
            ended_s=None if ended is None else ended.elapsed_s,
            who=None if answered is None else answered.who,
            acknowledged_s=None if answered is None else answered.elapsed_s,
        )


def _most(values: Iterable[float | None]) -> float | None:
    return max((value for value in values if value is not None), default=None)


def _last(values: Iterable[float | None]) -> float | None:
    last = None
    for value in values:
        last = value if value is not None else last
    return last


def _newest(entries: Sequence[Mark], kind: type[ChargeArgs] | type[CakeArgs]) -> Mark | None:
    return next((mark for mark in reversed(entries) if isinstance(mark.given, kind)), None)
