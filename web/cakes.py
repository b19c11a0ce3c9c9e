"""The opened cakes of a run: the forms, what the cakes say, and what the press is known for now. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.contract.entries import Amount, CakeArgs, ChargeArgs, Colour, Firmness, Method, Sand
from monitor.contract.events import Mark
from monitor.contract.units import Dimension
from monitor.rules.thresholds import Press
from monitor.run.cake import CakeReading, SetEnd, what_it_says
from monitor.run.cake_law import full_volume_l
from monitor.run.learning import USUAL_DOSE_KG_M3, Learned
from monitor.run.teaching import dose_of
from web.figures import Figures, Units
from web.language import slug
from web.retold import retold
from web.typed import Field

MOST_RULED = 24
"""Frames that get a field for their thickness; more are measured by hand in turn."""
Options = tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SayingView:
    """One thing that the cakes say, and why."""

    verdict: str
    reason: str


def sayings(reading: CakeReading | None, *, end: SetEnd, figures: Figures) -> list[SayingView]:
    """Return what the cakes say; nothing while nobody has looked."""
    if reading is None:
        return []
    return [
        SayingView(
            verdict=figures.words(f"saying.{slug(saying.verdict)}"),
            reason=retold(saying.reason, figures.words),
        )
        for saying in what_it_says(reading, end=end)
    ]


def known_now(
    known: Learned, *, press: Press, charge: ChargeArgs | None, figures: Figures
) -> tuple[tuple[str, str], ...]:
    """Return what the runs have taught of this press, with its uncertainty."""
    words = figures.words
    if known.runs == 0:
        return ()
    dose = USUAL_DOSE_KG_M3 if charge is None else dose_of(charge) or USUAL_DOSE_KG_M3

    def full(law: object) -> float:
        return full_volume_l(law, dose_kg_m3=dose, room_l=press.frame_volume_l)  # type: ignore[arg-type]

    full_l, share = known.guess(full)
    sand = words("season.sand_worth", value=figures.number(known.law.sand_kg_m3, digits=1))
    return (
        (words("season.sand"), words("cakes.give", value=sand, error=figures.share(known.sand_error))),
        (
            words("cakes.full_volume"),
            words("cakes.give", value=figures.volume(full_l), error=figures.share(share)),
        ),
        (words("cakes.taught_by"), str(known.runs)),
    )


def sand_share(known: Learned, *, charge: ChargeArgs | None) -> float | None:
    """Return the share of sugar sand in the cake's solids, null while the dose is not known."""
    dose = None if charge is None else dose_of(charge)
    if dose is None or known.runs == 0:
        return None
    sand = known.law.sand_kg_m3
    return sand / (sand + dose)


def cake_fields(given: CakeArgs | None, *, note: str, frames: int, figures: Figures) -> dict[str, object]:
    """Return the form of a cake reading, filled with ``given`` where one is corrected."""
    words = figures.words
    unit = figures.unit(Dimension.LENGTH)
    thickness = () if given is None else given.thickness_m
    digits = 2 if figures.units is Units.US else 1

    def ruled(number: int) -> Field:
        value = ""
        if number <= len(thickness):
            value = figures.number(figures.worth(thickness[number - 1], Dimension.LENGTH), digits=digits)
        return Field(name=f"thickness_{number}", label=words("cakes.frame", number=number), value=value)

    def picks(name: str, kinds: Sequence[str], value: object) -> Field:
        options = tuple((kind, words(f"cakes.{name}_{kind}")) for kind in kinds)
        return Field(
            name=name, label=words(f"cakes.{name}"), options=options, value=str(value or ""), kind="picks"
        )

    def yes_no(name: str, value: bool | None) -> Field:
        options = (("yes", words("cakes.yes")), ("no", words("cakes.no")))
        said = "" if value is None else "yes" if value else "no"
        return Field(name=name, label=words(f"cakes.{name}"), options=options, value=said, kind="picks")

    fill = "" if given is None or given.fill is None else figures.number(100.0 * given.fill)
    torn = "" if given is None or given.torn_papers is None else str(given.torn_papers)
    return {
        "amount": picks("amount", tuple(Amount), None if given is None else given.amount),
        "rulers": [ruled(number) for number in range(1, min(frames, MOST_RULED) + 1)],
        "rulers_label": words("cakes.rulers", unit=unit),
        "fill": Field(name="fill", label=words("cakes.fill_percent"), value=fill),
        "rest": [
            picks("firmness", tuple(Firmness), None if given is None else given.firmness),
            picks("colour", tuple(Colour), None if given is None else given.colour),
            yes_no("wet_spots", None if given is None else given.wet_spots),
            yes_no("thicker_below", None if given is None else given.thicker_below),
            Field(name="torn_papers", label=words("cakes.torn_papers"), value=torn),
            Field(name="note", label=words("cakes.note"), value=note, kind="text"),
        ],
    }


def charge_fields(given: ChargeArgs | None, *, note: str, figures: Figures) -> list[Field]:
    """Return the form of a charge, filled with ``given`` where one is corrected or proposed."""
    words = figures.words

    def number(value: float | None, digits: int = 1) -> str:
        return "" if value is None else figures.number(value, digits=digits)

    volume = None if given is None else figures.worth(given.volume_l, Dimension.VOLUME)
    grams = None if given is None or given.aid_kg is None else 1000.0 * given.aid_kg
    cups = None if given is None else given.aid_cups
    sands = tuple((kind.value, words(f"plan.sand_{kind}")) for kind in list(Sand)[:3])
    sugar = None if given is None or given.sugar is None else 100.0 * given.sugar
    return [
        Field(
            name="batch",
            label=words("charge.batch", volume=figures.unit(Dimension.VOLUME)),
            value=number(volume),
        ),
        Field(name="cups", label=words("charge.cups"), value=number(cups)),
        Field(
            name="grams",
            label=words("charge.grams"),
            value=number(grams if cups is None else None, 0),
            hint=words("charge.grams_hint"),
        ),
        Field(name="density", label=words("plan.density"), value=number(sugar)),
        method_field(given.method if given is not None else None, figures=figures),
        Field(
            name="sand",
            label=words("plan.sand"),
            options=sands,
            value="" if given is None or given.sand is None else given.sand,
            kind="picks",
        ),
        Field(name="sets", label=words("sheet.sets"), value="1" if given is None else str(given.sets)),
        Field(name="note", label=words("cakes.note"), value=note, kind="text"),
    ]


def method_field(method: Method | None, *, figures: Figures) -> Field:
    """Return the choice of how a density was measured."""
    options = tuple(
        (kind.value, figures.words(f"lot.method_{slug(kind)}"))
        for kind in (Method.NOT_MEASURED, *list(Method)[:3])
    )
    return Field(
        name="method",
        label=figures.words("lot.method"),
        options=options,
        value=method or Method.NOT_MEASURED,
        kind="choice",
    )


def correcting(marks: Sequence[Mark], entry: str) -> Mark | None:
    """Return the entry called ``entry`` among those that count, null if there is none."""
    return next((mark for mark in marks if entry and mark.entry == entry), None)
