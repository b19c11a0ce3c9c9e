"""How runs open, pause and close."""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest

from monitor.contract.commands import EndArgs, StartArgs
from monitor.contract.errors import IllegalMove
from monitor.contract.names import Phase
from monitor.run.effects import RunClosed, RunOpened
from monitor.run.phases import TURNS, Turn, turned

MakeScene = Callable[..., Any]


def test_pressure_for_ten_seconds_opens_a_run_dated_to_its_beginning(make_scene: MakeScene) -> None:
    scene = make_scene(line_psi=0.0)
    scene.seconds(20)
    scene.line_psi = 6.0
    scene.second()
    began, wall = scene.mono_s, scene.wall
    scene.seconds(9)
    assert scene.status().run is None
    scene.second()
    run = scene.status().run
    assert run is not None
    assert run.elapsed_s == pytest.approx(scene.mono_s - began)
    assert abs(run.started - wall) < timedelta(seconds=0.01)
    assert run.by == "pressure"


def test_a_short_squeeze_opens_nothing(make_scene: MakeScene) -> None:
    scene = make_scene(line_psi=30.0)
    scene.seconds(8)
    scene.line_psi = 0.0
    scene.seconds(30)
    assert scene.phases() == []


def test_a_person_opens_and_closes_at_once_and_pressure_does_not_open_the_next(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.second()
    assert scene.act(StartArgs()).done
    assert not scene.act(StartArgs()).done
    scene.seconds(5)
    assert scene.act(EndArgs()).done
    assert not scene.act(EndArgs()).done
    scene.seconds(60)
    assert scene.status().phase is Phase.IDLE
    scene.line_psi = 0.0
    scene.seconds(3)
    scene.line_psi = 30.0
    scene.seconds(15)
    assert scene.status().phase is Phase.RECIRCULATING


def test_ten_minutes_without_pressure_propose_the_end_and_new_pressure_is_a_new_run(
    make_scene: MakeScene,
) -> None:
    scene = make_scene()
    scene.seconds(30)
    scene.line_psi = 0.0
    scene.seconds(2)
    assert scene.status().phase is Phase.PAUSED
    prompts = scene.status().prompts
    scene.seconds(598)
    assert scene.status().phase is Phase.PAUSED
    scene.seconds(3)
    assert scene.status().phase is Phase.END_PROPOSED
    assert scene.status().prompts == prompts + 1
    first = scene.status().run
    scene.line_psi = 30.0
    scene.seconds(11)
    assert scene.status().phase is Phase.RECIRCULATING
    assert scene.status().run.id != first.id
    assert scene.status().run.elapsed_s == pytest.approx(10.0)


def test_a_short_pause_is_the_same_run(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.seconds(30)
    first = scene.status().run
    scene.line_psi = 0.0
    scene.seconds(300)
    scene.line_psi = 30.0
    scene.seconds(2)
    assert scene.status().phase is Phase.RECIRCULATING
    assert scene.status().run.id == first.id


def test_a_run_left_open_overnight_closes_by_itself(make_scene: MakeScene) -> None:
    scene = make_scene()
    scene.seconds(30)
    scene.line_psi = 0.0
    scene.seconds(7300)
    assert scene.status().run is None
    assert scene.phases()[-1] == Phase.IDLE


def test_the_reading_that_completes_ten_seconds_opens_the_run(make_scene: MakeScene) -> None:
    scene = make_scene()
    found: list[Any] = []
    enter = scene.enter

    def listening(entered: Any) -> Any:
        effects = enter(entered)
        found.extend(effects)
        return effects

    scene.enter = listening
    scene.seconds(12)
    scene.act(EndArgs())
    opened = next(effect for effect in found if isinstance(effect, RunOpened))
    closed = next(effect for effect in found if isinstance(effect, RunClosed))
    assert opened.started_mono_s == pytest.approx(501.0)
    assert closed.run == opened.run
    assert closed.elapsed_s == pytest.approx(scene.mono_s - 501.0)


def test_a_run_without_a_set_clock_has_a_name_and_no_date(make_scene: MakeScene) -> None:
    scene = make_scene(wall=None)
    scene.seconds(12)
    run = scene.status().run
    assert run is not None
    assert run.started is None
    assert run.id.startswith("main-")


@pytest.mark.parametrize("phase", list(Phase))
@pytest.mark.parametrize("turn", list(Turn))
def test_every_turn_that_is_not_listed_is_refused(phase: Phase, turn: Turn) -> None:
    if (phase, turn) in TURNS:
        assert turned(phase, turn) is TURNS[phase, turn]
    else:
        with pytest.raises(IllegalMove, match=str(phase)):
            turned(phase, turn)


def test_every_phase_of_an_open_run_can_be_closed_and_idle_only_opened() -> None:
    for phase in set(Phase) - {Phase.IDLE}:
        assert turned(phase, Turn.CLOSED) is Phase.IDLE
    assert {turn for before, turn in TURNS if before is Phase.IDLE} == {Turn.OPENED}


def test_runs_begun_within_the_same_second_have_names_of_their_own(make_scene: MakeScene) -> None:
    scene = make_scene(line_psi=0.0)
    scene.seconds(3)
    names = []
    for _ in range(3):
        assert scene.act(StartArgs()).done
        names.append(scene.status().run.id)
        assert scene.act(EndArgs()).done
    assert len(set(names)) == 3
