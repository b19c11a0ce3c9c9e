"""Check of a temperature probe in ice slush and in boiling water, and what it is worth.

A corrected value is ``read x scale + offset``, which is what ``scale`` and ``offset`` of a point's
settings mean. Boiling water is only as sure as the station pressure; from altitude alone it is
wrong by up to 0.8 degC with the weather, so such a check finds a bad probe but betters no
tolerance. The settings stay the only source of scale and offset: a check says the lines to paste,
and until they are pasted the guard band carries what is left uncorrected.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.entries import CheckArgs, ProbeFound
from monitor.contract.errors import EntryRefused
from monitor.physics.boiling import boiling_c, standard_pressure_kpa
from monitor.rules.freshness import TEMPERATURE_POINTS
from monitor.rules.thresholds import PointTuning

ICE_C = 0.0
ICE_UNCERTAINTY_C = 0.1
"""Stirred slush of ice and clean water (this project's judgement)."""
BAROMETER_UNCERTAINTY_C = 0.1
"""Boiling point from a station pressure known to 0.3 kPa (0.28 degC per kPa near sea level)."""
ALTITUDE_UNCERTAINTY_C = 0.8
"""The same from altitude alone: the weather's 1.5 degF."""
LARGEST_ERROR_C = 2.0 * 5.0 / 9.0
"""A thermometer that is off by more than 2 degF is not fit for the job (California HSC 114159(c))."""
DRIFT_C = 0.2
"""Drift over 1000 h at 125 degC (DS18B20 data sheet, from memory)."""
HALF_STEP_C = 0.03125
"""Half of the probe's step at 12 bit."""
STATION_KPA = (50.0, 110.0)
"""Air pressures where syrup is boiled: from the highest farms to the deepest low, with room."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckPoint:
    """What the probe read in a bath of known temperature, and how well that is known [degC]."""

    true_c: float
    read_c: float
    uncertainty_c: float

    @property
    def error_c(self) -> float:
        """How much the probe reads too high."""
        return self.read_c - self.true_c


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """Slope, offset [degC] and the error that is left [degC]."""

    scale: float
    offset_c: float
    tolerance_c: float

    def corrected_c(self, read_c: float) -> float:
        """Return the true temperature for a reading."""
        return read_c * self.scale + self.offset_c


def two_point(ice: CheckPoint, *, boiling: CheckPoint) -> Calibration:
    """Return the straight line through both checks.

    The error left is the worse bath's, plus drift and half a step. Raises
    :class:`EntryRefused` for baths or a probe that cannot be right.

    >>> line = two_point(CheckPoint(true_c=0.0, read_c=0.25, uncertainty_c=0.1),
    ...                  boiling=CheckPoint(true_c=100.0, read_c=99.75, uncertainty_c=0.1))
    >>> round(line.corrected_c(0.25), 9), round(line.corrected_c(99.75), 9)
    (0.0, 100.0)
    """
    _fit("ice", ice)
    _fit("boiling water", boiling)
    if boiling.true_c - ice.true_c < 50.0:
        raise EntryRefused("the two baths are too close: use ice slush and boiling water")
    scale = (boiling.true_c - ice.true_c) / (boiling.read_c - ice.read_c)
    return Calibration(
        scale=scale,
        offset_c=ice.true_c - ice.read_c * scale,
        tolerance_c=max(ice.uncertainty_c, boiling.uncertainty_c) + DRIFT_C + HALF_STEP_C,
    )


def one_point(bath: CheckPoint, *, name: str) -> Calibration:
    """Return the shift that makes one bath true; it says nothing of the far end of the scale."""
    _fit(name, bath)
    tolerance_c = bath.uncertainty_c + DRIFT_C + HALF_STEP_C
    return Calibration(scale=1.0, offset_c=-bath.error_c, tolerance_c=tolerance_c)


def ice_check(read_c: float) -> CheckPoint:
    """Return the check in ice slush."""
    return CheckPoint(true_c=ICE_C, read_c=read_c, uncertainty_c=ICE_UNCERTAINTY_C)


def boiling_check(
    read_c: float, *, pressure_kpa: float | None = None, altitude_m: float | None = None
) -> CheckPoint:
    """Return the check in boiling water at a station pressure, else at an altitude, else at sea level."""
    if pressure_kpa is not None:
        low_kpa, high_kpa = STATION_KPA
        if not low_kpa <= pressure_kpa <= high_kpa:
            raise EntryRefused(f"{pressure_kpa:g} kPa is no air pressure: a barometer shows 60 to 105 kPa")
        true_c, uncertainty_c = boiling_c(pressure_kpa), BAROMETER_UNCERTAINTY_C
    else:
        true_c, uncertainty_c = _boiling_at(altitude_m or 0.0), ALTITUDE_UNCERTAINTY_C
    return CheckPoint(true_c=true_c, read_c=read_c, uncertainty_c=uncertainty_c)


def found_by(check: CheckArgs, *, tuning: PointTuning) -> ProbeFound:
    """Return what ``check`` says the point's settings should be; refuse a check that cannot be so.

    The probe was read through the settings of that day (``tuning``), so both are put together.
    """
    line = _line(check)
    scale = line.scale * tuning.scale
    offset_c = line.scale * tuning.offset + line.offset_c
    both = check.ice_c is not None and check.boiling_c is not None
    sure = both and check.pressure_kpa is not None
    return ProbeFound(
        scale=scale,
        offset_c=offset_c,
        tolerance_c=line.tolerance_c if sure else None,
        left_c=_apart_c(scale, offset_c, tuning),
    )


def tolerance_now_c(found: ProbeFound, *, tuning: PointTuning) -> float | None:
    """Return the error of a point by its newest check [degC]; null where the check cannot tell.

    What the settings in force leave uncorrected is added, so that lines nobody pasted narrow nothing.
    """
    if found.tolerance_c is None:
        return None
    return found.tolerance_c + left_c(found, tuning=tuning)


def left_c(found: ProbeFound, *, tuning: PointTuning) -> float:
    """Return how far the settings in force are from what a check found, at the worst [degC]."""
    return _apart_c(found.scale, found.offset_c, tuning)


def settings_lines(found: ProbeFound, *, point: str) -> tuple[str, ...]:
    """Return the lines for the settings file that put into force what a check found."""
    lines = [f"[point.{point}]", f"scale = {found.scale:.5f}", f'offset = "{found.offset_c:.3f} degC"']
    if found.tolerance_c is not None:
        lines.append(f'tolerance = "{found.tolerance_c:.2f} degC"')
    return tuple(lines)


def _line(check: CheckArgs) -> Calibration:
    if check.point not in TEMPERATURE_POINTS:
        raise EntryRefused(f"{check.point} is no temperature probe: ice and boiling water check those")
    ice = None if check.ice_c is None else ice_check(check.ice_c)
    boiling = None
    if check.boiling_c is not None:
        boiling = boiling_check(check.boiling_c, pressure_kpa=check.pressure_kpa, altitude_m=check.altitude_m)
    if ice is not None and boiling is not None:
        return two_point(ice, boiling=boiling)
    if ice is not None:
        return one_point(ice, name="ice")
    if boiling is not None:
        return one_point(boiling, name="boiling water")
    raise EntryRefused("a probe check needs what the probe read in ice slush, in boiling water, or in both")


def _boiling_at(altitude_m: float) -> float:
    try:
        return boiling_c(standard_pressure_kpa(altitude_m))
    except ValueError:
        raise EntryRefused(
            f"{altitude_m:g} m is no place to boil syrup: give the altitude in metres"
        ) from None


def _apart_c(scale: float, offset_c: float, tuning: PointTuning) -> float:
    """Return how far two corrections differ at the worst, between ice and boiling water [degC].

    A probe's raw reading runs over the same hundred degrees.
    """
    apart = offset_c - tuning.offset
    return max(abs(apart), abs(apart + 100.0 * (scale - tuning.scale)))


def _fit(name: str, bath: CheckPoint) -> None:
    if not abs(bath.error_c) <= LARGEST_ERROR_C:
        raise EntryRefused(
            f"the probe is {bath.error_c:+.2f} degC off in {name}: stir the bath, wait two minutes, "
            "check the pressure; a probe that stays more than 1.1 degC off is to be replaced"
        )
