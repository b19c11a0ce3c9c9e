"""The heat of an invented press: metal plates in a row, each with the syrup beside it.

Every plate takes heat from its own syrup and loses some to the room; the outlet is what
leaves the last one. Heat is counted, so that a test can hold the balance.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from hardware.simulated_syrup import HEAT_J_KG_K, HOT_DENSITY_KG_M3

METAL_HEAT_J_KG_K = 900.0
"""Aluminium."""
REFERENCE_FLOW_M3_S = 7e-5
FLOW_EXPONENT = 0.35
"""Heat passes better where syrup moves faster: between creeping flow (1/3) and mixed."""


@dataclass(slots=True, kw_only=True)
class PlateStack:
    """``plates`` equal plates of ``metal_kg`` together, all at ``start_c`` [degC] to begin with.

    ``heat_w_k`` [W/K] joins all plates to their syrup, ``loss_w_k`` [W/K] to the room at
    ``room_c``; ``syrup_l`` [L] stands in the stack.
    """

    plates: int
    metal_kg: float
    start_c: float
    room_c: float
    heat_w_k: float
    loss_w_k: float
    syrup_l: float
    metal_c: list[float] = field(init=False)
    syrup_c: list[float] = field(init=False)
    brought_j: float = field(init=False, default=0.0)
    carried_off_j: float = field(init=False, default=0.0)
    lost_j: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        """Set every plate and its syrup to the start."""
        self.metal_c = [self.start_c] * self.plates
        self.syrup_c = [self.start_c] * self.plates

    @property
    def outlet_c(self) -> float:
        """Temperature of what leaves the last plate [degC]."""
        return self.syrup_c[-1]

    @property
    def stored_j(self) -> float:
        """Heat in metal and syrup, counted from 0 degC [J]."""
        metal, syrup = self._capacities()
        return metal * sum(self.metal_c) + syrup * sum(self.syrup_c)

    def step(self, dt_s: float, *, feed_c: float, volume_m3: float) -> None:
        """Let ``volume_m3`` [m3] of syrup at ``feed_c`` [degC] pass in ``dt_s``."""
        metal, syrup = self._capacities()
        carried = volume_m3 * HOT_DENSITY_KG_M3 * HEAT_J_KG_K
        speed = max(volume_m3 / dt_s / REFERENCE_FLOW_M3_S, 0.02)
        passed = dt_s * self.heat_w_k * speed**FLOW_EXPONENT / self.plates
        leak = dt_s * self.loss_w_k / self.plates
        self.brought_j += carried * feed_c
        arriving_c = feed_c
        for place in range(self.plates):
            here_c, plate_c = self.syrup_c[place], self.metal_c[place]
            into_plate = passed * (here_c - plate_c)
            into_room = leak * (plate_c - self.room_c)
            # Implicit in the arriving stream, so a burst of flow cannot overshoot.
            new_c = (syrup * here_c + carried * arriving_c - into_plate) / (syrup + carried)
            self.syrup_c[place] = new_c
            self.metal_c[place] = plate_c + (into_plate - into_room) / metal
            self.lost_j += into_room
            arriving_c = new_c
        self.carried_off_j += carried * arriving_c

    def _capacities(self) -> tuple[float, float]:
        """Return the heat capacity of one plate's metal and of its syrup [J/K]."""
        metal = self.metal_kg * METAL_HEAT_J_KG_K / self.plates
        syrup = self.syrup_l * 1e-3 * HOT_DENSITY_KG_M3 * HEAT_J_KG_K / self.plates
        return metal, syrup
