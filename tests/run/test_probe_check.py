from __future__ import annotations

import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.entries import CheckArgs
from monitor.contract.errors import EntryRefused
from monitor.contract.readings import Point
from monitor.contract.units import Dimension, convert
from monitor.physics.boiling import boiling_c
from monitor.rules.thresholds import PointTuning
from monitor.run.probe_check import (
    LARGEST_ERROR_C,
    CheckPoint,
    boiling_check,
    found_by,
    ice_check,
    settings_lines,
    tolerance_now_c,
    two_point,
)
from monitor.runtime.settings import TemperaturePointSection

FOOT_M = 0.3048


def fahrenheit(value_c: float) -> float:
    return convert(value_c, dimension=Dimension.TEMPERATURE, into="degF")


# By altitude alone, standard atmosphere (ISO 2533) with the same saturation line.
@pytest.mark.parametrize(
    ("altitude_ft", "boiling_f"),
    [(0, 211.95), (500, 211.04), (1000, 210.13), (2000, 208.31), (5000, 202.83)],
)
def test_boiling_point_by_altitude(altitude_ft: float, boiling_f: float) -> None:
    check = boiling_check(100.0, altitude_m=altitude_ft * FOOT_M)
    assert fahrenheit(check.true_c) == pytest.approx(boiling_f, abs=0.02)


@given(st.floats(-1.0, 1.0), st.floats(-1.0, 1.0), st.floats(70.0, 105.0))
def test_both_baths_come_out_true_and_the_owner_can_write_it_down(
    ice_error_c: float, boiling_error_c: float, pressure_kpa: float
) -> None:
    boiling = boiling_check(boiling_c(pressure_kpa) + boiling_error_c, pressure_kpa=pressure_kpa)
    line = two_point(ice_check(ice_error_c), boiling=boiling)
    assert line.corrected_c(ice_error_c) == pytest.approx(0.0, abs=1e-9)
    assert line.corrected_c(boiling.read_c) == pytest.approx(boiling.true_c, abs=1e-9)
    check = CheckArgs(
        point=Point.OUTLET, ice_c=ice_error_c, boiling_c=boiling.read_c, pressure_kpa=pressure_kpa
    )
    found = found_by(check, tuning=PointTuning())
    pasted = tomllib.loads("\n".join(settings_lines(found, point="outlet")))["point"]["outlet"]
    section = TemperaturePointSection.model_validate(pasted)
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
    with pytest.raises(EntryRefused, match="off in"):
        two_point(ice_check(ice_c), boiling=boiling_check(boiling_c_read, pressure_kpa=101.325))


def test_two_baths_that_are_one_are_refused() -> None:
    with pytest.raises(EntryRefused, match="too close"):
        two_point(ice_check(0.0), boiling=CheckPoint(true_c=20.0, read_c=20.0, uncertainty_c=0.1))


def check(**more: float | None) -> CheckArgs:
    given: dict[str, float | None] = {"ice_c": 0.4, "boiling_c": 100.2, "pressure_kpa": 101.325}
    return CheckArgs(point=Point.OUTLET, **(given | more))  # type: ignore[arg-type] - floats only


def test_a_second_check_is_put_together_with_the_settings_it_was_read_through() -> None:
    """A raw 0.5 and 100.9 shown through scale 0.99 and offset 0.3: both baths come out true again."""
    in_force = PointTuning(scale=0.99, offset=0.3)
    shown_ice, shown_boiling = 0.5 * 0.99 + 0.3, 100.9 * 0.99 + 0.3
    found = found_by(check(ice_c=shown_ice, boiling_c=shown_boiling), tuning=in_force)
    assert 0.5 * found.scale + found.offset_c == pytest.approx(0.0, abs=1e-9)
    assert 100.9 * found.scale + found.offset_c == pytest.approx(boiling_c(101.325), abs=1e-9)


def test_the_guard_band_carries_what_nobody_pasted_and_narrows_once_it_is() -> None:
    found = found_by(check(), tuning=PointTuning())
    assert found.tolerance_c == pytest.approx(0.1 + 0.2 + 0.03125)  # bath, drift, half a step
    # Uncorrected, the probe is 0.4 off in ice and 0.226 in boiling water of 99.974 degC.
    assert tolerance_now_c(found, tuning=PointTuning()) == pytest.approx(0.33125 + 0.4, abs=0.002)
    pasted = PointTuning(scale=found.scale, offset=found.offset_c)
    assert tolerance_now_c(found, tuning=pasted) == pytest.approx(0.33125)


@pytest.mark.parametrize("missing", ["ice_c", "boiling_c", "pressure_kpa"])
def test_half_a_check_betters_no_tolerance(missing: str) -> None:
    found = found_by(check(**{missing: None}), tuning=PointTuning())
    assert tolerance_now_c(found, tuning=PointTuning()) is None
    assert not any("tolerance" in line for line in settings_lines(found, point="outlet"))


def test_ice_alone_gives_the_offset_and_leaves_the_slope() -> None:
    found = found_by(check(boiling_c=None), tuning=PointTuning())
    assert (found.scale, found.offset_c) == (1.0, -0.4)


@pytest.mark.parametrize(
    ("args", "why"),
    [
        (CheckArgs(point=Point.LINE, ice_c=0.1), "no temperature probe"),
        (CheckArgs(point=Point.OUTLET), "in ice slush, in boiling water, or in both"),
        (check(pressure_kpa=29.9), "no air pressure"),
        (check(pressure_kpa=None, altitude_m=20_000.0), "no place to boil"),
    ],
)
def test_a_check_that_cannot_be_is_refused(args: CheckArgs, why: str) -> None:
    with pytest.raises(EntryRefused, match=why):
        found_by(args, tuning=PointTuning())
