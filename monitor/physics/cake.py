"""The cake: how much of it a litre leaves behind, how hard it resists, when it fills the frames."""

from __future__ import annotations

from monitor.physics.filtration import COMPRESSIBILITY_LIMIT
from monitor.physics.validity import Value, not_negative, positive, within


def compressible_alpha(pressure_pa: Value, *, alpha_at_1_pa: float, compressibility: float) -> Value:
    """Return the specific resistance of a compressible cake [m/kg].

    alpha = a0 dP^s

    Args:
        pressure_pa: dP over the cake [Pa], float or array, over zero.
        alpha_at_1_pa: a0, the law's value at 1 Pa [m/kg], over zero.
        compressibility: s [1], 0 (stiff cake) to 1.5.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: the power law of cake resistance, as Geankoplis, *Transport Processes and Unit
    Operations*, ch. 14, has it (from memory).

    >>> round(compressible_alpha(1.0e4, alpha_at_1_pa=2.0e9, compressibility=0.25) / 1e10, 9)
    2.0
    """
    pressure = positive(pressure_pa, name="pressure", unit="Pa")
    first = positive(alpha_at_1_pa, name="alpha at 1 Pa", unit="m/kg")
    exponent = within(compressibility, 0.0, COMPRESSIBILITY_LIMIT, name="compressibility", unit="of 1")
    growth: Value = pressure**exponent
    return first * growth


def solids_per_filtrate(*, slurry_fraction: float, wet_to_dry: float, liquid_kg_m3: float) -> float:
    """Return c, the dry solids that each volume of filtrate leaves behind [kg/m3].

    c = x rho / (1 - m x): of the liquid that came with the solids, the cake keeps its share.

    Args:
        slurry_fraction: x, mass of dry solids per mass of slurry, over 0 and under 1.
        wet_to_dry: m, mass of wet cake per mass of dry cake, 1 or more.
        liquid_kg_m3: rho of the filtrate [kg/m3], over zero.

    Raises:
        ValueError: an argument is outside its range, or the cake would keep all the liquid (m x >= 1).

    Source: Holdich, *Fundamentals of Particle Technology*, worked sheet of eq. 2.23.

    >>> round(solids_per_filtrate(slurry_fraction=0.1, wet_to_dry=1280 / 635, liquid_kg_m3=1000.0), 3)
    125.247
    """
    share = positive(slurry_fraction, name="slurry fraction", unit="of 1")
    ratio = within(wet_to_dry, 1.0, float("inf"), name="wet to dry cake", unit="of 1")
    liquid = positive(liquid_kg_m3, name="liquid density", unit="kg/m3")
    filtrate = 1.0 - ratio * share
    if filtrate <= 0.0:
        raise ValueError(f"slurry of {share:g} with a cake of {ratio:g} wet to dry gives no filtrate")
    return share * liquid / filtrate


def body_feed_growth(
    *, aid_alpha_m_kg: float, aid_kg_m3: float, sand_alpha_m_kg: float, sand_kg_m3: float
) -> float:
    """Return alpha c of a cake of filter aid and sugar sand, which is what one run can show [1/m2].

    alpha c = alpha_aid c_aid + alpha_sand c_sand. The sand's alpha falls as the share of aid
    in the cake rises, so the two parts are told apart only over runs of different dose.

    Args:
        aid_alpha_m_kg: specific resistance of the filter aid [m/kg], not under zero.
        aid_kg_m3: filter aid per volume of filtrate [kg/m3], not under zero.
        sand_alpha_m_kg: specific resistance of the sand at this dose [m/kg], not under zero.
        sand_kg_m3: sugar sand per volume of filtrate [kg/m3], not under zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: resistances in series; layers of the same flux add.

    >>> body_feed_growth(aid_alpha_m_kg=2.0e9, aid_kg_m3=8.0, sand_alpha_m_kg=1.0e11, sand_kg_m3=0.5)
    66000000000.0
    """
    aid = not_negative(aid_alpha_m_kg, name="alpha of the aid", unit="m/kg")
    sand = not_negative(sand_alpha_m_kg, name="alpha of the sand", unit="m/kg")
    aid_dose = not_negative(aid_kg_m3, name="aid", unit="kg/m3")
    return aid * aid_dose + sand * not_negative(sand_kg_m3, name="sand", unit="kg/m3")


def volume_to_full(*, frame_m3: float, dry_cake_kg_m3: float, solids_kg_m3: float) -> float:
    """Return the filtrate after which the cakes of a window frame meet [m3].

    V = V_frame rho_cake / c

    Args:
        frame_m3: V_frame, room of all window frames together [m3], over zero.
        dry_cake_kg_m3: rho_cake, dry solids per volume of cake [kg/m3], over zero.
        solids_kg_m3: c, filter aid and sugar sand per volume of filtrate [kg/m3], over zero.

    Raises:
        ValueError: an argument is not a number over zero.

    Source: conservation of the solids.

    >>> round(1000.0 * volume_to_full(frame_m3=0.004, dry_cake_kg_m3=300.0, solids_kg_m3=10.0), 9)
    120.0
    """
    room = positive(frame_m3, name="frame volume", unit="m3")
    cake = positive(dry_cake_kg_m3, name="dry cake density", unit="kg/m3")
    return room * cake / positive(solids_kg_m3, name="solids", unit="kg/m3")
