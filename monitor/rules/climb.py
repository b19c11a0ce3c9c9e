"""How the line pressure climbs when no flow is known: minutes to the cut-off, nothing more.

Two curves of pressure against time, a line and a parabola, are fitted by least squares with
fading weights; the earlier meeting with the cut-off is the forecast. On a regulated air pump
that is early, so safe; on a constant-rate pump with a compressible cake the line alone would
be late, which is why the parabola stands beside it.
"""

from __future__ import annotations

import math

from monitor.contract.record import record

MEMORY_S = 300.0
"""How far back the fit looks: long against strokes, short against a run."""

LEAST_S = 120.0
"""Shortest stretch of pressure that can carry a forecast."""

LEAST_RISE_KPA_S = 0.01
"""Slower than this (0.09 psi/min) counts as level."""

FARTHEST_S = 6 * 3600.0
"""Beyond this a forecast is no use to anyone."""


@record(frozen=True, slots=True)
class PressureClimb:
    """Fading sums of pressure against time, time counted back from now."""

    span_s: float = 0.0
    s0: float = 0.0
    s1: float = 0.0
    s2: float = 0.0
    s3: float = 0.0
    s4: float = 0.0
    p0: float = 0.0
    p1: float = 0.0
    p2: float = 0.0


def climbed(before: PressureClimb, line_kpa: float | None, *, step_s: float) -> PressureClimb:
    """Return ``before`` moved on by ``step_s`` [s], with ``line_kpa`` added when it is known."""
    h = step_s / MEMORY_S
    fade = math.exp(-h)
    b = before
    # Time is counted from now, in memories, so the origin moves back: t -> t - h.
    s0, s1, s2, s3, s4 = b.s0, b.s1, b.s2, b.s3, b.s4
    p0, p1, p2 = b.p0, b.p1, b.p2
    h2 = h * h
    n4 = s4 - 4 * h * s3 + 6 * h2 * s2 - 4 * h2 * h * s1 + h2 * h2 * s0
    n3 = s3 - 3 * h * s2 + 3 * h2 * s1 - h2 * h * s0
    n2 = s2 - 2 * h * s1 + h2 * s0
    n1 = s1 - h * s0
    q2 = p2 - 2 * h * p1 + h2 * p0
    q1 = p1 - h * p0
    seen = line_kpa is not None
    return PressureClimb(
        b.span_s + step_s if seen else b.span_s,
        s0 * fade + seen,
        n1 * fade,
        n2 * fade,
        n3 * fade,
        n4 * fade,
        p0 * fade + (line_kpa or 0.0),
        q1 * fade,
        q2 * fade,
    )


def time_to_pressure(climb: PressureClimb, *, target_kpa: float) -> float | None:
    """Return seconds until ``target_kpa`` by the earlier of line and parabola; null when level."""
    if climb.span_s < LEAST_S or climb.s0 < 2.0:
        return None
    times = [t for t in (_by_line(climb, target_kpa), _by_parabola(climb, target_kpa)) if t is not None]
    return min(times) if times else None


def _by_line(c: PressureClimb, target_kpa: float) -> float | None:
    spread = c.s0 * c.s2 - c.s1 * c.s1
    if spread <= 1e-9 * c.s0 * c.s0:
        return None
    slope = (c.s0 * c.p1 - c.s1 * c.p0) / spread
    level = (c.p0 - slope * c.s1) / c.s0
    return _reached(level, slope, 0.0, target_kpa)


def _by_parabola(c: PressureClimb, target_kpa: float) -> float | None:
    # Cramer's rule on the normal equations of level + slope t + bend t^2.
    a, b, d = c.s2 * c.s4 - c.s3 * c.s3, c.s1 * c.s4 - c.s2 * c.s3, c.s1 * c.s3 - c.s2 * c.s2
    det = c.s0 * a - c.s1 * b + c.s2 * d
    if abs(det) <= 1e-9 * max(c.s0, 1.0) ** 3:
        return None
    e = c.s0 * c.s4 - c.s2 * c.s2
    f = c.s0 * c.s3 - c.s1 * c.s2
    g = c.s0 * c.s2 - c.s1 * c.s1
    level = (a * c.p0 - b * c.p1 + d * c.p2) / det
    slope = (-b * c.p0 + e * c.p1 - f * c.p2) / det
    bend = (d * c.p0 - f * c.p1 + g * c.p2) / det
    return _reached(level, slope, bend, target_kpa)


def _reached(level_kpa: float, slope: float, bend: float, target_kpa: float) -> float | None:
    missing = target_kpa - level_kpa
    if missing <= 0.0:
        return 0.0
    if slope <= LEAST_RISE_KPA_S * MEMORY_S:
        return None
    root = slope * slope + 4.0 * bend * missing
    if root < 0.0:
        return None
    time_s = MEMORY_S * 2.0 * missing / (slope + math.sqrt(root))
    return time_s if time_s <= FARTHEST_S else None
