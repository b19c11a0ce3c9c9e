"""Volume from the best source, its error, and the displacement that learns from a run's total."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from monitor.contract.names import VolumeSource
from monitor.rules.forecast import Second
from monitor.rules.thresholds import RunRules
from monitor.rules.volume import FilteredVolume, VolumeTally, calibrated_displacement, filtered, tally
from tests.rules.forecast_trial import rules_for

AIR = rules_for({"pump.kind": "air diaphragm", "pump.displacement": "50 mL"})
GEAR = rules_for({"pump.kind": "gear"})

QUIET = Second(
    elapsed_s=1.0,
    outlet_c=None,
    outlet_corrected_c=None,
    line_kpa=300.0,
    line_high_kpa=310.0,
    line_low_kpa=290.0,
    strokes=None,
    flow_l_min=None,
    containers_l=0.0,
    ready=False,
)


def tallied(rules: RunRules, seconds: list[Second], *, step_s: float = 1.0) -> VolumeTally:
    now = VolumeTally()
    for second in seconds:
        now = tally(now, second, step_s=step_s, rules=rules)
    return now


def read(rules: RunRules, seconds: list[Second]) -> FilteredVolume:
    return filtered(tallied(rules, seconds), rules=rules)


def test_strokes_times_displacement_is_the_volume() -> None:
    found = read(AIR, [replace(QUIET, strokes=1)] * 120)
    assert found.source is VolumeSource.STROKES
    assert found.filtered_l == pytest.approx(6.0)  # 120 strokes of 50 mL
    assert found.flow_l_min == pytest.approx(3.0)


def test_a_meter_goes_before_strokes() -> None:
    found = read(AIR, [replace(QUIET, strokes=1, flow_l_min=6.0)] * 60)
    assert found.source is VolumeSource.METER
    assert found.filtered_l == pytest.approx(6.0)


def test_a_gear_pump_without_a_meter_has_no_volume() -> None:
    found = read(GEAR, [replace(QUIET, strokes=3)] * 60)
    assert found == FilteredVolume(VolumeSource.NONE, None, None, None)


def test_without_strokes_and_meter_there_is_no_volume() -> None:
    assert read(AIR, [QUIET] * 60).filtered_l is None


def test_a_pump_of_unknown_displacement_has_no_volume() -> None:
    unknown = replace(AIR, pump=replace(AIR.pump, displacement_l=None))
    assert read(unknown, [replace(QUIET, strokes=1)] * 60).filtered_l is None


def test_tapped_in_containers_are_a_volume_with_a_wide_error() -> None:
    seconds = [replace(QUIET, containers_l=3.785 * (t // 60)) for t in range(1, 301)]
    found = read(GEAR, seconds)
    assert found.source is VolumeSource.CONTAINERS
    assert found.filtered_l == pytest.approx(5 * 3.785)
    assert found.flow_l_min == pytest.approx(3.785, rel=0.02)


def test_no_stroke_for_half_a_minute_is_no_flow() -> None:
    flowing = [replace(QUIET, strokes=1)] * 60
    assert read(AIR, flowing + [replace(QUIET, strokes=0)] * 20).flow_l_min != 0.0
    assert read(AIR, flowing + [replace(QUIET, strokes=0)] * 40).flow_l_min == 0.0


def test_a_slow_pump_is_not_taken_for_a_still_one() -> None:
    one_in_fifteen = [replace(QUIET, strokes=int(t % 15 == 0)) for t in range(1, 300)]
    assert all(
        flow is None or flow > 0.0
        for flow in (read(AIR, one_in_fifteen[:end]).flow_l_min for end in range(16, 300, 7))
    )


def test_a_silent_minute_is_bridged_and_widens_the_error() -> None:
    flowing = [replace(QUIET, strokes=1)] * 120
    before = read(AIR, flowing)
    after = read(AIR, flowing + [replace(QUIET, line_kpa=None)] * 60)
    assert before.filtered_l is not None
    assert after.filtered_l == pytest.approx(before.filtered_l + 3.0, rel=1e-6)
    assert after.uncertainty_l is not None
    assert before.uncertainty_l is not None
    assert after.uncertainty_l > before.uncertainty_l + 1.0


def test_a_silent_hour_is_not_made_up() -> None:
    found = read(AIR, [replace(QUIET, strokes=1)] * 120 + [replace(QUIET, line_kpa=None)] * 3600)
    assert found.filtered_l is not None
    assert found.filtered_l < 6.0 + 3.0 * 3.1


def test_one_long_step_bridges_like_many_short_ones() -> None:
    flowing = tallied(AIR, [replace(QUIET, strokes=1)] * 120)
    jumped = tally(flowing, replace(QUIET, strokes=1), step_s=61.0, rules=AIR)
    assert jumped.filtered_l == pytest.approx(6.0 + 0.05 + 3.0, rel=0.02)


def test_numbers_that_are_none_change_nothing() -> None:
    flowing = [replace(QUIET, strokes=1)] * 10
    nonsense = replace(QUIET, strokes=1, flow_l_min=math.nan, containers_l=math.nan, line_kpa=math.inf)
    assert read(AIR, [*flowing, nonsense]).filtered_l == pytest.approx(0.55)
    assert read(AIR, [*flowing, replace(QUIET, strokes=10_000)]).filtered_l == pytest.approx(0.5, abs=0.06)


def test_displacement_moves_most_of_the_way_to_a_total() -> None:
    # 1,000 strokes of a pump thought to be 50 mL gave 60 L. Two normal errors, 12 % and 3 %,
    # weigh as 12^2 : 3^2, so the logarithm moves 16/17 of the way (worked by hand).
    learned = calibrated_displacement(1000, total_l=60.0, displacement_l=0.050)
    assert learned == pytest.approx(0.050 * 1.2 ** (16.0 / 17.0), rel=1e-9)


def test_displacement_settles_on_the_truth_over_a_few_runs() -> None:
    displacement_l: float | None = 0.070
    for _ in range(4):
        displacement_l = calibrated_displacement(900, total_l=900 * 0.0545, displacement_l=displacement_l)
    assert displacement_l == pytest.approx(0.0545, rel=1e-3)


@pytest.mark.parametrize(
    ("counted", "total_l"), [(20, 1.0), (1000, 0.0), (1000, -5.0), (1000, math.nan), (1000, 500.0)]
)
def test_a_total_that_cannot_be_is_refused(counted: int, total_l: float) -> None:
    assert calibrated_displacement(counted, total_l=total_l, displacement_l=0.05) is None


def test_a_first_total_gives_an_unknown_displacement() -> None:
    assert calibrated_displacement(1000, total_l=50.0, displacement_l=None) == pytest.approx(0.05)
