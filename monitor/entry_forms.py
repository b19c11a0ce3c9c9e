"""Entries as a person types them on the command line, read into what crosses the broker."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from enum import StrEnum
from typing import TypeVar

from pydantic import ValidationError

from monitor.contract.commands import Command, CommandArgs, CorrectArgs
from monitor.contract.entries import (
    Amount,
    CakeArgs,
    ChargeArgs,
    CheckArgs,
    Colour,
    EntryGiven,
    FilledContainers,
    Firmness,
    LotArgs,
    Method,
    NoteArgs,
    Sand,
)
from monitor.contract.errors import EntryRefused, UnitError
from monitor.contract.payloads import first_complaint
from monitor.contract.readings import Point
from monitor.contract.units import Dimension, quantity
from monitor.contract.wire import WireModel

METHODS = {
    "hot": Method.HYDROMETER_HOT,
    "cold": Method.HYDROMETER_COLD,
    "refractometer": Method.REFRACTOMETER,
}
"""How a density was measured, in a word to type."""

Word = TypeVar("Word", bound=StrEnum)
Model = TypeVar("Model", bound=WireModel)


def command(args: CommandArgs, *, command_id: str, who: str) -> Command:
    """Return ``args`` as a command; refuse a name that does not fit."""
    return _built(Command, id=command_id, who=who, args=args)


def with_words(args: EntryGiven, *, text: str, corrects: str | None) -> EntryGiven:
    """Return ``args`` with the words and the entry that they correct."""
    return _built(type(args), **(args.model_dump() | {"text": text, "corrects": corrects}))


def taking_back(entry: str, *, reason: str) -> CorrectArgs:
    """Return what takes ``entry`` back."""
    return _built(CorrectArgs, entry=entry, text=reason)


def note_args(run: str | None, *, text: str) -> NoteArgs:
    """Return words to keep."""
    return _built(NoteArgs, run=run, text=text)


def charge_args(
    *,
    batch: str,
    aid: str,
    run: str | None,
    density: str | None,
    method: str | None,
    sand: str | None,
    sets: int,
) -> ChargeArgs:
    """Return the charge that the options describe."""
    kg, cups = _aid(aid)
    return _built(
        ChargeArgs,
        run=run,
        volume_l=_needed("--batch", batch, Dimension.VOLUME),
        sugar=_sugar(density),
        method=_method(method),
        sand=_word(Sand, "--sand", sand),
        aid_kg=kg,
        aid_cups=cups,
        sets=sets,
    )


def cake_args(
    run: str,
    *,
    fill: str | None,
    thickness: Sequence[str],
    frame: str | None,
    firmness: str | None,
    colour: str | None,
    wet: bool | None,
    thicker_below: bool | None,
    torn: int | None,
) -> CakeArgs:
    """Return the cake reading that the options describe; ``fill`` is a share or a word."""
    share, amount = _fill(fill)
    return _built(
        CakeArgs,
        run=run,
        fill=share,
        amount=amount,
        thickness_m=tuple(_needed("--thickness", text, Dimension.LENGTH) for text in thickness),
        frame_thickness_m=_quantity("--frame", frame, Dimension.LENGTH),
        firmness=_word(Firmness, "--firmness", firmness),
        colour=_word(Colour, "--colour", colour),
        wet_spots=wet,
        thicker_below=thicker_below,
        torn_papers=torn,
    )


def lot_args(
    run: str,
    *,
    packed: str | None,
    number: int | None,
    code: str | None,
    density: str | None,
    method: str | None,
    containers: Sequence[str],
    initials: str,
) -> LotArgs:
    """Return the lot that the options describe."""
    return _built(
        LotArgs,
        run=run,
        packed=_day(packed),
        number=number,
        code=code,
        sugar=_sugar(density),
        method=_method(method),
        containers=tuple(_container(text) for text in containers),
        initials=initials,
    )


def check_args(
    point: str, *, ice: str | None, boiling: str | None, pressure: str | None, altitude: str | None
) -> CheckArgs:
    """Return the probe check that the options describe."""
    found = _word(Point, "point", point)
    if found is None:
        raise EntryRefused("point: say which probe was checked")
    return CheckArgs(
        point=found,
        ice_c=_quantity("--ice", ice, Dimension.TEMPERATURE),
        boiling_c=_quantity("--boiling", boiling, Dimension.TEMPERATURE),
        pressure_kpa=_quantity("--pressure", pressure, Dimension.PRESSURE),
        altitude_m=_quantity("--altitude", altitude, Dimension.LENGTH),
    )


def _built(kind: type[Model], **fields: object) -> Model:
    """Return a ``kind`` of ``fields``; what does not fit the contract is one line."""
    try:
        return kind.model_validate(fields)
    except ValidationError as error:
        raise EntryRefused(first_complaint(error)) from None


def _aid(text: str) -> tuple[float | None, float | None]:
    """Return filter aid as (kg, cups): one of them is null."""
    try:
        return quantity(text, dimension=Dimension.MASS), None
    except UnitError:
        pass
    try:
        litres = quantity(text, dimension=Dimension.VOLUME)
    except UnitError:
        raise EntryRefused(f'--aid: {text[:40]!r} is neither a weight nor cups, such as "11 cup"') from None
    return None, litres / quantity("1 cup", dimension=Dimension.VOLUME)


def _fill(text: str | None) -> tuple[float | None, Amount | None]:
    word = "" if text is None else text.strip().lower()
    if not word:
        return None, None
    if word in set(Amount):
        return None, Amount(word)
    try:
        share = float(word.removesuffix("%").strip())
    except ValueError:
        raise EntryRefused(
            f"--fill: {word[:20]!r} is no share such as 0.8, and not light, half or full"
        ) from None
    return share / 100.0 if word.endswith("%") else share, None


def _container(text: str) -> FilledContainers:
    size, sign, count = text.partition("=")
    if not sign or not count.strip().isdecimal() or len(count) > 9:
        raise EntryRefused(f'--container: {text[:40]!r} is no size and count, such as "1 gal=12"')
    return FilledContainers(size_l=_needed("--container", size, Dimension.VOLUME), count=int(count))


def _sugar(text: str | None) -> float | None:
    brix = _quantity("--density", text, Dimension.SUGAR)
    return None if brix is None else brix / 100.0


def _method(text: str | None) -> Method:
    if text is None:
        return Method.NOT_MEASURED
    if text not in METHODS:
        raise EntryRefused(f"--method: {text[:20]!r} is none of {', '.join(METHODS)}")
    return METHODS[text]


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        return date.fromisoformat(text.strip())
    except ValueError:
        raise EntryRefused(f"--packed: {text[:20]!r} is no date such as 2026-03-09") from None


def _word(words: type[Word], name: str, text: str | None) -> Word | None:
    if text is None:
        return None
    try:
        return words(text.strip().lower())
    except ValueError:
        raise EntryRefused(f"{name}: {text[:20]!r} is none of {', '.join(words)}") from None


def _quantity(name: str, text: str | None, dimension: Dimension) -> float | None:
    return None if text is None else _needed(name, text, dimension)


def _needed(name: str, text: str, dimension: Dimension) -> float:
    try:
        return quantity(text, dimension=dimension)
    except UnitError as error:
        raise EntryRefused(f"{name}: {error}") from None
