"""The numbers a charge is planned by, in base units. Settings build them; nothing else does."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.entries import Sand

CUP_KG = 0.045
"""A US cup of filter aid, loosely filled [kg]: 35-60 g (from memory); weigh one of your own bag."""

CAKE_KG_M3 = 300.0
"""Dry solids in a cubic metre of wet cake [kg/m3]: design sheets give 250-350."""

AID_DARCY = 1.0
"""Permeability of the filter aid [darcy]: 0.06-5 by grade (Hendricks, *Fundamentals of Water
Treatment Unit Processes*, table 14.1)."""

DARCY_M2 = 9.869233e-13
"""One darcy [m2] (definition)."""

LIGHT_SAND_KG_M3, USUAL_SAND_KG_M3, HEAVY_SAND_KG_M3 = 1.0, 3.0, 7.0
"""Sugar sand in a litre of syrup [g/L], a judgement: the trade's rule to dose 60 % of the frames
and leave the rest to sand makes it some two thirds of the dose, and yields of 0.05-1.4 % of the
syrup have been reported (from memory)."""

PACE_L_MIN_M2 = 14.0
"""Pump's pace on clean hot papers, by their area [L/min m2]: one US gallon a minute on 0.27 m2."""

PLATE_KG_M2 = 95.0
"""Metal of plates and frames for each square metre of frame face [kg/m2] (judgement, small
aluminium presses)."""

PLATES_C = 15.0
"""Plates before the run [degC]: a sugarhouse away from the pan (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class DensityLimits:
    """The owner's limits of sugar, and what is aimed at [mass fraction]."""

    lower: float
    target: float
    upper: float


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanRules:
    """What the owner says of filter aid, sand, density, pump and plates; null is not said."""

    density: DensityLimits
    containers_l: tuple[float, ...]
    """Sizes that are filled [L at 68 degF]."""
    sand: Sand = Sand.LEARNED
    cup_kg: float = CUP_KG
    aid_darcy: float = AID_DARCY
    cake_kg_m3: float = CAKE_KG_M3
    light_kg_m3: float = LIGHT_SAND_KG_M3
    usual_kg_m3: float = USUAL_SAND_KG_M3
    heavy_kg_m3: float = HEAVY_SAND_KG_M3
    pace_l_min: float | None = None
    """Flow of the pump on clean hot papers."""
    plate_kg: float | None = None
    """Metal of all plates and frames."""
    plates_c: float = PLATES_C

    def sand_kg_m3(self, sand: Sand) -> float:
        """Return the sugar sand that ``sand`` stands for [kg/m3]; the usual one for learned."""
        loads = {Sand.LIGHT: self.light_kg_m3, Sand.HEAVY: self.heavy_kg_m3}
        return loads.get(sand, self.usual_kg_m3)
