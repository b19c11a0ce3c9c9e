"""What people enter before and after a run: charge, cakes, lot, probe check, notes.

Every entry is kept for ever under its command's id. One that ``corrects`` an earlier entry stands
in its place, and one taken back (:class:`~monitor.contract.commands.CorrectArgs`) counts no more;
the old one stays in the record. Base units of :mod:`monitor.contract.units`; what was not looked
at is null.
"""

from __future__ import annotations

from datetime import date
from enum import StrEnum
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StringConstraints

from monitor.contract.names import Limit, Verb
from monitor.contract.readings import Point
from monitor.contract.wire import NoteText, ShortText, WireModel

MOST_MEASURED = 100
"""Frames of one set that are measured with a ruler; more would not fit a message."""
MOST_SIZES = 12
"""Sizes of container in one lot."""

EntryId = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{8,32}$")]
"""Names an entry: the id of the command that brought it."""


class Sand(StrEnum):
    """How much sugar sand the batch carries, in the owner's words."""

    LIGHT = "light"
    USUAL = "usual"
    HEAVY = "heavy"
    LEARNED = "learned"
    """As the last runs of this press have shown."""


class Amount(StrEnum):
    """How full the frames were, in a word."""

    LIGHT = "light"
    HALF = "half"
    FULL = "full"


class Firmness(StrEnum):
    """How the cake held together."""

    FIRM = "firm"
    SOFT = "soft"
    RUNNY = "runny"


class Colour(StrEnum):
    """The cake's colour beside the dry filter aid's."""

    PALE = "pale"
    TAN = "tan"
    DARK = "dark"


class Method(StrEnum):
    """How the density was measured."""

    HYDROMETER_HOT = "hydrometer, hot, corrected"
    HYDROMETER_COLD = "hydrometer at 60 degF"
    REFRACTOMETER = "refractometer"
    NOT_MEASURED = "not measured"


def _to_hundredth_mm(length_m: float) -> float:
    return round(length_m, 5)


Thickness = Annotated[float, AfterValidator(_to_hundredth_mm)]
"""A length read from a ruler [m]; finer than 0.01 mm nobody reads."""


class EntryArgs(WireModel):
    """What every entry may carry: words, and the id of the earlier entry that it corrects."""

    corrects: EntryId | None = None
    text: NoteText = ""


class NoteArgs(EntryArgs):
    """Words to keep with ``run``; null is the open run, or no run if none is open."""

    verb: Literal[Verb.NOTE] = Verb.NOTE
    run: ShortText | None = None
    text: NoteText


class ChargeArgs(EntryArgs):
    """The batch and its filter aid. ``run`` null is the open run, or the next one if none is open.

    ``volume_l`` and the filter aid are of one set of papers. ``sugar`` is a mass fraction.
    ``aid_kg`` or ``aid_cups`` must be there; cups are weighed by the settings.
    """

    verb: Literal[Verb.CHARGE] = Verb.CHARGE
    run: ShortText | None = None
    volume_l: float
    sugar: float | None = None
    method: Method = Method.NOT_MEASURED
    sand: Sand | None = None
    aid_kg: float | None = None
    aid_cups: float | None = None
    sets: int = 1


class CakeArgs(EntryArgs):
    """What the opened cakes of ``run`` show.

    ``thickness_m`` is both cakes of each measured frame together; ``fill`` the share of the frames
    that was full by eye, ``amount`` the same in a word. The frames' own thickness is the settings'
    unless given.
    """

    verb: Literal[Verb.CAKE] = Verb.CAKE
    run: ShortText
    fill: float | None = None
    amount: Amount | None = None
    thickness_m: Annotated[tuple[Thickness, ...], Field(max_length=MOST_MEASURED)] = ()
    frame_thickness_m: Thickness | None = None
    firmness: Firmness | None = None
    colour: Colour | None = None
    wet_spots: bool | None = None
    thicker_below: bool | None = None
    torn_papers: int | None = None


class FilledContainers(WireModel):
    """So many containers of one size [L as the label declares it]."""

    size_l: float
    count: int


class LotArgs(EntryArgs):
    """A lot packed from ``run``.

    ``packed`` null is the day the run began, ``number`` null the next lot of that day, ``code`` null
    the one that the owner's scheme makes of them. No ``containers`` means those tapped in the run.
    """

    verb: Literal[Verb.LOT] = Verb.LOT
    run: ShortText
    packed: date | None = None
    number: int | None = None
    code: ShortText | None = None
    sugar: float | None = None
    method: Method = Method.NOT_MEASURED
    containers: Annotated[tuple[FilledContainers, ...], Field(max_length=MOST_SIZES)] = ()
    initials: ShortText = ""


class CheckArgs(EntryArgs):
    """A probe held into ice slush, boiling water, or both: what the page or the display showed.

    ``pressure_kpa`` is the station's own, not reduced to the sea; ``altitude_m`` serves where no
    barometer is.
    """

    verb: Literal[Verb.CHECK] = Verb.CHECK
    point: Point
    ice_c: float | None = None
    boiling_c: float | None = None
    pressure_kpa: float | None = None
    altitude_m: float | None = None


class ProbeFound(WireModel):
    """What a check found, as the point's settings would say it.

    ``tolerance_c`` is null unless both baths and the pressure were measured. ``left_c`` is how far
    the settings of that day were off at the worst, between ice and boiling water.
    """

    scale: float
    offset_c: float
    tolerance_c: float | None = None
    left_c: float


class EarlierRun(WireModel):
    """A run of a notebook, from before there was a trace."""

    day: date
    line: int
    volume_l: float
    dose_kg_m3: float | None = None
    room_l: float
    fill: float | None = None
    amount: Amount | None = None
    limit: Limit = Limit.UNKNOWN


EntryGiven = Annotated[NoteArgs | ChargeArgs | CakeArgs | LotArgs | CheckArgs, Field(discriminator="verb")]
"""An entry as it is kept in an event; its words and ``corrects`` stand in the event itself."""
