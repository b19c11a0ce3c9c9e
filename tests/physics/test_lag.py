"""The probe's lag against scipy. Words in brackets: how an expected figure is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import signal
from scipy.integrate import solve_ivp

from monitor.physics import lag

ordinary = st.floats(-50.0, 150.0)


def test_ramp_of_five_fahrenheit_a_minute_reads_two_and_a_half_low() -> None:
    # First order by hand, tau 30 s: 5 / 60 * 30 degF once settled (computed).
    assert lag.behind_ramp(5.0 / 60.0, time_s=600.0, time_constant_s=30.0) == pytest.approx(2.5, abs=1e-3)


def test_sixty_fahrenheit_step_is_within_one_after_122_8_s() -> None:
    # First order by hand: 30 ln 60 (computed).
    assert lag.settling_time(60.0, within_c=1.0, time_constant_s=30.0) == pytest.approx(122.8, abs=0.05)
    reading = lag.lagged(60.0, previous_c=0.0, interval_s=122.83, time_constant_s=30.0)
    assert reading == pytest.approx(59.0, abs=1e-3)


def test_time_constant_is_where_63_percent_of_a_step_shows() -> None:
    # Definition: 1 - 1/e.
    assert lag.lagged(1.0, previous_c=0.0, interval_s=30.0, time_constant_s=30.0) == pytest.approx(
        0.632, abs=5e-4
    )


def test_ramp_is_what_scipy_integrates() -> None:
    # scipy.integrate.solve_ivp on dr/dt = (T - r) / tau.
    course = solve_ivp(
        lambda t, r: (0.05 * t - r) / 30.0, (0.0, 200.0), [0.0], rtol=1e-10, atol=1e-12, dense_output=True
    )
    times = np.array([0.0, 1.0, 30.0, 90.0, 200.0])
    behind = lag.behind_ramp(0.05, time_s=times, time_constant_s=30.0)
    assert 0.05 * times - behind == pytest.approx(course.sol(times)[0], abs=1e-7)


def test_readings_of_a_warm_up_are_what_scipy_filters() -> None:
    # scipy.signal.cont2discrete with a held input is the exact response from second to second.
    true_c = 88.0 - 68.0 * np.exp(-np.arange(300.0) / 71.4)
    (num, den, _) = signal.cont2discrete(([1.0], [12.0, 1.0]), dt=1.0, method="zoh")
    filtered = signal.lfilter(num.ravel(), den, true_c - 20.0) + 20.0
    reading, readings = 20.0, []
    for value in true_c.tolist():
        readings.append(reading)
        reading = lag.lagged(value, previous_c=reading, interval_s=1.0, time_constant_s=12.0)
    assert readings == pytest.approx(filtered.tolist(), abs=1e-9)


def test_correction_by_rate_gives_a_settled_ramp_back() -> None:
    reading = 82.0 - lag.behind_ramp(0.05, time_s=900.0, time_constant_s=30.0)
    assert lag.without_lag(reading, rate_c_s=0.05, time_constant_s=30.0) == pytest.approx(82.0, abs=1e-9)


@given(true=ordinary, before=ordinary, interval=st.floats(0.1, 60.0), tau=st.floats(0.0, 120.0))
def test_correction_is_the_inverse_of_the_lag(true, before, interval, tau) -> None:
    reading = lag.lagged(true, previous_c=before, interval_s=interval, time_constant_s=tau)
    back = lag.unlagged(reading, previous_c=before, interval_s=interval, time_constant_s=tau)
    assert back == pytest.approx(true, abs=1e-8)


@given(true=ordinary, before=ordinary, interval=st.floats(0.0, 1e4), tau=st.floats(0.0, 1e4))
def test_reading_never_passes_the_temperature(true, before, interval, tau) -> None:
    reading = lag.lagged(true, previous_c=before, interval_s=interval, time_constant_s=tau)
    assert min(true, before) - 1e-9 <= reading <= max(true, before) + 1e-9


def test_probe_without_lag_shows_the_syrup() -> None:
    assert lag.lagged(88.0, previous_c=20.0, interval_s=1.0, time_constant_s=0.0) == 88.0
    assert lag.unlagged(88.0, previous_c=20.0, interval_s=1.0, time_constant_s=0.0) == 88.0
    assert lag.without_lag(88.0, rate_c_s=1.0, time_constant_s=0.0) == 88.0


def test_step_that_is_near_enough_needs_no_time() -> None:
    assert lag.settling_time(-0.5, within_c=1.0, time_constant_s=30.0) == 0.0
    assert lag.settling_time(-60.0, within_c=1.0, time_constant_s=30.0) == pytest.approx(122.8, abs=0.05)


def test_lost_sample_in_an_array_is_unknown_and_costs_no_other() -> None:
    readings = np.array([80.0, np.nan, 81.0])
    rates = np.array([0.05, 0.05, np.inf])
    corrected = lag.without_lag(readings, rate_c_s=rates, time_constant_s=30.0)
    assert corrected[0] == 81.5
    assert np.isnan(corrected).tolist() == [False, True, True]


def test_no_time_between_readings_tells_no_temperature() -> None:
    with pytest.raises(ValueError, match="interval 0 s"):
        lag.unlagged(80.0, previous_c=80.0, interval_s=0.0, time_constant_s=30.0)


# Mostly numbers that are taken, from end to end of the range, and sometimes anything a float can be.
wild = st.one_of(st.floats(1e-30, 1e30), st.floats(0.0, 10.0), st.floats())


@given(a=wild, b=wild, c=wild, d=wild)
def test_any_numbers_give_a_finite_answer_or_one_line(outcome, a, b, c, d) -> None:
    answers = (
        lambda: lag.lagged(a, previous_c=b, interval_s=c, time_constant_s=d),
        lambda: lag.unlagged(a, previous_c=b, interval_s=c, time_constant_s=d),
        lambda: lag.without_lag(a, rate_c_s=b, time_constant_s=c),
        lambda: lag.behind_ramp(a, time_s=b, time_constant_s=c),
        lambda: lag.settling_time(a, within_c=b, time_constant_s=c),
    )
    for answer in answers:
        found = outcome(answer)
        assert "\n" not in found if isinstance(found, str) else math.isfinite(found)
