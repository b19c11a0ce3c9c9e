"""Acts: done once, refused with a reason, and never half."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from monitor.contract.commands import (
    AcknowledgeArgs,
    CakeArgs,
    EndArgs,
    MarkArgs,
    MarkKind,
    NoteArgs,
    ShelveArgs,
    SilenceArgs,
)
from monitor.contract.events import Mark
from monitor.contract.names import Alarm, Flag
from monitor.run.records import KeptRun

MakeScene = Callable[..., Any]


def test_an_act_delivered_twice_is_done_once(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up()
    filled = MarkArgs(mark=MarkKind.CONTAINER_FILLED, volume_l=1.0)
    first = scene.act(filled, command_id="aaaaaaaa")
    again = scene.act(filled, command_id="aaaaaaaa")
    assert first == again
    assert scene.status().volume.containers == 1


def test_containers_are_counted_and_summed(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up()
    for volume_l in (1.0, 0.5, 3.785):
        assert scene.act(MarkArgs(mark=MarkKind.CONTAINER_FILLED, volume_l=volume_l)).done
    assert scene.status().volume.containers == 3
    assert scene.status().volume.containers_l == 5.285


def test_what_cannot_be_done_is_refused_in_words_and_changes_nothing(make_scene: MakeScene) -> None:
    scene = make_scene(line_psi=0.0)
    scene.second()
    for args in (
        EndArgs(),
        SilenceArgs(),
        MarkArgs(mark=MarkKind.STIRRED),
        MarkArgs(mark=MarkKind.CONTAINER_FILLED),
        AcknowledgeArgs(alarm=Alarm.NEAR_CLOG, activation=1),
        AcknowledgeArgs(alarm=Alarm.MONITOR_SILENT, activation=1),
    ):
        before, events = scene.state, list(scene.events)
        reply = scene.act(args)
        assert not reply.done
        assert reply.reason
        assert scene.events == events
        assert (scene.state.alarms, scene.state.run) == (before.alarms, before.run)


def test_a_container_without_a_size_is_refused(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up()
    assert "volume" in scene.act(MarkArgs(mark=MarkKind.CONTAINER_FILLED)).reason


def test_stirring_is_asked_for_every_five_minutes_until_it_is_done(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up()
    scene.seconds(270)
    assert Flag.STIR_DUE not in scene.flags()
    scene.seconds(20)
    assert Flag.STIR_DUE in scene.flags()
    prompts = scene.status().prompts
    scene.seconds(300)
    assert scene.status().prompts == prompts + 1
    assert scene.act(MarkArgs(mark=MarkKind.STIRRED)).done
    scene.second()
    assert Flag.STIR_DUE not in scene.flags()


def test_the_flags_of_a_run_are_cleared_in_its_own_record(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up()
    run = scene.status().run.id
    scene.events.clear()
    scene.act(EndArgs())
    assert [(event.name, event.run) for event in scene.events] == [
        (Flag.READY_TO_BOTTLE, run),
        ("run", run),
    ]


def test_notes_and_cakes_are_events_with_who_and_what(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up()
    scene.records = scene.records.with_run("main-earlier", KeptRun())
    scene.act(NoteArgs(text="second pan of the day"), who="press hand")
    scene.act(CakeArgs(run="main-earlier", fill=0.75, text="soft in the middle"))
    note, cake = [event for event in scene.events if isinstance(event, Mark)]
    assert (note.name, note.text, note.who) == ("note", "second pan of the day", "press hand")
    assert (cake.name, cake.run, cake.fill) == ("cake", "main-earlier", 0.75)


def test_an_alarm_that_is_not_raised_can_still_be_set_aside_for_a_while(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.warm_up()
    assert scene.act(ShelveArgs(alarm=Alarm.NEAR_CLOG, seconds=60)).done
    scene.line_psi = 75.0
    scene.seconds(30)
    assert scene.status().sound is None
    assert [alarm.name for alarm in scene.status().alarms] == [Alarm.NEAR_CLOG]
    scene.seconds(40)
    assert scene.status().sound is not None
