"""A plan as the command line shows it: read from what a person typed, told as a table or as JSON."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from monitor.contract.entries import Sand
from monitor.contract.errors import EntryRefused, UnitError
from monitor.contract.units import Dimension, convert, quantity
from monitor.rules.charging import PlanRules
from monitor.rules.thresholds import RunRules
from monitor.run.basis import Basis
from monitor.run.batch import Batch
from monitor.run.charge import DosePoint
from monitor.run.density import Standing
from monitor.run.notes import read_notes
from monitor.run.plan import Plan, cups, cups_per_gallon
from monitor.run.press_record import RunEntry

CURVE_LINES = 9
"""Doses of the printed curve."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """Units of one system for what a plan tells."""

    volume: str
    temperature: str
    pressure: str
    length: str
    dose: str

    def dose_of(self, dose_kg_m3: float, *, owner: PlanRules) -> float:
        """Return a dose in this system's unit."""
        return dose_kg_m3 if self.dose == "g/L" else cups_per_gallon(dose_kg_m3, owner=owner)

    def amount(self, value: float, dimension: Dimension, *, figures: int = 1) -> str:
        """Return ``value`` (base unit of ``dimension``) with its unit."""
        unit = {
            Dimension.VOLUME: self.volume,
            Dimension.TEMPERATURE: self.temperature,
            Dimension.TEMPERATURE_DIFFERENCE: self.temperature,
            Dimension.PRESSURE: self.pressure,
            Dimension.LENGTH: self.length,
        }[dimension]
        return f"{convert(value, dimension=dimension, into=unit):.{figures}f} {unit}"


SYSTEMS = {
    "us": Shown(volume="gal", temperature="degF", pressure="psi", length="in", dose="cups/gal"),
    "metric": Shown(volume="L", temperature="degC", pressure="kPa", length="mm", dose="g/L"),
}


def batch_of(
    *,
    batch: str,
    density: str | None,
    hydrometer: str | None,
    sand: str | None,
    pan: str | None,
    plates: str | None,
) -> Batch:
    """Return the batch that the options describe; refuse text that is no such quantity."""
    return Batch(
        volume_l=_read("--batch", batch, Dimension.VOLUME) or 0.0,
        sugar=_share(_read("--density", density, Dimension.SUGAR)),
        hydrometer=_share(_read("--hydrometer", hydrometer, Dimension.SUGAR)),
        pan_c=_read("--pan", pan, Dimension.TEMPERATURE),
        plates_c=_read("--plates", plates, Dimension.TEMPERATURE),
        sand=None if sand is None else _sand(sand),
    )


def runs_of(file: Path | None, *, rules: RunRules, owner: PlanRules, today: date) -> tuple[RunEntry, ...]:
    """Return the runs of a notebook file; none without one."""
    if file is None:
        return ()
    try:
        lines = file.read_text(encoding="utf-8-sig").splitlines(keepends=True)
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise EntryRefused(f"notes {file} cannot be read: {why}; check the path") from None
    return read_notes(lines, room_l=rules.press.frame_volume_l, cup_kg=owner.cup_kg, today=today)


def table(plan: Plan, *, owner: PlanRules, units: str) -> Iterator[str]:
    """Give the lines of ``plan``."""
    shown = SYSTEMS[units]
    yield from _charge(plan, owner, shown)
    yield ""
    yield from _curve(plan, owner, shown)
    yield ""
    yield from _density(plan, owner, shown)
    yield ""
    yield from (
        f"Fill {shown.amount(fill.hot_l, Dimension.VOLUME, figures=3)} at "
        f"{shown.amount(plan.fill_c, Dimension.TEMPERATURE, figures=0)} "
        f"for {shown.amount(fill.declared_l, Dimension.VOLUME, figures=3)} at 68 degF"
        for fill in plan.hot_fills
    )
    if plan.advice:
        yield ""
        yield from (f"! {advice}" for advice in plan.advice)
    yield ""
    yield "Rests on:"
    yield from (f"  {basis.name:<26}{_worth(basis):>16}  {basis.origin}" for basis in plan.basis)
    if plan.assumption:
        yield f"Assumed, until runs of this press have taught it: {plan.assumption}."
    if plan.known.doubted:
        yield f"Entries that did not fit and were weighed down: {', '.join(plan.known.doubted)}."
    yield "A plan is a help, not a rule: follow local code, the press maker and licensed practice."


def facts(plan: Plan, *, owner: PlanRules) -> dict[str, Any]:
    """Return ``plan`` for JSON, base units in the names; what never happens is null."""
    charge, density = plan.charge, plan.density
    return {
        "sets": charge.sets,
        "share_L": charge.share_l,
        "filter_aid_cups": plan.aid_cups,
        "filter_aid_cups_per_set": plan.aid_cups_per_set,
        "filter_aid_g": 1000.0 * charge.aid_kg,
        "dose": _point(charge.taken),
        "most_syrup": _point(charge.best),
        "through_with_margin_g_L": [charge.through_from_kg_m3, charge.through_to_kg_m3],
        "curve": [_point(point) for point in charge.curve],
        "end_pressure_kPa": plan.end_pressure_kpa,
        "fill": plan.fill,
        "full_volume_L": plan.full_volume_l,
        "cake_thickness_m": plan.cake_thickness_m,
        "frames_enough": plan.frames_enough,
        "passing_s": plan.passing_s,
        "total_s": _finite(plan.total_s),
        "plates": {
            "heat_J": plan.heating.heat_j,
            "batch_cools_degC": plan.heating.cooling_k,
            "recirculate_s": _finite(plan.heating.ready_s),
            "recirculate_L": _finite(plan.heating.volume_l),
            "feed_degC": plan.feed_c,
        },
        "density": {
            "Brix": 100.0 * density.sugar,
            "hydrometer_Brix": 100.0 * density.shown,
            "hydrometer_limits_Brix": [100.0 * density.lower_shown, 100.0 * density.upper_shown],
            "limits_Brix": [100.0 * owner.density.lower, 100.0 * owner.density.upper],
            "standing": density.standing,
            "water_L": density.water_l,
            "boil_off_L": density.boil_off_l,
        },
        "hot_fills": [
            {"declared_L": fill.declared_l, "hot_L": fill.hot_l, "at_degC": plan.fill_c}
            for fill in plan.hot_fills
        ],
        "basis": [
            {"name": basis.name, "value": basis.value, "unit": basis.unit, "origin": basis.origin}
            for basis in plan.basis
        ],
        "assumption": plan.assumption,
        "advice": list(plan.advice),
        "runs_learned_from": plan.known.runs,
        "doubted": list(plan.known.doubted),
    }


def _charge(plan: Plan, owner: PlanRules, shown: Shown) -> Iterator[str]:
    charge, taken = plan.charge, plan.charge.taken
    sets = "one set of papers" if charge.sets == 1 else f"{charge.sets} sets of papers, {_each(plan, shown)}"
    yield (
        f"Filter aid {plan.aid_cups:.1f} cups ({1000.0 * charge.aid_kg:.0f} g), "
        f"{shown.dose_of(taken.dose_kg_m3, owner=owner):.2f} {shown.dose}; {sets}"
    )
    if charge.covers:
        yield "  (what covers the papers; the sand alone would ask for less)"
    volume = Dimension.VOLUME
    yield (
        f"One set likely passes {shown.amount(taken.capacity_l, volume)} "
        f"({shown.amount(taken.low_l, volume)} to {shown.amount(taken.high_l, volume)}), "
        f"{taken.limit} first; chance that this batch gets through {100.0 * taken.chance:.0f} %"
    )
    yield (
        f"At the end {shown.amount(plan.end_pressure_kpa, Dimension.PRESSURE, figures=0)}, cakes of "
        f"{shown.amount(plan.cake_thickness_m, Dimension.LENGTH, figures=2)} a frame "
        f"({100.0 * plan.fill:.0f} % full), after {plan.passing_s / 60.0:.0f} min at the pump's pace"
    )
    heat = f"Cold plates take {plan.heating.heat_j / 1000.0:.0f} kJ and cool the batch by "
    heat += shown.amount(plan.heating.cooling_k, Dimension.TEMPERATURE_DIFFERENCE)
    if math.isinf(plan.heating.ready_s):
        yield f"{heat}; from {shown.amount(plan.feed_c, Dimension.TEMPERATURE)} the outlet never gets ready"
        return
    yield (
        f"{heat}; recirculate about {plan.heating.ready_s / 60.0:.1f} min "
        f"({shown.amount(plan.heating.volume_l, volume)}) with syrup at "
        f"{shown.amount(plan.feed_c, Dimension.TEMPERATURE, figures=0)}"
    )


def _each(plan: Plan, shown: Shown) -> str:
    share = shown.amount(plan.charge.share_l, Dimension.VOLUME)
    return f"{plan.aid_cups_per_set:.1f} cups and {share} each"


def _curve(plan: Plan, owner: PlanRules, shown: Shown) -> Iterator[str]:
    charge = plan.charge
    unit = shown.volume
    yield f"{shown.dose:>8}   pressure limit   frame limit   one set passes [{unit}]"
    step = (len(charge.curve) - 1) // (CURVE_LINES - 1)
    points = [*charge.curve[::step], charge.best, charge.taken]
    for point in sorted(points, key=lambda point: point.dose_kg_m3):
        mark = (
            "  <- most syrup" if point is charge.best else "  <- this plan" if point is charge.taken else ""
        )
        pressure, frames, passes = (
            convert(value, dimension=Dimension.VOLUME, into=unit)
            for value in (point.pressure_l, point.frames_l, point.capacity_l)
        )
        dose = shown.dose_of(point.dose_kg_m3, owner=owner)
        yield f"{dose:8.2f}   {pressure:14.1f}   {frames:11.1f}   {passes:14.1f}{mark}"
    low, high = charge.through_from_kg_m3, charge.through_to_kg_m3
    yield (
        f"This batch gets through with margin from {shown.dose_of(low, owner=owner):.2f} "
        f"to {shown.dose_of(high, owner=owner):.2f} {shown.dose} "
        f"({cups(low * charge.share_l * charge.sets / 1000.0, owner=owner):.1f} "
        f"to {cups(high * charge.share_l * charge.sets / 1000.0, owner=owner):.1f} cups)"
    )


def _density(plan: Plan, owner: PlanRules, shown: Shown) -> Iterator[str]:
    density, limits = plan.density, owner.density
    yield (
        f"Density {100.0 * density.sugar:.1f} Brix: {density.standing} "
        f"({100.0 * limits.lower:.1f} to {100.0 * limits.upper:.1f} Brix, your settings)"
    )
    yield (
        f"The hydrometer shows {100.0 * density.shown:.1f} Brix in the pan; the limits are "
        f"{100.0 * density.lower_shown:.1f} and {100.0 * density.upper_shown:.1f} there"
    )
    target = f"for {100.0 * limits.target:.1f} Brix"
    if density.standing is Standing.THICK:
        yield f"Stir in {shown.amount(density.water_l, Dimension.VOLUME, figures=2)} of water {target}"
    elif density.standing is Standing.THIN:
        yield f"Boil off {shown.amount(density.boil_off_l, Dimension.VOLUME, figures=2)} of water {target}"


def _point(point: DosePoint) -> dict[str, Any]:
    return {
        "dose_g_L": point.dose_kg_m3,
        "pressure_limit_L": point.pressure_l,
        "frame_limit_L": point.frames_l,
        "capacity_L": point.capacity_l,
        "low_L": point.low_l,
        "high_L": point.high_l,
        "limit": point.limit,
        "chance": point.chance,
    }


def _worth(basis: Basis) -> str:
    value = f"{basis.value:.3g}"
    return value if basis.unit == "1" else f"{value} {basis.unit}"


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _read(option: str, text: str | None, dimension: Dimension) -> float | None:
    if text is None:
        return None
    try:
        return quantity(text, dimension=dimension)
    except UnitError as error:
        raise EntryRefused(f"{option}: {error}") from None


def _share(brix: float | None) -> float | None:
    return None if brix is None else brix / 100.0


def _sand(word: str) -> Sand:
    try:
        return Sand(word.strip().lower())
    except ValueError:
        raise EntryRefused(f"--sand: {word[:20]!r} is none of {', '.join(Sand)}") from None


def frames_of(text: str | None, *, most: int = 200) -> list[str]:
    """Return the override of the press's frames that ``--frames`` asks for."""
    if text is None:
        return []
    if not text.strip().isdecimal() or not 1 <= int(text) <= most:
        raise EntryRefused(f"--frames: {text[:20]!r} is no number of frames from 1 to {most}")
    return [f"press.frames={int(text)}"]
