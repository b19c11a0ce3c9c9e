"""The opened cakes: what a person sees, checked, and what it says about the run.

A thickness is that of both cakes of a frame together, so a frame is full when it equals the
frame's own. Every saying carries its reason; none is certain, and none of it is needed to run.
The sayings themselves are common practice of the trade, no source.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum

from monitor.contract.entries import Amount, Colour, Firmness
from monitor.contract.errors import EntryRefused
from monitor.run.plain_text import plain_text

THICKEST_SHARE = 1.05
"""A cake may bulge over its frame by this much once the plates are off; more is a slip of the pen."""

RULER_ERROR, EYE_ERROR, WORD_ERROR = 0.08, 0.12, 0.22
"""Error of a fill measured with a ruler, guessed as a share, and said in a word, as a share of it
(judgement)."""

FULL_FILL = 0.9
"""From here the frames count as full."""

THIN_FILL = 0.6
"""Under this the frames had room left."""

UNEVEN_SHARE = 0.25
"""Frames that differ by more than this share of their mean are uneven."""

EASY_SHARE = 0.5
"""A set that ended under this share of the cut-off pressure was not short of filter aid."""

CLOSED_SHARE = 0.9
"""From this share of the cut-off pressure the papers count as closed."""


FILL_OF = {Amount.LIGHT: 0.25, Amount.HALF: 0.5, Amount.FULL: 0.96}
"""The fill that a word stands for."""


class Verdict(StrEnum):
    """What a cake can say."""

    FRAMES_FULL = "frames full"
    ROOM_LEFT = "room left"
    UNDER_DOSED = "under-dosed"
    OVER_DOSED = "over-dosed"
    BLINDED = "papers blinded"
    SAND_LIMITED = "sand-limited"
    SETTLED = "filter aid settled"
    BYPASSED = "paper bypassed"
    NOT_DRAINED = "not drained"
    ORDINARY = "nothing unusual"


@dataclass(frozen=True, slots=True, kw_only=True)
class CakeReading:
    """What somebody saw; what was not looked at is null. Refuses what cannot be.

    Attributes:
        thickness_m: both cakes of each measured frame together [m].
        frame_thickness_m: thickness of a window frame [m]; needed with ``thickness_m``.
        fill: share of the frames that was full, by eye [1].
        amount: the same in a word.
        torn_papers: how many papers were torn, folded or off their holes.
        thicker_below: the cakes were thicker at the bottom than at the top.
    """

    thickness_m: tuple[float, ...] = ()
    frame_thickness_m: float | None = None
    fill: float | None = None
    amount: Amount | None = None
    firmness: Firmness | None = None
    colour: Colour | None = None
    wet_spots: bool | None = None
    thicker_below: bool | None = None
    torn_papers: int | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if self.thickness_m:
            self._check_thickness()
        if self.fill is not None and not 0.0 <= self.fill <= 1.0:
            raise EntryRefused(f"a fill of {self.fill:g} cannot be: give a share from 0 to 1")
        if self.torn_papers is not None and not 0 <= self.torn_papers <= 800:
            raise EntryRefused(f"{self.torn_papers} torn papers cannot be: count the papers of the set")
        plain_text(self.note, name="note")

    def _check_thickness(self) -> None:
        frame_m = self.frame_thickness_m
        if frame_m is None or not 0.0 < frame_m <= 1.0:
            raise EntryRefused("a cake's thickness needs the thickness of its frame")
        for thickness_m in self.thickness_m:
            if not 0.0 <= thickness_m <= THICKEST_SHARE * frame_m:
                raise EntryRefused(
                    f"a cake of {1000.0 * thickness_m:.1f} mm cannot be in a frame of "
                    f"{1000.0 * frame_m:.1f} mm: measure both cakes of a frame together"
                )

    @property
    def full_share(self) -> float | None:
        """Share of the frames taken by cake, by the best that was seen; null when nothing was."""
        if self.thickness_m and self.frame_thickness_m:
            mean_m = sum(self.thickness_m) / len(self.thickness_m)
            return min(1.0, mean_m / self.frame_thickness_m)
        if self.fill is not None:
            return self.fill
        return None if self.amount is None else FILL_OF[self.amount]

    @property
    def full_share_error(self) -> float:
        """Error of :attr:`full_share`, as a share of it."""
        if self.thickness_m:
            return RULER_ERROR
        return EYE_ERROR if self.fill is not None else WORD_ERROR


@dataclass(frozen=True, slots=True, kw_only=True)
class SetEnd:
    """How the set ended, as far as it is known; null is not known."""

    end_kpa: float | None = None
    """Highest line pressure, mean of a second."""
    cutoff_kpa: float | None = None
    sand_share: float | None = None
    """Share of sugar sand in the cake's solids, by the balance of the run."""

    @property
    def pressure_share(self) -> float | None:
        """Share of the cut-off pressure that was reached."""
        if self.end_kpa is None or not self.cutoff_kpa:
            return None
        return self.end_kpa / self.cutoff_kpa


@dataclass(frozen=True, slots=True)
class Saying:
    """One thing the cakes say, and why."""

    verdict: Verdict
    reason: str


def what_it_says(reading: CakeReading, *, end: SetEnd = SetEnd()) -> tuple[Saying, ...]:
    """Return what the cakes say, each with its reason; "nothing unusual" when that is all."""
    said = (*_by_fill(reading, end), *_by_evenness(reading), *_by_papers(reading))
    return said or (Saying(Verdict.ORDINARY, "the cakes show nothing out of the ordinary"),)


def _by_fill(reading: CakeReading, end: SetEnd) -> Iterator[Saying]:
    fill, pressure = reading.full_share, end.pressure_share
    if fill is None:
        return
    share = f"the cakes took {100.0 * fill:.0f} % of the frames"
    closed = pressure is not None and pressure >= CLOSED_SHARE
    if fill >= FULL_FILL:
        yield Saying(Verdict.FRAMES_FULL, f"{share}: this set could take no more")
        if pressure is not None and pressure < EASY_SHARE:
            reached = f"and the line only reached {100.0 * pressure:.0f} % of the cut-off pressure"
            yield Saying(Verdict.OVER_DOSED, f"{share} {reached}: less filter aid would have done")
        elif end.sand_share is not None and end.sand_share >= 0.5:
            much = f"{100.0 * end.sand_share:.0f} % of the cake is sugar sand"
            yield Saying(Verdict.SAND_LIMITED, f"{share} and {much}: the sand took the room")
    elif closed and fill < THIN_FILL:
        reached = "yet the line was at the cut-off pressure"
        yield Saying(Verdict.BLINDED, f"{share}, {reached}: sand closed the papers before the cake was thick")
        yield Saying(Verdict.UNDER_DOSED, f"{share}, {reached}: more filter aid keeps the sand open")
    elif closed:
        yield Saying(Verdict.UNDER_DOSED, f"{share} when the pressure ran out: a little more would do")
    else:
        yield Saying(Verdict.ROOM_LEFT, f"{share}: there was room for more syrup")


def _by_evenness(reading: CakeReading) -> Iterator[Saying]:
    if reading.thicker_below:
        yield Saying(Verdict.SETTLED, "the cakes were thicker below: filter aid sank in frames or pan")
    if len(reading.thickness_m) < 2:
        return
    low_m, high_m = min(reading.thickness_m), max(reading.thickness_m)
    mean_m = math.fsum(reading.thickness_m) / len(reading.thickness_m)
    if high_m - low_m > UNEVEN_SHARE * mean_m and not reading.thicker_below:
        spread = f"frames from {1000.0 * low_m:.0f} to {1000.0 * high_m:.0f} mm"
        yield Saying(Verdict.SETTLED, f"{spread}: filter aid did not reach every frame alike, stir more")


def _by_papers(reading: CakeReading) -> Iterator[Saying]:
    if reading.torn_papers:
        papers = f"{reading.torn_papers} paper{'s' if reading.torn_papers > 1 else ''}"
        yield Saying(Verdict.BYPASSED, f"{papers} torn or out of place: syrup went past the cake")
    elif reading.firmness is Firmness.RUNNY and (reading.full_share or 0.0) >= FULL_FILL:
        yield Saying(Verdict.BYPASSED, "full frames, a runny cake: look for a fold or a hole off its place")
    if reading.wet_spots:
        yield Saying(Verdict.NOT_DRAINED, "wet spots: the frames still held syrup when they were opened")
    elif reading.firmness is Firmness.SOFT and (reading.full_share or 1.0) < FULL_FILL:
        yield Saying(Verdict.NOT_DRAINED, "a soft cake in frames that were not full holds syrup back")
    if reading.colour is Colour.DARK:
        yield Saying(Verdict.SAND_LIMITED, "a dark cake carries much sugar sand")
