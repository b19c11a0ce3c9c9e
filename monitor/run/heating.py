"""What the cold plates take from the batch, and how long to recirculate until they are hot."""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.physics.syrup import density, heat_capacity
from monitor.physics.warmup import WarmUp, capacity_rate, effectiveness, time_constant, time_to

PLATE_HEAT_J_KG_K = 900.0
"""Specific heat of aluminium [J/(kg K)] (handbooks, from memory)."""

CONDUCTANCE_W_M2_K = 1000.0
"""Heat that passes from syrup to plates by paper area [W/(m2 K)] (judgement)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heating:
    """The warm-up of one set.

    Attributes:
        heat_j: heat that brings the plates to the ready temperature [J].
        cooling_k: how much colder the whole batch is for it [K].
        ready_s: recirculation until the outlet is ready [s]; infinite when it never gets there.
        volume_l: syrup that goes round in that time [L]; infinite likewise.
    """

    heat_j: float
    cooling_k: float
    ready_s: float
    volume_l: float


def heating_of(
    batch_l: float,
    *,
    sugar: float,
    feed_c: float,
    plates_c: float,
    ready_c: float,
    plate_kg: float,
    area_m2: float,
    pace_m3_s: float,
) -> Heating:
    """Return what warming the press takes.

    Args:
        batch_l: syrup of the batch [L].
        sugar: its sugar [mass fraction].
        feed_c: syrup at the pump [degC].
        plates_c: plates before the run [degC].
        ready_c: outlet that is ready [degC].
        plate_kg: metal of plates and frames [kg].
        area_m2: papers [m2].
        pace_m3_s: flow while it recirculates [m3/s].
    """
    syrup_kg_m3 = density(sugar, temperature_c=feed_c)
    syrup_j_kg_k = heat_capacity(sugar, temperature_c=feed_c)
    heat_j = plate_kg * PLATE_HEAT_J_KG_K * max(0.0, ready_c - plates_c)
    stream = capacity_rate(flow_m3_s=pace_m3_s, density_kg_m3=syrup_kg_m3, heat_capacity_j_kg_k=syrup_j_kg_k)
    share = effectiveness(conductance_w_k=CONDUCTANCE_W_M2_K * area_m2, capacity_rate_w_k=stream)
    warm_up = WarmUp(
        inlet_c=feed_c,
        start_c=plates_c,
        effectiveness=share,
        time_constant_s=time_constant(
            plate_mass_kg=plate_kg,
            plate_heat_j_kg_k=PLATE_HEAT_J_KG_K,
            capacity_rate_w_k=stream,
            effectiveness=share,
        ),
    )
    ready_s = time_to(warm_up, threshold_c=ready_c) if feed_c > ready_c else math.inf
    return Heating(
        heat_j=heat_j,
        cooling_k=heat_j / (batch_l / 1000.0 * syrup_kg_m3 * syrup_j_kg_k),
        ready_s=ready_s,
        volume_l=1000.0 * pace_m3_s * ready_s,
    )
