"""Ready to bottle is never shown on a reading that does not carry it.

Random sequences of readings, silences, faults, restarts and acts are stepped through the
engine and, beside it, through a model that is too simple to be wrong: a handful of lines on
the raw inputs, written from the requirement and sharing no code with the rules.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import hypothesis.strategies as st
import pytest
from hypothesis import HealthCheck, given, settings

from monitor.contract.commands import EndArgs, StartArgs
from monitor.contract.names import Flag, Limit, Phase
from monitor.contract.readings import Point, Quality
from monitor.rules.guard import Bounds
from monitor.rules.picture import Picture
from monitor.rules.verdict import Verdict, judge
from monitor.run.inputs import Tick
from monitor.run.state import restored, stored
from monitor.runtime.settings import load

VERDICTS = (Flag.STILL_RECIRCULATING, Flag.READY_TO_BOTTLE, Flag.UNKNOWN)

OUTLET_F = st.one_of(
    st.floats(40.0, 200.0),
    st.sampled_from([177.9, 178.0, 179.99, 180.0, 180.01, 185.0, 190.0, 192.99, 193.0, 193.01]),
)
HAPPENING = st.one_of(
    st.tuples(st.just("outlet"), OUTLET_F),
    st.tuples(st.just("line"), st.sampled_from([0.0, 2.0, 4.9, 5.1, 30.0, 79.0, 95.0])),
    st.tuples(st.just("quality"), st.sampled_from(list(Quality))),
    st.tuples(st.just("silence"), st.sampled_from([Point.OUTLET, Point.LINE])),
    st.tuples(st.just("sound again"), st.sampled_from([Point.OUTLET, Point.LINE])),
    st.tuples(st.just("strokes"), st.sampled_from([None, 0, 1, 2])),
    st.tuples(st.just("seconds"), st.integers(1, 15)),
    st.tuples(st.just("long silence"), st.integers(16, 700)),
    st.tuples(st.just("start"), st.none()),
    st.tuples(st.just("end"), st.none()),
    st.tuples(st.just("restart"), st.booleans()),
)


class Model:
    """Ready may be shown only if this says so, from what was really sent and when."""

    def __init__(self) -> None:
        self.sent: dict[Point, tuple[float, float, Quality]] = {}

    def hear(self, point: Point, *, at_s: float, value: float, quality: Quality) -> None:
        self.sent[point] = (at_s, value, quality)

    def may_be_ready(self, now_s: float) -> bool:
        for point in (Point.OUTLET, Point.LINE):
            at_s, _, quality = self.sent.get(point, (-1e9, 0.0, Quality.BAD))
            if quality is not Quality.GOOD or now_s - at_s > 5.0:
                return False
        outlet_f, line_psi = self.sent[Point.OUTLET][1], self.sent[Point.LINE][1]
        return 178.0 - 1e-6 <= outlet_f < 193.0 and line_psi >= 3.0 - 1e-2


def _play(scene: Any, happenings: list[tuple[str, Any]]) -> None:
    model = Model()

    def second() -> None:
        scene.second()
        for point, value, quality in (
            (Point.OUTLET, scene.outlet_f, scene.outlet_quality),
            (Point.LINE, scene.line_psi, Quality.GOOD),
        ):
            if point not in scene.silent:
                model.hear(point, at_s=scene.mono_s, value=value, quality=quality)
        _agree(scene, model)

    for what, value in happenings:
        match what:
            case "outlet":
                scene.outlet_f = value
            case "line":
                scene.line_psi = value
            case "quality":
                scene.outlet_quality = value
            case "silence":
                scene.silent.add(value)
            case "sound again":
                scene.silent.discard(value)
            case "strokes":
                scene.strokes = value
            case "start":
                scene.act(StartArgs())
            case "end":
                scene.act(EndArgs())
            case "restart":
                scene.boot = "boot-b" if value else scene.boot
                scene.state = restored(stored(scene.state), boot=scene.boot, mono_s=scene.mono_s)
            case "seconds":
                for _ in range(value):
                    second()
            case "long silence":
                scene.advance(value)
                scene.enter(Tick(stamp=scene.stamp()))
        _agree(scene, model)


def _agree(scene: Any, model: Model) -> None:
    status = scene.status()
    shown = [flag.name for flag in status.flags if flag.name in VERDICTS]
    assert len(shown) == (status.run is not None)
    if Flag.READY_TO_BOTTLE in shown:
        assert model.may_be_ready(scene.state.now_s + scene.state.origin_s)
        assert status.phase is Phase.BOTTLING


@pytest.mark.timeout(300)
@settings(max_examples=2000, deadline=None, suppress_health_check=list(HealthCheck))
@given(happenings=st.lists(HAPPENING, max_size=25))
def test_ready_is_never_shown_where_the_model_forbids_it(
    make_scene: Callable[..., Any], happenings: list[tuple[str, Any]]
) -> None:
    scene = make_scene(outlet_f=185.0)
    scene.seconds(0)
    _play(scene, [("seconds", 12), *happenings])


def test_ready_is_reached_at_all_by_the_scene_of_that_test(make_scene: Callable[..., Any]) -> None:
    scene = make_scene(outlet_f=185.0)
    _play(scene, [("seconds", 12)])
    assert Flag.READY_TO_BOTTLE in scene.flags()


def test_a_falling_outlet_drops_early_behind_a_lagging_probe(
    make_scene: Callable[..., Any], make_rules: Callable[..., Any]
) -> None:
    scene = make_scene(rules=make_rules(time_constant_s=30.0), outlet_f=184.0)
    scene.seconds(20)
    assert Flag.READY_TO_BOTTLE in scene.flags()
    while Flag.READY_TO_BOTTLE in scene.flags():
        scene.outlet_f -= 6.0 / 60.0
        scene.second()
    # A first-order probe of 30 s behind a fall of 6 degF/min reads 3 degF high (computed).
    assert scene.outlet_f > 180.0


def test_power_on_value_has_no_number_and_makes_the_verdict_unknown(make_scene: Callable[..., Any]) -> None:
    scene = make_scene(outlet_f=185.0)
    scene.seconds(12)
    scene.outlet_quality = Quality.BAD
    scene.second()
    assert Flag.UNKNOWN in scene.flags()
    assert scene.status().points[Point.OUTLET].value is None


def test_silence_of_the_outlet_ends_ready_within_five_seconds(make_scene: Callable[..., Any]) -> None:
    scene = make_scene(outlet_f=185.0)
    scene.seconds(12)
    scene.silent.add(Point.OUTLET)
    scene.seconds(5)
    assert Flag.UNKNOWN in scene.flags()


def test_stopped_strokes_send_it_back_to_recirculating(make_scene: Callable[..., Any]) -> None:
    scene = make_scene(outlet_f=185.0, strokes=1)
    scene.seconds(30)
    assert Flag.READY_TO_BOTTLE in scene.flags()
    scene.strokes = 0
    scene.seconds(32)
    assert Flag.STILL_RECIRCULATING in scene.flags()
    assert scene.status().phase is Phase.PAUSED


def test_pressure_after_a_proposed_end_is_not_ready_on_the_old_papers(make_scene: Callable[..., Any]) -> None:
    scene = make_scene(outlet_f=185.0)
    scene.seconds(20)
    scene.line_psi = 0.0
    scene.seconds(620)
    assert scene.status().phase is Phase.END_PROPOSED
    scene.line_psi = 30.0
    for _ in range(9):
        scene.second()
        assert Flag.READY_TO_BOTTLE not in scene.flags()
    scene.seconds(5)
    assert scene.status().phase is Phase.BOTTLING


def test_flow_that_is_back_on_a_hot_outlet_is_bottling_in_the_same_moment(
    make_scene: Callable[..., Any],
) -> None:
    scene = make_scene(outlet_f=185.0)
    scene.seconds(20)
    scene.line_psi = 0.0
    scene.seconds(20)
    assert scene.status().phase is Phase.PAUSED
    scene.advance(1.0)
    scene.reading(Point.LINE, 206.8)
    assert Flag.READY_TO_BOTTLE in scene.flags()
    assert scene.status().phase is Phase.BOTTLING


def test_no_run_has_no_verdict() -> None:
    picture = Picture(
        now_s=1.0,
        run_open=False,
        outlet=Bounds(value=85.0, corrected=85.0, tolerance=0.0),
        line_kpa=200.0,
        line_most_kpa=200.0,
        line_peak_kpa=200.0,
        filler=None,
        filler_fitted=False,
        bottled=False,
        flowing=True,
        time_left_s=None,
        limit=Limit.UNKNOWN,
        signatures=frozenset(),
        stir_due=False,
        recording=True,
    )
    assert judge(Verdict(), picture, limits=load().rules().thresholds) == Verdict()
