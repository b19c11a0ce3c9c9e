"""A plan in words: what to measure out, what to expect, and what it rests on. Pure."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.contract.units import Dimension
from monitor.rules.charging import PlanRules
from monitor.run.basis import Basis
from monitor.run.checklist import Check, checklist
from monitor.run.density import Standing
from monitor.run.plan import Plan, cups_per_gallon
from web import plan_picture
from web.figures import NO_BREAK, Figures, Units
from web.plan_picture import Hill
from web.retold import retold

FINEST_FILL_L = 1.0
"""Containers under this are told in millilitres or fluid ounces [L]."""
FLUID_OUNCE_L = 3.785411784 / 128.0
"""US fluid ounce [L] (NIST SP 811, appendix B.8)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class BasisView:
    """A number that the plan rests on."""

    name: str
    worth: str
    origin: str
    learned: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanView:
    """Everything that the page of a plan shows."""

    cups: str
    grams: str
    sets: str
    dose: str
    advice: tuple[str, ...]
    hill: str
    legend: tuple[tuple[str, str], ...]
    """Sign and what it stands for."""
    expect: tuple[tuple[str, str], ...]
    warm: tuple[tuple[str, str], ...]
    density: tuple[tuple[str, str], ...]
    fills: tuple[tuple[str, str], ...]
    fill_at: str
    basis: tuple[BasisView, ...]
    known: str
    assumption: str
    checks: tuple[tuple[str, str], ...]


def plan_view(plan: Plan, *, owner: PlanRules, frames: int, figures: Figures) -> PlanView:
    """Return ``plan`` in words."""
    charge, words = plan.charge, figures.words
    cups = figures.number(plan.aid_cups, digits=1)
    hill = Hill(charge=charge, at_dose=plan.at_dose, us_dose_kg_m3=_cup_a_gallon(owner))
    if charge.sets == 1:
        sets = words("plan.one_set")
    else:
        each = figures.number(plan.aid_cups_per_set, digits=1)
        sets = words("plan.sets", sets=charge.sets, cups=each, volume=figures.volume(charge.share_l))
    return PlanView(
        cups=words("plan.cups", cups=cups),
        grams=figures.mass(charge.aid_kg),
        sets=sets,
        dose=dose(charge.taken.dose_kg_m3, owner=owner, figures=figures),
        advice=tuple(retold(advice, words) for advice in plan.advice),
        hill=plan_picture.draw(hill, figures=figures),
        legend=_legend(plan, owner, figures),
        expect=_expect(plan, figures),
        warm=_warm(plan, figures),
        density=_density(plan, owner, figures),
        fills=tuple((size(fill.declared_l, figures), size(fill.hot_l, figures)) for fill in plan.hot_fills),
        fill_at=figures.temperature(plan.fill_c, digits=0),
        basis=tuple(_basis(basis, owner, figures) for basis in plan.basis),
        known=_known(plan, figures),
        assumption=retold(plan.assumption, words) if plan.assumption else "",
        checks=tuple(
            _check(check, figures) for check in checklist(frames=frames, aid_cups=plan.aid_cups_per_set)
        ),
    )


def dose(dose_kg_m3: float, *, owner: PlanRules, figures: Figures) -> str:
    """Return a dose as "0.73 cups a gallon" or "8.7 g/L"."""
    if figures.units is Units.METRIC:
        return f"{figures.number(dose_kg_m3, digits=1)}{NO_BREAK}g/L"
    cups = figures.number(cups_per_gallon(dose_kg_m3, owner=owner), digits=2)
    return figures.words("plan.cups_a_gallon", cups=cups)


def size(volume_l: float, figures: Figures) -> str:
    """Return what a container holds, finely enough to fill it by."""
    if figures.units is Units.METRIC:
        if volume_l < FINEST_FILL_L:
            return f"{figures.number(1000.0 * volume_l)}{NO_BREAK}mL"
        return f"{figures.number(volume_l, digits=2)}{NO_BREAK}L"
    if volume_l < FINEST_FILL_L:
        ounces = figures.number(volume_l / FLUID_OUNCE_L, digits=1)
        return f"{ounces}{NO_BREAK}{figures.words('plan.fluid_ounces')}"
    worth = figures.worth(volume_l, Dimension.VOLUME)
    return f"{figures.number(worth, digits=3)}{NO_BREAK}{figures.unit(Dimension.VOLUME)}"


def _cup_a_gallon(owner: PlanRules) -> float:
    return 1.0 / cups_per_gallon(1.0, owner=owner)


def _legend(plan: Plan, owner: PlanRules, figures: Figures) -> tuple[tuple[str, str], ...]:
    charge, words = plan.charge, figures.words
    taken, best = charge.taken, charge.best

    def said(dose_kg_m3: float) -> str:
        return dose(dose_kg_m3, owner=owner, figures=figures)

    def total_cups(dose_kg_m3: float) -> str:
        kg = dose_kg_m3 * charge.share_l * charge.sets / 1000.0
        return figures.number(kg / owner.cup_kg, digits=1)

    low, high = charge.through_from_kg_m3, charge.through_to_kg_m3
    return (
        ("dot", words("hill.dot", dose=said(taken.dose_kg_m3), share=figures.volume(charge.share_l))),
        ("pennant", words("hill.pennant", dose=said(best.dose_kg_m3), most=figures.volume(best.capacity_l))),
        (
            "through",
            words(
                "hill.through",
                low=said(low),
                high=said(high),
                low_cups=total_cups(low),
                high_cups=total_cups(high),
            ),
        ),
        ("error", words("hill.error")),
        ("closed", words("hill.closed")),
        ("full", words("hill.full")),
    )


def _expect(plan: Plan, figures: Figures) -> tuple[tuple[str, str], ...]:
    words, taken = figures.words, plan.charge.taken
    passes = words(
        "plan.passes_range",
        middle=figures.volume(taken.capacity_l),
        low=figures.volume(taken.low_l),
        high=figures.volume(taken.high_l),
    )
    cake = words(
        "plan.cake_fill",
        cake=figures.length(plan.cake_thickness_m),
        share=figures.share(plan.fill),
    )
    return (
        (words("plan.passes"), f"{passes}, {words(f'hill.first_{taken.limit}')}"),
        (words("plan.chance"), figures.share(taken.chance)),
        (words("plan.end_pressure"), figures.pressure(plan.end_pressure_kpa)),
        (words("plan.cake"), cake),
        (words("plan.minutes"), figures.about(plan.passing_s)),
        (words("plan.whole"), _time(plan.total_s, figures)),
        (words("plan.full_volume"), figures.volume(plan.full_volume_l)),
        (words("plan.enough"), words("plan.enough_frames", frames=plan.frames_enough)),
    )


def _warm(plan: Plan, figures: Figures) -> tuple[tuple[str, str], ...]:
    words, heating = figures.words, plan.heating
    recirculate = words("plan.never")
    if math.isfinite(heating.ready_s):
        volume = figures.volume(heating.volume_l)
        recirculate = words("plan.recirculate_for", time=figures.about(heating.ready_s), volume=volume)
    return (
        (words("plan.heat"), f"{figures.number(heating.heat_j / 1000.0)}{NO_BREAK}kJ"),
        (words("plan.cools"), figures.temperature_difference(heating.cooling_k)),
        (words("plan.recirculate"), recirculate),
        (words("plan.feed"), figures.temperature(plan.feed_c, digits=0)),
    )


def _density(plan: Plan, owner: PlanRules, figures: Figures) -> tuple[tuple[str, str], ...]:
    words, density = figures.words, plan.density
    limits = owner.density
    lines = [
        (words("plan.true_density"), figures.brix(density.sugar)),
        (words("plan.standing"), retold(density.standing, words)),
        (words("plan.limits"), _between(limits.lower, limits.upper, figures)),
        (words("plan.shown"), figures.brix(density.shown)),
        (words("plan.limits_shown"), _between(density.lower_shown, density.upper_shown, figures)),
    ]
    target = figures.brix(limits.target)
    if density.standing is Standing.THICK:
        lines.append((words("plan.water", target=target), size(density.water_l, figures)))
    elif density.standing is Standing.THIN:
        lines.append((words("plan.boil_off", target=target), size(density.boil_off_l, figures)))
    return tuple(lines)


def _between(lower: float, upper: float, figures: Figures) -> str:
    return figures.words("plan.between", low=figures.brix(lower), high=figures.brix(upper))


def _basis(basis: Basis, owner: PlanRules, figures: Figures) -> BasisView:
    return BasisView(
        name=retold(basis.name, figures.words),
        worth=_worth(basis, owner, figures),
        origin=figures.words(f"plan.origin_{basis.origin}"),
        learned=basis.origin == "learned",
    )


def _worth(basis: Basis, owner: PlanRules, figures: Figures) -> str:
    """Return what a basis is worth, in the unit a person has for it."""
    if basis.name == "sugar":
        return figures.brix(basis.value)
    if basis.unit == "degC":
        return figures.temperature(basis.value, digits=0)
    if basis.unit == "L/min":
        return figures.flow(basis.value)
    if basis.unit == "kg" and basis.value < 1.0:
        return figures.mass(basis.value)
    if basis.unit in ("m/kg", "1/m"):
        power = math.floor(math.log10(basis.value)) if basis.value > 0 else 0
        number = figures.number(basis.value / 10.0**power, digits=1)
        return f"{number}\N{MULTIPLICATION SIGN}10{_raised(power)}{NO_BREAK}{basis.unit}"
    number = figures.number(basis.value, digits=1 if basis.value < 100 else 0)
    return number if basis.unit == "1" else f"{number}{NO_BREAK}{basis.unit}"


def _raised(power: int) -> str:
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


def _known(plan: Plan, figures: Figures) -> str:
    words, runs = figures.words, plan.known.runs
    if runs == 0:
        return words("plan.known_none")
    error = figures.share(plan.known.sand_error)
    said = words("plan.known_one" if runs == 1 else "plan.known_runs", runs=runs, error=error)
    if plan.known.doubted:
        said += " " + words("plan.doubted", runs=", ".join(plan.known.doubted))
    return said


def _check(check: Check, figures: Figures) -> tuple[str, str]:
    return retold(check.name, figures.words), retold(check.sentence, figures.words)


def _time(seconds: float, figures: Figures) -> str:
    return figures.about(seconds) if math.isfinite(seconds) else figures.words("plan.never")
