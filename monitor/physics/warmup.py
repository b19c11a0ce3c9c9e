"""Warm-up: cold plates drink the heat of the syrup until its outlet is hot enough to bottle.

All plates are one lump of one temperature T, heated by the flow alone:
M cp dT/dt = C eps (Tin - T) and Tout = Tin - eps (Tin - T), with C = rho Q cp_syrup.
Losses to the room are left out: over the minutes of a warm-up they are small. Plates fed
side by side behave like the lump at any effectiveness; plates fed one after another do so
at a low one and warm up sooner at a high one, so there the lump's time is on the late side.

Source: lumped heat balance with the effectiveness of a stream at a wall of one
temperature, as Incropera and DeWitt, *Fundamentals of Heat and Mass Transfer*, has it (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.physics.validity import Value, finite, not_negative, positive, within


@dataclass(frozen=True, slots=True, kw_only=True)
class WarmUp:
    """One warm-up under way; raises ``ValueError`` on a value that cannot be.

    Attributes:
        inlet_c: Tin, syrup at the inlet, constant [degC].
        start_c: T0, plates at the start [degC].
        time_constant_s: tau [s].
        effectiveness: eps, share of the way to the plates' temperature that the syrup goes [1].
    """

    inlet_c: float
    start_c: float
    time_constant_s: float
    effectiveness: float = 1.0

    def __post_init__(self) -> None:
        finite(self.inlet_c, name="inlet", unit="degC")
        finite(self.start_c, name="start", unit="degC")
        positive(self.time_constant_s, name="time constant", unit="s")
        within(self.effectiveness, 0.0, 1.0, name="effectiveness", unit="of 1")


def capacity_rate(*, flow_m3_s: float, density_kg_m3: float, heat_capacity_j_kg_k: float) -> float:
    """Return the heat that the stream carries per kelvin [W/K].

    C = rho Q cp

    Args:
        flow_m3_s: Q [m3/s], over zero.
        density_kg_m3: rho of the syrup [kg/m3], over zero.
        heat_capacity_j_kg_k: cp of the syrup [J/(kg K)], over zero.

    Raises:
        ValueError: an argument is not a number over zero.

    >>> round(capacity_rate(flow_m3_s=0.004 / 60, density_kg_m3=1290.0, heat_capacity_j_kg_k=2931.0), 2)
    252.07
    """
    mass = positive(flow_m3_s, name="flow", unit="m3/s") * positive(
        density_kg_m3, name="density", unit="kg/m3"
    )
    return mass * positive(heat_capacity_j_kg_k, name="heat capacity", unit="J/(kg K)")


def effectiveness(*, conductance_w_k: float, capacity_rate_w_k: float) -> float:
    """Return the share of the way to the plates' temperature that the passing syrup goes [1].

    eps = 1 - exp(-UA / C)

    Args:
        conductance_w_k: UA between syrup and plates [W/K], over zero; infinite gives 1.
        capacity_rate_w_k: C of the stream [W/K], over zero.

    Raises:
        ValueError: an argument is not over zero.

    >>> round(effectiveness(conductance_w_k=150.0, capacity_rate_w_k=252.07), 3)
    0.448
    """
    if conductance_w_k == math.inf:
        return 1.0
    conductance = positive(conductance_w_k, name="conductance", unit="W/K")
    return -math.expm1(-conductance / positive(capacity_rate_w_k, name="capacity rate", unit="W/K"))


def time_constant(
    *, plate_mass_kg: float, plate_heat_j_kg_k: float, capacity_rate_w_k: float, effectiveness: float = 1.0
) -> float:
    """Return how fast the plates follow the syrup [s].

    tau = M cp / (C eps)

    Args:
        plate_mass_kg: M of plates and frames [kg], over zero.
        plate_heat_j_kg_k: cp of their metal [J/(kg K)], over zero.
        capacity_rate_w_k: C of the stream [W/K], over zero.
        effectiveness: eps [1], over 0 to 1.

    Raises:
        ValueError: an argument is outside its range.

    >>> round(time_constant(plate_mass_kg=20.0, plate_heat_j_kg_k=900.0, capacity_rate_w_k=252.07), 1)
    71.4
    """
    share = positive(effectiveness, name="effectiveness", unit="of 1")
    share = within(share, 0.0, 1.0, name="effectiveness", unit="of 1")
    heat = positive(plate_mass_kg, name="plate mass", unit="kg") * positive(
        plate_heat_j_kg_k, name="plate heat capacity", unit="J/(kg K)"
    )
    return heat / (positive(capacity_rate_w_k, name="capacity rate", unit="W/K") * share)


def outlet(warm_up: WarmUp, *, time_s: Value) -> Value:
    """Return the syrup's temperature at the outlet after a time [degC].

    Tout = Tin - eps (Tin - T0) exp(-t / tau)

    Args:
        warm_up: the warm-up under way.
        time_s: t since hot syrup came in [s], float or array, not under zero.

    Raises:
        ValueError: the time is under zero or not finite.

    >>> round(outlet(WarmUp(inlet_c=88.0, start_c=20.0, time_constant_s=71.41), time_s=176.1), 1)
    82.2
    """
    time = not_negative(time_s, name="time", unit="s")
    missing = warm_up.effectiveness * (warm_up.inlet_c - warm_up.start_c)
    return warm_up.inlet_c - missing * _exp(-time / warm_up.time_constant_s)


def time_to(warm_up: WarmUp, *, threshold_c: float) -> float:
    """Return when the outlet reaches a temperature [s]; 0 when it starts there, infinite when it never does.

    t = tau ln(eps (Tin - T0) / (Tin - Tth))

    Args:
        warm_up: the warm-up under way.
        threshold_c: Tth [degC].

    Raises:
        ValueError: the threshold is not finite.

    >>> round(time_to(WarmUp(inlet_c=88.0, start_c=20.0, time_constant_s=71.41), threshold_c=82.2222), 1)
    176.1
    >>> time_to(WarmUp(inlet_c=80.0, start_c=20.0, time_constant_s=71.41), threshold_c=82.2222)
    inf
    """
    threshold = finite(threshold_c, name="threshold", unit="degC")
    if outlet(warm_up, time_s=0.0) >= threshold:
        return 0.0
    left = warm_up.inlet_c - threshold
    if left <= 0.0:
        return math.inf
    missing = warm_up.effectiveness * (warm_up.inlet_c - warm_up.start_c)
    return max(0.0, warm_up.time_constant_s * math.log(missing / left))


def _exp(value: Value) -> Value:
    if isinstance(value, float):
        return math.exp(value)
    import numpy as np

    return np.exp(value)
