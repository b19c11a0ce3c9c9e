"""The probe's lag: what a first-order sensor shows of a changing temperature, and the way back.

dr/dt = (T - r) / tau, where r is the reading and T the syrup. Temperatures may be in any
one scale; rates are that scale's degrees per second.

Source: first-order response, as any text on measurement has it.
"""

from __future__ import annotations

import math

import numpy as np

from monitor.physics.validity import Value, finite, not_negative, positive


def lagged(true_c: Value, *, previous_c: Value, interval_s: float, time_constant_s: float) -> Value:
    """Return the reading after the syrup has been at one temperature for an interval [degC].

    r1 = T + (r0 - T) exp(-dt / tau)

    Args:
        true_c: T during the interval [degC], float or array, finite.
        previous_c: r0, the reading at its start [degC], float or array, finite.
        interval_s: dt [s], not under zero.
        time_constant_s: tau [s], not under zero; 0 is a probe without lag.

    Raises:
        ValueError: an argument is outside its range or not finite.

    >>> round(lagged(80.0, previous_c=20.0, interval_s=30.0, time_constant_s=30.0), 2)
    57.93
    """
    true = finite(true_c, name="temperature", unit="degC")
    behind = finite(previous_c, name="reading before", unit="degC") - true
    return true + behind * (1.0 - _gone(interval_s, time_constant_s))


def unlagged(reading_c: Value, *, previous_c: Value, interval_s: float, time_constant_s: float) -> Value:
    """Return the temperature that moved the reading so in one interval [degC].

    T = r0 + (r1 - r0) / (1 - exp(-dt / tau)), the inverse of :func:`lagged`. It makes the
    noise of the two readings about tau / dt times larger: smooth first, or take :func:`without_lag`
    with the slope over many readings.

    Args:
        reading_c: r1, the reading at the interval's end [degC], float or array, finite.
        previous_c: r0, the reading at its start [degC], float or array, finite.
        interval_s: dt [s], over zero.
        time_constant_s: tau [s], not under zero; 0 is a probe without lag.

    Raises:
        ValueError: an argument is outside its range or not finite.

    >>> round(unlagged(57.93, previous_c=20.0, interval_s=30.0, time_constant_s=30.0), 1)
    80.0
    """
    positive(interval_s, name="interval", unit="s")
    before = finite(previous_c, name="reading before", unit="degC")
    moved = finite(reading_c, name="reading", unit="degC") - before
    return before + moved / _gone(interval_s, time_constant_s)


def without_lag(reading_c: Value, *, rate_c_s: Value, time_constant_s: float) -> Value:
    """Return the syrup's temperature behind a reading that changes at a known rate [degC].

    T = r + tau dr/dt

    Args:
        reading_c: r [degC], float or array, finite.
        rate_c_s: dr/dt [degC/s], float or array, finite.
        time_constant_s: tau [s], not under zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    >>> without_lag(80.0, rate_c_s=0.05, time_constant_s=30.0)
    81.5
    """
    reading = finite(reading_c, name="reading", unit="degC")
    tau = not_negative(time_constant_s, name="time constant", unit="s")
    return reading + tau * finite(rate_c_s, name="rate", unit="degC/s")


def behind_ramp(rate_c_s: float, *, time_s: Value, time_constant_s: float) -> Value:
    """Return how far the reading is behind a ramp that began at rest [degC of difference].

    T - r = b tau (1 - exp(-t / tau)), which settles at b tau

    Args:
        rate_c_s: b, rate of the ramp [degC/s], finite.
        time_s: t since the ramp began [s], float or array, not under zero.
        time_constant_s: tau [s], over zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    >>> round(behind_ramp(5.0 / 60.0, time_s=600.0, time_constant_s=30.0), 3)
    2.5
    """
    rate = finite(rate_c_s, name="rate", unit="degC/s")
    tau = positive(time_constant_s, name="time constant", unit="s")
    time = not_negative(time_s, name="time", unit="s")
    if isinstance(time, float):
        return -rate * tau * math.expm1(-time / tau)
    return -rate * tau * np.expm1(-time / tau)


def settling_time(step_c: float, *, within_c: float, time_constant_s: float) -> float:
    """Return how long after a step the reading comes near enough [s]; 0 for a step within that.

    t = tau ln(|step| / within)

    Args:
        step_c: size of the step [degC of difference], finite.
        within_c: how near is near enough [degC of difference], over zero.
        time_constant_s: tau [s], not under zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    >>> round(settling_time(60.0, within_c=1.0, time_constant_s=30.0), 1)
    122.8
    """
    step = abs(finite(step_c, name="step", unit="degC"))
    near = positive(within_c, name="nearness", unit="degC")
    tau = not_negative(time_constant_s, name="time constant", unit="s")
    return tau * math.log(step / near) if step > near else 0.0


def _gone(interval_s: float, time_constant_s: float) -> float:
    """Return the share of a difference that is gone after an interval."""
    interval = not_negative(interval_s, name="interval", unit="s")
    tau = not_negative(time_constant_s, name="time constant", unit="s")
    return -math.expm1(-interval / tau) if tau > 0.0 else 1.0
