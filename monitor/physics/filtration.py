"""Cake filtration: how flow, pressure, volume and time hang together while a cake grows."""

from __future__ import annotations

from monitor.physics.validity import Value, not_negative, positive


def resistance(*, pressure_pa: Value, viscosity_pa_s: Value, flow_m3_s: Value) -> Value:
    """Return the resistance of cake, papers and fittings together [1/m3].

    R = dP / (mu Q)

    Args:
        pressure_pa: dP over the press [Pa], float or array, not under zero.
        viscosity_pa_s: mu of what flows [Pa s], float or array, over zero.
        flow_m3_s: Q [m3/s], float or array, over zero: with no flow it is unknown.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: Darcy's law.

    >>> round(resistance(pressure_pa=2.0e5, viscosity_pa_s=0.01, flow_m3_s=1.0e-4), -6)
    200000000000.0
    """
    pressure = not_negative(pressure_pa, name="pressure", unit="Pa")
    viscosity = positive(viscosity_pa_s, name="viscosity", unit="Pa s")
    return pressure / (viscosity * positive(flow_m3_s, name="flow", unit="m3/s"))


def resistance_per_m(*, pressure_pa: Value, viscosity_pa_s: Value, flow_m3_s: Value, area_m2: float) -> Value:
    """Return the resistance of cake, papers and fittings over the whole area [1/m].

    R = A dP / (mu Q): alpha c V / A + Rm, comparable between presses.

    Args:
        pressure_pa: dP over the press [Pa], float or array, not under zero.
        viscosity_pa_s: mu of what flows [Pa s], float or array, over zero.
        flow_m3_s: Q [m3/s], float or array, over zero.
        area_m2: A, filtering area of all papers [m2], over zero.

    Raises:
        ValueError: an argument is outside its range or not finite.

    Source: Darcy's law.

    >>> round(resistance_per_m(pressure_pa=2.0e5, viscosity_pa_s=0.01, flow_m3_s=1.0e-4, area_m2=0.25), -6)
    50000000000.0
    """
    area = positive(area_m2, name="area", unit="m2")
    return area * resistance(pressure_pa=pressure_pa, viscosity_pa_s=viscosity_pa_s, flow_m3_s=flow_m3_s)
