"""Refuses numbers that an equation was not made for.

Arguments that may be a float or an array share one rule. A float that is not finite or
outside the range raises ``ValueError`` with one line. In an array such an element becomes
NaN and the others are kept: one lost sample must not cost the rest of a trace.
"""

from __future__ import annotations

import sys
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Value = TypeVar("Value", float, NDArray[np.float64])
"""A float or an array of them; what goes in comes out."""

_MOST = sys.float_info.max
_LEAST = 5e-324
"""The smallest float over zero."""


def within(value: Value, low: float, high: float, *, name: str, unit: str) -> Value:
    """Return ``value`` if ``low <= value <= high``; judge it as the module says otherwise.

    >>> within(85.0, 0.0, 100.0, name="temperature", unit="degC")
    85.0
    >>> within(np.array([20.0, 120.0]), 0.0, 100.0, name="temperature", unit="degC")
    array([20., nan])
    """
    if isinstance(value, float) and low <= value <= high:
        return value
    return _judged(value, low, high, name=name, unit=unit, wanted=f"from {low:g} to {high:g} {unit}")


def positive(value: Value, *, name: str, unit: str) -> Value:
    """Return ``value`` if it is finite and over zero; judge it as the module says otherwise.

    >>> positive(0.0, name="flow", unit="m3/s")
    Traceback (most recent call last):
        ...
    ValueError: flow 0 m3/s is not a number over zero
    """
    if isinstance(value, float) and 0.0 < value <= _MOST:
        return value
    return _judged(value, _LEAST, _MOST, name=name, unit=unit, wanted="over zero")


def not_negative(value: Value, *, name: str, unit: str) -> Value:
    """Return ``value`` if it is finite and not under zero; judge it as the module says otherwise.

    >>> not_negative(-1.0, name="time", unit="s")
    Traceback (most recent call last):
        ...
    ValueError: time -1 s is not a number from zero up
    """
    if isinstance(value, float) and 0.0 <= value <= _MOST:
        return value
    return _judged(value, 0.0, _MOST, name=name, unit=unit, wanted="from zero up")


def finite(value: Value, *, name: str, unit: str) -> Value:
    """Return ``value`` if it is finite; judge it as the module says otherwise.

    >>> finite(float("nan"), name="reading", unit="degC")
    Traceback (most recent call last):
        ...
    ValueError: reading nan degC is not a number that is finite
    """
    if isinstance(value, float) and -_MOST <= value <= _MOST:
        return value
    return _judged(value, -_MOST, _MOST, name=name, unit=unit, wanted="that is finite")


def _judged(value: Value, low: float, high: float, *, name: str, unit: str, wanted: str) -> Value:
    if isinstance(value, np.ndarray):
        return np.where((value >= low) & (value <= high), value, np.nan)
    if isinstance(value, (float, int)):
        if low <= value <= high:
            return float(value)
        raise ValueError(f"{name} {value:g} {unit} is not a number {wanted}")
    raise ValueError(f"{name} {value!r} is not a number {wanted}")
