"""What a dose of filter aid makes of the cake: how it resists, and when it fills the frames.

The part that no table gives is how sugar sand resists in the company of filter aid. The
assumption, used until runs of this press have taught it: the specific surfaces of the two
powders add (the Kozeny-Carman picture of a mixed bed of one porosity), so that

    alpha c = (d sqrt(alpha_aid) + s sqrt(alpha_sand))^2 / (d + s)

with dose d and sand s per volume of syrup. Taken apart into ``aid`` and ``sand``, it says that the
sand's own alpha falls in a straight line with the share x of aid in the cake,

    alpha_sand(x) = open + (alpha_sand - open) (1 - x)^n,  open = 2 sqrt(alpha_aid alpha_sand) - alpha_aid

with n = 1. Runs of different doses teach n (:mod:`monitor.run.learning`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.physics.cake import body_feed_growth, compressible_alpha, volume_to_full
from monitor.rules.cake import COMPRESSIBILITY
from monitor.rules.charging import DARCY_M2

REFERENCE_PA = 1.0e5
"""Pressure at which specific resistances are given here [Pa]."""

ASSUMPTION = (
    "the specific surfaces of sand and filter aid add, so the sand's resistance falls in a "
    "straight line with the share of filter aid in the cake"
)
"""Said with every plan whose runs have not taught better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CakeLaw:
    """One batch's cake.

    Attributes:
        sand_kg_m3: s, sugar sand per volume of syrup [kg/m3].
        sand_alpha_m_kg: specific resistance of the sand alone at 100 kPa [m/kg].
        aid_alpha_m_kg: specific resistance of the filter aid alone at 100 kPa [m/kg].
        cake_kg_m3: dry solids per volume of cake [kg/m3].
        opening: n, how fast a share of filter aid opens the sand [1].
    """

    sand_kg_m3: float
    sand_alpha_m_kg: float
    aid_alpha_m_kg: float
    cake_kg_m3: float
    opening: float = 1.0


def aid_alpha_m_kg(darcy: float, *, cake_kg_m3: float) -> float:
    """Return the specific resistance of a filter aid by its permeability [m/kg].

    alpha = 1 / (k rho_cake), Darcy's law over a bed.

    Args:
        darcy: k of the aid [darcy].
        cake_kg_m3: dry aid per volume of cake [kg/m3].

    >>> f"{aid_alpha_m_kg(1.0, cake_kg_m3=300.0):.3e}"  # 1 / (9.869e-13 m2 x 300 kg/m3)
    '3.377e+09'
    """
    return 1.0 / (darcy * DARCY_M2 * cake_kg_m3)


def sand_alpha_m_kg(law: CakeLaw, *, dose_kg_m3: float) -> float:
    """Return the sand's specific resistance beside ``dose_kg_m3`` of filter aid, at 100 kPa [m/kg].

    >>> law = CakeLaw(sand_kg_m3=3.0, sand_alpha_m_kg=1e12, aid_alpha_m_kg=4e9, cake_kg_m3=300.0)
    >>> sand_alpha_m_kg(law, dose_kg_m3=0.0)
    1000000000000.0
    """
    sand_share = law.sand_kg_m3 / (law.sand_kg_m3 + dose_kg_m3)
    alone, aid = law.sand_alpha_m_kg, law.aid_alpha_m_kg
    opened = max(0.0, 2.0 * math.sqrt(alone * aid) - aid)
    return float(opened + (alone - opened) * math.pow(sand_share, law.opening))


def growth_per_m2(law: CakeLaw, *, dose_kg_m3: float, pressure_pa: float = REFERENCE_PA) -> float:
    """Return alpha c of the cake at a pressure [1/m2].

    Args:
        law: the batch's cake.
        dose_kg_m3: d, filter aid per volume of syrup [kg/m3].
        pressure_pa: dP over the press [Pa].

    >>> law = CakeLaw(sand_kg_m3=3.0, sand_alpha_m_kg=1e12, aid_alpha_m_kg=4e9, cake_kg_m3=300.0)
    >>> f"{growth_per_m2(law, dose_kg_m3=9.0):.4g}"  # (9 sqrt(4e9) + 3 sqrt(1e12))^2 / 12
    '1.062e+12'
    """
    at_reference = body_feed_growth(
        aid_alpha_m_kg=law.aid_alpha_m_kg,
        aid_kg_m3=dose_kg_m3,
        sand_alpha_m_kg=sand_alpha_m_kg(law, dose_kg_m3=dose_kg_m3),
        sand_kg_m3=law.sand_kg_m3,
    )
    return float(
        compressible_alpha(
            pressure_pa,
            alpha_at_1_pa=at_reference / REFERENCE_PA**COMPRESSIBILITY,
            compressibility=COMPRESSIBILITY,
        )
    )


def full_volume_l(law: CakeLaw, *, dose_kg_m3: float, room_l: float) -> float:
    """Return the syrup that fills ``room_l`` of window frames with cake [L].

    >>> law = CakeLaw(sand_kg_m3=3.0, sand_alpha_m_kg=1e12, aid_alpha_m_kg=4e9, cake_kg_m3=300.0)
    >>> round(full_volume_l(law, dose_kg_m3=9.0, room_l=3.457), 3)  # 3.457 L x 300 g/L / 12 g/L
    86.425
    """
    return 1000.0 * volume_to_full(
        frame_m3=room_l / 1000.0,
        dry_cake_kg_m3=law.cake_kg_m3,
        solids_kg_m3=dose_kg_m3 + law.sand_kg_m3,
    )
