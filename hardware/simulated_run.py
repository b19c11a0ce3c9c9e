"""One invented run, stepped through time: pump, hose, cakes, plates, pan and person together.

Nothing here is shared with the forecast: heat goes through plates in a row, cakes grow on
papers that differ, and the flow is what pump and press make of each other fifty times a
second. The same scenario and seed give the same run.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass

from hardware.simulated_cakes import Cakes
from hardware.simulated_operator import EndReason, Operator, Sight
from hardware.simulated_plates import PlateStack
from hardware.simulated_pump import BLEED_M3_S_PA, Hose, pump_of
from hardware.simulated_season import Mishap, Scenario, draw_batch
from hardware.simulated_sensors import SimulatedProbe
from hardware.simulated_syrup import Pan
from monitor.contract.names import PumpKind

TICK_S = 0.02
"""Step of pump and hose: fifty samples a second, as the line is read."""
TICKS_A_SLOW_STEP = 10
"""Heat and cakes move slowly: every 0.2 s is enough."""
TICKS_A_SECOND = 50
PUMP_ON_S = 3.0
"""The pump is opened this long after the run's own time begins."""
HOSE_AIR_M3 = 1.6e-4
"""Air trapped in hose and press, measured at no pressure."""
TEAR_M3_S_PA = 2.5e-9
FEED_RISE_S = 900.0
HOT_PAN_RISE_C, HOT_PAN_RISE_S, HOT_PAN_LASTS_S, HOT_PAN_FALL_S = 7.0, 100.0, 260.0, 120.0
DARK_SHARE, DARK_SAND_FACTOR = 0.35, 4.0
"""A late batch: this share of what is in the pan, with so many times the sugar sand."""
NO_STIRRING_LASTS_S = 500.0
TORN_RUN_ON_S = 180.0
"""How long the person runs on before a torn paper is believed."""
GEAR_FLOW_M3_S_M2 = 2.6e-4
"""Flow that a pump without a regulator is chosen for, by area of paper."""
PROBE_TIME_CONSTANT_S = 12.0
"""A probe in a thin well in moving syrup."""
FILLER_LOSS_C = 0.8
OPENED_AFTER_S = 45.0
COOLING_S = 120.0
"""The press is opened so long after the end; then the probe hangs in the air and cools."""
FLOW_SMOOTHING_S = 12.0
"""A person judges the flow over several strokes."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Truth:
    """What really is, for tests and for nobody else: degC, kPa, L, L/min, s."""

    elapsed_s: float
    """Since the pump was opened; negative before."""
    running: bool
    outlet_c: float
    feed_c: float
    line_kpa: float
    filtered_l: float
    strokes: int
    fill: float
    flow_l_min: float
    settled: float
    """Share of the pan's solids that lies on its bottom."""
    cloudy: bool
    end_reason: EndReason | None


class SimulatedRun:
    """A run of ``scenario``; :meth:`tick` moves it 20 ms."""

    def __init__(self, scenario: Scenario, *, seed: int, probe: SimulatedProbe | None = None) -> None:
        chance = random.Random(f"{seed} {scenario.mishap.value}")  # noqa: S311 - an invented run, not a secret
        self.scenario = scenario
        self.batch = batch = draw_batch(scenario, chance=chance)
        regulates = scenario.pump_kind in (PumpKind.AIR_DIAPHRAGM, PumpKind.HAND_DIAPHRAGM)
        self.pump = pump_of(
            scenario.pump_kind,
            displacement_l=scenario.displacement_l,
            flow_m3_s=GEAR_FLOW_M3_S_M2 * scenario.paper_area_m2,
            chance=chance,
        )
        self.hose = Hose(air_m3=HOSE_AIR_M3)
        self.cakes = Cakes(
            frames=scenario.frames,
            frame_side_m=scenario.frame_side_m,
            frame_thickness_m=scenario.frame_thickness_m,
            paper_per_m=batch.paper_per_m,
            sand_m_kg=batch.sand_m_kg,
            chance=chance,
        )
        self.plates = PlateStack(
            plates=scenario.frames + 1,
            metal_kg=batch.plate_kg,
            start_c=batch.plates_c,
            room_c=batch.room_c,
            heat_w_k=batch.heat_w_k,
            loss_w_k=batch.loss_w_k,
            syrup_l=0.8 * scenario.frame_room_l,
        )
        self.pan = Pan(
            syrup_l=batch.syrup_l,
            filter_aid_g=batch.syrup_l * batch.filter_aid_g_l,
            sand_g=batch.syrup_l * batch.sand_g_l,
        )
        self.operator = Operator(regulates=regulates, chance=chance)
        self.probe = probe or SimulatedProbe(
            start_c=batch.plates_c, time_constant_s=PROBE_TIME_CONSTANT_S, chance=chance
        )
        self.filtered_m3 = 0.0
        self.pumped_m3 = 0.0
        self.bled_m3 = 0.0
        self.end_reason: EndReason | None = None
        self.elapsed_s = -PUMP_ON_S
        self._ticks = 0
        self._waiting_m3 = 0.0
        self._drain = 0.0
        self._flow_l_min = 0.0
        self._second_m3 = 0.0
        self._second_pa = 0.0
        self._poured = False
        self._ended_at_s: float | None = None
        self._wobble = chance.uniform(0.0, 2.0 * math.pi)
        self._slow_step(dt_s=TICK_S)

    @property
    def running(self) -> bool:
        """True while the pump is open."""
        return self.elapsed_s >= 0.0 and self.end_reason is None

    @property
    def line_kpa(self) -> float:
        """True line pressure [kPa]."""
        return 1e-3 * self.hose.pressure_pa

    @property
    def filtered_l(self) -> float:
        """Syrup filtered so far [L]."""
        return 1e3 * self.filtered_m3

    @property
    def feed_c(self) -> float:
        """Temperature of the syrup at the pump [degC]."""
        at_s = max(self.elapsed_s, 0.0)
        slow = 0.15 * math.sin(at_s / 47.0 + self._wobble)
        rise = self.batch.feed_rise_c * min(at_s / FEED_RISE_S, 1.3)
        return self.batch.feed_c + rise + slow + self._fire_c(at_s)

    @property
    def filler_c(self) -> float:
        """Temperature in the filler [degC]: bottled syrup a little cooler, else the room's air."""
        if self.running and self.operator.diverted:
            return self.plates.outlet_c - FILLER_LOSS_C
        return self.batch.room_c

    @property
    def truth(self) -> Truth:
        """What really is now."""
        return Truth(
            elapsed_s=self.elapsed_s,
            running=self.running,
            outlet_c=self.plates.outlet_c,
            feed_c=self.feed_c,
            line_kpa=self.line_kpa,
            filtered_l=self.filtered_l,
            strokes=self.pump.strokes,
            fill=self.cakes.fill,
            flow_l_min=self._flow_l_min,
            settled=1.0 - self.pan.stirred,
            cloudy=self.cakes.tear_m3_s_pa > 0.0,
            end_reason=self.end_reason,
        )

    def during(self, mishap: Mishap, *, lasts_s: float = math.inf) -> bool:
        """Return whether ``mishap`` is this run's and is going on now."""
        since_s = self.elapsed_s - self.batch.mishap_at_s
        return self.scenario.mishap is mishap and 0.0 <= since_s < lasts_s

    def tick(self) -> float:
        """Move on by 20 ms and return the true line pressure [kPa]."""
        self.elapsed_s += TICK_S
        self._ticks += 1
        hose, pump = self.hose, self.pump
        if self.running:
            supply_pa, supply = pump.push(TICK_S, hose.pressure_pa)
            came_in, went_out = hose.step(TICK_S, supply_pa=supply_pa, supply=supply, drain=self._drain)
            if supply:
                self.pumped_m3 += came_in
            pump.moved(came_in, TICK_S)
            self._waiting_m3 += went_out
            self._second_pa += hose.pressure_pa
        elif hose.pressure_pa > 0.0:
            self._let_out()
        if self._ticks % TICKS_A_SLOW_STEP == 0:
            self._slow_step(dt_s=TICKS_A_SLOW_STEP * TICK_S)
        if self._ticks % TICKS_A_SECOND == 0:
            self._look()
        return 1e-3 * hose.pressure_pa

    def _end(self, reason: EndReason | None) -> None:
        self.end_reason = reason
        if reason is not None:
            self._ended_at_s = self.elapsed_s

    def _let_out(self) -> None:
        _, out = self.hose.step(TICK_S, supply_pa=0.0, supply=0.0, drain=self._drain + BLEED_M3_S_PA)
        through = out * self._drain / (self._drain + BLEED_M3_S_PA)
        self._waiting_m3 += through
        self.bled_m3 += out - through

    def _slow_step(self, *, dt_s: float) -> None:
        """Move heat, solids and cakes on by the volume of the last ticks."""
        volume_m3, self._waiting_m3 = self._waiting_m3, 0.0
        self.filtered_m3 += volume_m3
        self._second_m3 += volume_m3
        self.plates.step(dt_s, feed_c=self.feed_c, volume_m3=volume_m3)
        self.pan.settle(dt_s, stirring=not self.during(Mishap.NO_STIRRING, lasts_s=NO_STIRRING_LASTS_S))
        filter_aid_g, sand_g = self.pan.draw(1e3 * volume_m3, returned=not self.operator.diverted)
        if volume_m3 > 0.0:
            self.cakes.deposit(filter_aid_g=filter_aid_g, sand_g=sand_g)
        self.probe.follow(self._at_probe_c(), dt_s=dt_s)
        self._befall()
        self._drain = self.cakes.conductance(
            self.hose.pressure_pa, syrup_c=self.plates.syrup_c, brix=self.batch.brix
        )

    def _at_probe_c(self) -> float:
        """Return what the probe stands in: syrup in a run, the room's air when the press is open."""
        hot_c = self.plates.outlet_c
        if self._ended_at_s is None or self.elapsed_s < self._ended_at_s + OPENED_AFTER_S:
            return hot_c
        open_s = self.elapsed_s - self._ended_at_s - OPENED_AFTER_S
        return self.batch.room_c + (hot_c - self.batch.room_c) * math.exp(-open_s / COOLING_S)

    def _befall(self) -> None:
        """Let the mishap of this run happen."""
        if self.during(Mishap.TORN_PAPER) and self.running:
            self.cakes.tear(TEAR_M3_S_PA * self.scenario.frames / 5)
        if self.during(Mishap.DARK_SYRUP) and not self._poured:
            self._poured = True
            self.pan.pour_in(
                DARK_SHARE * self.pan.syrup_l,
                sand_g_l=DARK_SAND_FACTOR * self.batch.sand_g_l,
                filter_aid_g_l=self.batch.filter_aid_g_l,
            )

    def _fire_c(self, at_s: float) -> float:
        """Return how much too hot the feed is because the fire was left high [degC]."""
        if self.scenario.mishap is not Mishap.HOT_PAN or at_s < self.batch.mishap_at_s:
            return 0.0
        since_s = at_s - self.batch.mishap_at_s
        risen = min(since_s / HOT_PAN_RISE_S, 1.0)
        fallen = min(max((since_s - HOT_PAN_LASTS_S) / HOT_PAN_FALL_S, 0.0), 1.0)
        return HOT_PAN_RISE_C * (risen - fallen)

    def _look(self) -> None:
        """Let the person look and act, once a second."""
        litres_a_minute = 60e3 * self._second_m3
        self._flow_l_min += (litres_a_minute - self._flow_l_min) / FLOW_SMOOTHING_S
        line_pa, self._second_pa, self._second_m3 = self._second_pa / TICKS_A_SECOND, 0.0, 0.0
        if not self.running:
            return
        self.pump.setting_pa = self.operator.setting_pa
        if self.during(Mishap.TORN_PAPER):
            if not self.during(Mishap.TORN_PAPER, lasts_s=TORN_RUN_ON_S):
                self._end(EndReason.TORN)
            return
        reason = self.operator.look(
            Sight(
                elapsed_s=self.elapsed_s,
                line_pa=line_pa,
                flow_l_min=self._flow_l_min,
                # Without noise: how often others read the probe must not change the run.
                shown_c=self.probe.steady_c,
                pan_l=self.pan.syrup_l,
                gap_left=1.0 - self.cakes.fill,
            )
        )
        self._end(reason)
