"""Runs the engine over an exported trace as fast as it can.

The lines of a trace become the same readings that a service would send, on a clock of the
trace's own. What comes out is what a live run would have shown.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import timedelta

from monitor.contract.events import AlarmMove, Event, FlagChange, PhaseMove
from monitor.contract.names import AlarmState, Flag
from monitor.contract.readings import UNIT_OF, ClockState, Point, Quality, Reading, Reason
from monitor.contract.record import record
from monitor.contract.status import ForecastStatus, Standing
from monitor.rules import forecast as forecasting
from monitor.rules.thresholds import RunRules
from monitor.run.effects import Happened, RowDue
from monitor.run.engine import step
from monitor.run.inputs import Input, ReadingArrived, Stamp, Tick
from monitor.run.row import TraceRow
from monitor.run.seconds import raised
from monitor.run.state import State, fresh
from monitor.trace.trace_file import TraceLine

STATUS_EVERY_S = 10.0
"""Trace time between two statuses."""
BOOT = "replay"
LONGEST_GAP_S = 7200
"""Seconds of a gap that are played through; a longer one is cut to this."""
_ORIGIN_S = 1.0
"""Monotonic time of the trace's zero: a little after boot, so that nothing is negative."""
# Asked of its enum, a member takes 0.1 us each time.
_LINE, _OUTLET, _FLOW, _PAN, _FILLER = Point.LINE, Point.OUTLET, Point.FLOW, Point.PAN, Point.FILLER
_GOOD, _ABSENT = Standing.GOOD, Standing.ABSENT
_READ = {Standing.GOOD: Quality.GOOD, Standing.UNCERTAIN: Quality.UNCERTAIN, Standing.BAD: Quality.BAD}
"""The quality of a reading that is told to have stood so; silence is no reading."""
_UNSET, _SAVED = ClockState.UNSET, ClockState.SAVED
_BAD, _READY = Quality.BAD, Flag.READY_TO_BOTTLE


@record(frozen=True, slots=True)
class Replayed:
    """One second of a replay: the state after it and what happened in it."""

    elapsed_s: float
    state: State
    events: tuple[Event, ...]
    row: TraceRow | None


def replay(lines: Iterable[TraceLine], *, rules: RunRules) -> Iterator[Replayed]:
    """Yield the engine's state and events after every line of the trace, and in its gaps."""
    state: State | None = None
    for entered, elapsed_s in _seconds(lines, metered=Point.FLOW in rules.points):
        if state is None:
            state = fresh(boot=BOOT, mono_s=entered[0].stamp.mono_s - 1.0, rules=rules)
        events: list[Event] = []
        row = None
        for one in entered:
            state, effects = step(state, one, rules=rules)
            for effect in effects:
                if isinstance(effect, Happened):
                    events.append(effect.event)
                elif isinstance(effect, RowDue):
                    row = effect.row
        yield Replayed(elapsed_s, state, tuple(events), row)


def records(lines: Iterable[TraceLine], *, rules: RunRules) -> Iterator[dict[str, object]]:
    """Yield what ``niterwatch replay --json`` prints: events, a status every 10 s, a summary."""
    summary = Summary()
    due_s = 0.0
    for second in replay(lines, rules=rules):
        for event in second.events:
            record = event_record(event, elapsed_s=second.elapsed_s)
            if record is not None:
                summary.count(record)
                yield record
        summary.pass_second(second)
        if second.elapsed_s >= due_s:
            due_s = (second.elapsed_s // STATUS_EVERY_S + 1) * STATUS_EVERY_S
            yield status_record(second)
    yield summary.record()


def event_record(event: Event, *, elapsed_s: float) -> dict[str, object] | None:
    """Return a flag change, alarm move or phase move as one line of the replay; null for a mark."""
    if isinstance(event, FlagChange | AlarmMove | PhaseMove):
        name, state = str(event.name), str(event.state)
        return {"elapsed_s": elapsed_s, "kind": event.kind, "name": name, "state": state}
    return None


def status_record(second: Replayed) -> dict[str, object]:
    """Return the status line of ``second``."""
    state = second.state
    ahead = state.run.outlook if state.run else ForecastStatus()
    filtered = forecasting.volume(state.run.forecast) if state.run else None
    return {
        "elapsed_s": second.elapsed_s,
        "kind": "status",
        "phase": str(state.phase),
        "flags": [str(flag) for flag in raised(state)],
        "volume_l": filtered.filtered_l if filtered else None,
        "forecast": {
            "ready_in_s": ahead.ready_in_s,
            "precipitation_in_s": ahead.precipitation_in_s,
            "volume_left_l": ahead.volume_left_l,
            "volume_left_low_l": ahead.volume_left_low_l,
            "volume_left_high_l": ahead.volume_left_high_l,
            "time_left_s": ahead.time_left_s,
            "time_left_low_s": ahead.time_left_low_s,
            "time_left_high_s": ahead.time_left_high_s,
            "limit": str(ahead.limit),
            "fill": ahead.fill,
            "assumption": ahead.assumption,
            "waiting_for": ahead.waiting_for,
        },
    }


@dataclass(slots=True)
class Summary:
    """Sums up a replay: when it was first ready, for how long, what was raised, how much passed."""

    rows: int = 0
    elapsed_s: float = 0.0
    first_ready_s: float | None = None
    ready_s: float = 0.0
    over_s: float = 0.0
    volume_l: float | None = None
    hottest_c: float | None = None
    highest_kpa: float | None = None
    raised: dict[str, int] = field(default_factory=dict)
    activations: dict[str, int] = field(default_factory=dict)

    def count(self, record: dict[str, object]) -> None:
        """Count a raised flag or a new activation of an alarm."""
        name = str(record["name"])
        if record["kind"] == "flag" and record["state"] == "raised":
            self.raised[name] = self.raised.get(name, 0) + 1
        if record["kind"] == "alarm" and record["state"] == AlarmState.UNACKNOWLEDGED:
            self.activations[name] = self.activations.get(name, 0) + 1

    def pass_second(self, second: Replayed) -> None:
        """Take in the state after a second of trace."""
        passed_s = second.elapsed_s - self.elapsed_s
        self.rows += 1
        self.elapsed_s = second.elapsed_s
        state, row = second.state, second.row
        if state.verdict.flag is _READY:
            self.ready_s += passed_s
            if self.first_ready_s is None:
                self.first_ready_s = second.elapsed_s
        if state.run is not None:
            self.over_s = state.run.over_s
        if row is not None:
            self.volume_l = row.volume_l if row.volume_l is not None else self.volume_l
            self.hottest_c = _higher(self.hottest_c, row.outlet_c)
            self.highest_kpa = _higher(self.highest_kpa, row.line_high_kpa or row.line_kpa)

    def record(self) -> dict[str, object]:
        """Return the last line of the replay."""
        return {
            "kind": "summary",
            "elapsed_s": self.elapsed_s,
            "seconds": self.rows,
            "first_ready_s": self.first_ready_s,
            "ready_s": round(self.ready_s, 3),
            "over_precipitation_s": round(self.over_s, 3),
            "volume_l": self.volume_l,
            "hottest_outlet_degC": self.hottest_c,
            "highest_line_kPa": self.highest_kpa,
            "flags_raised": self.raised,
            "alarm_activations": self.activations,
        }


def _higher(before: float | None, value: float | None) -> float | None:
    if before is None or value is None:
        return value if before is None else before
    return value if value > before else before


def _seconds(lines: Iterable[TraceLine], *, metered: bool) -> Iterator[tuple[list[Input], float]]:
    """Yield the engine's inputs of every line, and a tick for every second that has none."""
    last_s: float | None = None
    for sequence, line in enumerate(lines):
        if last_s is not None:
            missing = min(int(line.elapsed_s - last_s - 0.5), LONGEST_GAP_S)
            for second in range(1, missing + 1):
                yield [Tick(stamp=_stamp(last_s + second, line))], last_s + second
        last_s = line.elapsed_s
        stamp = _stamp(line.elapsed_s, line)
        yield list(_inputs(line, stamp=stamp, sequence=sequence, metered=metered)), line.elapsed_s


def _stamp(elapsed_s: float, line: TraceLine) -> Stamp:
    wall = None if line.time is None else line.time - timedelta(seconds=line.elapsed_s - elapsed_s)
    clock = _UNSET if wall is None else _SAVED
    return Stamp(boot=BOOT, mono_s=_ORIGIN_S + elapsed_s, time=wall, clock=clock)


def _inputs(line: TraceLine, *, stamp: Stamp, sequence: int, metered: bool) -> Iterator[Input]:
    # Where strokes were counted and no meter is fitted, the flow column is the monitor's own figure.
    meter_l_min = line.flow_l_min if metered or line.strokes is None else None
    heard = (
        (_LINE, line.line_kpa, line.line_standing),
        (_OUTLET, line.outlet_c, line.outlet_standing),
        (_FLOW, meter_l_min, _standing(meter_l_min)),
        (_PAN, line.pan_c, _standing(line.pan_c)),
        (_FILLER, line.filler_c, _standing(line.filler_c)),
    )
    for point, value, standing in heard:
        quality = _READ.get(standing)
        if quality is not None:
            reading = _reading(line, point, value, quality, stamp=stamp, sequence=sequence)
            yield ReadingArrived(stamp=stamp, point=point, reading=reading)
    yield Tick(stamp=stamp)


def _standing(value: float | None) -> Standing:
    return _ABSENT if value is None else _GOOD


def _reading(
    line: TraceLine, point: Point, value: float | None, quality: Quality, *, stamp: Stamp, sequence: int
) -> Reading:
    bad = quality is _BAD or value is None
    of_line = point is _LINE
    return Reading(
        seq=sequence,
        boot=BOOT,
        mono_ms=round(stamp.mono_s * 1000),
        time=stamp.time,
        clock=stamp.clock,
        value=None if bad else value,
        unit=UNIT_OF[point],
        quality=_BAD if bad else quality,
        reason=Reason.NO_ANSWER if bad else None,
        high=line.line_high_kpa if of_line and not bad else None,
        strokes=line.strokes if of_line else None,
    )
