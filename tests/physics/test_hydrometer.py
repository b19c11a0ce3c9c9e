"""The hydrometer against trade charts. Words in brackets: how the expected figure is known."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from monitor.physics import hydrometer, syrup

# A trade chart for syrup of 66.0 Brix (read): temperature [degF], reading [Brix].
CHART = [
    (209.0, 58.0),
    (202.0, 58.5),
    (193.0, 59.0),
    (185.0, 59.5),
    (180.0, 59.7),
    (176.0, 60.0),
    (167.0, 60.5),
    (158.0, 61.0),
    (149.0, 61.5),
]


def celsius(fahrenheit: float) -> float:
    return (fahrenheit - 32.0) / 1.8


@pytest.mark.parametrize(("fahrenheit", "brix"), CHART)
def test_hot_reading_of_66_brix_is_the_trade_charts(fahrenheit: float, brix: float) -> None:
    reading = hydrometer.hydrometer_reading(0.66, temperature_c=celsius(fahrenheit))
    assert 100.0 * reading == pytest.approx(brix, abs=0.35)


@pytest.mark.parametrize(("fahrenheit", "brix"), CHART)
def test_sugar_behind_the_trade_charts_reading_is_66_brix(fahrenheit: float, brix: float) -> None:
    sugar = hydrometer.sugar_read(brix / 100.0, temperature_c=celsius(fahrenheit))
    assert 100.0 * sugar == pytest.approx(66.0, abs=0.35)


def test_hot_test_line_in_both_scales() -> None:
    # A state's hydrometer law (from memory): 66.9 Brix shows 59.0 Brix and 32 Baume at 211 degF.
    reading = hydrometer.hydrometer_reading(0.669, temperature_c=celsius(211.0))
    assert 100.0 * reading == pytest.approx(59.0, abs=0.35)
    assert hydrometer.baume(reading) == pytest.approx(32.0, abs=0.25)


def test_cold_test_line_is_36_baume() -> None:
    # A state's rule quoted by a secondary page (read): 66.9 Brix is 36 Baume at 60 degF.
    assert hydrometer.baume(0.669) == pytest.approx(36.0, abs=0.15)


def test_36_baume_is_a_rounded_figure() -> None:
    # 145 - 145 / SG(60/60 degF) with ICUMSA SPS-4 densities, worked out apart from this code (computed).
    assert hydrometer.baume(0.669) == pytest.approx(36.12, abs=0.01)


def test_specific_gravity_of_water_is_one_and_baume_zero() -> None:
    # Definition of both scales.
    assert hydrometer.specific_gravity(0.0) == 1.0
    assert hydrometer.baume(0.0) == 0.0


def test_reading_at_60_fahrenheit_is_the_sugar() -> None:
    # Definition: the scale is true there.
    assert hydrometer.hydrometer_reading(0.669, temperature_c=celsius(60.0)) == pytest.approx(0.669, abs=1e-9)


@pytest.mark.parametrize("fahrenheit", [68.0, 149.0, 185.0, 211.0])
def test_reading_is_the_root_that_scipy_finds(fahrenheit: float) -> None:
    # scipy.optimize.brentq on Archimedes' balance, written here anew.
    hot_c = celsius(fahrenheit)
    floats = syrup.density(0.669, temperature_c=hot_c) * (1.0 + 25e-6 * (hot_c - celsius(60.0)))
    root = brentq(lambda w: syrup.density(w, temperature_c=celsius(60.0)) - floats, 0.0, 0.85, xtol=1e-14)
    assert hydrometer.hydrometer_reading(0.669, temperature_c=hot_c) == pytest.approx(root, abs=1e-12)


@given(sugar=st.floats(0.2, 0.8), hot_c=st.floats(20.0, 110.0))
def test_reading_and_sugar_are_inverse(sugar: float, hot_c: float) -> None:
    reading = hydrometer.hydrometer_reading(sugar, temperature_c=hot_c)
    assert reading < sugar
    assert hydrometer.sugar_read(reading, temperature_c=hot_c) == pytest.approx(sugar, abs=1e-12)


def test_reading_off_the_scale_is_refused() -> None:
    with pytest.raises(ValueError, match="off the scale"):
        hydrometer.hydrometer_reading(0.0, temperature_c=90.0)  # hot water is lighter than the scale's zero
    with pytest.raises(ValueError, match="off the scale"):
        hydrometer.sugar_read(0.85, temperature_c=100.0)


@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -1.0, 59.0])
def test_number_that_is_no_reading_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="sugar"):
        hydrometer.sugar_read(bad, temperature_c=85.0)
    with pytest.raises(ValueError, match="sugar"):
        hydrometer.baume(bad)


@pytest.mark.parametrize("bad", [float("nan"), 185.0, -5.0])
def test_temperature_outside_the_equation_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="temperature"):
        hydrometer.hydrometer_reading(0.66, temperature_c=bad)
    with pytest.raises(ValueError, match="temperature"):
        hydrometer.sugar_read(0.60, temperature_c=bad)
