"""Boiling water by the barometer and by the altitude, against the release and the iapws package."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from iapws.iapws97 import _TSat_P

from monitor.contract.units import Dimension, convert
from monitor.physics.boiling import boiling_c, standard_pressure_kpa

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


# US Standard Atmosphere 1976: 5000 ft 84.307 kPa, 10,000 ft 69.682 kPa.
@pytest.mark.parametrize(("altitude_ft", "pressure_kpa"), [(5000, 84.307), (10_000, 69.682)])
def test_standard_pressure(altitude_ft: float, pressure_kpa: float) -> None:
    assert standard_pressure_kpa(altitude_ft * FOOT_M) == pytest.approx(pressure_kpa, abs=0.01)


@pytest.mark.parametrize("pressure_kpa", [0.0, -5.0, float("nan"), 1e6])
def test_no_boiling_point_without_an_air_pressure(pressure_kpa: float) -> None:
    with pytest.raises(ValueError, match="is not a number from"):
        boiling_c(pressure_kpa)


@pytest.mark.parametrize("altitude_m", [-900.0, 12_000.0, float("nan")])
def test_no_pressure_where_nobody_boils(altitude_m: float) -> None:
    with pytest.raises(ValueError, match="is not a number from"):
        standard_pressure_kpa(altitude_m)
