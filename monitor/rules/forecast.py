"""What is to come: time to ready, to the precipitation threshold, and what the papers still take.

:func:`begin`, then :func:`advance` once a second; :func:`forecast` reads the state. Two limits
end a set of papers and the nearer one is the forecast: the frames fill (:mod:`frames`), or
at the cut-off pressure the flow falls under the least useful one (:mod:`cake`). With no
source of flow there is only the climb of the pressure (:mod:`climb`), and minutes.

The time to ready is the time until the syrup itself, the probe's lag taken out, reaches the
ready temperature; from then on, until the probe is sure of it and the flag can rise.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

from monitor.contract.names import Limit, VolumeSource
from monitor.contract.record import record
from monitor.contract.status import ForecastStatus
from monitor.rules import cake as cakes
from monitor.rules.cake import Cake, Line, grown
from monitor.rules.climb import PressureClimb, climbed, time_to_pressure
from monitor.rules.ending import Ending, Guess, ending
from monitor.rules.frames import END_FILL, FullVolume, full_volume
from monitor.rules.line_watch import LineWatch, watched
from monitor.rules.second import Second, known
from monitor.rules.thresholds import RunRules
from monitor.rules.volume import FilteredVolume, VolumeTally, tally, uncertainty_l
from monitor.rules.warming import Warming, begun, stays_cold, time_to_precipitation, time_to_ready, warmed

__all__ = ["ForecastState", "Second", "advance", "begin", "forecast", "volume"]

PATIENCE = 1.4
"""People stop somewhat above the least useful flow (judgement, from invented runs)."""

PATIENCE_ERROR = 0.45
"""Error of that and of the fitted line together, as a share of the volume at the pressure limit:
in half a run the sand, the squeeze and the heat are seen that the other half need not keep to."""

HELD_ERROR = 0.15
"""Error of the volume at which a pump that holds its flow comes to the cut-off, as a share
(judgement, from invented runs)."""

HELD_SHARE = 0.85
"""Under this share of its best flow such a pump holds it no more: a bypass has opened
(judgement: well over what a meter errs and a warm pump slips)."""

BEND_FILL = 0.91
"""Fill at which the resistance leaves its line, the first frames being full (judgement)."""

BELIEVED_FILL = 0.6
"""A bend is the frames filling only from this share of the expected full volume on: earlier it is
darker syrup."""

BEND_ERROR = 0.03
"""Error of the volume foretold from the bend, as a share."""

SOON_S = 600.0
"""The papers are to be changed soon when the end is this near: time to lay out new ones and to
drain a pan (judgement)."""

SOON_SHARE = 0.06
"""Or when this share of the whole is left."""

NOT_SOON = 1.5
"""And no longer when the end has moved beyond so many times that."""

HELD = "a pump that holds its flow and is stopped at the cut-off"
"""Assumed of gear and electric pumps until they are seen, or said, to yield."""

COLD = "a hotter pan: the outlet would settle under the limit"
"""What the time to ready waits for where it has none for the pan is not hot enough."""

STEEP_ERROR = 0.1
"""Error of the volume at which a bent line meets the least flow, as a share of what is left."""

# Asked of its enum, a member takes 0.1 us each time.
_NONE, _CONTAINERS, _PRESSURE = VolumeSource.NONE, VolumeSource.CONTAINERS, Limit.PRESSURE


@dataclass(frozen=True, slots=True)
class ForecastState:
    """All that the forecast remembers of an open run."""

    elapsed_s: float = 0.0
    tally: VolumeTally = field(default_factory=VolumeTally)
    cake: Cake = field(default_factory=Cake)
    warming: Warming = field(default_factory=Warming)
    climb: PressureClimb = field(default_factory=PressureClimb)
    line: LineWatch = field(default_factory=LineWatch)
    ready: bool = False
    uncertainty_l: float | None = None
    change_soon: bool = False


def begin(rules: RunRules) -> ForecastState:
    """Return the state of a run that begins now."""
    return ForecastState()


def advance(state: ForecastState, second: Second, *, rules: RunRules) -> ForecastState:
    """Return ``state`` after ``second``."""
    elapsed_s = known(second.elapsed_s)
    if elapsed_s is None or elapsed_s <= state.elapsed_s:
        return replace(state, warming=begun(state.warming, second)) if elapsed_s == 0.0 else state
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
    after = ForecastState(
        elapsed_s,
        now,
        cake,
        warmed(
            state.warming,
            second,
            step_s=step_s,
            flow_l_min=flow_l_min,
            moved_l=None if is_l is None or now.source is _CONTAINERS else is_l - (was_l or 0.0),
            rules=rules,
        ),
        climbed(state.climb, line_kpa, step_s=step_s) if now.source is _NONE else state.climb,
        watched(state.line, second, step_s=step_s, rules=rules),
        second.ready,
        uncertainty_l(now, rules=rules),
        state.change_soon,
    )
    if cake.blocks == state.cake.blocks:
        return after
    return replace(after, change_soon=_change_soon(after, rules))


def volume(state: ForecastState) -> FilteredVolume:
    """Return the filtered volume and the flow."""
    now = state.tally
    return FilteredVolume(now.source, now.filtered_l, state.uncertainty_l, now.flow_l_min)


def forecast(state: ForecastState, *, rules: RunRules) -> ForecastStatus:
    """Return what is to come as far as the data carry it."""
    ready_in_s = None if state.ready else time_to_ready(state.warming, rules=rules)
    hot_in_s = time_to_precipitation(state.warming, rules=rules)
    if state.tally.source is _NONE:
        return _by_climb(state, ready_in_s, hot_in_s, rules)
    return _by_volume(state, ready_in_s, hot_in_s, rules)


def run_end(state: ForecastState, *, rules: RunRules) -> Ending | None:
    """Return where this set of papers ends; null while the data do not carry it."""
    return _run_end(state, _full_volume(state.cake, rules), rules)


def _full_volume(cake: Cake, rules: RunRules) -> FullVolume:
    return full_volume(rules.press, growth_per_m2=cakes.growth_per_m2(cake, rules=rules))


def _run_end(state: ForecastState, shape: FullVolume, rules: RunRules) -> Ending | None:
    cake, now_l = state.cake, state.tally.filtered_l
    if missing(state) is not None or now_l is None:
        return None
    frames = Guess(END_FILL * shape.middle_l, shape.error)
    pressure = Guess(
        _pressure_limit(cake, cake.long, rules), HELD_ERROR if _is_held(cake, rules) else PATIENCE_ERROR
    )
    # Frames that were nearly full would have bent the line by now.
    least_l = now_l * END_FILL / BEND_FILL
    if cake.bent_l is not None and cake.bent_l > BELIEVED_FILL * shape.middle_l:
        frames = Guess(cake.bent_l * END_FILL / BEND_FILL, BEND_ERROR)
        steep_l = _pressure_limit(cake, cake.short, rules)
        if not math.isinf(steep_l) and steep_l > now_l:
            pressure = Guess(steep_l, max(STEEP_ERROR * (steep_l - now_l) / steep_l, 1e-3))
        least_l = now_l
    return ending(now_l, frames=frames, least_l=least_l, pressure=pressure)


def _change_soon(state: ForecastState, rules: RunRules) -> bool:
    end, now_l = run_end(state, rules=rules), state.tally.filtered_l
    if end is None or now_l is None:
        return False
    slack = NOT_SOON if state.change_soon else 1.0
    pace = _pace(state.cake, now_l, rules)
    time_s = None if pace is None else pace.time_to(end.middle_l)
    in_time = time_s is not None and time_s <= slack * SOON_S
    return in_time or end.middle_l - now_l <= slack * SOON_SHARE * end.middle_l


def missing(state: ForecastState) -> str | None:
    """Return what the volume left still waits for, null when nothing."""
    cake = state.cake
    if cake.blocks < cakes.LEAST_BLOCKS:
        return "a few minutes of steady flow"
    if cake.warm_blocks < cakes.LEAST_BLOCKS and cake.blocks < cakes.COLD_BLOCKS:
        return "a few minutes of flow through the warm press"
    return None


def _by_climb(
    state: ForecastState, ready_in_s: float | None, hot_in_s: float | None, rules: RunRules
) -> ForecastStatus:
    time_s = time_to_pressure(state.climb, target_kpa=rules.thresholds.cutoff_kpa)
    if time_s is None:
        return ForecastStatus(
            ready_in_s=ready_in_s, precipitation_in_s=hot_in_s, waiting_for="a steady climb of the pressure"
        )
    return ForecastStatus(
        ready_in_s=ready_in_s,
        precipitation_in_s=hot_in_s,
        time_left_s=time_s,
        limit=Limit.PRESSURE,
        assumption="no flow known: pressure climbs on as in the last minutes",
    )


def _by_volume(
    state: ForecastState, ready_in_s: float | None, hot_in_s: float | None, rules: RunRules
) -> ForecastStatus:
    cake, now_l = state.cake, state.tally.filtered_l
    shape = _full_volume(cake, rules)
    end = _run_end(state, shape, rules)
    cold = COLD if ready_in_s is None and stays_cold(state.warming, rules=rules) else None
    if end is None or now_l is None:
        return ForecastStatus(
            ready_in_s=ready_in_s,
            precipitation_in_s=hot_in_s,
            fill=_share(now_l, shape.middle_l),
            waiting_for=cold or missing(state),
        )
    pace = _pace(cake, now_l, rules)
    frames_l = END_FILL * shape.middle_l
    full_l = max(frames_l, end.middle_l) if end.limit is _PRESSURE else end.middle_l
    return ForecastStatus(
        ready_in_s=ready_in_s,
        precipitation_in_s=hot_in_s,
        volume_left_l=end.middle_l - now_l,
        volume_left_low_l=end.low_l - now_l,
        volume_left_high_l=end.high_l - now_l,
        time_left_s=pace.time_to(end.middle_l) if pace else None,
        time_left_low_s=pace.time_to(end.low_l) if pace else None,
        time_left_high_s=pace.time_to(end.high_l) if pace else None,
        limit=end.limit,
        fill=_share(now_l, full_l / END_FILL),
        assumption=_assumption(end, shape, cake, rules),
        waiting_for=cold,
    )


def _assumption(end: Ending, shape: FullVolume, cake: Cake, rules: RunRules) -> str | None:
    if end.limit is _PRESSURE and _is_held(cake, rules):
        return HELD
    return None if shape.by_reading else "no cake reading: usual dose of filter aid"


def _is_held(cake: Cake, rules: RunRules) -> bool:
    """Tell whether the pump drives on as it does, so that it must be stopped at the cut-off."""
    now_l_min = cake.flow_l_min or 0.0
    return rules.pump.holds_flow and now_l_min >= HELD_SHARE * (cake.best_warm_l_min or now_l_min)


def _share(part: float | None, whole: float) -> float | None:
    return min(1.0, max(0.0, part / whole)) if part is not None and whole > 0.0 else None


def _pressure_limit(cake: Cake, line: Line, rules: RunRules) -> float:
    """Return the volume at which the flow at the cut-off pressure is no longer useful, or held [L]."""
    slope = line.slope()
    level = line.level(cake.last_l, slope=slope)
    reference_l_min = cake.first_hot_l_min or cake.best_warm_l_min or cake.flow_l_min
    if slope is None or level is None or slope <= 0.0 or not reference_l_min:
        return math.inf
    least_l_min = PATIENCE * rules.thresholds.useful_flow_share * reference_l_min
    if _is_held(cake, rules):
        least_l_min = max(least_l_min, cake.flow_l_min or 0.0)
    least_m3_s = least_l_min / 60e3
    end = 1e-8 * _push(cake, rules) * rules.press.paper_area_m2 / (_viscosity(cake, rules) * least_m3_s)
    return max(0.0, cake.last_l + (end - level) / slope)


def _push(cake: Cake, rules: RunRules) -> float:
    """Return the pressure to end at [kPa], brought to the cut-off: some people go over it."""
    return cakes.at_cutoff(max(rules.thresholds.cutoff_kpa, cake.pressure_kpa or 0.0), rules=rules)


def _viscosity(cake: Cake, rules: RunRules) -> float:
    return cakes.viscosity(cake.outlet_c, rules=rules)


@record(frozen=True, slots=True)
class _Pace:
    """How the flow goes on: held up to the cut-off pressure, then falling. Null: it just goes on."""

    now_l: float
    flow_l_s: float
    slope: float
    level: float | None
    """Resistance now; null while it is not known."""
    most_l_s: float = 0.0
    """Flow at the cut-off pressure now."""

    def time_to(self, end_l: float) -> float:
        """Return seconds from now to ``end_l``."""
        level, slope = self.level, self.slope
        if level is None:
            return (end_l - self.now_l) / self.flow_l_s
        # Flow at the cut-off pressure is most_l_s * level / R(V); until it is down to the present
        # flow, the operator can hold that by raising the pressure.
        held_l = max(0.0, level * (self.most_l_s / self.flow_l_s - 1.0) / slope) if slope > 0.0 else math.inf
        held_l = min(held_l, end_l - self.now_l)
        rest_l = end_l - self.now_l - held_l
        start = level + slope * held_l
        return held_l / self.flow_l_s + rest_l * (start + 0.5 * slope * rest_l) / (self.most_l_s * level)


def _pace(cake: Cake, now_l: float, rules: RunRules) -> _Pace | None:
    """Return the pace from ``now_l`` on, null while nothing flows."""
    flow_l_s = (cake.flow_l_min or 0.0) / 60.0
    if flow_l_s <= 0.0:
        return None
    found = cake.long.slope()
    slope = max(found or 0.0, 0.0)
    level = cake.long.level(now_l, slope=found)
    if level is None or level <= 0.0:
        return _Pace(now_l, flow_l_s, slope, None)
    most_l_s = 1e-5 * _push(cake, rules) * rules.press.paper_area_m2 / (_viscosity(cake, rules) * level)
    return _Pace(now_l, flow_l_s, slope, level, most_l_s)
