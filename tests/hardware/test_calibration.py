from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws.iapws97 import _TSat_P

from hardware.calibration import (
    LARGEST_ERROR_C,
    CheckPoint,
    boiling_c,
    boiling_check,
    ice_check,
    standard_pressure_kpa,
    two_point,
)
from monitor.contract.errors import SensorError
from monitor.contract.units import Dimension, convert
from monitor.runtime.settings import TemperaturePointSection

INHG_KPA = 3.386389  # NIST SP 811, appendix B.8: conventional inch of mercury
FOOT_M = 0.3048


def fahrenheit(value_c: float) -> float:
    return convert(value_c, dimension=Dimension.TEMPERATURE, into="degF")


# Boiling point by station pressure, IAPWS-IF97 region 4, computed with the iapws package.
@pytest.mark.parametrize(
    ("pressure_inhg", "boiling_f"), [(28.5, 209.51), (29.0, 210.38), (29.92, 211.95), (30.5, 212.92)]
)
def test_boiling_point_by_barometer(pressure_inhg: float, boiling_f: float) -> None:
    assert fahrenheit(boiling_c(pressure_inhg * INHG_KPA)) == pytest.approx(boiling_f, abs=0.01)


@given(st.floats(1.0, 2000.0))
def test_boiling_point_agrees_with_the_iapws_package(pressure_kpa: float) -> None:
    assert boiling_c(pressure_kpa) + 273.15 == pytest.approx(_TSat_P(pressure_kpa / 1000.0), abs=1e-6)


# IAPWS-IF97 release, table 36: saturation temperature at 0.1, 1 and 10 MPa.
@pytest.mark.parametrize(
    ("pressure_kpa", "kelvin"), [(100.0, 372.755919), (1000.0, 453.035632), (10_000.0, 584.149488)]
)
def test_boiling_point_agrees_with_the_release(pressure_kpa: float, kelvin: float) -> None:
    assert boiling_c(pressure_kpa) + 273.15 == pytest.approx(kelvin, abs=1e-6)


# By altitude alone, standard atmosphere (ISO 2533) with the same saturation line.
@pytest.mark.parametrize(
    ("altitude_ft", "boiling_f"),
    [(0, 211.95), (500, 211.04), (1000, 210.13), (2000, 208.31), (5000, 202.83)],
)
def test_boiling_point_by_altitude(altitude_ft: float, boiling_f: float) -> None:
    check = boiling_check(100.0, altitude_m=altitude_ft * FOOT_M)
    assert fahrenheit(check.true_c) == pytest.approx(boiling_f, abs=0.02)


# US Standard Atmosphere 1976: 5000 ft 84.307 kPa, 10,000 ft 69.682 kPa.
@pytest.mark.parametrize(("altitude_ft", "pressure_kpa"), [(5000, 84.307), (10_000, 69.682)])
def test_standard_pressure(altitude_ft: float, pressure_kpa: float) -> None:
    assert standard_pressure_kpa(altitude_ft * FOOT_M) == pytest.approx(pressure_kpa, abs=0.01)


@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(70.0, 105.0))
def test_both_baths_come_out_true_and_the_owner_can_write_it_down(
    ice_error_c: float, boiling_error_c: float, pressure_kpa: float
) -> None:
    boiling = boiling_check(boiling_c(pressure_kpa) + boiling_error_c, pressure_kpa=pressure_kpa)
    line = two_point(ice_check(ice_error_c), boiling=boiling)
    assert line.corrected_c(ice_error_c) == pytest.approx(0.0, abs=1e-9)
    assert line.corrected_c(boiling.read_c) == pytest.approx(boiling.true_c, abs=1e-9)
    section = TemperaturePointSection.model_validate(tomllib.loads(line.settings()))
    assert boiling.read_c * section.scale + section.offset == pytest.approx(boiling.true_c, abs=0.003)


def test_the_error_left_is_under_the_data_sheets_with_a_barometer_and_not_by_altitude() -> None:
    by_barometer = two_point(ice_check(0.2), boiling=boiling_check(99.8, pressure_kpa=101.325))
    by_altitude = two_point(ice_check(0.2), boiling=boiling_check(99.8, altitude_m=0.0))
    assert by_barometer.tolerance_c < 0.5 < by_altitude.tolerance_c


@pytest.mark.parametrize(
    ("ice_c", "boiling_c_read"), [(1.2, 100.0), (-1.2, 100.0), (0.0, 98.0), (0.0, float("nan"))]
)
def test_a_probe_more_than_2_degf_off_is_refused(ice_c: float, boiling_c_read: float) -> None:
    # California HSC 114159(c): accept within 2 degF.
    assert round(LARGEST_ERROR_C * 1.8, 9) == 2.0
    with pytest.raises(SensorError, match="off in"):
        two_point(ice_check(ice_c), boiling=boiling_check(boiling_c_read, pressure_kpa=101.325))


def test_two_baths_that_are_one_are_refused() -> None:
    with pytest.raises(SensorError, match="too close"):
        two_point(ice_check(0.0), boiling=CheckPoint(true_c=20.0, read_c=20.0, uncertainty_c=0.1))


@pytest.mark.parametrize("pressure_kpa", [0.0, -5.0, float("nan"), 1e6])
def test_no_boiling_point_without_an_air_pressure(pressure_kpa: float) -> None:
    with pytest.raises(SensorError):
        boiling_c(pressure_kpa)


@pytest.mark.parametrize("altitude_m", [-900.0, 12_000.0, float("nan")])
def test_no_pressure_where_nobody_boils(altitude_m: float) -> None:
    with pytest.raises(SensorError):
        standard_pressure_kpa(altitude_m)
