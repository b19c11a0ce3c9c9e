"""What is typed into the forms before and after a run, as arguments of the monitor's commands. Pure.

Each reader takes the fields as typed and returns the arguments, base units in their names; it raises
:class:`FieldRefused` for what it cannot read. What cannot be so is the monitor's to refuse.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date

from monitor.contract.commands import Verb
from monitor.contract.entries import MOST_MEASURED, Amount, Colour, Firmness, Method, Sand
from monitor.contract.readings import Point
from monitor.contract.units import Dimension
from monitor.run.batch import LEAST_SUGAR, MOST_L, MOST_SUGAR
from web.typed import FieldRefused, Typed

Args = dict[str, object]

THICKEST_M = 0.3
"""No frame is as thick [m]; the press's own is the monitor's to compare with."""
MOST_CUPS, MOST_AID_KG = 4_000.0, 200.0
MOST_PAPERS, MOST_SETS, MOST_COUNT = 800, 50, 100_000
LARGEST_L = 1_500.0
"""Largest container [L]."""
SIZES = 6
"""Rows of the lot's table of containers."""
COLDEST_C, HOTTEST_C = -10.0, 115.0
"""What a probe can show in ice slush or boiling water, with room for a bad one [degC]."""
INCH_OF_MERCURY_KPA, FOOT_M = 3.386389, 0.3048
"""Conventional inch of mercury and the foot (NIST SP 811, appendix B.8)."""
BAROMETERS: Mapping[str, float] = {"hPa": 0.1, "inHg": INCH_OF_MERCURY_KPA, "kPa": 1.0}
"""Units a barometer may show, and their worth [kPa]."""
ALTITUDES: Mapping[str, float] = {"ft": FOOT_M, "m": 1.0}
POINTS = (Point.OUTLET, Point.PAN, Point.FILLER)
"""Points that a bath can check."""
TEMPERATURE = Dimension.TEMPERATURE


def cake(typed: Typed) -> Args:
    """Return the arguments of a cake reading."""
    thickness = tuple(
        value
        for number in range(1, MOST_MEASURED + 1)
        if (value := typed.quantity(f"thickness_{number}", Dimension.LENGTH, least=0.0, most=THICKEST_M))
        is not None
    )
    fill = typed.plain("fill", least=0.0, most=100.0)
    return _kept(
        typed,
        run=typed.text("run"),
        thickness_m=thickness,
        fill=None if fill is None else fill / 100.0,
        amount=typed.choice("amount", tuple(Amount)),
        firmness=typed.choice("firmness", tuple(Firmness)),
        colour=typed.choice("colour", tuple(Colour)),
        wet_spots=_yes(typed, "wet_spots"),
        thicker_below=_yes(typed, "thicker_below"),
        torn_papers=typed.count("torn_papers", least=0, most=MOST_PAPERS),
    )


def charge(typed: Typed) -> Args:
    """Return the arguments of a charge."""
    volume_l = typed.quantity("batch", Dimension.VOLUME, least=0.5, most=MOST_L)
    cups = typed.plain("cups", least=0.0, most=MOST_CUPS)
    grams = typed.plain("grams", least=0.0, most=1000.0 * MOST_AID_KG)
    if volume_l is None:
        raise FieldRefused("batch", typed.figures.words("plan.batch_wanted"))
    if cups is None and grams is None:
        raise FieldRefused("cups", typed.figures.words("charge.aid_wanted"))
    sugar = _sugar(typed)
    return _kept(
        typed,
        run=typed.text("run") or None,
        volume_l=volume_l,
        aid_cups=cups,
        aid_kg=None if grams is None else grams / 1000.0,
        sugar=sugar,
        method=_method(typed, sugar),
        sand=typed.choice("sand", tuple(Sand)),
        sets=typed.count("sets", least=1, most=MOST_SETS) or 1,
    )


def lot(typed: Typed) -> Args:
    """Return the arguments of a lot."""
    sugar = _sugar(typed)
    containers = []
    for row in range(1, SIZES + 1):
        size_l = typed.quantity(f"size_{row}", Dimension.VOLUME, least=0.001, most=LARGEST_L)
        count = typed.count(f"count_{row}", least=0, most=MOST_COUNT)
        if size_l is None and count:
            raise FieldRefused(f"size_{row}", typed.figures.words("lot.size_wanted"))
        if size_l is not None and count:
            containers.append({"size_l": size_l, "count": count})
    return _kept(
        typed,
        run=typed.text("run"),
        packed=_day(typed, "packed"),
        number=typed.count("number", least=1, most=9999),
        code=typed.text("code") or None,
        sugar=sugar,
        method=_method(typed, sugar),
        containers=containers,
        initials=typed.text("initials"),
    )


def check(typed: Typed) -> Args:
    """Return the arguments of a probe check."""
    ice_c = typed.quantity("ice", TEMPERATURE, least=COLDEST_C, most=HOTTEST_C)
    boiling_c = typed.quantity("boiling", TEMPERATURE, least=COLDEST_C, most=HOTTEST_C)
    if ice_c is None and boiling_c is None:
        raise FieldRefused("ice", typed.figures.words("checks.bath_wanted"))
    barometer = BAROMETERS[typed.choice("barometer", tuple(BAROMETERS)) or "hPa"]
    pressure = typed.plain("pressure", least=50.0 / barometer, most=110.0 / barometer)
    above = ALTITUDES[typed.choice("altitude_unit", tuple(ALTITUDES)) or "ft"]
    altitude = typed.plain("altitude", least=-400.0 / above, most=5_000.0 / above)
    return _kept(
        typed,
        point=typed.choice("point", POINTS) or Point.OUTLET,
        ice_c=ice_c,
        boiling_c=boiling_c,
        pressure_kpa=None if pressure is None else pressure * barometer,
        altitude_m=None if altitude is None or pressure is not None else altitude * above,
    )


READERS: Mapping[Verb, Callable[[Typed], Args]] = {
    Verb.CAKE: cake,
    Verb.CHARGE: charge,
    Verb.LOT: lot,
    Verb.CHECK: check,
}
"""The entries that have a form."""


def _kept(typed: Typed, **args: object) -> Args:
    """Return ``args`` with what every entry may carry; unknown ones are left out."""
    every = {**args, "corrects": typed.text("corrects") or None, "text": typed.text("note")}
    return {key: value for key, value in every.items() if value not in (None, (), [], "")}


def _sugar(typed: Typed) -> float | None:
    brix = typed.quantity("density", Dimension.SUGAR, least=100.0 * LEAST_SUGAR, most=100.0 * MOST_SUGAR)
    return None if brix is None else round(brix / 100.0, 6)


def _method(typed: Typed, sugar: float | None) -> str:
    """Return how the density was measured; a density without a method is a slip."""
    method = typed.choice("method", tuple(Method)) or Method.NOT_MEASURED.value
    if (sugar is None) != (method == Method.NOT_MEASURED):
        field = "density" if sugar is None else "method"
        raise FieldRefused(field, typed.figures.words("lot.both_wanted"))
    return method


def _yes(typed: Typed, field: str) -> bool | None:
    said = typed.choice(field, ("yes", "no"))
    return None if said is None else said == "yes"


def _day(typed: Typed, field: str) -> str | None:
    text = typed.text(field)
    if not text:
        return None
    try:
        return date.fromisoformat(text[:40]).isoformat()
    except ValueError:
        raise FieldRefused(field, typed.figures.words("typed.no_day", text=text[:40])) from None
