"""The form of a plan: its fields, and the batch that was typed into them. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from monitor.contract.entries import Sand
from monitor.contract.units import Dimension
from monitor.rules.thresholds import RunRules
from monitor.run.batch import COLDEST_C, HOTTEST_C, LEAST_SUGAR, MOST_L, MOST_SUGAR, Batch
from web.figures import Figures, Units
from web.typed import Field, FieldRefused, Typed, rewritten

LEAST_L = 0.5
"""A batch under this is no batch [L]."""
LEAST_SHOWN = 0.40
"""Lowest reading of a hydrometer in hot syrup [mass fraction], as the plan takes it."""
MOST_FRAMES = 200
UNITS = "units"
"""Field that tells in which system the numbers were typed."""
IN_PAN, TRUE = "pan", "true"
"""How the density was read: a hydrometer in the hot pan, or true (a refractometer, or corrected)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """What a plan is asked for: the batch, and the window frames in the press."""

    batch: Batch
    frames: int

    def rules(self, rules: RunRules) -> RunRules:
        """Return ``rules`` with that many frames; papers go with them."""
        press = rules.press
        area_m2 = press.paper_area_m2 * self.frames / press.frames
        return replace(rules, press=replace(press, frames=self.frames, paper_area_m2=area_m2))


def read(typed: Typed, *, frames: int) -> Wanted:
    """Return what was typed; ``frames`` is the press's own number. Raises :class:`FieldRefused`."""
    volume_l = typed.quantity("batch", Dimension.VOLUME, least=LEAST_L, most=MOST_L)
    if volume_l is None:
        raise FieldRefused("batch", typed.figures.words("plan.batch_wanted"))
    how = typed.choice("read", (IN_PAN, TRUE)) or IN_PAN
    least = LEAST_SHOWN if how == IN_PAN else LEAST_SUGAR
    brix = typed.quantity("density", Dimension.SUGAR, least=100.0 * least, most=100.0 * MOST_SUGAR)
    pan_c = typed.quantity("pan", Dimension.TEMPERATURE, least=COLDEST_C, most=HOTTEST_C)
    plates_c = typed.quantity("plates", Dimension.TEMPERATURE, least=COLDEST_C, most=HOTTEST_C)
    sand = typed.choice("sand", tuple(Sand))
    count = typed.count("frames", least=1, most=MOST_FRAMES)
    sugar = None if brix is None else brix / 100.0
    if sugar is not None and how == IN_PAN and pan_c is None:
        raise FieldRefused("pan", typed.figures.words("plan.pan_wanted"))
    batch = Batch(
        volume_l=volume_l,
        sugar=sugar if how == TRUE else None,
        hydrometer=sugar if how == IN_PAN else None,
        pan_c=pan_c,
        plates_c=plates_c,
        sand=None if sand is None else Sand(sand),
    )
    return Wanted(batch=batch, frames=count or frames)


def in_units_of(given: Mapping[str, str], *, figures: Figures) -> dict[str, str]:
    """Return what was typed under other units, which the form names, in those of the viewer now."""
    typed_in = given.get(UNITS, "")
    if typed_in not in set(Units):
        return dict(given)
    before = replace(figures, units=Units(typed_in))
    known = {"batch": Dimension.VOLUME, "pan": Dimension.TEMPERATURE, "plates": Dimension.TEMPERATURE}
    return {
        name: rewritten(text, known[name], before=before, now=figures) if name in known else text
        for name, text in given.items()
    }


def fields(typed: Typed, *, frames: int) -> list[Field]:
    """Return the form with what was typed still in it."""
    figures, words = typed.figures, typed.figures.words
    volume, heat = figures.unit(Dimension.VOLUME), figures.unit(Dimension.TEMPERATURE)
    read_by = tuple((how, words(f"plan.read_{how}")) for how in (IN_PAN, TRUE))
    sands = tuple((sand.value, words(f"plan.sand_{sand}")) for sand in (Sand.LEARNED, *list(Sand)[:3]))

    def field(name: str, hint: str = "", value: str = "", **more: object) -> Field:
        return replace(
            Field(name=name, label=words(f"plan.{name}", volume=volume, heat=heat)),
            value=typed.text(name) or value,
            hint=hint,
            **more,  # type: ignore[arg-type]
        )

    return [
        field("batch"),
        field("density", hint=words("plan.density_hint")),
        field("read", options=read_by, kind="choice"),
        field("pan", hint=words("plan.pan_hint")),
        field("sand", options=sands, kind="choice"),
        field("plates"),
        field("frames", value=str(frames)),
    ]
