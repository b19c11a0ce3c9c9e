"""What is to come: time to ready, to the precipitation threshold, and what the papers still take.

:func:`begin`, then :func:`advance` once a second; :func:`forecast` reads the state. Two limits
end a set of papers and the nearer one is the forecast: the frames fill (:mod:`frames`), or
at the cut-off pressure the flow falls under the least useful one (:mod:`cake`). With no
source of flow there is only the climb of the pressure (:mod:`climb`), and minutes.

The time to ready is the time until the syrup itself, the probe's lag taken out, reaches the
ready temperature; the flag comes a little later, by the probe's error.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from monitor.contract.names import Limit, VolumeSource
from monitor.contract.status import ForecastStatus
from monitor.rules import cake as cakes
from monitor.rules.cake import Cake, grown
from monitor.rules.climb import PressureClimb, climbed, time_to_pressure
from monitor.rules.frames import END_FILL, FullVolume, full_volume
from monitor.rules.second import Second, known
from monitor.rules.thresholds import RunRules
from monitor.rules.volume import FilteredVolume, VolumeTally, filtered, tally
from monitor.rules.warming import Warming, time_to, warmed

__all__ = ["ForecastState", "Second", "advance", "begin", "forecast", "volume"]

QUANTILES = (-1.7, -1.2, -0.85, -0.55, -0.27, 0.0, 0.27, 0.55, 0.85, 1.2, 1.7)
"""Normal deviates of the guesses at the full volume."""


@dataclass(frozen=True, slots=True)
class ForecastState:
    """All that the forecast remembers of an open run."""

    elapsed_s: float = 0.0
    tally: VolumeTally = field(default_factory=VolumeTally)
    cake: Cake = field(default_factory=Cake)
    warming: Warming = field(default_factory=Warming)
    climb: PressureClimb = field(default_factory=PressureClimb)
    ready: bool = False
    shape: FullVolume | None = None
    displacement_l: float | None = None
    uncertainty_l: float | None = None


def begin(rules: RunRules) -> ForecastState:
    """Return the state of a run that begins now."""
    return ForecastState(shape=full_volume(rules.press), displacement_l=rules.pump.displacement_l)


def advance(state: ForecastState, second: Second, *, rules: RunRules) -> ForecastState:
    """Return ``state`` after ``second``."""
    elapsed_s = known(second.elapsed_s)
    if elapsed_s is None or elapsed_s <= state.elapsed_s:
        return state
    step_s = elapsed_s - state.elapsed_s
    now = tally(state.tally, second, step_s=step_s, rules=rules)
    was_l, is_l = state.tally.filtered_l, now.filtered_l
    flow_l_min = now.flow_l_min
    cake = grown(
        state.cake,
        second,
        step_s=step_s,
        volume_l=is_l,
        moved_l=(is_l or 0.0) - (was_l or 0.0),
        flow_l_min=flow_l_min,
        rules=rules,
    )
    line_kpa = known(second.line_kpa)
    return ForecastState(
        elapsed_s,
        now,
        cake,
        warmed(state.warming, second, step_s=step_s, flow_l_min=flow_l_min, rules=rules),
        climbed(state.climb, line_kpa, step_s=step_s) if now.source is VolumeSource.NONE else state.climb,
        second.ready,
        state.shape,
        state.displacement_l,
        filtered(now, rules=rules).uncertainty_l,
    )


def volume(state: ForecastState) -> FilteredVolume:
    """Return the filtered volume and the flow."""
    now = state.tally
    return FilteredVolume(now.source, now.filtered_l, state.uncertainty_l, now.flow_l_min)


def forecast(state: ForecastState, *, rules: RunRules) -> ForecastStatus:
    """Return what is to come as far as the data carry it."""
    limits = rules.thresholds
    ready_in_s = None if state.ready else time_to(state.warming, target_c=limits.ready_c, rules=rules)
    if state.tally.source is VolumeSource.NONE:
        return _by_pressure(state, ready_in_s, rules)
    return _by_volume(state, ready_in_s, rules)


def _by_pressure(state: ForecastState, ready_in_s: float | None, rules: RunRules) -> ForecastStatus:
    time_s = time_to_pressure(state.climb, target_kpa=rules.thresholds.cutoff_kpa)
    if time_s is None:
        return ForecastStatus(ready_in_s=ready_in_s, waiting_for="a steady climb of the pressure")
    return ForecastStatus(
        ready_in_s=ready_in_s,
        time_left_s=time_s,
        limit=Limit.PRESSURE,
        assumption="no flow known: pressure climbs on as in the last minutes",
    )


def _by_volume(state: ForecastState, ready_in_s: float | None, rules: RunRules) -> ForecastStatus:
    cake, shape = state.cake, state.shape
    now_l = state.tally.filtered_l or 0.0
    fill = min(1.0, now_l / shape.middle_l) if shape is not None and shape.middle_l > 0.0 else None
    if cake.blocks < cakes.LEAST_BLOCKS or shape is None:
        return ForecastStatus(ready_in_s=ready_in_s, fill=fill, waiting_for="a few minutes of steady flow")
    if cake.first_hot_l_min is None:
        return ForecastStatus(ready_in_s=ready_in_s, fill=fill, waiting_for="the first hot flow")
    by_pressure_l = _pressure_limit(cake, rules)
    ends = []
    for z in QUANTILES:
        full_l = shape.middle_l * math.exp(z * shape.error)
        if now_l <= END_FILL * full_l:
            ends.append(END_FILL * full_l)
    if not ends:
        ends = [now_l * 1.02]
    low_l, end_l, high_l = ends[len(ends) // 10], ends[len(ends) // 2], ends[-1 - len(ends) // 10]
    limit = Limit.FRAMES
    if by_pressure_l < end_l:
        limit = Limit.PRESSURE
    low_l, end_l, high_l = (max(now_l, min(by_pressure_l, x)) for x in (low_l, end_l, high_l))
    return ForecastStatus(
        ready_in_s=ready_in_s,
        volume_left_l=end_l - now_l,
        volume_left_low_l=low_l - now_l,
        volume_left_high_l=high_l - now_l,
        time_left_s=_time_left(cake, now_l, end_l, rules),
        time_left_low_s=_time_left(cake, now_l, low_l, rules),
        time_left_high_s=_time_left(cake, now_l, high_l, rules),
        limit=limit,
        fill=fill,
        assumption=None if shape.by_reading else "no cake reading: usual dose of filter aid",
    )


def _pressure_limit(cake: Cake, rules: RunRules) -> float:
    """Return the volume at which flow at the cut-off pressure is no longer useful [L]."""
    slope = cake.long.slope()
    level = cake.long.at(0.0)
    if slope is None or level is None or slope <= 0.0 or cake.first_hot_l_min is None:
        return math.inf
    least_m3_s = rules.thresholds.useful_flow_share * cake.first_hot_l_min / 60e3
    push_kpa = cakes.at_cutoff(max(rules.thresholds.cutoff_kpa, cake.pressure_kpa or 0.0), rules=rules)
    viscosity = cakes.viscosity(cake.outlet_c, rules=rules)
    end = 1e-8 * push_kpa * rules.press.paper_area_m2 / (viscosity * least_m3_s)
    return max(0.0, (end - level) / slope)


def _time_left(cake: Cake, now_l: float, end_l: float, rules: RunRules) -> float | None:
    """Return seconds from ``now_l`` to ``end_l``: flow held to the cut-off pressure, then falling."""
    flow_l_s = (cake.flow_l_min or 0.0) / 60.0
    if flow_l_s <= 0.0:
        return None
    slope = max(cake.long.slope() or 0.0, 0.0)
    level = cake.long.at(now_l)
    if level is None or level <= 0.0:
        return (end_l - now_l) / flow_l_s
    push_kpa = cakes.at_cutoff(max(rules.thresholds.cutoff_kpa, cake.pressure_kpa or 0.0), rules=rules)
    viscosity = cakes.viscosity(cake.outlet_c, rules=rules)
    most_l_s = 1e-5 * push_kpa * rules.press.paper_area_m2 / (viscosity * level)
    # Flow at the cut-off pressure is most_l_s * level / R(V); until it is down to the present
    # flow, the operator can hold that by raising the pressure.
    held_l = max(0.0, level * (most_l_s / flow_l_s - 1.0) / slope) if slope > 0.0 else math.inf
    held_l = min(held_l, end_l - now_l)
    rest_l = end_l - now_l - held_l
    start = level + slope * held_l
    return held_l / flow_l_s + rest_l * (start + 0.5 * slope * rest_l) * 1e3 / (most_l_s * level * 1e3)
