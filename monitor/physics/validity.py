"""Refuses numbers that an equation was not made for.

Arguments that may be a float or an array share one rule. A float that is not finite or
outside the range raises ``ValueError`` with one line. In an array such an element becomes
NaN and the others are kept: one lost sample must not cost the rest of a trace.

numpy is loaded with the first array: a process that only ever sees floats, as the page's does,
is smaller by a fifth without it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Value = TypeVar("Value", float, "NDArray[np.float64]")
"""A float or an array of them; what goes in comes out."""

MOST = 1e30
"""Largest size of a number that is taken as finite (ours: no SI value here comes near it, and squares
and products of a few stay finite)."""
LEAST = 1.0 / MOST
"""Smallest number that is taken as over zero, for the same reason."""


def within(value: Value, low: float, high: float, *, name: str, unit: str) -> Value:
    """Return ``value`` if ``low <= value <= high``; judge it as the module says otherwise.

    >>> within(85.0, 0.0, 100.0, name="temperature", unit="degC")
    85.0
    >>> import numpy as np
    >>> within(np.array([20.0, 120.0]), 0.0, 100.0, name="temperature", unit="degC")
    array([20., nan])
    """
    if isinstance(value, float) and low <= value <= high:
        return float(value)
    return _judged(value, low, high, name=name, unit=unit, wanted=f"a number from {low:g} to {high:g} {unit}")


def positive(value: Value, *, name: str, unit: str) -> Value:
    """Return ``value`` if it is finite and over zero; judge it as the module says otherwise.

    >>> positive(0.0, name="flow", unit="m3/s")
    Traceback (most recent call last):
        ...
    ValueError: flow 0 m3/s is not a finite number over zero
    """
    if isinstance(value, float) and LEAST <= value <= MOST:
        return float(value)
    return _judged(value, LEAST, MOST, name=name, unit=unit, wanted="a finite number over zero")


def not_negative(value: Value, *, name: str, unit: str) -> Value:
    """Return ``value`` if it is finite and not under zero; judge it as the module says otherwise.

    >>> not_negative(-1.0, name="time", unit="s")
    Traceback (most recent call last):
        ...
    ValueError: time -1 s is not a finite number from zero up
    """
    if isinstance(value, float) and 0.0 <= value <= MOST:
        return float(value)
    return _judged(value, 0.0, MOST, name=name, unit=unit, wanted="a finite number from zero up")


def finite(value: Value, *, name: str, unit: str) -> Value:
    """Return ``value`` if it is finite; judge it as the module says otherwise.

    >>> finite(float("nan"), name="reading", unit="degC")
    Traceback (most recent call last):
        ...
    ValueError: reading nan degC is not a finite number
    """
    if isinstance(value, float) and -MOST <= value <= MOST:
        return float(value)
    return _judged(value, -MOST, MOST, name=name, unit=unit, wanted="a finite number")


def _judged(value: Value, low: float, high: float, *, name: str, unit: str, wanted: str) -> Value:
    if isinstance(value, (float, int)):
        if low <= value <= high:
            return float(value)
        raise ValueError(f"{f'{name} {value:g} {unit}'.rstrip()} is not {wanted}")
    import numpy as np

    if isinstance(value, np.ndarray):
        return np.where((value >= low) & (value <= high), value, np.nan)
    raise ValueError(f"{name} {value!r} is not {wanted}")
