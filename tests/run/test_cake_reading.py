"""What the opened cakes say. The sayings are common practice of the trade, no source."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.errors import EntryRefused
from monitor.run.cake import (
    Amount,
    CakeReading,
    Colour,
    Firmness,
    SetEnd,
    Verdict,
    what_it_says,
)

FRAME_M = 0.0254


def reading(*millimetres: float, **seen: object) -> CakeReading:
    thickness = tuple(value / 1000.0 for value in millimetres)
    return CakeReading(thickness_m=thickness, frame_thickness_m=FRAME_M, **seen)  # type: ignore[arg-type]


def verdicts(cake: CakeReading, end: SetEnd | None = None) -> set[Verdict]:
    return {saying.verdict for saying in what_it_says(cake, end=end or SetEnd())}


def test_fill_is_the_mean_thickness_over_the_frames() -> None:
    # (20 + 22 + 24) / 3 = 22 mm of 25.4 mm: 86.6 % (computed).
    assert reading(20.0, 22.0, 24.0).full_share == pytest.approx(0.8661, abs=1e-4)


def test_ruler_goes_before_eye_and_eye_before_word() -> None:
    both = reading(12.7, fill=0.9, amount=Amount.FULL)
    assert both.full_share == pytest.approx(0.5)
    assert CakeReading(fill=0.9, amount=Amount.LIGHT).full_share == 0.9
    assert both.full_share_error < CakeReading(fill=0.9).full_share_error
    assert CakeReading(fill=0.9).full_share_error < CakeReading(amount=Amount.FULL).full_share_error
    assert CakeReading().full_share is None


def test_words_stand_in_their_order() -> None:
    light, half, full = (CakeReading(amount=amount).full_share for amount in Amount)
    assert light is not None
    assert half is not None
    assert full is not None
    assert light < half < full <= 1.0


def test_full_frames_at_low_pressure_had_too_much_filter_aid() -> None:
    said = verdicts(reading(25.0, 25.0), SetEnd(end_kpa=240.0, cutoff_kpa=551.6))
    assert said == {Verdict.FRAMES_FULL, Verdict.OVER_DOSED}


def test_thin_cakes_at_the_cut_off_are_blinded_papers() -> None:
    said = verdicts(reading(8.0, 9.0), SetEnd(end_kpa=550.0, cutoff_kpa=551.6))
    assert said == {Verdict.BLINDED, Verdict.UNDER_DOSED}


def test_thick_cakes_at_the_cut_off_wanted_a_little_more() -> None:
    said = verdicts(reading(19.0, 20.0), SetEnd(end_kpa=550.0, cutoff_kpa=551.6))
    assert said == {Verdict.UNDER_DOSED}


def test_full_frames_of_much_sand_are_sand_limited() -> None:
    end = SetEnd(end_kpa=500.0, cutoff_kpa=551.6, sand_share=0.6)
    assert verdicts(reading(25.0, 25.0), end) == {Verdict.FRAMES_FULL, Verdict.SAND_LIMITED}


def test_thin_cakes_without_pressure_left_room() -> None:
    said = verdicts(reading(10.0, 10.5), SetEnd(end_kpa=250.0, cutoff_kpa=551.6))
    assert said == {Verdict.ROOM_LEFT}


def test_uneven_or_bottom_heavy_cakes_are_settled_filter_aid() -> None:
    assert Verdict.SETTLED in verdicts(reading(8.0, 14.0, 20.0))
    assert Verdict.SETTLED not in verdicts(reading(13.0, 14.0, 15.0))
    assert Verdict.SETTLED in verdicts(reading(14.0, 14.0, thicker_below=True))


def test_torn_or_folded_papers_were_bypassed() -> None:
    assert Verdict.BYPASSED in verdicts(reading(20.0, torn_papers=1))
    assert Verdict.BYPASSED in verdicts(reading(25.0, firmness=Firmness.RUNNY))
    assert Verdict.BYPASSED not in verdicts(reading(20.0, torn_papers=0))


def test_wet_spots_and_dark_cakes_are_told() -> None:
    assert Verdict.NOT_DRAINED in verdicts(CakeReading(wet_spots=True))
    assert Verdict.SAND_LIMITED in verdicts(CakeReading(colour=Colour.DARK))
    assert verdicts(CakeReading(colour=Colour.PALE)) == {Verdict.ORDINARY}


def test_every_saying_has_its_reason() -> None:
    end = SetEnd(end_kpa=550.0, cutoff_kpa=551.6)
    for saying in what_it_says(reading(8.0, 9.0, torn_papers=2, wet_spots=True), end=end):
        assert len(saying.reason) > 20


@pytest.mark.parametrize(
    "make",
    [
        lambda: reading(40.0),
        lambda: reading(-1.0),
        lambda: reading(math.nan),
        lambda: CakeReading(thickness_m=(0.01,)),
        lambda: CakeReading(thickness_m=(0.01,), frame_thickness_m=0.0),
        lambda: CakeReading(fill=1.2),
        lambda: CakeReading(fill=math.nan),
        lambda: CakeReading(torn_papers=-1),
        lambda: CakeReading(note="=HYPERLINK(1)"),
        lambda: CakeReading(note="@SUM(A1)"),
        lambda: CakeReading(note="two\x00parts"),
        lambda: CakeReading(note="x" * 501),
    ],
)
def test_impossible_cake_is_refused_in_one_line(make: object) -> None:
    with pytest.raises(EntryRefused) as refused:
        make()  # type: ignore[operator]
    assert "\n" not in str(refused.value)


@given(
    thickness=st.lists(st.floats(0.0, 0.0254), max_size=12),
    end_kpa=st.floats(0.0, 700.0) | st.none(),
    sand_share=st.floats(0.0, 1.0) | st.none(),
    firmness=st.sampled_from(Firmness) | st.none(),
)
def test_anything_that_can_be_seen_says_something(
    thickness: list[float], end_kpa: float | None, sand_share: float | None, firmness: Firmness | None
) -> None:
    cake = CakeReading(thickness_m=tuple(thickness), frame_thickness_m=FRAME_M, firmness=firmness)
    end = SetEnd(end_kpa=end_kpa, cutoff_kpa=551.6, sand_share=sand_share)
    said = what_it_says(cake, end=end)
    assert said
    found = {saying.verdict for saying in said}
    assert not {Verdict.UNDER_DOSED, Verdict.OVER_DOSED} <= found
    assert not {Verdict.FRAMES_FULL, Verdict.ROOM_LEFT} <= found
