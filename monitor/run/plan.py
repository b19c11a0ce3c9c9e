"""The plan of a run: charge, sets, pressure, cake, minutes, heat, density and hot fill.

:func:`plan_for` puts the parts together and says of each number it rests on whether it was given,
set by the owner, learned from this press, or a default.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from enum import StrEnum

from monitor.contract.entries import Sand
from monitor.contract.units import Dimension, convert
from monitor.physics.syrup import hot_fill_volume, viscosity
from monitor.rules.charging import CUP_KG, PlanRules
from monitor.rules.forecast import PATIENCE
from monitor.rules.thresholds import Press, RunRules
from monitor.run import basis as bases
from monitor.run.basis import Basis
from monitor.run.batch import Batch
from monitor.run.cake_law import ASSUMPTION, full_volume_l, growth_per_m2
from monitor.run.charge import (
    MARGIN,
    Charge,
    DosePoint,
    PressNow,
    charge_of,
    dose_point,
    end_pressure_pa,
    passing_s,
)
from monitor.run.density import DensityCheck, Standing, check_density
from monitor.run.heating import Heating, heating_of
from monitor.run.learning import Learned, expecting, learned, unlearned
from monitor.run.press_record import RunEntry

SURE_CHANCE = 0.9
"""Under this chance a second set of papers is kept at hand."""

ROOMY_FILL = 0.5
"""Frames that end emptier than this make thin cakes, and fewer frames would do (judgement)."""


class Advice(StrEnum):
    """What the plan asks for before the pump is opened; the numbers are in the plan."""

    COOL_PAN = "let the pan cool: it is over the precipitation threshold"
    HEAT_PAN = "heat the pan: the outlet will never be ready at this temperature"
    ADD_WATER = "stir in water: the syrup is over the upper limit of density"
    BOIL_ON = "boil on: the syrup is under the lower limit of density"
    SECOND_SET = "keep another set of papers at hand: this one may not do"
    FEWER_FRAMES = "fewer frames would do, with firmer cakes"
    WEIGH_CUP = "weigh a level cup of your filter aid: a cup is 35 to 60 g"


@dataclass(frozen=True, slots=True)
class HotFill:
    """Volume to fill hot for a declared one at 68 degF [L]."""

    declared_l: float
    hot_l: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that is worked out before a run; base units in the names."""

    batch: Batch
    charge: Charge
    aid_cups: float
    aid_cups_per_set: float
    density: DensityCheck
    heating: Heating
    feed_c: float
    end_pressure_kpa: float
    """Of each set."""
    fill: float
    """Share of the frames that each set's cakes will take."""
    cake_thickness_m: float
    """Both cakes of a frame together."""
    full_volume_l: float
    """Syrup that would fill the frames at this dose."""
    passing_s: float
    """Time each set takes at the pump's pace."""
    total_s: float
    """Warm-up and all sets, without changing papers."""
    frames_enough: int
    fill_c: float
    hot_fills: tuple[HotFill, ...]
    basis: tuple[Basis, ...]
    assumption: str | None
    """What is taken for granted of the cake's resistance; null once runs have taught it."""
    advice: tuple[Advice, ...]
    known: Learned
    press: PressNow

    def at_dose(self, dose_kg_m3: float) -> DosePoint:
        """Return what one set passes with another dose [kg/m3] than the plan's."""
        return dose_point(dose_kg_m3, press=self.press, known=self.known, share_l=self.charge.share_l)


def plan_for(batch: Batch, *, rules: RunRules, owner: PlanRules, runs: tuple[RunEntry, ...] = ()) -> Plan:
    """Return the plan for ``batch``; raise :class:`EntryRefused` for one that cannot be.

    Args:
        batch: the batch in the pan.
        rules: the press, the pump and the thresholds.
        owner: what the owner says of filter aid, sand, density and plates.
        runs: earlier runs of this press, oldest first, with the cake readings that count.
    """
    sand = batch.sand or owner.sand
    known = _known(sand, owner, runs)
    limits = rules.thresholds
    pan_c = batch.pan_c if batch.pan_c is not None else limits.ceiling_c
    feed_c = min(pan_c, limits.ceiling_c)
    sugar = bases.sugar(batch, owner=owner)
    pace = bases.pace(rules.press, owner=owner, known=known)
    clean = bases.clean_papers(rules.press, known=known)
    press = _press_now(rules, pace=pace, clean=clean, sugar=sugar, feed_c=feed_c)
    charge = charge_of(batch.volume_l, press=press, known=known)
    dose, law = charge.taken.dose_kg_m3, known.law
    full_l = full_volume_l(law, dose_kg_m3=dose, room_l=press.room_l)
    fill = min(1.0, charge.share_l / full_l)
    plates, metal = bases.plates(batch, owner=owner), bases.plate_mass(rules.press, owner=owner)
    heating = heating_of(
        batch.volume_l,
        sugar=sugar.value,
        feed_c=feed_c,
        plates_c=plates.value,
        ready_c=limits.ready_c,
        plate_kg=metal.value,
        area_m2=press.area_m2,
        pace_m3_s=press.pace_m3_s,
    )
    one_set_s = passing_s(charge.share_l, dose_kg_m3=dose, law=law, press=press)
    density = check_density(sugar.value, volume_l=batch.volume_l, pan_c=pan_c, limits=owner.density)
    fill_c = 0.5 * (limits.ready_c + limits.ceiling_c)
    enough = math.ceil(rules.press.frames * MARGIN * charge.share_l / charge.taken.capacity_l - 1e-9)
    plan = Plan(
        batch=batch,
        charge=charge,
        aid_cups=charge.aid_kg / owner.cup_kg,
        aid_cups_per_set=charge.aid_per_set_kg / owner.cup_kg,
        density=density,
        heating=heating,
        feed_c=feed_c,
        end_pressure_kpa=end_pressure_pa(
            charge.share_l,
            growth=lambda pressure_pa: growth_per_m2(law, dose_kg_m3=dose, pressure_pa=pressure_pa),
            press=press,
        )
        / 1000.0,
        fill=fill,
        cake_thickness_m=fill * rules.press.frame_thickness_m,
        full_volume_l=full_l,
        passing_s=one_set_s,
        total_s=heating.ready_s + charge.sets * one_set_s,
        frames_enough=min(max(enough, 1), rules.press.frames),
        fill_c=fill_c,
        hot_fills=tuple(
            HotFill(size_l, hot_fill_volume(size_l, sugar_fraction=sugar.value, fill_c=fill_c))
            for size_l in owner.containers_l
        ),
        basis=(
            sugar,
            bases.sand(batch, owner=owner, known=known),
            *bases.cake(owner, known=known),
            pace,
            clean,
            metal,
            plates,
        ),
        assumption=None if bases.opening_taught(known) else ASSUMPTION,
        advice=(),
        known=known,
        press=press,
    )
    return replace(plan, advice=_advice(plan, rules=rules, owner=owner, pan_c=pan_c))


def taught_press(press: Press, *, plan: Plan) -> Press:
    """Return ``press`` with the full volume that the plan's dose makes, for the forecast of the run."""
    return replace(
        press,
        full_volume_l=plan.full_volume_l,
        clean_resistance_per_m=plan.known.clean_per_m or press.clean_resistance_per_m,
    )


def _known(sand: Sand, owner: PlanRules, runs: tuple[RunEntry, ...]) -> Learned:
    known = learned(runs, owner=owner)
    if known.runs == 0:
        start = unlearned(owner, sand=sand)
        return replace(start, pace_l_min=known.pace_l_min, clean_per_m=known.clean_per_m)
    return expecting(known, sand=sand, owner=owner)


def _press_now(rules: RunRules, *, pace: Basis, clean: Basis, sugar: Basis, feed_c: float) -> PressNow:
    press, limits = rules.press, rules.thresholds
    # A pump that holds its flow is stopped when the press no longer takes all of it.
    least_share = 1.0 if rules.pump.holds_flow else min(1.0, PATIENCE * limits.useful_flow_share)
    return PressNow(
        area_m2=press.paper_area_m2,
        room_l=press.frame_volume_l,
        clean_per_m=clean.value,
        start_pa=1000.0 * limits.start_kpa,
        cutoff_pa=1000.0 * limits.cutoff_kpa,
        viscosity_pa_s=viscosity(sugar.value, temperature_c=feed_c),
        pace_m3_s=pace.value / 60_000.0,
        least_m3_s=least_share * pace.value / 60_000.0,
    )


def _advice(plan: Plan, *, rules: RunRules, owner: PlanRules, pan_c: float) -> tuple[Advice, ...]:
    limits = rules.thresholds
    holds = {
        Advice.COOL_PAN: pan_c >= limits.precipitation_c,
        Advice.HEAT_PAN: math.isinf(plan.heating.ready_s),
        Advice.ADD_WATER: plan.density.standing is Standing.THICK,
        Advice.BOIL_ON: plan.density.standing is Standing.THIN,
        Advice.SECOND_SET: plan.charge.taken.chance < SURE_CHANCE,
        Advice.FEWER_FRAMES: plan.fill < ROOMY_FILL and plan.frames_enough < rules.press.frames,
        Advice.WEIGH_CUP: owner.cup_kg == CUP_KG,
    }
    return tuple(advice for advice, held in holds.items() if held)


def cups(aid_kg: float, *, owner: PlanRules) -> float:
    """Return how many cups ``aid_kg`` of filter aid is."""
    return aid_kg / owner.cup_kg


def cups_per_gallon(dose_kg_m3: float, *, owner: PlanRules) -> float:
    """Return a dose [kg/m3] as the trade says it [US cups per US gallon]."""
    return dose_kg_m3 / 1000.0 / owner.cup_kg / convert(1.0, dimension=Dimension.VOLUME, into="gal")
