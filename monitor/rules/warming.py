"""When the outlet will be hot: the stack of plates soaks up heat by the litre, not by the second.

A stack warmed by a flow approaches its final temperature as T = Tend - A exp(-x / k), x the
volume passed (time where no flow is known). Tend and A follow by least squares for each k of
a fixed ladder, from fading sums; every k then votes with its likelihood. Fading leaves the
quick start of the curve behind, so its several time constants need no model of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.rules.second import Second, known
from monitor.rules.thresholds import RunRules

LADDER = (0.5, 0.75, 1.0, 1.4, 2.0, 2.8, 4.0, 5.6)
"""Steps of k around the expected one."""

LITRES_A_FRAME = 1.4
"""Expected k of the slow end of a warm-up, per frame [L]: some 4 kg of aluminium a frame."""

USUAL_FLOW_L_MIN_A_FRAME = 0.6
"""Turns the ladder into seconds where no flow is known (judgement)."""

END_C = 86.0
"""Expected end of the warm-up: syrup is heated to 185-195 degF to be filtered (extension
bulletins) and loses a little on the way."""

END_ERROR_C = 2.5

MEMORY_S = 90.0
"""How far back the fit looks."""

LEAST_S = 60.0
"""Shortest warm-up that carries a forecast (requirement)."""

NOISE_C = 0.3
"""What the curve misses [degC]."""

FARTHEST_S = 2 * 3600.0


@dataclass(frozen=True, slots=True)
class Warming:
    """Fading sums of the outlet temperature against exp(-(x - now) / k) for each k."""

    seen_s: float = 0.0
    flow_l_min: float | None = None
    outlet_c: float | None = None
    weight: float = 0.0
    t: float = 0.0
    tt: float = 0.0
    e: tuple[float, ...] = (0.0,) * len(LADDER)
    ee: tuple[float, ...] = (0.0,) * len(LADDER)
    et: tuple[float, ...] = (0.0,) * len(LADDER)


def warmed(
    before: Warming, second: Second, *, step_s: float, flow_l_min: float | None, rules: RunRules
) -> Warming:
    """Return ``before`` with the outlet of ``second`` added; ``flow_l_min`` may be unknown."""
    outlet_c = known(second.outlet_corrected_c)
    if outlet_c is None:
        outlet_c = known(second.outlet_c)
    frames = rules.press.frames
    rate = (USUAL_FLOW_L_MIN_A_FRAME * frames if flow_l_min is None else flow_l_min) / 60.0
    fade = math.exp(-step_s / MEMORY_S)
    moved = rate * step_s / (LITRES_A_FRAME * frames)
    seen = 0.0 if outlet_c is None else 1.0
    t = outlet_c or 0.0
    e, ee, et = [], [], []
    for step, e0, ee0, et0 in zip(LADDER, before.e, before.ee, before.et, strict=True):
        # x counts from now, so an older point's exp(-x / k) grows as the flow goes on.
        g = math.exp(min(moved / step, 2.0))
        e.append(e0 * fade * g + seen)
        ee.append(ee0 * fade * g * g + seen)
        et.append(et0 * fade * g + seen * t)
    return Warming(
        before.seen_s + step_s * seen,
        flow_l_min if flow_l_min is not None else before.flow_l_min,
        outlet_c if outlet_c is not None else before.outlet_c,
        before.weight * fade + seen,
        before.t * fade + seen * t,
        before.tt * fade + seen * t * t,
        tuple(e),
        tuple(ee),
        tuple(et),
    )


def time_to(warming: Warming, *, target_c: float, rules: RunRules) -> float | None:
    """Return seconds until the outlet reaches ``target_c``; null while the data do not say."""
    if warming.seen_s < LEAST_S or warming.outlet_c is None or warming.weight <= 0.0:
        return None
    if warming.outlet_c >= target_c:
        return 0.0
    frames = rules.press.frames
    flow = warming.flow_l_min
    rate = (USUAL_FLOW_L_MIN_A_FRAME * frames if flow is None else flow) / 60.0
    if rate <= 0.0:
        return None
    votes: list[tuple[float, float]] = []
    for index, step in enumerate(LADDER):
        end_c, gap_c, misfit = _fitted(warming, index)
        vote = math.exp(-misfit - 0.5 * (math.log(step) / 0.6) ** 2)
        time_s = math.inf
        if gap_c > 0.0 and end_c > target_c:
            ratio = gap_c / (end_c - target_c)
            time_s = step * LITRES_A_FRAME * frames / rate * math.log(max(ratio, 1.0))
        votes.append((time_s, vote))
    median_s = _median(votes)
    return median_s if median_s <= FARTHEST_S else None


def _fitted(w: Warming, index: int) -> tuple[float, float, float]:
    """Return Tend, A at the present moment, and half the misfit in noise variances."""
    # Tend is drawn to its expected value with the weight of its error.
    pull = (NOISE_C / END_ERROR_C) ** 2
    s0, t = w.weight + pull, w.t + pull * END_C
    e, ee, et = w.e[index], w.ee[index], w.et[index]
    spread = s0 * ee - e * e
    if spread <= 1e-9 * s0 * ee:
        return END_C, END_C - (w.outlet_c or END_C), 0.0
    gap = -(s0 * et - e * t) / spread
    end = (t + gap * e) / s0
    rss = w.tt + pull * END_C * END_C - end * t + gap * et
    return end, gap, max(0.0, rss) / (2.0 * NOISE_C**2) * (12.0 / max(w.weight, 12.0))


def _median(votes: list[tuple[float, float]]) -> float:
    votes = sorted(votes)
    half = 0.5 * sum(vote for _, vote in votes)
    for time_s, vote in votes:
        half -= vote
        if half <= 0.0:
            return time_s
    return votes[-1][0]
