"""A scene: readings, seconds and acts given to the engine, events taken from it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

import pytest

from monitor.contract.commands import Command, CommandArgs, Reply
from monitor.contract.events import AlarmMove, Event, FlagChange, Mark, PhaseMove
from monitor.contract.names import Alarm, Flag
from monitor.contract.readings import UNIT_OF, ClockState, Point, Quality, Reading, Reason
from monitor.contract.status import RunStatus
from monitor.contract.units import Dimension, quantity
from monitor.rules.thresholds import PointTuning, RunRules
from monitor.run.effects import Answered, Effect, Happened, RowDue
from monitor.run.engine import step
from monitor.run.inputs import CommandArrived, Input, ReadingArrived, RecordingChanged, Stamp, Tick
from monitor.run.records import Records
from monitor.run.report import Signature, status_of
from monitor.run.row import TraceRow
from monitor.run.state import State, fresh
from monitor.runtime.settings import load


def deg_f(value: float) -> float:
    """Return degF in degC."""
    return quantity(f"{value} degF", dimension=Dimension.TEMPERATURE)


def psi(value: float) -> float:
    """Return psi in kPa."""
    return quantity(f"{value} psi", dimension=Dimension.PRESSURE)


def plain_rules(
    *, tolerance: float | None = 0.0, time_constant_s: float = 0.0, filler: bool = False
) -> RunRules:
    """Return the default rules with an outlet probe that has no error and no lag unless given."""
    rules = load(overrides=["point.filler.sensor=x"] if filler else []).rules()
    tuning = PointTuning(tolerance=tolerance, time_constant_s=time_constant_s)
    return replace(
        rules, points={**rules.points, Point.OUTLET: tuning, **({Point.FILLER: tuning} if filler else {})}
    )


@dataclass
class Scene:
    """A press on a bench: set values, let seconds pass, look at what happened."""

    rules: RunRules = field(default_factory=plain_rules)
    boot: str = "boot-a"
    mono_s: float = 500.0
    wall: datetime | None = datetime(2026, 3, 20, 18, 0, tzinfo=UTC)
    outlet_f: float | None = 70.0
    line_psi: float | None = 30.0
    line_high_psi: float | None = None
    filler_f: float | None = None
    strokes: int | None = None
    outlet_quality: Quality = Quality.GOOD
    silent: set[Point] = field(default_factory=set)
    events: list[Event] = field(default_factory=list)
    replies: list[Reply] = field(default_factory=list)
    rows: list[TraceRow] = field(default_factory=list)
    sequence: int = 0
    commands: int = 0
    records: Records = field(default_factory=Records)
    state: State = field(init=False)

    def __post_init__(self) -> None:
        self.state = fresh(boot=self.boot, mono_s=self.mono_s, rules=self.rules)

    def stamp(self) -> Stamp:
        clock = ClockState.UNSET if self.wall is None else ClockState.SYNCHRONISED
        return Stamp(boot=self.boot, mono_s=self.mono_s, time=self.wall, clock=clock)

    def enter(self, entered: Input) -> tuple[Effect, ...]:
        self.state, effects = step(self.state, entered, rules=self.rules)
        for effect in effects:
            match effect:
                case Happened():
                    self.events.append(effect.event)
                    if isinstance(effect.event, Mark):
                        self.records = self.records.with_entry(effect.event)
                case Answered():
                    self.replies.append(effect.reply)
                case RowDue():
                    self.rows.append(effect.row)
                case _:
                    pass
        return effects

    def reading(
        self, point: Point, value: float | None, *, quality: Quality = Quality.GOOD, **more: object
    ) -> None:
        self.sequence += 1
        bad = quality is Quality.BAD
        self.enter(
            ReadingArrived(
                stamp=self.stamp(),
                point=point,
                reading=Reading(
                    seq=self.sequence,
                    boot=self.boot,
                    mono_ms=round(self.mono_s * 1000),
                    clock=ClockState.SYNCHRONISED,
                    value=None if bad else value,
                    unit=UNIT_OF[point],
                    quality=quality,
                    reason=Reason.NO_ANSWER if bad else None,
                    **({} if bad else more),  # type: ignore[arg-type] - the test's own fields
                ),
            )
        )

    def advance(self, seconds: float) -> None:
        self.mono_s += seconds
        if self.wall is not None:
            self.wall += timedelta(seconds=seconds)

    def second(self, length_s: float = 1.0) -> None:
        """Let one second pass: every point that is not silent sends its value, then the clock ticks."""
        self.advance(length_s)
        if self.outlet_f is not None and Point.OUTLET not in self.silent:
            self.reading(Point.OUTLET, deg_f(self.outlet_f), quality=self.outlet_quality)
        if self.filler_f is not None and Point.FILLER not in self.silent:
            self.reading(Point.FILLER, deg_f(self.filler_f))
        if self.line_psi is not None and Point.LINE not in self.silent:
            high = None if self.line_high_psi is None else psi(self.line_high_psi)
            self.reading(Point.LINE, psi(self.line_psi), high=high, strokes=self.strokes)
        self.enter(Tick(stamp=self.stamp()))

    def seconds(self, count: int) -> None:
        for _ in range(count):
            self.second()

    def act(self, args: CommandArgs, *, who: str = "press hand", command_id: str | None = None) -> Reply:
        self.commands += 1
        command = Command(id=command_id or f"{self.commands:08x}", who=who, args=args)
        self.enter(CommandArrived(stamp=self.stamp(), command=command, records=self.records))
        return self.replies[-1]

    def store(self, trouble: str | None) -> None:
        self.enter(RecordingChanged(stamp=self.stamp(), trouble=trouble))

    def warm_up(self, outlet_f: float = 185.0) -> None:
        """Let pressure open a run and the outlet stand at a temperature for the longest on-delay."""
        self.outlet_f = outlet_f
        self.seconds(20)

    def status(self) -> RunStatus:
        signed = Signature(seq=1, software="test", invented=False, refused=0)
        return status_of(self.state, stamp=self.stamp(), rules=self.rules, signed=signed)

    def flags(self) -> set[Flag]:
        return {flag.name for flag in self.status().flags}

    def flag_changes(self, flag: Flag) -> list[str]:
        return [event.state for event in self.events if isinstance(event, FlagChange) and event.name is flag]

    def alarm_moves(self, alarm: Alarm) -> list[AlarmMove]:
        return [event for event in self.events if isinstance(event, AlarmMove) and event.name is alarm]

    def activations(self, alarm: Alarm) -> list[AlarmMove]:
        return [move for move in self.alarm_moves(alarm) if move.cause == "activated"]

    def phases(self) -> list[str]:
        return [str(event.state) for event in self.events if isinstance(event, PhaseMove)]


@pytest.fixture
def make_scene() -> Iterator[Callable[..., Scene]]:
    """Give the class, so that one test can set several scenes."""
    return Scene


@pytest.fixture
def make_rules() -> Callable[..., RunRules]:
    """Give the default rules with the outlet's error and lag as asked for."""
    return plain_rules
