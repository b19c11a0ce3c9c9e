"""The person at an invented press: starts low, diverts when hot, raises the pressure, stops."""

from __future__ import annotations

import random
from dataclasses import dataclass
from enum import Enum

PSI_PA = 6894.757

FIRST_PA = 30.0 * PSI_PA
"""Where a run starts by common practice (no source)."""
STEP_PA = 10.0 * PSI_PA
TOP_PA = 83.0 * PSI_PA
"""The last setting, so that the line itself comes to some 80 psi."""
CUTOFF_PA = 80.0 * PSI_PA
"""Where a person stops a pump that has no regulator (common practice, no source)."""
DIVERT_C = 82.6
"""Shown outlet at which the hose goes over to the bottler [degC], a little over 180 degF."""
BACK_C = 81.0


class EndReason(Enum):
    """Why a run ended."""

    PRESSURE = "pressure"
    FRAMES = "frames"
    EMPTY = "pan empty"
    TORN = "torn paper"


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """What a person at the press sees once a second: the gauge, the pump, the display."""

    elapsed_s: float
    line_pa: float
    flow_l_min: float
    shown_c: float | None
    pan_l: float
    gap_left: float
    """Share of the frames' room that is free; felt by hand only as the flow that stops."""


class Operator:
    """One person with some patience; ``setting_pa`` is what the regulator or the arm is set to."""

    SHORTEST_STEP_S = 45.0

    def __init__(self, *, regulates: bool, chance: random.Random) -> None:
        self.setting_pa = FIRST_PA if regulates else TOP_PA * 1.05
        self.diverted = False
        self._regulates = regulates
        self._raise_below = chance.uniform(0.78, 0.88)
        self._give_up_below = chance.uniform(0.15, 0.22)
        self._reaction_s = chance.uniform(8.0, 30.0)
        self._watch_s = chance.uniform(40.0, 90.0)
        self._best_l_min = 0.0
        self._best_here_l_min = 0.0
        self._set_at_s = 0.0
        self._wants_at_s: float | None = None
        self._over_since_s: float | None = None

    def look(self, sight: Sight) -> EndReason | None:
        """Act on what is seen; return why the run ends, null while it goes on."""
        self._divert(sight.shown_c)
        self._best_l_min = max(self._best_l_min, sight.flow_l_min)
        self._best_here_l_min = max(self._best_here_l_min, sight.flow_l_min)
        if sight.pan_l < 1.0:
            return EndReason.EMPTY
        if sight.elapsed_s > 120.0 and sight.flow_l_min < self._give_up_below * self._best_l_min:
            return EndReason.FRAMES if sight.gap_left < 0.05 else EndReason.PRESSURE
        if self._regulates:
            self._regulate(sight)
        return self._stop(sight)

    def _divert(self, shown_c: float | None) -> None:
        if shown_c is not None:
            self.diverted = shown_c >= (BACK_C if self.diverted else DIVERT_C)

    def _regulate(self, sight: Sight) -> None:
        slow = sight.flow_l_min < self._raise_below * self._best_here_l_min
        settled = sight.elapsed_s - self._set_at_s > self.SHORTEST_STEP_S
        if not slow or not settled or not self.diverted or self.setting_pa >= TOP_PA:
            self._wants_at_s = None
            return
        if self._wants_at_s is None:
            self._wants_at_s = sight.elapsed_s
        if sight.elapsed_s - self._wants_at_s >= self._reaction_s:
            self.setting_pa = min(self.setting_pa + STEP_PA, TOP_PA)
            self._set_at_s, self._wants_at_s = sight.elapsed_s, None
            self._best_here_l_min = 0.0

    def _stop(self, sight: Sight) -> EndReason | None:
        if sight.line_pa < CUTOFF_PA:
            self._over_since_s = None
            return None
        if self._over_since_s is None:
            self._over_since_s = sight.elapsed_s
        return EndReason.PRESSURE if sight.elapsed_s - self._over_since_s > self._watch_s else None
