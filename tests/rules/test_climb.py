"""Minutes to the cut-off from the pressure alone, against numpy's weighted polynomial fits."""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from monitor.rules.climb import MEMORY_S, PressureClimb, climbed, time_to_pressure

CUTOFF_KPA = 551.6


def after(pressures_kpa: list[float | None], *, step_s: float = 1.0) -> PressureClimb:
    climb = PressureClimb()
    for line_kpa in pressures_kpa:
        climb = climbed(climb, line_kpa, step_s=step_s)
    return climb


def by_numpy(pressures_kpa: list[float], degree: int) -> float:
    """The first later meeting of numpy's fit with the cut-off."""
    ages = np.arange(len(pressures_kpa))[::-1]
    fit = np.polyfit(-ages, pressures_kpa, degree, w=np.exp(-ages / (2.0 * MEMORY_S)))
    fit[-1] -= CUTOFF_KPA
    return float(min(root.real for root in np.roots(fit) if abs(root.imag) < 1e-9 and root.real > 0.0))


def test_a_straight_climb_reaches_the_cutoff_when_arithmetic_says() -> None:
    climb = after([200.0 + 0.2 * t for t in range(600)])
    # 200 + 0.2 t = 551.6 at t = 1758 s; 599 s have passed.
    assert time_to_pressure(climb, target_kpa=CUTOFF_KPA) == pytest.approx(1758.0 - 599.0, rel=1e-3)


def test_the_earlier_of_line_and_parabola_is_told() -> None:
    rng = random.Random(5)  # noqa: S311 - test data
    bending = [200.0 + 1.5e-4 * t * t + rng.gauss(0.0, 1.0) for t in range(900)]
    told = time_to_pressure(after(list(bending)), target_kpa=CUTOFF_KPA)
    assert told == pytest.approx(min(by_numpy(bending, 1), by_numpy(bending, 2)), rel=0.01)
    assert told is not None
    assert told < by_numpy(bending, 1)


def test_a_slowing_climb_falls_back_on_the_line() -> None:
    slowing = [400.0 + 60.0 * (1.0 - math.exp(-t / 400.0)) for t in range(800)]
    assert time_to_pressure(after(list(slowing)), target_kpa=CUTOFF_KPA) == pytest.approx(
        by_numpy(slowing, 1), rel=0.01
    )


@pytest.mark.parametrize("pressure", [lambda t: 300.0, lambda t: 400.0 - 0.1 * t, lambda t: 0.0])
def test_a_level_or_falling_pressure_has_no_time(pressure: object) -> None:
    assert callable(pressure)
    assert time_to_pressure(after([pressure(t) for t in range(600)]), target_kpa=CUTOFF_KPA) is None


def test_two_minutes_are_waited_for() -> None:
    assert time_to_pressure(after([200.0 + t for t in range(100)]), target_kpa=CUTOFF_KPA) is None


def test_over_the_cutoff_nothing_is_left() -> None:
    assert time_to_pressure(after([560.0 + 0.1 * t for t in range(300)]), target_kpa=CUTOFF_KPA) == 0.0


def test_a_missing_minute_changes_little() -> None:
    whole: list[float | None] = [200.0 + 0.2 * t for t in range(600)]
    holed = [p if not 300 <= t < 360 else None for t, p in enumerate(whole)]
    assert time_to_pressure(after(holed), target_kpa=CUTOFF_KPA) == pytest.approx(
        time_to_pressure(after(whole), target_kpa=CUTOFF_KPA), rel=1e-3
    )


def test_eight_hours_of_pressure_stay_finite() -> None:
    climb = after([300.0 + (t % 7) for t in range(28_800)])
    told = time_to_pressure(climb, target_kpa=CUTOFF_KPA)
    assert told is None or math.isfinite(told)
