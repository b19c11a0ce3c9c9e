"""What is entered before and after a run: kept whole, corrected without loss, or refused in a line."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date
from typing import Any

import pytest

from monitor.contract.commands import CommandArgs, CorrectArgs, EndArgs, Reply
from monitor.contract.entries import (
    Amount,
    CakeArgs,
    ChargeArgs,
    CheckArgs,
    Colour,
    FilledContainers,
    Firmness,
    LotArgs,
    Method,
    NoteArgs,
)
from monitor.contract.events import Mark
from monitor.contract.readings import Point
from monitor.run.entering import cake_reading
from monitor.run.records import KeptRun, Records, standing
from monitor.run.state import restored, stored

MakeScene = Callable[..., Any]
RUN = "main-20260318-090000"
EARLIER = KeptRun(frames=5, frame_thickness_m=0.0254, day=date(2026, 3, 18))
TODAY = date(2026, 3, 20)


@pytest.fixture
def scene(make_scene: MakeScene) -> Any:
    """Give an idle press with one run behind it."""
    made = make_scene(line_psi=0.0)
    made.records = Records(runs={RUN: EARLIER}, today=TODAY, cup_kg=0.045)
    made.second()
    return made


def marks(scene: Any) -> list[Mark]:
    return [event for event in scene.events if isinstance(event, Mark)]


def entered(scene: Any, args: CommandArgs, *, command_id: str | None = None) -> Mark:
    """Return the one mark that ``args`` made."""
    before = len(marks(scene))
    reply = scene.act(args, command_id=command_id)
    assert reply.done, reply.reason
    (mark,) = marks(scene)[before:]
    return mark


def test_a_cake_reading_is_kept_with_all_that_was_seen(scene: Any) -> None:
    args = CakeArgs(
        run=RUN,
        thickness_m=(0.02, 0.021, 0.0195),
        firmness=Firmness.SOFT,
        colour=Colour.DARK,
        wet_spots=True,
        thicker_below=False,
        torn_papers=1,
        text="left side wet",
    )
    mark = entered(scene, args, command_id="aaaaaaaa")
    assert (mark.name, mark.run, mark.entry, mark.text) == ("cake", RUN, "aaaaaaaa", "left side wet")
    assert mark.elapsed_s is None
    assert isinstance(mark.given, CakeArgs)
    reading = cake_reading(mark.given, note=mark.text)
    assert reading.thickness_m == (0.02, 0.021, 0.0195)
    assert reading.frame_thickness_m == 0.0254  # the run's own frames
    assert (reading.firmness, reading.colour, reading.wet_spots) == (Firmness.SOFT, Colour.DARK, True)
    assert mark.fill == pytest.approx((0.02 + 0.021 + 0.0195) / 3 / 0.0254, abs=1e-4)


def test_an_entry_about_an_earlier_run_is_kept_while_another_is_open(scene: Any) -> None:
    scene.line_psi = 30.0
    scene.warm_up()
    mark = entered(scene, CakeArgs(run=RUN, amount=Amount.FULL))
    assert (mark.run, mark.elapsed_s) == (RUN, None)
    note = entered(scene, NoteArgs(text="clear"))
    assert note.run == scene.state.run.id
    assert note.elapsed_s == pytest.approx(scene.mono_s - scene.state.origin_s - scene.state.run.started_s)


def test_the_charge_goes_to_the_run_that_opens_next_even_after_a_restart(scene: Any) -> None:
    args = ChargeArgs(volume_l=56.8, sugar=0.669, method=Method.REFRACTOMETER, aid_cups=11.0, text="new bag")
    before = entered(scene, args, command_id="aaaaaaaa")
    assert before.run is None
    assert isinstance(before.given, ChargeArgs)
    assert before.given.aid_kg == pytest.approx(11.0 * 0.045)
    scene.state = restored(stored(scene.state), boot=scene.boot, mono_s=scene.mono_s)
    scene.line_psi = 30.0
    scene.warm_up()
    handed = marks(scene)[-1]
    assert (handed.run, handed.entry, handed.text) == (scene.state.run.id, "aaaaaaaa", "new bag")
    assert handed.given == before.given
    scene.act(EndArgs())
    scene.line_psi = 0.0
    scene.seconds(5)
    scene.line_psi = 30.0
    scene.warm_up()
    assert marks(scene)[-1] == handed, "one charge serves one run"


def test_a_charge_that_was_taken_back_serves_no_run(scene: Any) -> None:
    entered(scene, ChargeArgs(volume_l=56.8, aid_kg=0.5), command_id="aaaaaaaa")
    entered(scene, CorrectArgs(entry="aaaaaaaa", text="other pan"))
    scene.line_psi = 30.0
    scene.warm_up()
    assert [mark.name for mark in marks(scene)] == ["charge", "taken back"]


def test_a_lot_takes_the_runs_day_and_the_next_number_of_it(scene: Any) -> None:
    first = entered(scene, LotArgs(run=RUN, initials="iv"))
    second = entered(
        scene, LotArgs(run=RUN, sugar=0.669, method=Method.HYDROMETER_COLD, text="last of the barrel")
    )
    assert isinstance(first.given, LotArgs)
    assert isinstance(second.given, LotArgs)
    assert (first.given.code, first.given.packed, first.given.initials) == (
        "2026-077-1",  # 31 + 28 + 18
        date(2026, 3, 18),
        "IV",
    )
    assert second.given.code == "2026-077-2"
    right = entered(scene, LotArgs(run=RUN, corrects=first.entry, initials="EH"))
    assert isinstance(right.given, LotArgs)
    assert (right.given.code, right.given.number) == ("2026-077-1", 1), "a correction keeps its name"
    moved = entered(scene, LotArgs(run=RUN, corrects=right.entry, packed=date(2026, 3, 19)))
    assert isinstance(moved.given, LotArgs)
    assert moved.given.code == "2026-078-1"
    own = entered(scene, LotArgs(run=RUN, code="A-17"))
    assert isinstance(own.given, LotArgs)
    assert own.given.code == "A-17"


def test_a_probe_check_says_what_the_settings_should_be(scene: Any) -> None:
    args = CheckArgs(point=Point.OUTLET, ice_c=0.5, boiling_c=100.0, pressure_kpa=101.325)
    mark = entered(scene, args)
    assert mark.name == "probe check"
    assert mark.found is not None
    assert mark.found.scale * 0.5 + mark.found.offset_c == pytest.approx(0.0, abs=1e-9)
    assert mark.found.tolerance_c is not None


def test_a_correction_stands_for_the_old_entry_and_both_are_kept(scene: Any) -> None:
    wrong = entered(scene, CakeArgs(run=RUN, fill=0.2))
    right = entered(scene, CakeArgs(run=RUN, fill=0.8, corrects=wrong.entry))
    assert standing(marks(scene)) == (right,)
    back = entered(scene, CorrectArgs(entry=right.entry, text="it was the other press"))
    assert back.corrects == right.entry
    assert standing(marks(scene)) == (wrong,), "taking the correction back brings the old one back"
    entered(scene, CorrectArgs(entry=wrong.entry))
    assert standing(marks(scene)) == ()
    assert len(marks(scene)) == 4


def test_an_entry_delivered_again_after_a_restart_is_one_entry(scene: Any) -> None:
    entered(scene, CakeArgs(run=RUN, fill=0.8), command_id="aaaaaaaa")
    scene.state = replace(scene.state, answered=())
    assert scene.act(CakeArgs(run=RUN, fill=0.8), command_id="aaaaaaaa").done
    assert len(marks(scene)) == 1


FILLED = FilledContainers(size_l=1.0, count=3)


@pytest.mark.parametrize(
    ("args", "why"),
    [
        (CakeArgs(run="main-never", fill=0.5), "no run is called main-never"),
        (CakeArgs(run=RUN), "nothing was said of the cakes"),
        (CakeArgs(run=RUN, fill=1.2), "share from 0 to 1"),
        (CakeArgs(run=RUN, thickness_m=(0.04,)), "cannot be in a frame of 25.4 mm"),
        (CakeArgs(run=RUN, thickness_m=(-0.01,)), "cannot be in a frame"),
        (CakeArgs(run=RUN, thickness_m=(0.02,), frame_thickness_m=0.0), "thickness of its frame"),
        (CakeArgs(run=RUN, thickness_m=(0.02,) * 6), "6 thicknesses cannot be of 5 frames"),
        (CakeArgs(run=RUN, torn_papers=-1), "torn papers"),
        (CakeArgs(run=RUN, fill=0.5, text="=SUM(A1)"), "as a formula does"),
        (NoteArgs(text="+1"), "as a formula does"),
        (NoteArgs(text="  "), "the note is empty"),
        (NoteArgs(text="a\x00b"), "control character"),
        (NoteArgs(run="main-never", text="words"), "no run is called"),
        (ChargeArgs(volume_l=0.0, aid_kg=0.5), "batch of 0 L"),
        (ChargeArgs(volume_l=56.8), "needs its filter aid"),
        (ChargeArgs(volume_l=56.8, aid_kg=-1.0), "filter aid"),
        (ChargeArgs(volume_l=56.8, aid_kg=50.0), "check both units"),
        (ChargeArgs(volume_l=56.8, aid_kg=0.5, sugar=0.9, method=Method.REFRACTOMETER), "90 Brix"),
        (ChargeArgs(volume_l=56.8, aid_kg=0.5, sugar=0.669), "how it was measured"),
        (ChargeArgs(volume_l=56.8, aid_kg=0.5, sets=0), "0 sets"),
        (LotArgs(run=RUN, packed=date(2026, 3, 21)), "lies in the future"),
        (LotArgs(run=RUN, packed=date(2026, 3, 17)), "older than its run"),
        (LotArgs(run=RUN, number=0), "lot number 0"),
        (LotArgs(run=RUN, code="=A1"), "a lot code is"),
        (LotArgs(run=RUN, sugar=0.9, method=Method.REFRACTOMETER), "90 Brix"),
        (LotArgs(run=RUN, initials="R2D2"), "initials"),
        (LotArgs(run=RUN, containers=(FILLED, FILLED)), "given twice"),
        (LotArgs(run=RUN, containers=(FilledContainers(size_l=0.0, count=1),)), "container of 0 L"),
        (LotArgs(run=RUN, containers=(FilledContainers(size_l=1.0, count=0),)), "0 containers"),
        (CheckArgs(point=Point.OUTLET, ice_c=5.0), "off in ice"),
        (CheckArgs(point=Point.LINE, ice_c=0.0), "no temperature probe"),
        (CorrectArgs(entry="abcdef01"), "no entry is called abcdef01"),
        (CorrectArgs(text="wrong"), "a run and words"),
        (CakeArgs(run=RUN, fill=0.5, corrects="abcdef01"), "no entry is called abcdef01"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line_and_nothing_is_saved(
    scene: Any, args: CommandArgs, why: str
) -> None:
    before = scene.state
    reply: Reply = scene.act(args)
    assert not reply.done
    assert reply.reason is not None
    assert why in reply.reason
    assert "\n" not in reply.reason
    assert marks(scene) == []
    assert (scene.state.charge, scene.state.events) == (before.charge, before.events)


def test_a_correction_of_another_kind_or_run_or_of_what_is_gone_is_refused(scene: Any) -> None:
    scene.records = scene.records.with_run("main-other", EARLIER)
    cake = entered(scene, CakeArgs(run=RUN, fill=0.5))
    for args in (
        NoteArgs(run=RUN, text="thin", corrects=cake.entry),
        CakeArgs(run="main-other", fill=0.5, corrects=cake.entry),
    ):
        assert "correct it where it stands" in scene.act(args).reason
    entered(scene, CakeArgs(run=RUN, fill=0.6, corrects=cake.entry))
    assert "already" in scene.act(CakeArgs(run=RUN, fill=0.7, corrects=cake.entry)).reason
    assert "already" in scene.act(CorrectArgs(entry=cake.entry)).reason


def test_two_lots_of_one_code_are_refused(scene: Any) -> None:
    entered(scene, LotArgs(run=RUN, code="A-17"))
    assert "is there already" in scene.act(LotArgs(run=RUN, code="A-17")).reason


def test_with_an_unset_clock_no_day_is_in_the_future(scene: Any) -> None:
    scene.records = replace(scene.records, today=None, runs={RUN: KeptRun()})
    assert scene.act(LotArgs(run=RUN, packed=date(2031, 1, 1))).done
    assert "the clock is not set" in scene.act(LotArgs(run=RUN)).reason
