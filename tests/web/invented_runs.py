"""Invented runs in a real store: ordinary ones, troubled ones, and two seasons of them."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from monitor.contract.commands import MarkKind
from monitor.contract.entries import (
    Amount,
    CakeArgs,
    ChargeArgs,
    CheckArgs,
    Colour,
    EntryArgs,
    FilledContainers,
    Firmness,
    LotArgs,
    Method,
    Sand,
)
from monitor.contract.events import AlarmMove, FlagChange, Mark, PhaseMove
from monitor.contract.names import Alarm, AlarmState, Flag, Phase
from monitor.contract.readings import ClockState, Point
from monitor.contract.status import Standing
from monitor.rules.thresholds import PointTuning
from monitor.run.effects import Happened, RowDue, RunClosed, RunOpened
from monitor.run.probe_check import found_by
from monitor.run.row import TraceRow
from monitor.runtime.settings import load
from monitor.trace.store import PressWriter, TraceWriter

RULES = load().rules()
GALLON_L = 3.785411784
BOOT = "boot-of-the-season"


@dataclass(frozen=True, slots=True, kw_only=True)
class Troubles:
    """What goes wrong in a run, by the second; empty is an ordinary one."""

    over: tuple[int, int] | None = None
    torn: int | None = None
    stopped: tuple[int, int] | None = None
    lost: tuple[int, int] | None = None
    chatter: int = 0
    early_container: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class InventedRun:
    """A run that never was."""

    name: str
    started: datetime
    began_mono_s: float
    length_s: int = 1500
    pace_l_s: float = 0.05
    growth_kpa_l: float = 4.0
    """Pressure that each litre adds."""
    warm_s: float = 240.0
    troubles: Troubles = Troubles()
    containers: int = 8
    clock: ClockState = ClockState.SYNCHRONISED
    closed_by: str | None = "Ann"

    def volume_l(self, second: int) -> float:
        stop = self.troubles.stopped
        flowing = second if stop is None or second < stop[0] else max(stop[0], second - (stop[1] - stop[0]))
        return self.pace_l_s * flowing

    def outlet_c(self, second: int) -> float | None:
        lost, over = self.troubles.lost, self.troubles.over
        if lost and lost[0] <= second < lost[1]:
            return None
        warm = 86.0 - 70.0 * math.exp(-second / self.warm_s)
        if over and over[0] <= second < over[1]:
            return 90.2 + math.sin(second / 9.0) * 0.3
        return warm + 0.4 * math.sin(second / 70.0)

    def line_kpa(self, second: int) -> float:
        stop, torn = self.troubles.stopped, self.troubles.torn
        if stop and stop[0] <= second < stop[1]:
            return 2.0
        value = 207.0 + self.growth_kpa_l * self.volume_l(second)
        if torn is not None and second >= torn:
            value = 120.0
        return min(value, 545.0) + 3.0 * math.sin(second * 1.1)

    def flags(self, second: int) -> tuple[Flag, ...]:
        outlet, found = self.outlet_c(second), []
        over, torn = self.troubles.over, self.troubles.torn
        if outlet is None:
            found.append(Flag.UNKNOWN)
        elif outlet >= RULES.thresholds.ready_c + 0.6 and self.phase(second) is not Phase.PAUSED:
            found.append(Flag.READY_TO_BOTTLE)
        else:
            found.append(Flag.STILL_RECIRCULATING)
        if over and over[0] <= second < over[1]:
            found.append(Flag.OVER_PRECIPITATION)
        if torn is not None and torn <= second < torn + 60:
            found.append(Flag.PRESSURE_DROP)
        if self.line_kpa(second) >= RULES.thresholds.near_clog_kpa:
            found.append(Flag.NEAR_CLOG)
        return tuple(found)

    def phase(self, second: int) -> Phase:
        stop = self.troubles.stopped
        if stop and stop[0] <= second < stop[1]:
            return Phase.PAUSED
        outlet = self.outlet_c(second)
        ready = outlet is not None and outlet >= RULES.thresholds.ready_c + 0.6
        return Phase.BOTTLING if ready else Phase.RECIRCULATING

    def row(self, second: int) -> TraceRow:
        outlet_c, line_kpa = self.outlet_c(second), self.line_kpa(second)
        return TraceRow(
            boot=BOOT,
            mono_s=self.began_mono_s + second,
            time=None if self.clock is ClockState.UNSET else self.started + timedelta(seconds=second),
            clock=self.clock,
            elapsed_s=float(second),
            outlet_c=outlet_c,
            outlet_standing=Standing.BAD if outlet_c is None else Standing.GOOD,
            line_kpa=line_kpa,
            line_high_kpa=line_kpa * 1.1,
            line_standing=Standing.GOOD,
            strokes=second % 2,
            flow_l_min=60.0 * self.pace_l_s,
            volume_l=self.volume_l(second),
            pan_c=None,
            filler_c=None,
            phase=self.phase(second),
            flags=self.flags(second),
        )

    def moment(self, second: float) -> dict[str, object]:
        return {
            "press": "main",
            "run": self.name,
            "seq": int(second),
            "boot": BOOT,
            "mono_ms": int(1000 * (self.began_mono_s + second)),
            "time": None if self.clock is ClockState.UNSET else self.started + timedelta(seconds=second),
            "clock": self.clock,
            "elapsed_s": float(second),
        }

    def events(self) -> Iterable[Happened]:
        before: tuple[Flag, ...] = ()
        phase = Phase.IDLE
        for second in range(0, self.length_s, 5):
            flags = self.flags(second)
            for flag in (*flags, *before):
                if (flag in flags) is not (flag in before):
                    state = "raised" if flag in flags else "cleared"
                    yield Happened(FlagChange(**self.moment(second), name=flag, state=state))
            before = flags
            if self.phase(second) is not phase:
                moved = PhaseMove(
                    **self.moment(second), before=phase, state=self.phase(second), cause="the readings"
                )
                phase = self.phase(second)
                yield Happened(moved)
        yield from self._alarms()
        yield from self._marks()

    def _alarms(self) -> Iterable[Happened]:
        troubles = self.troubles
        starts = [] if troubles.over is None else [(troubles.over[0], Alarm.OVER_PRECIPITATION)]
        starts += [] if troubles.torn is None else [(troubles.torn, Alarm.PRESSURE_DROP)]
        starts += [(900 + 15 * index, Alarm.INPUT_LOST) for index in range(troubles.chatter)]
        for activation, (second, alarm) in enumerate(starts, start=1):
            yield self._move(second, alarm, activation, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, None)
            yield self._move(
                second + 8, alarm, activation, AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, "Ann"
            )
            yield self._move(second + 14, alarm, activation, AlarmState.ACKNOWLEDGED, AlarmState.NORMAL, None)

    def _move(
        self,
        second: int,
        alarm: Alarm,
        activation: int,
        before: AlarmState,
        state: AlarmState,
        who: str | None,
    ) -> Happened:
        cause = "acknowledged" if who else "the readings"
        return Happened(
            AlarmMove(
                **self.moment(second),
                name=alarm,
                activation=activation,
                before=before,
                state=state,
                cause=cause,
                who=who,
            )
        )

    def _marks(self) -> Iterable[Happened]:
        early = self.troubles.early_container
        seconds = [] if early is None else [early]
        first = self.length_s // 2
        step = max(1, (self.length_s - first) // max(1, self.containers))
        seconds += [first + step * index for index in range(self.containers)]
        for index, second in enumerate(seconds):
            size_l = GALLON_L if index % 3 else GALLON_L / 2
            mark = Mark(
                **self.moment(second), name=MarkKind.CONTAINER_FILLED, who="Ann", volume_l=round(size_l, 4)
            )
            yield Happened(mark)
        yield Happened(
            Mark(**self.moment(max(0, self.length_s - 5)), name="note", who="Ann", text="dark, late sap")
        )

    def write(self, writer: PressWriter) -> None:
        """Keep the whole run."""
        writer.keep_effect(
            RunOpened(
                run=self.name,
                boot=BOOT,
                started_mono_s=self.began_mono_s,
                started=None if self.clock is ClockState.UNSET else self.started,
                clock=self.clock,
                by="pressure",
            )
        )
        for second in range(self.length_s):
            writer.keep_effect(RowDue(self.row(second)))
        for event in self.events():
            writer.keep_effect(event)
        if self.closed_by is None:
            return
        writer.keep_effect(
            RunClosed(
                run=self.name,
                boot=BOOT,
                ended_mono_s=self.began_mono_s + self.length_s,
                ended=None
                if self.clock is ClockState.UNSET
                else self.started + timedelta(seconds=self.length_s),
                elapsed_s=float(self.length_s),
                volume_l=self.volume_l(self.length_s),
                by=self.closed_by,
            )
        )


def entered(run: InventedRun, entry: str, args: EntryArgs, **more: object) -> Happened:
    """Return ``args`` as the monitor keeps them, entered an hour after ``run`` under the id ``entry``."""
    own = {**run.moment(run.length_s + 3600), "elapsed_s": None}
    name = {"check": "probe check"}.get(args.verb, args.verb)  # type: ignore[attr-defined]
    return Happened(Mark(**own, name=name, who="Bo", entry=entry, given=args, **more))


def all_entries(run: InventedRun) -> list[Happened]:
    """Return a charge, a cake reading that was corrected, a lot and a probe check."""
    wrong = CakeArgs(run=run.name, amount=Amount.LIGHT)
    right = CakeArgs(
        run=run.name,
        thickness_m=(0.0201, 0.0215, 0.0198),
        frame_thickness_m=0.0254,
        firmness=Firmness.SOFT,
        colour=Colour.DARK,
        wet_spots=True,
        torn_papers=1,
    )
    lot = LotArgs(
        run=run.name,
        packed=run.started.date(),
        number=1,
        code="2026-081-1",
        sugar=0.669,
        method=Method.HYDROMETER_HOT,
        containers=(FilledContainers(size_l=GALLON_L, count=11), FilledContainers(size_l=0.5, count=24)),
        initials="BO",
    )
    charge = ChargeArgs(
        run=run.name,
        volume_l=68.0,
        aid_kg=0.56,
        aid_cups=12.4,
        sugar=0.667,
        method=Method.REFRACTOMETER,
        sand=Sand.HEAVY,
    )
    check = CheckArgs(point=Point.OUTLET, ice_c=0.19, boiling_c=99.31, pressure_kpa=99.2)
    found = found_by(check, tuning=PointTuning())
    return [
        entered(run, "c4a26e01", charge),
        entered(run, "cae00001", wrong, fill=0.25),
        entered(run, "cae00002", right, corrects="cae00001", fill=0.81, text="from the middle frames"),
        entered(run, "10700001", lot, text="two cases for the fair"),
        Happened(entered(run, "c4ec0001", check, found=found).event.model_copy(update={"run": None})),
    ]


TROUBLED = InventedRun(
    name="2026-03-22-1",
    started=datetime(2026, 3, 22, 15, 4, tzinfo=UTC),
    began_mono_s=500_000.0,
    growth_kpa_l=4.4,
    troubles=Troubles(
        over=(700, 790), torn=1320, stopped=(1000, 1080), lost=(1180, 1230), chatter=3, early_container=120
    ),
)


def season(year: int, *, runs: int, began_mono_s: float, growth_kpa_l: float) -> list[InventedRun]:
    """Return ``runs`` ordinary runs of a spring, their cakes growing denser as it goes on."""
    first = datetime(year, 3, 2, 16, 0, tzinfo=UTC)
    return [
        InventedRun(
            name=f"{first + timedelta(days=2 * index):%Y-%m-%d}-1",
            started=first + timedelta(days=2 * index, minutes=13 * index),
            began_mono_s=began_mono_s + 4_000.0 * index,
            length_s=900 + 60 * (index % 4),
            growth_kpa_l=growth_kpa_l * (1.0 + 0.07 * index),
            warm_s=200.0 + 12.0 * (index % 5),
            troubles=Troubles(chatter=3 if index == 4 else 0, over=(600, 630) if index % 5 == 3 else None),
        )
        for index in range(runs)
    ]


def two_seasons() -> list[InventedRun]:
    """Return a spring of seven runs and the next of nine."""
    return [
        *season(2025, runs=7, began_mono_s=1_000.0, growth_kpa_l=3.6),
        *season(2026, runs=9, began_mono_s=100_000.0, growth_kpa_l=4.2),
        TROUBLED,
    ]


def keep(
    url: str, runs: Iterable[InventedRun], *, entries: Iterable[Happened] = (), press: str = "main"
) -> None:
    """Write ``runs`` of ``press`` and what was entered about them with the store's own writer."""
    facts = {
        "press": RULES.press,
        "pump": RULES.pump,
        "thresholds": RULES.thresholds,
        "invented": True,
    }
    writer = TraceWriter(url, software="0.1.0")
    writer.open()
    kept = writer.press(press, facts=facts)
    for run in runs:
        run.write(kept)
        writer.flush()
    for entry in entries:
        kept.keep_effect(entry)
    writer.close()
