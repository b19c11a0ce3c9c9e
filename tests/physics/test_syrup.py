"""Syrup against handbook tables. Words in brackets: how the expected figure is known."""

from __future__ import annotations

import timeit

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws import IAPWS95

from monitor.physics import syrup

POUND_KG = 0.45359237
GALLON_M3 = 3.785411784e-3

# CRC Handbook of Chemistry and Physics, sucrose table (read): mass fraction, density at 20 degC [kg/m3].
CRC_DENSITY = [
    (0.10, 1038.1),
    (0.20, 1081.0),
    (0.30, 1127.0),
    (0.40, 1176.5),
    (0.50, 1229.5),
    (0.60, 1286.4),
    (0.64, 1310.3),
    (0.66, 1322.4),
    (0.68, 1334.8),
    (0.70, 1347.2),
]

# mass fraction, temperature [degC], viscosity [mPa s].
VISCOSITY = [
    # CRC Handbook of Chemistry and Physics (read).
    (0.60, 40.0, 21.28),
    (0.60, 60.0, 9.83),
    (0.60, 80.0, 5.40),
    (0.60, 85.0, 4.73),
    (0.60, 95.0, 3.72),
    (0.66, 20.0, 182.0),
    (0.68, 20.0, 288.0),
    (0.70, 20.0, 482.0),
    # Literature values quoted in a report (read).
    (0.65, 40.0, 44.36),
    (0.65, 60.0, 17.9),
]

sugars = st.floats(0.0, syrup.SUGAR_LIMIT)
temperatures = st.floats(0.0, syrup.HOT_LIMIT_C)


@pytest.mark.parametrize(("sugar", "expected"), CRC_DENSITY)
def test_density_at_20_degc_is_the_handbooks(sugar: float, expected: float) -> None:
    assert syrup.density(sugar, temperature_c=20.0) == pytest.approx(expected, abs=0.5)


@pytest.mark.parametrize("celsius", [1.0, 10.0, 20.0, 40.0, 60.0, 85.0, 99.0])
def test_water_density_is_that_of_iapws_95(celsius: float) -> None:
    reference = IAPWS95(T=celsius + 273.15, P=0.101325).rho
    assert syrup.water_density(celsius) == pytest.approx(reference, abs=0.01)


@pytest.mark.parametrize(("celsius", "expected"), [(20.0, 998.207), (60.0, 983.196), (85.0, 968.611)])
def test_water_density_at_three_temperatures(celsius: float, expected: float) -> None:
    # IAPWS-95 at one atmosphere (computed).
    assert syrup.water_density(celsius) == pytest.approx(expected, abs=0.01)


def test_water_density_over_100_degc_is_a_sound_extrapolation() -> None:
    # IAPWS-95 at two bar, where water is still liquid at 110 degC.
    assert syrup.water_density(110.0) == pytest.approx(IAPWS95(T=383.15, P=0.2).rho, abs=0.1)


@pytest.mark.parametrize(("celsius", "expected"), [(20.0, 1328.19), (85.0, 1289.73)])
def test_density_of_finished_syrup_cold_and_hot(celsius: float, expected: float) -> None:
    # ICUMSA SPS-4, worked out by hand from the printed coefficients (computed).
    assert syrup.density(0.669, temperature_c=celsius) == pytest.approx(expected, abs=0.05)


def test_gallon_of_66_brix_weighs_eleven_pounds() -> None:
    # NH RSA 146:13 and 7 CFR 52.5961: at least 11 pounds a gallon at 68 degF (read).
    pounds = syrup.density(0.66, temperature_c=20.0) * GALLON_M3 / POUND_KG
    assert pounds >= 11.0
    assert pounds == pytest.approx(11.04, abs=0.02)


@pytest.mark.parametrize(("sugar", "celsius", "expected"), VISCOSITY)
def test_viscosity_is_the_tables(sugar: float, celsius: float, expected: float) -> None:
    assert 1e3 * syrup.viscosity(sugar, temperature_c=celsius) == pytest.approx(expected, rel=0.025)


@pytest.mark.parametrize(("celsius", "expected"), [(82.2, 10.43), (85.0, 9.56), (87.8, 8.79)])
def test_viscosity_of_finished_syrup_in_the_window(celsius: float, expected: float) -> None:
    # Genotelle's form, worked out apart from this code (computed).
    assert 1e3 * syrup.viscosity(0.669, temperature_c=celsius) == pytest.approx(expected, rel=0.005)


def test_twenty_fahrenheit_colder_is_39_percent_thicker() -> None:
    # Genotelle's form at 180 and 200 degF (computed).
    warm = syrup.viscosity(0.669, temperature_c=(180.0 - 32.0) / 1.8)
    hot = syrup.viscosity(0.669, temperature_c=(200.0 - 32.0) / 1.8)
    assert warm / hot == pytest.approx(1.39, abs=0.01)


def test_heat_capacity_of_finished_syrup_hot() -> None:
    # Llano's equation by hand: 4184 - 2971 * 0.669 + 460 * 0.669 + 7.5 * 0.669 * 85 (computed).
    assert syrup.heat_capacity(0.669, temperature_c=85.0) == pytest.approx(2931.0, abs=10.0)


def test_shrinkage_from_185_to_68_fahrenheit() -> None:
    # ICUMSA SPS-4 densities, 1 - 1289.73 / 1328.19 (computed).
    assert 100.0 * syrup.shrinkage(0.669, hot_c=85.0, cold_c=20.0) == pytest.approx(2.896, abs=0.02)


def test_hot_fill_and_shrinkage_keep_the_mass() -> None:
    hot_l = syrup.hot_fill_volume(3.785411784, sugar_fraction=0.669, fill_c=85.0)
    cold_kg = 3.785411784 * syrup.density(0.669, temperature_c=20.0)
    assert hot_l * syrup.density(0.669, temperature_c=85.0) == pytest.approx(cold_kg, rel=1e-12)
    assert hot_l * (1.0 - syrup.shrinkage(0.669, hot_c=85.0)) == pytest.approx(3.785411784, rel=1e-12)


@given(sugar=st.floats(0.0, syrup.SUGAR_LIMIT - 0.001), celsius=temperatures)
def test_more_sugar_is_heavier(sugar: float, celsius: float) -> None:
    lighter = syrup.density(sugar, temperature_c=celsius)
    assert syrup.density(sugar + 0.001, temperature_c=celsius) > lighter


@given(sugar=sugars, celsius=st.floats(5.0, syrup.HOT_LIMIT_C - 1.0))
def test_warmer_syrup_is_lighter_and_thinner(sugar: float, celsius: float) -> None:
    assert syrup.density(sugar, temperature_c=celsius + 1.0) < syrup.density(sugar, temperature_c=celsius)
    assert syrup.viscosity(sugar, temperature_c=celsius + 1.0) < syrup.viscosity(sugar, temperature_c=celsius)


@pytest.mark.parametrize("function", [syrup.density, syrup.viscosity, syrup.heat_capacity])
def test_array_gives_what_its_elements_give(function) -> None:
    celsius = np.array([20.0, 66.5, 85.0])
    each = [function(0.669, temperature_c=value) for value in celsius.tolist()]
    assert function(0.669, temperature_c=celsius) == pytest.approx(each, rel=1e-14)


@pytest.mark.parametrize("function", [syrup.density, syrup.viscosity, syrup.heat_capacity])
def test_lost_sample_in_an_array_is_unknown_and_costs_no_other(function) -> None:
    worked_out = function(0.669, temperature_c=np.array([85.0, np.nan, -40.0, 300.0, np.inf, 85.0]))
    assert np.isnan(worked_out).tolist() == [False, True, True, True, True, False]
    assert worked_out[0] == worked_out[-1] == function(0.669, temperature_c=85.0)


@pytest.mark.parametrize("function", [syrup.density, syrup.viscosity, syrup.heat_capacity])
@pytest.mark.parametrize(
    ("sugar", "celsius", "complaint"),
    [
        (66.9, 85.0, "sugar 66.9"),  # Brix given for a fraction
        (float("nan"), 85.0, "sugar nan"),
        (-0.01, 85.0, "sugar -0.01"),
        (0.669, 185.0, "temperature 185 degC"),  # degF given for degC
        (0.669, float("nan"), "temperature nan degC"),
        (0.669, float("inf"), "temperature inf degC"),
        (0.669, None, "temperature None"),
    ],
)
def test_number_outside_the_equation_is_refused_in_one_line(function, sugar, celsius, complaint) -> None:
    with pytest.raises(ValueError, match=complaint) as refusal:
        function(sugar, temperature_c=celsius)
    assert "\n" not in str(refusal.value)


def test_empty_container_and_impure_purity_are_refused() -> None:
    with pytest.raises(ValueError, match="volume 0 is not"):
        syrup.hot_fill_volume(0.0, sugar_fraction=0.669, fill_c=85.0)
    with pytest.raises(ValueError, match="purity 2"):
        syrup.heat_capacity(0.669, temperature_c=85.0, purity=2.0)


@pytest.mark.parametrize("function", [syrup.density, syrup.viscosity, syrup.heat_capacity])
def test_float_takes_microseconds(function) -> None:
    # Called at every second of a run; array machinery on a float costs 10 to 30 us.
    calls = 2000
    best = min(timeit.repeat(lambda: function(0.669, temperature_c=85.0), number=calls, repeat=15)) / calls
    assert best < 5e-6
