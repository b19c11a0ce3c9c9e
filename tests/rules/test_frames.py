"""What fills the frames, from the last cake reading, the usual dose, and the pace of the resistance."""

from __future__ import annotations

import math

import pytest

from monitor.rules.frames import USUAL_GROWTH_PER_M2, full_volume
from monitor.rules.thresholds import Press
from tests.rules.forecast_trial import rules_for


def press(**more: object) -> Press:
    return rules_for({"press.frames": 5, "press.frame_side": "0.16 m", **more}).press


def test_the_frame_of_the_scale_check_holds_as_many_cups_as_worked_out() -> None:
    # 0.165 m x 0.165 m x 25.4 mm = 0.69 L = 2.9 US cups of 236.588 mL (worked by hand).
    one = rules_for(
        {"press.frames": 1, "press.frame_side": "0.165 m", "press.frame_thickness": "25.4 mm"}
    ).press
    assert one.frame_volume_l == pytest.approx(0.69, abs=0.005)
    assert one.frame_volume_l / 0.236588 == pytest.approx(2.9, abs=0.05)


def test_with_no_reading_the_usual_dose_speaks_and_says_so() -> None:
    found = full_volume(press())
    assert not found.by_reading
    # Dose half a cup to a cup of 45 g a US gallon, dry cake of 250-350 kg/m3: bounds by hand.
    room_m3 = 5 * 0.16**2 * 0.0254
    least, most = (
        room_m3 * cake / (cups * 0.045 / 3.785412e-3) * 1e3 for cake, cups in ((250, 1.0), (350, 0.5))
    )
    assert least < found.middle_l < most


def test_a_reading_weighs_more_than_the_usual_dose() -> None:
    usual_l = full_volume(press()).middle_l
    found = full_volume(press(**{"press.full_volume": f"{1.3 * usual_l} L"}))
    # A fourth part of what the two differ by, at 14 and 24 %: 0.14^2 / (0.14^2 + 0.24^2).
    assert found.middle_l == pytest.approx(1.3**0.746 * usual_l, rel=2e-3)
    assert found.error < full_volume(press()).error


def test_a_press_unlike_any_other_is_believed_by_its_reading() -> None:
    found = full_volume(press(**{"press.full_volume": "500 L"}))
    assert found.middle_l == pytest.approx(500.0)


def test_a_steep_line_means_more_solids_but_only_so_much() -> None:
    middle = [
        full_volume(press(), growth_per_m2=factor * USUAL_GROWTH_PER_M2).middle_l
        for factor in (1e-6, 0.5, 1.0, 2.0, 1e6)
    ]
    assert middle == sorted(middle, reverse=True)
    assert middle[0] / middle[-1] < 1.5


def test_a_line_twice_as_steep_is_mostly_a_tighter_cake() -> None:
    usual_l, steep_l = (
        full_volume(press(), growth_per_m2=factor * USUAL_GROWTH_PER_M2).middle_l for factor in (1.0, 2.0)
    )
    assert 0.9 * usual_l < steep_l < usual_l


@pytest.mark.parametrize("growth", [0.0, -1.0, math.nan])
def test_a_slope_that_is_none_changes_nothing(growth: float) -> None:
    assert full_volume(press(), growth_per_m2=growth) == full_volume(press())
