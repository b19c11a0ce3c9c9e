"""Entries as a page lists them: what was said, by whom, and whether it still counts. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from monitor.contract.entries import CakeArgs, ChargeArgs, CheckArgs, LotArgs
from monitor.contract.errors import EntryRefused
from monitor.contract.events import Mark
from monitor.run.entering import cake_reading
from monitor.run.records import TAKEN_BACK, standing
from web.cake_words import cake_lines
from web.figures import Figures
from web.language import slug
from web.plan_view import size

Lines = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class EntryLine:
    """One entry of a list."""

    entry: str
    what: str
    when: str
    who: str
    counts: bool
    why: str
    """Why it counts no more; empty while it does."""
    lines: Lines
    form: str
    """Name of the form that corrects it."""


def entry_lines(marks: Sequence[Mark], *, figures: Figures, kinds: Iterable[str]) -> list[EntryLine]:
    """Return the entries of ``kinds`` among ``marks``, newest first, also those that count no more."""
    wanted, counting = set(kinds), {mark.entry for mark in standing(marks)}
    taken = {mark.corrects for mark in marks if mark.name == TAKEN_BACK}
    found = []
    for mark in reversed([mark for mark in marks if mark.name in wanted]):
        counts = mark.entry in counting
        why = "" if counts else "entries.taken_back" if mark.entry in taken else "entries.corrected"
        found.append(
            EntryLine(
                entry=mark.entry or "",
                what=figures.words(f"event.{slug(mark.name)}"),
                when="" if mark.time is None else figures.date(mark.time),
                who=mark.who,
                counts=counts,
                why=figures.words(why) if why else "",
                lines=given_lines(mark, figures=figures),
                form=slug(mark.name),
            )
        )
    return found


def given_lines(mark: Mark, *, figures: Figures) -> Lines:
    """Return what was entered, name and value."""
    words, given = figures.words, mark.given
    lines: list[tuple[str, str]] = []
    match given:
        case CakeArgs():
            try:
                return cake_lines(cake_reading(given, note=mark.text), figures=figures)
            except EntryRefused as refusal:
                return ((words("cakes.note"), str(refusal)),)
        case ChargeArgs():
            lines = charge_lines(given, figures=figures)
        case LotArgs():
            lines = lot_lines(given, figures=figures)
        case CheckArgs():
            lines = check_lines(given, figures=figures)
    if mark.text:
        lines.append((words("cakes.note"), mark.text))
    return tuple(lines)


def charge_lines(given: ChargeArgs, *, figures: Figures) -> list[tuple[str, str]]:
    """Return a charge, name and value."""
    words = figures.words
    lines = [(words("sheet.batch"), figures.volume(given.volume_l))]
    if given.aid_cups is not None:
        cups = words("plan.cups", cups=figures.number(given.aid_cups, digits=1))
        lines.append((words("sheet.aid"), cups))
    if given.aid_kg is not None:
        lines.append((words("sheet.aid_weighed"), figures.mass(given.aid_kg)))
    if given.sugar is not None:
        lines.append((words("plan.true_density"), figures.brix(given.sugar)))
    if given.sand is not None:
        lines.append((words("plan.sand"), words(f"plan.sand_{given.sand}")))
    lines.append((words("sheet.sets"), str(given.sets)))
    return lines


def lot_lines(given: LotArgs, *, figures: Figures) -> list[tuple[str, str]]:
    """Return what was entered of a lot, name and value."""
    words = figures.words
    lines = [(words("lot.code"), given.code or ""), (words("lot.packed"), str(given.packed or ""))]
    if given.sugar is not None:
        method = words(f"lot.method_{slug(given.method)}")
        lines.append((words("lot.density"), f"{figures.brix(given.sugar)}, {method}"))
    lines += [(size(kind.size_l, figures), str(kind.count)) for kind in given.containers]
    if given.initials:
        lines.append((words("lot.initials"), given.initials))
    return lines


def check_lines(given: CheckArgs, *, figures: Figures) -> list[tuple[str, str]]:
    """Return what was read in a probe check, name and value."""
    words = figures.words
    lines = [(words("checks.point"), words(f"point.{given.point}"))]
    if given.ice_c is not None:
        lines.append((words("checks.in_ice"), figures.temperature(given.ice_c, digits=2)))
    if given.boiling_c is not None:
        lines.append((words("checks.in_boiling"), figures.temperature(given.boiling_c, digits=2)))
    if given.pressure_kpa is not None:
        lines.append((words("checks.station"), f"{figures.number(10.0 * given.pressure_kpa)} hPa"))
    elif given.altitude_m is not None:
        lines.append((words("checks.altitude"), f"{figures.number(given.altitude_m)} m"))
    return lines
