"""The numbers a plan rests on, and where each comes from: said, set, learned or taken for granted."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.contract.entries import Sand
from monitor.rules.charging import (
    AID_DARCY,
    CAKE_KG_M3,
    CUP_KG,
    PACE_L_MIN_M2,
    PLATE_KG_M2,
    PLATES_C,
    PlanRules,
)
from monitor.rules.thresholds import Press
from monitor.run.batch import Batch
from monitor.run.density import sugar_of_reading
from monitor.run.learning import Learned

CLEAN_PER_M = 2.0e10
"""Papers and fittings [1/m]: some 6 psi at the usual pace, hot (judgement)."""

LEARNED_OPENING_ERROR = 0.3
"""Once the fall of the sand's resistance is known better than this share, it is no assumption."""


class Origin(StrEnum):
    """Where a number comes from."""

    GIVEN = "given"
    SETTING = "settings"
    LEARNED = "learned"
    DEFAULT = "default"


@dataclass(frozen=True, slots=True)
class Basis:
    """A number that the plan rests on: name, value, its unit, and where it comes from."""

    name: str
    value: float
    unit: str
    origin: Origin


def sugar(batch: Batch, *, owner: PlanRules) -> Basis:
    """Return the sugar of ``batch`` [mass fraction]: said, behind the hydrometer, or the target."""
    value, origin = owner.density.target, Origin.DEFAULT
    if batch.sugar is not None:
        value, origin = batch.sugar, Origin.GIVEN
    elif batch.hydrometer is not None and batch.pan_c is not None:
        value, origin = sugar_of_reading(batch.hydrometer, pan_c=batch.pan_c), Origin.GIVEN
    return Basis("sugar", value, "1", origin)


def sand(batch: Batch, *, owner: PlanRules, known: Learned) -> Basis:
    """Return the sugar sand of ``batch`` [g/L]."""
    if (batch.sand or owner.sand) is not Sand.LEARNED:
        origin = Origin.GIVEN if batch.sand is not None else Origin.SETTING
    else:
        origin = Origin.LEARNED if known.runs else Origin.DEFAULT
    return Basis("sugar sand", known.law.sand_kg_m3, "g/L", origin)


def cake(owner: PlanRules, *, known: Learned) -> tuple[Basis, ...]:
    """Return what is taken of filter aid and cake."""
    taught = Origin.LEARNED if known.runs else None
    fall = Origin.LEARNED if opening_taught(known) else Origin.DEFAULT
    law = known.law
    return (
        Basis("cup of filter aid", owner.cup_kg, "kg", _origin(owner.cup_kg, CUP_KG)),
        Basis("filter aid's permeability", owner.aid_darcy, "darcy", _origin(owner.aid_darcy, AID_DARCY)),
        Basis("cake", law.cake_kg_m3, "g/L", taught or _origin(owner.cake_kg_m3, CAKE_KG_M3)),
        Basis("sand alone", law.sand_alpha_m_kg, "m/kg", taught or Origin.DEFAULT),
        Basis("fall of its resistance", law.opening, "1", fall),
    )


def pace(press: Press, *, owner: PlanRules, known: Learned) -> Basis:
    """Return the flow on clean hot papers [L/min]."""
    return _first(
        "pump's pace",
        "L/min",
        (owner.pace_l_min, Origin.SETTING),
        (known.pace_l_min, Origin.LEARNED),
        default=PACE_L_MIN_M2 * press.paper_area_m2,
    )


def clean_papers(press: Press, *, known: Learned) -> Basis:
    """Return the resistance of papers and fittings [1/m]."""
    return _first(
        "clean papers",
        "1/m",
        (known.clean_per_m, Origin.LEARNED),
        (press.clean_resistance_per_m, Origin.LEARNED),
        default=CLEAN_PER_M,
    )


def plate_mass(press: Press, *, owner: PlanRules) -> Basis:
    """Return the metal of plates and frames [kg]."""
    default = PLATE_KG_M2 * press.frames * press.frame_side_m**2
    return _first("plates and frames", "kg", (owner.plate_kg, Origin.SETTING), default=default)


def plates(batch: Batch, *, owner: PlanRules) -> Basis:
    """Return the temperature of the plates before the run [degC]."""
    origin = Origin.GIVEN if batch.plates_c is not None else _origin(owner.plates_c, PLATES_C)
    value = owner.plates_c if batch.plates_c is None else batch.plates_c
    return Basis("plates before the run", value, "degC", origin)


def opening_taught(known: Learned) -> bool:
    """Tell whether runs have taught how the sand's resistance falls with the share of filter aid."""
    return known.opening_error < LEARNED_OPENING_ERROR


def _first(name: str, unit: str, *sources: tuple[float | None, Origin], default: float) -> Basis:
    for value, origin in sources:
        if value is not None:
            return Basis(name, value, unit, origin)
    return Basis(name, default, unit, Origin.DEFAULT)


def _origin(value: float, default: float) -> Origin:
    return Origin.DEFAULT if value == default else Origin.SETTING
