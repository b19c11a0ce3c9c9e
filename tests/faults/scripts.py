"""Family 6, in process: random faults through the real readers and the real engine.

A press's truth moves by itself; a random script breaks its probe, its line, the delivery of
readings and the monitor. What the engine says is checked against the truth, of which it knows
only what the kernel files showed: never ready on a bad, stale or power-on reading.
"""

from __future__ import annotations

import logging
import random
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from hardware.kernel_files import KernelTree, LineFault, LineFiles, ProbeFault, ProbeFiles
from hardware.probe import ProbeBus, TemperatureProbe
from hardware.simulated_chip import ChipKind
from hardware.transducer import Transducer
from monitor.contract.commands import Command, StartArgs
from monitor.contract.names import Flag
from monitor.contract.payloads import decode, encode
from monitor.contract.readings import Point, Reading
from monitor.run.engine import step
from monitor.run.inputs import CommandArrived, Input, ReadingArrived, Stamp, Tick
from monitor.run.seconds import raised
from monitor.run.state import State, fresh, restored, stored
from monitor.runtime.clock import ManualClock
from monitor.runtime.settings import load
from tests.faults.clocks import jumped
from tests.faults.counts import Counts, workers_of
from tests.faults.metric import Metric
from tests.faults.plant import deg_c, psi_mv

WARM_UP_S = 4
"""Until a run has been opened by hand and the outlet judged."""
LENGTH_S = (15, 40)
FROZEN_LENGTH_S = 85
FROZEN_SHARE = 0.02
"""Of the scripts, those that are long enough to tell a frozen value."""
FROZEN_AFTER_S = 62
"""The readers wait 60 s; the reading under way and its delivery come on top."""
FAULT_COUNTS = (1, 4)
FAULT_S = (1, 15)
FRESH_S = 5.0
"""No reading older than this may support ready (requirement)."""
READY_F, DEAD_BAND_F, PRECIPITATION_F = 180.0, 2.0, 193.0
"""Of the requirements: ready from 180 degF, held to 2 degF under it, never at 193 degF or over."""
SPARE_C = 0.2
"""Noise, the chip's step, the probe's error and the truth's move since its conversion."""
FASTEST_F_S = 0.5
"""A true ramp (the power-on rule takes 2 degC in 3 s as beyond any)."""
SHOW_S = 0.1
PSI, STROKE_PSI = 40.0, 2.0
NOISE_C, NOISE_PSI = 0.03, 0.15
CHUNK = 50

Kind = ProbeFault | LineFault | str
OTHERS = ("silence", "late", "twice", "restart", "reboot", "power dip", "clock")
"""No reading is delivered; readings come late, or twice and out of order; the monitor restarts
in the same boot or in another; the probe's supply dips for one conversion; the wall clock jumps."""
KINDS: tuple[Kind, ...] = (*ProbeFault, *LineFault, *OTHERS, "power dip", "power dip")


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong, from one second of the script up to another."""

    kind: Kind
    begins_s: int
    ends_s: int

    def holds(self, second: int) -> bool:
        """Tell whether it is wrong in this second."""
        return self.begins_s <= second < self.ends_s


@dataclass(frozen=True, slots=True)
class Taken:
    """A reading on its way, and what the truth was: when it was taken, whether its sensor was well."""

    point: Point
    payload: bytes
    at_s: float
    well: bool
    true_c: float


class PressClock(ManualClock):
    """A clock whose every move moves the press."""

    def __init__(self, moved: Callable[[float], None]) -> None:
        super().__init__()
        self._moved = moved

    def advance(self, seconds: float) -> None:
        """Move on, and the press with it."""
        super().advance(seconds)
        self._moved(seconds)


@dataclass
class Bench:
    """One script: a press, its readers, the engine, and what was wrong with its verdicts."""

    seed: int
    tree: KernelTree
    wrong: Counter[str] = field(default_factory=Counter)
    ready: int = 0
    bad: int = 0
    now_s: float = 0.0

    def __post_init__(self) -> None:
        self.chance = random.Random(self.seed)  # noqa: S311 - a test's repeatable dice
        self.clock = PressClock(self._move)
        self.settings = load(overrides=["point.outlet.time_constant=0 s", "point.outlet.tolerance=0.1 degC"])
        self.rules = self.settings.rules()
        chip = self.chance.choice(list(ChipKind))
        self.probe_files = ProbeFiles(self.tree.w1, sensor_id=f"{self.seed:012x}", chip=chip)
        self.line_files = LineFiles(self.tree.iio, device=0)
        self.true_f = self.chance.uniform(170.0, 196.0)
        self.wanted_f = self.true_f
        self.shown_c = deg_c(self.true_f)
        self._behind_s = 0.0
        self._in_force: dict[type, Fault | None] = {}
        self._since_s: dict[type, float] = {}
        self.state: State = fresh(boot=self.clock.boot, mono_s=self.clock.now_s, rules=self.rules)
        self.held: list[Taken] = []
        self.newest: dict[Point, Taken] = {}
        self._fit_readers()

    def run(self, faults: list[Fault], *, length_s: int) -> None:
        """Let the script happen."""
        for second in range(length_s):
            if second == 2:
                command = Command(id="00000000", who="a person", args=StartArgs())
                self._enter(CommandArrived(stamp=self._stamp(), command=command))
            self._second([fault for fault in faults if fault.holds(second)], second)

    def _second(self, now: list[Fault], second: int) -> None:
        kinds = {fault.kind for fault in now}
        begun = {fault.kind for fault in now if fault.begins_s == second}
        self._break_sensors(now)
        if "restart" in begun or "reboot" in begun:
            self._restart(reboot="reboot" in begun)
        if "clock" in kinds:
            self.clock.wall_time = jumped(self.clock.wall_time, self.chance)
        if self.chance.random() < 0.1:
            # Often to the very value that a power-on shows: 85 degC, 185 degF.
            self.wanted_f = self.chance.choice((self.chance.uniform(150.0, 200.0), 185.0))
        dip = "power dip" in kinds
        if dip:
            self.probe_files.lose_power()
        begin_s, began_s = self.clock.now_s, self.now_s
        outlet = self.probe.read()
        well = not dip and self._is_well(ProbeFault)
        taken = [Taken(Point.OUTLET, encode(outlet), began_s, well, self.shown_c)]
        line = self.transducer.read_second(begin_s, stop=threading.Event())
        assert line is not None
        well = self._is_well(LineFault)
        taken.append(Taken(Point.LINE, encode(line), self.now_s, well, self.shown_c))
        self.bad += sum(not each.well for each in taken)
        self._deliver(taken, kinds)
        self._enter(Tick(stamp=self._stamp()))

    def _break_sensors(self, now: list[Fault]) -> None:
        """Let the first fault of each sensor be in force, and the files show it."""
        for files, kind in ((self.probe_files, ProbeFault), (self.line_files, LineFault)):
            fault = next((each for each in now if isinstance(each.kind, kind)), None)
            if fault is not self._in_force.get(kind):
                self._in_force[kind] = fault
                self._since_s[kind] = self.now_s
            files.fault = fault.kind if fault else None
        self._show()

    def _is_well(self, kind: type) -> bool:
        """Tell whether a sensor shows the truth, or was frozen for less than a reader can tell."""
        fault = self._in_force.get(kind)
        if fault is None:
            return True
        frozen = fault.kind in (ProbeFault.FROZEN, LineFault.FROZEN)
        return frozen and self.now_s - self._since_s[kind] <= FROZEN_AFTER_S

    def _restart(self, *, reboot: bool) -> None:
        snapshot = stored(self.state)
        if reboot:
            self.clock.boot = f"boot-{self.chance.getrandbits(32):08x}"
            self.clock.now_s = self.chance.uniform(5.0, 50.0)
            self.held.clear()
            self._fit_readers()
        self.newest.clear()
        self.state = restored(snapshot, boot=self.clock.boot, mono_s=self.clock.now_s)

    def _fit_readers(self) -> None:
        bus = ProbeBus(self.tree.w1, wanted={Point.OUTLET: self.probe_files.name})
        section = self.settings.point.outlet
        self.probe = TemperatureProbe(Point.OUTLET, section=section, bus=bus, clock=self.clock)
        self.transducer = Transducer(self.settings.point.line, root=self.tree.iio, clock=self.clock)

    def _deliver(self, taken: list[Taken], kinds: set[Kind]) -> None:
        if "silence" in kinds:
            return
        self.held += taken
        if "late" in kinds and self.chance.random() < 0.8:
            return
        going, self.held = self.held, []
        if "twice" in kinds:
            going += going
            self.chance.shuffle(going)
        for each in going:
            reading = decode(each.payload, Reading)
            before = self.newest.get(each.point)
            if before is None or each.at_s > before.at_s:
                self.newest[each.point] = each
            self._enter(ReadingArrived(stamp=self._stamp(), point=each.point, reading=reading))

    def _enter(self, entered: Input) -> None:
        self.state, _ = step(self.state, entered, rules=self.rules)
        if Flag.READY_TO_BOTTLE not in raised(self.state):
            return
        self.ready += 1
        for point in (Point.OUTLET, Point.LINE):
            newest = self.newest.get(point)
            if newest is None or self.now_s - newest.at_s > FRESH_S:
                self.wrong["on a stale reading"] += 1
            elif not newest.well:
                self.wrong["on a bad reading"] += 1
            elif point is Point.OUTLET and not _is_ready(newest.true_c):
                self.wrong["against the truth"] += 1

    def _stamp(self) -> Stamp:
        wall = self.clock.wall()
        return Stamp(boot=self.clock.boot, mono_s=self.clock.now_s, time=wall.time, clock=wall.state)

    def _move(self, seconds: float) -> None:
        self.now_s += seconds
        self._behind_s += seconds
        if self._behind_s >= SHOW_S:
            most_f = FASTEST_F_S * self._behind_s
            self.true_f += min(max(self.wanted_f - self.true_f, -most_f), most_f)
            self._behind_s = 0.0
            self._show_line()

    def _show(self) -> None:
        """Let the probe convert: once a second, as it is asked; the line is shown all the time."""
        self._show_line()
        self.probe_files.show(deg_c(self.true_f) + self.chance.gauss(0.0, NOISE_C))
        if self.probe_files.fault is not ProbeFault.FROZEN:
            self.shown_c = deg_c(self.true_f)

    def _show_line(self) -> None:
        pulsing = self.chance.uniform(-STROKE_PSI, STROKE_PSI) + self.chance.gauss(0.0, NOISE_PSI)
        self.line_files.show(psi_mv(PSI + pulsing))


def _is_ready(true_c: float) -> bool:
    return deg_c(READY_F - DEAD_BAND_F) - SPARE_C <= true_c <= deg_c(PRECIPITATION_F) + SPARE_C


def script(seed: int) -> tuple[list[Fault], int]:
    """Return the faults of the script ``seed`` and how long it is [s]."""
    chance = random.Random(f"script {seed}")  # noqa: S311 - a test's repeatable dice
    if chance.random() < FROZEN_SHARE:
        length_s = WARM_UP_S + FROZEN_LENGTH_S
        kind = chance.choice((ProbeFault.FROZEN, LineFault.FROZEN))
        return [Fault(kind, WARM_UP_S, length_s)], length_s
    length_s = WARM_UP_S + chance.randint(*LENGTH_S)
    faults = []
    for _ in range(chance.randint(*FAULT_COUNTS)):
        begins_s = chance.randrange(length_s)
        faults.append(Fault(chance.choice(KINDS), begins_s, begins_s + chance.randint(*FAULT_S)))
    return faults, length_s


def play(seeds: range) -> tuple[Counter[str], int, int]:
    """Play the scripts of ``seeds``; return what was wrong, how many said ready, and bad readings."""
    logging.disable(logging.WARNING)
    wrong: Counter[str] = Counter()
    ready = bad = 0
    for seed in seeds:
        with KernelTree.temporary() as tree:
            bench = Bench(seed, tree)
            faults, length_s = script(seed)
            bench.run(faults, length_s=length_s)
        wrong += Counter({f"{what}, script {seed}": count for what, count in bench.wrong.items()})
        ready += bench.ready > 0
        bad += bench.bad
    return wrong, ready, bad


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Play many scripts in a few processes."""
    del directory
    starts = range(0, counts.sequences, CHUNK)
    chunks = [range(start, min(start + CHUNK, counts.sequences)) for start in starts]
    with workers_of(counts) as workers:
        played = list(workers.map(play, chunks))
    wrong = sum((each for each, _, _ in played), Counter[str]())
    ready, bad = (sum(each[place] for each in played) for place in (1, 2))
    for what in ("on a bad reading", "on a stale reading", "against the truth"):
        scripts = [name for name in wrong if name.startswith(what)]
        example = f" ({scripts[0].partition(', ')[2]})" if scripts else ""
        yield Metric(
            family=6,
            what=f"ready {what}, of {counts.sequences} scripts{example}",
            measured=len(scripts),
            limit=0,
        )
    share = 100.0 * ready / counts.sequences
    yield Metric(
        family=6,
        what="scripts that were ready at some time",
        measured=share,
        limit=30,
        unit="%",
        at_least=True,
    )
    yield Metric(
        family=6, what="bad readings a script", measured=bad / counts.sequences, limit=1, at_least=True
    )
