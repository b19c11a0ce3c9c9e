"""Gathers the picture that the rules judge: what is known of the press at this moment."""

from __future__ import annotations

from monitor.contract.names import Limit, Phase
from monitor.contract.readings import Point
from monitor.contract.status import Standing
from monitor.rules.freshness import PointTrack, bounds, tolerance
from monitor.rules.guard import Bounds
from monitor.rules.picture import Picture
from monitor.rules.thresholds import RunRules
from monitor.run.state import State

# Asked of its enum, a member takes 0.1 us each time.
_LINE, _OUTLET, _FILLER = Point.LINE, Point.OUTLET, Point.FILLER
_GOOD, _UNKNOWN, _END_PROPOSED = Standing.GOOD, Limit.UNKNOWN, Phase.END_PROPOSED


def look(state: State, *, rules: RunRules) -> Picture:
    """Return the press as ``state`` knows it."""
    run, now_s = state.run, state.now_s
    line = good(state.points.get(_LINE), now_s=now_s)
    # Pressure after a proposed end is the next run's, on new papers: to this run nothing flows.
    flowing = state.flow.flowing(now_s) and state.phase is not _END_PROPOSED
    return Picture(
        now_s=now_s,
        run_open=run is not None,
        outlet=outlet_bounds(state, rules=rules),
        line_kpa=line.reading.value if line else None,
        line_most_kpa=_most(line, rules=rules),
        line_peak_kpa=_peak(line),
        filler=_bounds(state, _FILLER, rules=rules) if _FILLER in state.points else None,
        filler_fitted=filler_fitted(state, rules=rules),
        bottled=run is not None and run.bottled,
        flowing=flowing,
        time_left_s=run.outlook.time_left_s if run else None,
        limit=run.outlook.limit if run else _UNKNOWN,
        signatures=frozenset(run.seen) if run else frozenset(),
        stir_due=flowing and _stir_due(state, every_s=rules.thresholds.stir_every_s),
        recording=state.trouble is None,
    )


def outlet_bounds(state: State, *, rules: RunRules) -> Bounds | None:
    """Return what the outlet surely is; null unless it is good and fresh."""
    return _bounds(state, _OUTLET, rules=rules)


def filler_fitted(state: State, *, rules: RunRules) -> bool:
    """Tell whether this press has a probe at the filler."""
    return _FILLER in rules.points or _FILLER in state.points


def good(track: PointTrack | None, *, now_s: float) -> PointTrack | None:
    """Return ``track`` if it is good and fresh at ``now_s``."""
    if track is None or track.standing(now_s) is not _GOOD:
        return None
    return track


def _bounds(state: State, point: Point, *, rules: RunRules) -> Bounds | None:
    return bounds(state.points.get(point), point=point, now_s=state.now_s, tuning=rules.tuning(point))


def _most(line: PointTrack | None, *, rules: RunRules) -> float | None:
    if line is None or line.reading.value is None:
        return None
    return line.reading.value + tolerance(line.reading, point=_LINE, tuning=rules.tuning(_LINE))


def _peak(line: PointTrack | None) -> float | None:
    if line is None:
        return None
    return line.reading.value if line.reading.high is None else line.reading.high


def _stir_due(state: State, *, every_s: float) -> bool:
    run = state.run
    return run is not None and every_s > 0 and state.now_s - run.stirred_s >= every_s
