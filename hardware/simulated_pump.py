"""The pumps of an invented press and the hose between pump and press.

A pump says with what pressure and through what inner resistance it pushes just now; the
hose with its trapped air turns that into line pressure. Pulsation comes of it by itself.
"""

from __future__ import annotations

import math
import random
from typing import Protocol

from monitor.contract.names import PumpKind

ATMOSPHERE_PA = 101_325.0
HOSE_M3_PA = 1.5e-11
"""How much the hose wall gives way."""
BLEED_M3_S_PA = 4e-9
"""The valve that lets the pressure out at the end of a run."""


class Hose:
    """Line pressure [Pa, gauge] between pump and press, with ``air_m3`` [m3] of trapped air."""

    def __init__(self, *, air_m3: float) -> None:
        self.pressure_pa = 0.0
        self._air_m3 = air_m3

    def stored_m3(self, pressure_pa: float) -> float:
        """Return the syrup [m3] held beyond that at rest: air pressed together, wall stretched."""
        pressed = self._air_m3 * pressure_pa / (pressure_pa + ATMOSPHERE_PA)
        return pressed + HOSE_M3_PA * pressure_pa

    def step(self, dt_s: float, *, supply_pa: float, supply: float, drain: float) -> tuple[float, float]:
        """Move on by ``dt_s`` and return what came in and what went out [m3].

        ``supply`` and ``drain`` are conductances [m3/(s Pa)] from ``supply_pa`` and to no pressure.
        """
        before = self.pressure_pa
        give = self._air_m3 * ATMOSPHERE_PA / (before + ATMOSPHERE_PA) ** 2 + HOSE_M3_PA
        both = supply + drain
        if both <= 0.0:
            return 0.0, 0.0
        end_pa = supply * supply_pa / both
        rate = both / give
        gone = -math.expm1(-rate * dt_s)
        self.pressure_pa = before + (end_pa - before) * gone
        mean_pa = end_pa + (before - end_pa) * gone / (rate * dt_s)
        came_in = supply * (supply_pa - mean_pa) * dt_s
        return came_in, came_in - self.stored_m3(self.pressure_pa) + self.stored_m3(before)


class SimulatedPump(Protocol):
    """How syrup is pushed."""

    strokes: int
    setting_pa: float
    """What the operator sets: regulator, effort, or the relief of a pump without either."""

    def push(self, dt_s: float, line_pa: float) -> tuple[float, float]:
        """Return the pressure [Pa] behind the coming ``dt_s`` and its conductance [m3/(s Pa)]."""

    def moved(self, volume_m3: float, dt_s: float) -> None:
        """Take note that ``volume_m3`` [m3] left the pump in ``dt_s``."""


class AirDiaphragmPump:
    """Two diaphragms driven by regulated air: at each stroke change the push fails for a moment."""

    INNER_PA_S_M3 = 1e8
    INNER_PA_S2_M6 = 3e12
    """Valves and ports throttle with the square of the flow: about 16 L/min free at 30 psi."""
    SMOOTHING_S = 0.3
    CHANGE_S = 0.09
    CHANGE_SHARE = 0.05
    """A slow pump changes over slowly: this share of the stroke's duration on top."""
    LONGEST_STROKE_S = 6.0

    def __init__(self, *, displacement_l: float, chance: random.Random) -> None:
        self.strokes = 0
        self.setting_pa = 0.0
        self._chance = chance
        efficiency = chance.uniform(0.95, 0.99)
        self._nominal_m3 = 1e-3 * displacement_l * efficiency
        self._uneven = chance.uniform(-0.03, 0.03)
        self._chamber_m3 = self._nominal_m3
        self._moved_m3 = 0.0
        self._flow_m3_s = 0.0
        self._stroke_s = 0.0
        self._changing_s = 0.0

    def push(self, dt_s: float, line_pa: float) -> tuple[float, float]:
        """Return the regulated pressure, or nothing during a stroke change."""
        if self._changing_s > 0.0:
            self._changing_s -= dt_s
            return 0.0, 0.0
        if self.setting_pa <= line_pa:
            return 0.0, 0.0
        return self.setting_pa, 1.0 / (self.INNER_PA_S_M3 + self.INNER_PA_S2_M6 * self._flow_m3_s)

    def moved(self, volume_m3: float, dt_s: float) -> None:
        """Count a stroke when a chamber has emptied, and begin to change over."""
        self._flow_m3_s += (volume_m3 / dt_s - self._flow_m3_s) * min(1.0, dt_s / self.SMOOTHING_S)
        self._moved_m3 += volume_m3
        self._stroke_s += dt_s
        if self._moved_m3 < self._chamber_m3:
            return
        self._moved_m3 -= self._chamber_m3
        self.strokes += 1
        self._changing_s = self.CHANGE_S + self.CHANGE_SHARE * min(self._stroke_s, self.LONGEST_STROKE_S)
        self._stroke_s = 0.0
        side = self._uneven if self.strokes % 2 else -self._uneven
        self._chamber_m3 = self._nominal_m3 * (1.0 + side + self._chance.gauss(0.0, 0.01))


class HandDiaphragmPump:
    """A lever: a push, a return without flow, and a rest when the arm is tired."""

    PUSH_S = 0.9
    RETURN_S = 0.6
    STROKES_TO_TIRE = (40, 80)
    REST_S = (4.0, 9.0)

    def __init__(self, *, displacement_l: float, chance: random.Random) -> None:
        self.strokes = 0
        self.setting_pa = 0.0
        self._chance = chance
        self._chamber_m3 = 1e-3 * displacement_l * chance.uniform(0.94, 0.98)
        self._left_m3 = self._chamber_m3
        self._pause_s = 0.0
        self._push_s = self.PUSH_S
        self._until_tired = chance.randint(*self.STROKES_TO_TIRE)

    def push(self, dt_s: float, line_pa: float) -> tuple[float, float]:
        """Return the arm's push: weaker as the line resists, nothing on the way back."""
        if self._pause_s > 0.0:
            self._pause_s -= dt_s
            return 0.0, 0.0
        if self.setting_pa <= line_pa:
            return 0.0, 0.0
        # The lever moves fastest in the middle of its way.
        done = 1.0 - self._left_m3 / self._chamber_m3
        pace = 0.45 + 0.55 * math.sin(math.pi * min(max(done, 0.0), 1.0))
        return self.setting_pa, 1.6 * pace * self._chamber_m3 / self._push_s / self.setting_pa

    def moved(self, volume_m3: float, dt_s: float) -> None:
        """Count a stroke when the chamber has emptied; then return, and rest now and then."""
        self._left_m3 -= volume_m3
        if self._left_m3 > 0.0:
            return
        self._left_m3 += self._chamber_m3
        self.strokes += 1
        self._until_tired -= 1
        self._push_s = self.PUSH_S * self._chance.uniform(0.9, 1.15)
        self._pause_s = self.RETURN_S * self._chance.uniform(0.9, 1.2)
        if self._until_tired <= 0:
            self._until_tired = self._chance.randint(*self.STROKES_TO_TIRE)
            self._pause_s = self._chance.uniform(*self.REST_S)


class SteadyPump:
    """A gear pump, or an electric diaphragm pump with a bypass: even flow up to its relief."""

    RIPPLE = 0.02
    TEETH_HZ = 11.3
    SLIP_PA = 4e6
    """Pressure at which all flow would slip back through the gears."""
    RELIEF_M3_S_PA = 2e-10

    def __init__(self, *, flow_m3_s: float) -> None:
        self.strokes = 0
        self.setting_pa = 0.0
        self._flow_m3_s = flow_m3_s
        self._turned_s = 0.0

    def push(self, dt_s: float, line_pa: float) -> tuple[float, float]:
        """Return the push of the turning gears; over the relief setting most goes back."""
        self._turned_s += dt_s
        if self.setting_pa <= line_pa:
            return 0.0, 0.0
        ripple = 1.0 + self.RIPPLE * math.sin(2.0 * math.pi * self.TEETH_HZ * self._turned_s)
        gears = self._flow_m3_s * ripple / self.SLIP_PA
        room_pa = self.setting_pa - line_pa
        if gears * (self.SLIP_PA - line_pa) > self.RELIEF_M3_S_PA * room_pa * 10.0:
            return self.setting_pa, 10.0 * self.RELIEF_M3_S_PA
        return self.SLIP_PA, gears

    def moved(self, volume_m3: float, dt_s: float) -> None:
        """Take no note: nothing strokes."""


def pump_of(
    kind: PumpKind, *, displacement_l: float, flow_m3_s: float, chance: random.Random
) -> SimulatedPump:
    """Return a pump of ``kind``; ``flow_m3_s`` [m3/s] is what a pump without strokes delivers."""
    if kind is PumpKind.AIR_DIAPHRAGM:
        return AirDiaphragmPump(displacement_l=displacement_l, chance=chance)
    if kind is PumpKind.HAND_DIAPHRAGM:
        return HandDiaphragmPump(displacement_l=displacement_l, chance=chance)
    return SteadyPump(flow_m3_s=flow_m3_s)
