"""Readings that waited on a line that was down are kept and not judged; all others are of now."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from monitor import intake
from monitor.contract.payloads import encode
from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode
from monitor.contract.topics import Topics
from monitor.lateness import LATE_S, WRONG_CLOCK_AFTER_S, Lateness
from monitor.run.inputs import ReadingArrived, Stamp
from monitor.run.records import Records
from monitor.runtime.inbox import Message

NOON = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
KNOWN = (ClockState.SYNCHRONISED, ClockState.PHONE)
UNSURE = (ClockState.SAVED, ClockState.UNSET)


def arrived(
    age_s: float,
    *,
    at_s: float = 0.0,
    theirs: ClockState = ClockState.SYNCHRONISED,
    ours: ClockState = ClockState.SYNCHRONISED,
    boot: str = "site",
    point: Point = Point.OUTLET,
) -> ReadingArrived:
    """Return what is read of a message that came ``at_s`` after noon with a reading ``age_s`` old."""
    now = NOON + timedelta(seconds=at_s)
    reading = Reading(
        seq=1, boot=boot, mono_ms=int(1000 * (at_s - age_s + 9000)),
        time=None if theirs is ClockState.UNSET else now - timedelta(seconds=age_s), clock=theirs,
        value=84.0 if point is Point.OUTLET else 200.0,
        unit=UnitCode.CELSIUS if point is Point.OUTLET else UnitCode.KILOPASCAL, quality=Quality.GOOD,
    )  # fmt: skip
    stamp = Stamp(
        boot="co-op", mono_s=9000.0 + at_s, time=None if ours is ClockState.UNSET else now, clock=ours
    )
    message = Message(Topics("hill-main").reading(point), encode(reading), retain=False)
    entered = intake.read(message, stamp=stamp, records=lambda _: Records())
    assert isinstance(entered, ReadingArrived)
    return entered


@pytest.mark.parametrize("theirs", KNOWN)
@pytest.mark.parametrize("ours", KNOWN)
def test_one_of_minutes_ago_is_late_where_both_clocks_are_known(ours: ClockState, theirs: ClockState) -> None:
    assert Lateness().of(arrived(600.0, ours=ours, theirs=theirs)) == 600.0


@pytest.mark.parametrize("age_s", [-30.0, 0.0, 1.0, LATE_S])
def test_one_of_the_last_seconds_is_of_now(age_s: float) -> None:
    assert Lateness().of(arrived(age_s)) is None


def test_just_over_the_limit_is_late() -> None:
    assert Lateness().of(arrived(LATE_S + 0.001)) == pytest.approx(LATE_S + 0.001)


@pytest.mark.parametrize("unsure", UNSURE)
def test_without_a_known_time_on_either_side_it_is_taken_as_of_now(unsure: ClockState) -> None:
    assert Lateness().of(arrived(600.0, theirs=unsure)) is None
    assert Lateness().of(arrived(600.0, ours=unsure)) is None


def test_one_of_the_same_boot_is_left_to_the_engine_which_knows_its_age() -> None:
    assert Lateness().of(arrived(600.0, boot="co-op")) is None


@pytest.mark.parametrize("times_life", [1.5, 10.0, 500.0])
def test_a_queue_that_empties_is_late_down_to_the_present(times_life: float) -> None:
    lateness, out_s = Lateness(), 600.0
    at_s = 0.0
    while (age_s := out_s - (times_life - 1.0) * at_s) > LATE_S + 0.01:
        assert lateness.of(arrived(age_s, at_s=at_s)) is not None, at_s
        at_s += 1.0 / times_life
    assert lateness.of(arrived(0.2, at_s=at_s)) is None


def test_a_board_whose_clock_is_wrong_is_heard_again_after_half_a_minute() -> None:
    lateness = Lateness()
    late = [lateness.of(arrived(20.0 + second % 2, at_s=float(second))) is not None for second in range(90)]
    assert late == [second < WRONG_CLOCK_AFTER_S for second in range(90)]


def test_an_outage_of_a_board_whose_clock_is_wrong_is_told_too() -> None:
    lateness = Lateness()
    for second in range(60):
        lateness.of(arrived(20.0, at_s=float(second)))
    assert lateness.of(arrived(300.0, at_s=360.0)) == 300.0


def test_each_point_is_judged_by_itself() -> None:
    lateness = Lateness()
    for second in range(60):
        lateness.of(arrived(20.0, at_s=float(second)))
    assert lateness.of(arrived(20.0, at_s=60.0, point=Point.LINE)) == 20.0
    assert lateness.of(arrived(20.0, at_s=60.0)) is None
