"""One second of an open run, as the forecast takes it in."""

from __future__ import annotations

import math

from monitor.contract.record import record


@record(frozen=True, slots=True, kw_only=True)
class Second:
    """What the points said in the second that ends at ``elapsed_s``; null is unknown.

    ``elapsed_s`` counts from the start of the run and never falls; a step may be longer
    than a second where readings are missing. Units: degC, kPa, L/min, L.
    """

    elapsed_s: float
    outlet_c: float | None
    """As read; null when it is not good."""
    outlet_corrected_c: float | None
    """With the probe's lag taken out."""
    line_kpa: float | None
    line_high_kpa: float | None
    line_low_kpa: float | None
    strokes: int | None
    """Counted in this second."""
    flow_l_min: float | None
    """From a meter."""
    containers_l: float
    """Tapped in since the run began."""
    ready: bool
    """Ready to bottle was raised in the second before."""
    pan_c: float | None = None
    """Syrup in the pan, where a probe is fitted there; null when it is not good."""


def known(value: float | None) -> float | None:
    """Return ``value``, or None where it is no finite number.

    >>> known(float("nan")) is None
    True
    """
    return value if value is not None and math.isfinite(value) else None
