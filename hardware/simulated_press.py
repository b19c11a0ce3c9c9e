"""An invented press that runs a season by itself and feeds the real readers.

It writes the same kernel files that a probe and a converter would stand behind, so it is
the equal of a board at a press. Between runs the press is opened and washed: the line has
no pressure and the probe cools in the air.
"""

from __future__ import annotations

import asyncio
import random
import threading
from collections.abc import Iterable, Iterator

from hardware.kernel_files import KernelTree, LineFiles, ProbeFault, ProbeFiles
from hardware.simulated_chip import ChipKind
from hardware.simulated_run import TICK_S, SimulatedRun, Truth
from hardware.simulated_season import PROBE_LOST_S, Mishap, Scenario, season
from hardware.simulated_sensors import SimulatedProbe, SimulatedTransducer
from monitor.contract.readings import Point
from monitor.runtime.clock import Clock
from monitor.runtime.settings import Settings

SENSORS = {Point.OUTLET: "0000feed0001", Point.PAN: "0000feed0002", Point.FILLER: "0000feed0003"}
"""Invented probes' ids where the settings name none."""
PROBE_PERIOD_S = 0.5
PAUSE_S = 690.0
"""Between two runs: long enough that ending the last one has been proposed (10 min)."""
IDLE_C = 18.0
"""Where a press stands that has never run [degC]."""
FIRST_SEED = 2
"""The demo's first run: hot after some 3 minutes, papers full after some 19."""
LATEST_S = 5.0
"""A step never makes up more than this: after a stop the press goes on from where it stood."""


class SimulatedPress:
    """A press at ``tree``, as ``settings`` describe it, running ``scenarios`` one after another.

    ``step`` moves time, ``write`` shows it in the files; ``run`` does both by a clock.
    When the scenarios are used up the press stays open, without pressure.
    """

    def __init__(
        self,
        tree: KernelTree,
        *,
        settings: Settings,
        scenarios: Iterable[Scenario] | None = None,
        seed: int = FIRST_SEED,
        pause_s: float = PAUSE_S,
        chip: ChipKind = ChipKind.GENUINE,
    ) -> None:
        self._scenarios: Iterator[Scenario] = iter(season(settings) if scenarios is None else scenarios)
        self._seed = seed
        self._pause_s = pause_s
        chance = random.Random(seed)  # noqa: S311 - an invented press, not a secret
        line, outlet = settings.point.line, settings.point.outlet
        self.probe_files = ProbeFiles(tree.w1, sensor_id=outlet.sensor or SENSORS[Point.OUTLET], chip=chip)
        self._others = [
            (
                point,
                ProbeFiles(tree.w1, sensor_id=section.sensor or SENSORS[point], chip=chip),
                SimulatedProbe(start_c=IDLE_C, time_constant_s=section.time_constant, chance=chance),
            )
            for point, section in ((Point.PAN, settings.point.pan), (Point.FILLER, settings.point.filler))
            if section is not None
        ]
        self.line_files = LineFiles(tree.iio, channel=line.channel)
        self._transducer = SimulatedTransducer(line, chance=chance)
        self._supply_files = (
            None if line.supply_channel is None else LineFiles(tree.iio, channel=line.supply_channel)
        )
        self._probe = SimulatedProbe(start_c=IDLE_C, time_constant_s=outlet.time_constant, chance=chance)
        self._took_probe = False
        self.runs = 0
        """How many runs have begun."""
        self._since_run_s = 0.0
        self._behind_s = 0.0
        self._probe_due_s = 0.0
        self._line_kpa = 0.0
        self._run: SimulatedRun | None = None
        self._next_run()

    @property
    def truth(self) -> Truth | None:
        """What really is in the run now, or in the last one; null before any."""
        return self._run.truth if self._run else None

    @property
    def scenario(self) -> Scenario | None:
        """The run now, or the last one."""
        return self._run.scenario if self._run else None

    def step(self, dt_s: float) -> None:
        """Move on by ``dt_s`` [s], in whole steps of 20 ms; what is left over is kept."""
        self._behind_s += dt_s
        while self._behind_s >= TICK_S - 1e-9:
            self._behind_s -= TICK_S
            self._tick()

    def write(self) -> None:
        """Show the line now, and the probe when its next conversion is due."""
        self.line_files.show(self._transducer.signal_mv(self._transducer.sense(self._line_kpa)))
        if self._supply_files is not None:
            self._supply_files.show(self._transducer.supply_mv)
        if self._probe_due_s <= 0.0:
            self._probe_due_s = PROBE_PERIOD_S
            self._lose_probe()
            self.probe_files.show(self._probe.convert())
            for point, files, probe in self._others:
                probe.follow(self._beside(point), dt_s=PROBE_PERIOD_S)
                files.show(probe.convert())

    async def run(self, *, clock: Clock) -> None:
        """Run by ``clock`` until cancelled; steps and files are kept in a thread of its own."""
        stop = threading.Event()
        kept = asyncio.ensure_future(asyncio.to_thread(self._keep, clock, stop))
        try:
            await asyncio.shield(kept)
        finally:
            stop.set()
            await asyncio.wait([kept])

    def _keep(self, clock: Clock, stop: threading.Event) -> None:
        due_s = clock.monotonic()
        while not stop.is_set():
            late_s = clock.monotonic() - due_s
            steps = 1 + int(min(late_s, LATEST_S) / TICK_S)
            self.step(steps * TICK_S)
            self.write()
            due_s += steps * TICK_S
            if late_s > LATEST_S:
                due_s = clock.monotonic()
            clock.pause(max(0.0, due_s - clock.monotonic()))

    def _tick(self) -> None:
        self._probe_due_s -= TICK_S
        if self._run is None:
            return
        self._line_kpa = self._run.tick()
        if self._run.end_reason is None:
            return
        self._since_run_s += TICK_S
        if self._since_run_s >= self._pause_s:
            self._next_run()

    def _beside(self, point: Point) -> float:
        """Return what the probe in the pan or at the filler stands in [degC]."""
        if self._run is None:
            return IDLE_C
        return self._run.feed_c if point is Point.PAN else self._run.filler_c

    def _next_run(self) -> None:
        scenario = next(self._scenarios, None)
        if scenario is None:
            return
        self.runs += 1
        self._since_run_s = 0.0
        self._run = SimulatedRun(
            scenario,
            seed=self._seed + self.runs - 1,
            probe=self._probe,
        )

    def _lose_probe(self) -> None:
        """Take the probe away while this run's mishap says so; faults set by others stay."""
        lost = self._run is not None and self._run.during(Mishap.PROBE_LOST, lasts_s=PROBE_LOST_S)
        if lost and self.probe_files.fault is None:
            self.probe_files.fault = ProbeFault.NO_ANSWER
            self._took_probe = True
        elif not lost and self._took_probe:
            self.probe_files.fault = None
            self._took_probe = False
