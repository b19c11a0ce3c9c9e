"""The cakes of an invented press: one on each paper, two growing towards each other in a frame.

Papers differ, so frames fill unevenly. A cake resists by its filter aid a little and by its
sugar sand a lot, the less the more filter aid holds the sand apart; pressure squeezes it.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field

from hardware.simulated_syrup import viscosity_pa_s

FILTER_AID_DENSITY_KG_M3 = 250.0
"""Dry filter aid in a wet cake (design sheets give 250 to 350)."""
SAND_DENSITY_KG_M3 = 900.0
"""Sugar sand partly lies in the pores of the filter aid, so it takes less room than alone."""
FILTER_AID_RESISTANCE_M_KG = 4e9
"""An open filter aid of about 1 darcy."""
SKELETON = 4.0
"""How strongly a share of filter aid opens the sand: exp(-SKELETON share)."""
SQUEEZE = 0.38
"""Compressibility exponent of cakes with sand."""
SQUEEZE_REFERENCE_PA = 1e5
SHUT_GAP_SHARE = 0.02
"""Free gap, as a share of the frame, at which the way into a frame is half shut."""
PAPER_SPREAD = 0.12
"""Standard deviation of one paper's resistance against another's."""


@dataclass(slots=True)
class Face:
    """One paper and what lies on it."""

    paper_per_m: float
    filter_aid_kg_m2: float = 0.0
    sand_kg_m2: float = 0.0

    @property
    def thickness_m(self) -> float:
        """Thickness of the cake [m]."""
        return self.filter_aid_kg_m2 / FILTER_AID_DENSITY_KG_M3 + self.sand_kg_m2 / SAND_DENSITY_KG_M3

    def resistance_per_m(self, *, sand_m_kg: float, squeeze: float) -> float:
        """Return the resistance of paper and cake [1/m]."""
        solids = self.filter_aid_kg_m2 + self.sand_kg_m2
        if solids <= 0.0:
            return self.paper_per_m
        opened = math.exp(-SKELETON * self.filter_aid_kg_m2 / solids)
        cake = FILTER_AID_RESISTANCE_M_KG * self.filter_aid_kg_m2 + sand_m_kg * opened * self.sand_kg_m2
        return self.paper_per_m + squeeze * cake


@dataclass(slots=True, kw_only=True)
class Cakes:
    """All cakes of a press of ``frames`` square frames, side and thickness in m.

    ``paper_per_m`` [1/m] is a paper's mean resistance, ``sand_m_kg`` [m/kg] the specific
    resistance of sugar sand alone at 100 kPa.
    """

    frames: int
    frame_side_m: float
    frame_thickness_m: float
    paper_per_m: float
    sand_m_kg: float
    chance: random.Random
    faces: list[tuple[Face, Face]] = field(init=False)
    tear_m3_s_pa: float = field(init=False, default=0.0)
    lost_g: float = field(init=False, default=0.0)
    _shares: list[float] = field(init=False)
    _conductance: float = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        """Lay clean papers."""
        self.faces = [(Face(self._paper()), Face(self._paper())) for _ in range(self.frames)]
        self._shares = [0.0] * (2 * self.frames)

    def _paper(self) -> float:
        return self.paper_per_m * math.exp(self.chance.gauss(0.0, PAPER_SPREAD))

    @property
    def paper_area_m2(self) -> float:
        """Area of one paper [m2]."""
        return self.frame_side_m**2

    @property
    def fill(self) -> float:
        """Share of the frames' room that the cakes take."""
        return sum(map(self._frame_fill, self.faces)) / self.frames

    @property
    def solids_g(self) -> float:
        """All solids caught [g]."""
        caught = sum(face.filter_aid_kg_m2 + face.sand_kg_m2 for pair in self.faces for face in pair)
        return 1000.0 * caught * self.paper_area_m2

    def _frame_fill(self, pair: tuple[Face, Face]) -> float:
        return (pair[0].thickness_m + pair[1].thickness_m) / self.frame_thickness_m

    def tear(self, conductance_m3_s_pa: float) -> None:
        """Tear a paper: a way round the cakes of this conductance [m3/(s Pa)]."""
        self.tear_m3_s_pa = conductance_m3_s_pa

    def conductance(self, line_pa: float, *, syrup_c: list[float], brix: float) -> float:
        """Return the flow per pressure [m3/(s Pa)] at ``line_pa``, with the syrup at ``syrup_c``.

        ``syrup_c`` [degC] runs along the press; each frame takes the one beside it.
        """
        squeeze = (max(line_pa, 1e4) / SQUEEZE_REFERENCE_PA) ** SQUEEZE
        area = self.paper_area_m2
        ways = []
        for place, pair in enumerate(self.faces):
            beside = syrup_c[place * len(syrup_c) // self.frames]
            gap = max(1.0 - self._frame_fill(pair), 1e-4)
            open_per_pa_s = area * gap / (gap + SHUT_GAP_SHARE) / viscosity_pa_s(beside, brix=brix)
            ways += [
                open_per_pa_s / face.resistance_per_m(sand_m_kg=self.sand_m_kg, squeeze=squeeze)
                for face in pair
            ]
        self._conductance = sum(ways)
        self._shares = [way / self._conductance for way in ways]
        return self._conductance + self.tear_m3_s_pa

    def deposit(self, *, filter_aid_g: float, sand_g: float) -> None:
        """Lay solids [g] on the papers as the flow carries them; a tear lets its part through."""
        through_cakes = self._conductance / (self._conductance + self.tear_m3_s_pa)
        self.lost_g += (1.0 - through_cakes) * (filter_aid_g + sand_g)
        per_area = 1e-3 * through_cakes / self.paper_area_m2
        faces = (face for pair in self.faces for face in pair)
        for face, share in zip(faces, self._shares, strict=True):
            face.filter_aid_kg_m2 += per_area * share * filter_aid_g
            face.sand_kg_m2 += per_area * share * sand_g
