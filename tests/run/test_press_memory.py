"""What earlier runs teach: litres a stroke and the resistance of a clean start."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from monitor.contract.commands import EndArgs, MarkArgs, MarkKind
from monitor.run.press_memory import PressMemory, in_force
from monitor.run.state import restored, stored

MakeScene = Callable[..., Any]


def _pumped(make_scene: MakeScene, *, seconds: int) -> Any:
    scene = make_scene(strokes=1, outlet_f=185.0)
    scene.seconds(seconds)
    return scene


def test_a_true_total_corrects_the_litres_a_stroke_and_the_next_run_counts_with_it(
    make_scene: MakeScene,
) -> None:
    scene = _pumped(make_scene, seconds=400)
    counted_l = scene.status().volume.filtered_l
    assert counted_l == pytest.approx(400 * 0.07, rel=0.05)
    assert scene.act(MarkArgs(mark=MarkKind.TOTAL_VOLUME, volume_l=counted_l * 1.15)).done
    learned_l = scene.state.memory.displacement_l
    assert 0.07 < learned_l <= 0.07 * 1.15
    scene.act(EndArgs())
    scene.line_psi = 0.0
    scene.seconds(5)
    scene.line_psi = 30.0
    scene.seconds(400)
    assert scene.status().volume.filtered_l == pytest.approx(400 * learned_l, rel=0.05)


def test_a_total_beyond_belief_teaches_nothing(make_scene: MakeScene) -> None:
    scene = _pumped(make_scene, seconds=400)
    assert scene.act(MarkArgs(mark=MarkKind.TOTAL_VOLUME, volume_l=2000.0)).done
    assert scene.state.memory.displacement_l is None


def test_what_was_learned_survives_a_restart_and_is_void_when_the_owner_sets_another_pump(
    make_scene: MakeScene,
) -> None:
    scene = _pumped(make_scene, seconds=400)
    scene.act(MarkArgs(mark=MarkKind.TOTAL_VOLUME, volume_l=32.0))
    back = restored(stored(scene.state), boot="another", mono_s=5.0)
    assert back.memory == scene.state.memory
    other = replace(scene.rules, pump=replace(scene.rules.pump, displacement_l=0.12))
    assert in_force(other, back.memory).pump.displacement_l == 0.12
    assert in_force(scene.rules, back.memory).pump.displacement_l == back.memory.displacement_l


def test_nothing_learned_leaves_the_rules_alone(make_scene: MakeScene) -> None:
    scene = make_scene()
    assert in_force(scene.rules, PressMemory()) is scene.rules
