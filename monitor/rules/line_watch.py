"""What the last seconds of the feed line show: a fall of its pressure, and strokes that stay away.

A torn paper, a hose that came off and an empty feed look alike: the pressure falls at once
and the pump, freed of its load, strokes on at least as fast as before. An operator who turns
the regulator down slows the pump; one who shuts it off stops it.
"""

from __future__ import annotations

from dataclasses import replace

from monitor.contract.names import PumpKind
from monitor.contract.record import record
from monitor.rules.flow import PRESSURE_ON_KPA
from monitor.rules.second import Second, known
from monitor.rules.thresholds import RunRules

KEPT_S = 10
"""Seconds of pressure kept for comparison."""

FALL_S = 2
"""A fall within so many seconds is sudden (common practice, no source)."""

HAND_FALL_S = 6
"""A hand pump's pressure swings with each stroke, so its fall is judged over a longer time."""

FALLEN_SHARE = 0.7
"""A fall by more than 30 % is sudden (common practice, no source)."""

RECOVERED_SHARE = 0.85
"""From this share of the pressure before, the fall is over."""

FREED_SHARE = 0.9
"""Strokes at this share of their rate before count as not slower."""

JUDGED_STROKES = 4
"""Strokes after a fall that tell their rate."""

JUDGED_S = 20.0
"""Longest wait for them."""

UNCOUNTED_S = 5.0
"""Where no strokes are counted, a fall that stays this long is believed."""

EMPTY_KPA = 10.0
"""Where no strokes are counted, under this the line is shut off rather than torn."""

SHOWN_S = 300.0
"""A torn paper is told for this long, or until the pressure is back."""

RATE_MEMORY_S = 30.0
"""How far back the rate of strokes looks."""

# Asked of its enum, a member takes 0.1 us each time.
_GEAR, _BY_HAND = PumpKind.GEAR, PumpKind.HAND_DIAPHRAGM


@record(frozen=True, slots=True)
class LineWatch:
    """The line's last seconds; null is unknown."""

    recent_kpa: tuple[float, ...] = ()
    strokes_s: float = 0.0
    """Smoothed rate of strokes [1/s]."""
    before_kpa: float | None = None
    """Level before a fall under judgement, or before the tear."""
    before_strokes_s: float = 0.0
    fallen_s: float = 0.0
    fallen_strokes: int = 0
    torn: bool = False
    on_s: float = 0.0
    """Time under pressure since it last came on."""
    on_strokes: int = 0
    quiet_s: float = 0.0
    """Time under pressure since the last stroke, or since the meter last moved."""
    heard: bool = False
    """Strokes or a meter speak."""


def watched(before: LineWatch, second: Second, *, step_s: float, rules: RunRules) -> LineWatch:
    """Return ``before`` after ``second``."""
    line_kpa = known(second.line_kpa)
    if line_kpa is None:
        return LineWatch(strokes_s=before.strokes_s, torn=before.torn, before_kpa=before.before_kpa)
    counted = second.strokes is not None and rules.pump.kind is not _GEAR
    strokes = (second.strokes or 0) if counted else 0
    moving = strokes > 0 or (known(second.flow_l_min) or 0.0) > 0.0
    on = line_kpa >= PRESSURE_ON_KPA
    kept = max(0.0, 1.0 - step_s / RATE_MEMORY_S)
    recent = (*before.recent_kpa, line_kpa)[-KEPT_S:] if step_s <= FALL_S else (line_kpa,)
    now = LineWatch(
        recent,
        before.strokes_s * kept + strokes / RATE_MEMORY_S,
        before.before_kpa,
        before.before_strokes_s,
        before.fallen_s + step_s if before.before_kpa is not None else 0.0,
        before.fallen_strokes + strokes if before.before_kpa is not None else 0,
        before.torn,
        before.on_s + step_s if on else 0.0,
        before.on_strokes + moving if on else 0,
        before.quiet_s + step_s if on and not moving else 0.0,
        counted or second.flow_l_min is not None,
    )
    if now.before_kpa is None:
        return _fall(now, before, rules)
    return _judged(now, line_kpa, counted=counted)


def _fall(now: LineWatch, before: LineWatch, rules: RunRules) -> LineWatch:
    sudden = HAND_FALL_S if rules.pump.kind is _BY_HAND else FALL_S
    if len(now.recent_kpa) < KEPT_S:
        return now
    earlier = now.recent_kpa[:-sudden]
    level_kpa = sum(earlier) / len(earlier)
    if level_kpa < PRESSURE_ON_KPA or max(now.recent_kpa[-sudden:]) >= FALLEN_SHARE * level_kpa:
        return now
    return replace(now, before_kpa=level_kpa, before_strokes_s=before.strokes_s, torn=False)


def _judged(now: LineWatch, line_kpa: float, *, counted: bool) -> LineWatch:
    level_kpa = now.before_kpa or 0.0
    if line_kpa >= RECOVERED_SHARE * level_kpa or now.fallen_s > SHOWN_S:
        return replace(now, before_kpa=None, fallen_s=0.0, fallen_strokes=0, torn=False)
    if now.torn:
        return now
    if not counted:
        if line_kpa < EMPTY_KPA:
            return replace(now, before_kpa=None, fallen_s=0.0, fallen_strokes=0)
        return replace(now, torn=True) if now.fallen_s >= UNCOUNTED_S else now
    if now.fallen_strokes < JUDGED_STROKES and now.fallen_s < JUDGED_S:
        return now
    freed = now.fallen_strokes >= 2 and now.fallen_strokes >= (
        FREED_SHARE * now.before_strokes_s * now.fallen_s - 1.0
    )
    if freed:
        return replace(now, torn=True)
    return replace(now, before_kpa=None, fallen_s=0.0, fallen_strokes=0)
