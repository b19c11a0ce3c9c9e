"""The flags as a table: when each holds, how long it must, and its dead band.

A rule answers true, false, or null when its input is unknown; null changes nothing, so a
probe that is pulled while the outlet is over the threshold never clears the flag. Delays and
dead bands are this project's judgement after the usual ones for slow temperatures and for
pump pressure.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from monitor.contract.names import Flag, Limit
from monitor.contract.record import record
from monitor.rules.guard import Bounds
from monitor.rules.picture import Picture
from monitor.rules.thresholds import Thresholds
from monitor.rules.verdict import DEAD_BAND_C

PRESSURE_DEAD_BAND_KPA = 13.79
"""2 % of the span of a 100 psi transducer [kPa]."""

Holds = Callable[[Picture, Thresholds, bool], bool | None]

# Asked of its enum, a member takes 0.1 us each time.
_PRESSURE = Limit.PRESSURE


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One row: ``holds(picture, limits, raised)`` for ``on_s`` raises, not for ``off_s`` clears.

    Without ``holds`` the flag is a signature, which the forecast sees or does not.
    """

    flag: Flag
    holds: Holds | None = None
    on_s: float = 0.0
    off_s: float = 0.0
    needs_run: bool = True


@record(frozen=True, slots=True)
class Watch:
    """How one rule stands: raised or not, since when it wants to change, since when it is raised."""

    raised: bool = False
    turning_s: float | None = None
    since_s: float = 0.0


def _over(value: float | None, limit: float, *, raised: bool, dead_band: float) -> bool | None:
    if value is None:
        return None
    return value >= limit - (dead_band if raised else 0.0)


def _hot(bounds: Bounds | None, limits: Thresholds, *, raised: bool) -> bool | None:
    return _over(
        bounds.most if bounds else None, limits.precipitation_c, raised=raised, dead_band=DEAD_BAND_C
    )


def _over_precipitation(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    return _hot(picture.outlet, limits, raised=raised)


def _near_ceiling(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    outlet = picture.outlet
    warmest = max(outlet.value, outlet.corrected) if outlet else None
    return _over(warmest, limits.ceiling_c, raised=raised, dead_band=DEAD_BAND_C)


def _near_clog(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    pressed = _over(
        picture.line_most_kpa, limits.near_clog_kpa, raised=raised, dead_band=PRESSURE_DEAD_BAND_KPA
    )
    if pressed is None or pressed:
        return pressed
    left_s = picture.time_left_s
    return picture.limit is _PRESSURE and left_s is not None and left_s <= limits.near_clog_lead_s


def _stop_at_cutoff(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    return _over(picture.line_most_kpa, limits.cutoff_kpa, raised=raised, dead_band=PRESSURE_DEAD_BAND_KPA)


def _paper_limit(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    return _over(
        picture.line_peak_kpa, limits.paper_limit_kpa, raised=raised, dead_band=PRESSURE_DEAD_BAND_KPA
    )


def _filler_too_hot(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    if not (picture.filler_fitted and picture.bottled):
        return False
    return _hot(picture.filler, limits, raised=raised)


def _filler_too_cold(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    if not (picture.filler_fitted and picture.bottled):
        return False
    filler = picture.filler
    if filler is None:
        return None
    return filler.least < limits.ready_c + (DEAD_BAND_C if raised else 0.0)


def _input_lost(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    return not picture.inputs_good


def _not_recording(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    return not picture.recording


def _stir_due(picture: Picture, limits: Thresholds, raised: bool) -> bool | None:
    return picture.stir_due


RULES: tuple[Rule, ...] = (
    Rule(flag=Flag.OVER_PRECIPITATION, holds=_over_precipitation, on_s=5.0, off_s=10.0),
    Rule(flag=Flag.NEAR_CEILING, holds=_near_ceiling, on_s=5.0, off_s=10.0),
    Rule(flag=Flag.NEAR_CLOG, holds=_near_clog, on_s=3.0, off_s=10.0),
    Rule(flag=Flag.STOP_AT_CUTOFF, holds=_stop_at_cutoff, on_s=3.0, off_s=10.0, needs_run=False),
    # One peak is enough to tear a paper, so this one has no delay.
    Rule(flag=Flag.PAPER_LIMIT, holds=_paper_limit, off_s=10.0, needs_run=False),
    Rule(flag=Flag.FILLER_TOO_HOT, holds=_filler_too_hot, on_s=5.0, off_s=10.0),
    Rule(flag=Flag.FILLER_TOO_COLD, holds=_filler_too_cold, on_s=5.0, off_s=10.0),
    Rule(flag=Flag.INPUT_LOST, holds=_input_lost, on_s=5.0),
    Rule(flag=Flag.NOT_RECORDING, holds=_not_recording, needs_run=False),
    Rule(flag=Flag.STIR_DUE, holds=_stir_due),
    Rule(flag=Flag.PRESSURE_DROP, off_s=10.0),
    Rule(flag=Flag.PUMP_STALLED, off_s=10.0),
    Rule(flag=Flag.DEAD_END, off_s=10.0),
    Rule(flag=Flag.LOW_RESISTANCE, off_s=10.0),
    Rule(flag=Flag.COLD_PLATES, off_s=10.0),
    Rule(flag=Flag.DE_SETTLING, off_s=10.0),
    Rule(flag=Flag.CHANGE_SOON, off_s=10.0),
)

PROMPTING = frozenset(
    {
        Flag.READY_TO_BOTTLE,
        Flag.NEAR_CEILING,
        Flag.STIR_DUE,
        Flag.CHANGE_SOON,
        Flag.LOW_RESISTANCE,
        Flag.DEAD_END,
        Flag.DE_SETTLING,
    }
)
"""Flags that play the prompt once when raised; alarms have their own sounds."""


def watch(watches: dict[Flag, Watch], picture: Picture, *, limits: Thresholds) -> dict[Flag, Watch]:
    """Return how every rule stands after ``picture``, in the order of :data:`RULES`.

    The very dictionary that was given comes back when nothing has changed.
    """
    turned: dict[Flag, Watch] = {}
    run_open, signatures = picture.run_open, picture.signatures
    for rule in RULES:
        flag = rule.flag
        before = watches.get(flag, _LOW)
        if rule.needs_run and not run_open:
            if before is not _LOW and before != _LOW:
                turned[flag] = _LOW
            continue
        raised = before.raised
        holds = flag in signatures if rule.holds is None else rule.holds(picture, limits, raised)
        if holds is None or holds is raised:
            if before.turning_s is not None:
                turned[flag] = Watch(raised, None, before.since_s)
        elif (after := _turning(rule, before, holds=holds, now_s=picture.now_s)) is not before:
            turned[flag] = after
    if not turned and len(watches) == len(RULES):
        return watches
    return {rule.flag: turned.get(rule.flag) or watches.get(rule.flag, _LOW) for rule in RULES}


_LOW = Watch()


def _turning(rule: Rule, before: Watch, *, holds: bool, now_s: float) -> Watch:
    """Return how a rule stands that answers otherwise than it is raised."""
    turning_s = now_s if before.turning_s is None else before.turning_s
    delay_s = rule.on_s if holds else rule.off_s
    if now_s - turning_s >= delay_s:
        return Watch(holds, None, now_s)
    return before if before.turning_s is not None else Watch(before.raised, turning_s, before.since_s)
