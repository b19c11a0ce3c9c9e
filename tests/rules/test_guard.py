"""Guard band, lag and freshness against their published or computed figures."""

from __future__ import annotations

import math

import hypothesis.strategies as st
import pytest
from hypothesis import given

from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode
from monitor.contract.status import Standing
from monitor.rules.flow import FlowTrack
from monitor.rules.freshness import PointTrack, bounds, hear, is_newer
from monitor.rules.guard import Bounds, Zone
from monitor.rules.smoothing import Recent, corrected
from monitor.rules.thresholds import PointTuning

F = 5.0 / 9.0


@pytest.mark.parametrize(
    ("reading_f", "zone"),
    [
        (191.1, Zone.SURELY_BELOW),
        (191.19, Zone.SURELY_BELOW),
        (191.3, Zone.TOO_CLOSE),
        (193.0, Zone.TOO_CLOSE),
        (194.7, Zone.TOO_CLOSE),
        (194.81, Zone.SURELY_OVER),
    ],
)
def test_zones_of_a_193_degf_limit_with_an_error_of_1_8_degf(reading_f: float, zone: Zone) -> None:
    # JCGM 106:2012 (guard band of one expanded uncertainty) and ISO 14253-1: surely below up to
    # 191.2 degF, surely over from 194.8 degF.
    value = (reading_f - 32.0) * F
    assert Bounds(value=value, corrected=value, tolerance=1.8 * F).zone((193.0 - 32.0) * F) is zone


def test_a_ramp_of_5_degf_a_minute_behind_30_s_reads_2_5_degf_low() -> None:
    # First-order system: the steady lag of a ramp is slope times time constant (computed).
    recent, tau_s, slope = Recent(), 30.0, 5.0 / 60.0
    for second in range(300):
        true = 150.0 + slope * second
        read = true - slope * tau_s * (1.0 - math.exp(-second / tau_s))
        recent = recent.add(read, at_s=float(second))
    assert true - read == pytest.approx(2.5, abs=0.01)
    found = corrected(read, slope_per_s=recent.slope_per_s, time_constant_s=tau_s)
    assert found == pytest.approx(true, abs=0.05)


def test_a_step_of_one_bit_moves_the_corrected_value_by_less_than_the_probes_error() -> None:
    recent = Recent()
    for second in range(12):
        recent = recent.add(85.0 if second < 6 else 85.0625, at_s=float(second))
    moved = corrected(85.0625, slope_per_s=recent.slope_per_s, time_constant_s=12.0)
    assert abs(moved - 85.0625) < 0.12


def test_no_slope_from_two_readings_or_across_a_gap() -> None:
    recent = Recent().add(80.0, at_s=0.0).add(80.1, at_s=1.0)
    assert recent.slope_per_s is None
    for second in range(10):
        recent = recent.add(80.0, at_s=float(second))
    assert recent.add(20.0, at_s=20.0).pairs == ((20.0, 20.0),)


@given(st.lists(st.floats(-50, 150), min_size=1, max_size=40), st.floats(0, 120))
def test_the_correction_is_bounded(values: list[float], tau_s: float) -> None:
    recent = Recent()
    for second, value in enumerate(values):
        recent = recent.add(value, at_s=float(second))
    found = corrected(values[-1], slope_per_s=recent.slope_per_s, time_constant_s=tau_s)
    assert abs(found - values[-1]) <= 10.0 + 1e-9


def _reading(mono_ms: int, *, boot: str = "a", value: float = 85.0) -> Reading:
    return Reading(
        seq=mono_ms,
        boot=boot,
        mono_ms=mono_ms,
        clock=ClockState.UNSET,
        value=value,
        unit=UnitCode.CELSIUS,
        quality=Quality.GOOD,
    )


def test_a_redelivered_reading_is_not_newer_and_one_of_another_boot_is() -> None:
    track = PointTrack(reading=_reading(5000), taken_s=5.0)
    assert not is_newer(_reading(5000), than=track)
    assert not is_newer(_reading(4000), than=track)
    assert is_newer(_reading(5001), than=track)
    assert is_newer(_reading(10, boot="b"), than=track)


def test_a_late_reading_is_as_old_as_its_measurement() -> None:
    track = hear(None, _reading(1000), now_s=60.0, taken_s=1.0)
    assert track.age_s(60.0) == 59.0
    assert track.standing(60.0) is Standing.STALE
    assert bounds(track, point=Point.OUTLET, now_s=60.0, tuning=PointTuning()) is None


@pytest.mark.parametrize(("interval_s", "stale_after_s"), [(1.0, 3.0), (5.0 / 3.0, 5.0), (0.75, 2.25)])
def test_fresh_is_three_intervals_and_never_more_than_five_seconds(
    interval_s: float, stale_after_s: float
) -> None:
    track, now_s = None, 0.0
    for index in range(80):
        now_s = index * interval_s
        track = hear(track, _reading(round(now_s * 1000) + 1), now_s=now_s, taken_s=now_s)
    assert track is not None
    assert track.standing(now_s + stale_after_s - 0.05) is Standing.GOOD
    assert track.standing(now_s + stale_after_s + 0.05) is Standing.STALE


def test_flow_stops_after_thirty_seconds_and_three_expected_strokes() -> None:
    fast, slow = FlowTrack(), FlowTrack()
    for second in range(120):
        fast = fast.with_line(200.0, strokes=1, at_s=float(second))
        slow = slow.with_line(200.0, strokes=1 if second % 15 == 0 else 0, at_s=float(second))
    assert fast.flowing(119.0 + 29.0)
    assert not fast.flowing(119.0 + 31.0)
    assert slow.flowing(105.0 + 44.0)
    assert not slow.flowing(105.0 + 46.0)


def test_pressure_has_a_dead_band() -> None:
    track = FlowTrack().with_line(36.0, strokes=None, at_s=0.0)
    assert track.with_line(25.0, strokes=None, at_s=1.0).pressure_on
    assert not track.with_line(20.0, strokes=None, at_s=1.0).pressure_on
