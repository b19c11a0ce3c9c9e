"""Filtered volume and flow from the best source there is, with what they may be off by.

Best first: a meter; pump strokes times the displacement of one; containers tapped in by a
person; none. Each second takes the best source that speaks in it. A gear pump has no
strokes to count, so without a meter its volume stays unknown.
"""

from __future__ import annotations

import math

from monitor.contract.names import PumpKind, VolumeSource
from monitor.contract.record import record
from monitor.rules.flow import NO_STROKE_PERIODS, NO_STROKE_S, PRESSURE_ON_KPA
from monitor.rules.second import Second, known
from monitor.rules.thresholds import Pump, RunRules

FLOW_MEMORY_S = 30.0
"""How far back the shown flow looks; some six strokes of a slow pump."""

BRIDGED_S = 180.0
"""Longest silence bridged with the flow before it; a longer one leaves the volume short."""

MOST_STROKES_A_SECOND = 20
"""Above this a count is noise: a press pump makes 10-60 strokes a minute (from memory)."""

METER_SHARE = 0.02
"""Error of a pulse meter in hot syrup, as a share (judgement)."""

STROKE_SHARE = {
    PumpKind.AIR_DIAPHRAGM: 0.05,
    PumpKind.HAND_DIAPHRAGM: 0.10,
    PumpKind.ELECTRIC_DIAPHRAGM: 0.15,
}
"""Error of strokes times displacement, as a share (judgement): valves leak back, a hand does not
always make a full stroke, an electric pump's bypass returns part of one."""

CONTAINER_SHARE = 0.03
"""Error of a filled container's size, as a share (judgement)."""

BRIDGED_SHARE = 0.5
"""Error of a volume bridged over a silence, as a share (judgement)."""

LEAST_CALIBRATING_STROKES = 50
"""Fewer strokes than this cannot calibrate a displacement: the ends weigh too much."""

CALIBRATION_FACTOR = 2.5
"""A total that asks for a larger change than this is a slip of the pen or a torn hose."""

TOTAL_SHARE = 0.03
"""Error of a run's total as the operator adds it up, as a share (judgement)."""

KNOWN_DISPLACEMENT_SHARE = 0.12
"""Error of a displacement before its first calibration, as a share (judgement)."""

# Asked of its enum, a member takes 0.1 us each time.
_METER, _STROKES = VolumeSource.METER, VolumeSource.STROKES
_CONTAINERS, _NONE = VolumeSource.CONTAINERS, VolumeSource.NONE


@record(frozen=True, slots=True)
class FilteredVolume:
    """Syrup through the press since the run began; null is unknown. Units: L, L/min."""

    source: VolumeSource
    filtered_l: float | None
    uncertainty_l: float | None
    flow_l_min: float | None


@record(frozen=True, slots=True)
class VolumeTally:
    """Running sums from which the volume is read."""

    source: VolumeSource = _NONE
    metered_l: float = 0.0
    stroked_l: float = 0.0
    bridged_l: float = 0.0
    containers_l: float = 0.0
    strokes: int = 0
    since_stroke_s: float = 0.0
    silent_s: float = 0.0
    """Since a meter or the strokes last spoke."""
    recent_l: float = 0.0
    recent_s: float = 0.0
    """Volume and time of the recent past, fading: their ratio is the flow."""
    since_container_s: float = 0.0

    @property
    def filtered_l(self) -> float | None:
        """Volume by the best source, null without one [L]."""
        if self.source is _NONE:
            return None
        if self.source is _CONTAINERS:
            return self.containers_l
        return self.metered_l + self.stroked_l + self.bridged_l

    @property
    def flow_l_min(self) -> float | None:
        """Flow of the recent past, null while it is unknown [L/min]."""
        if self.source is _NONE or self.recent_s <= 0.0:
            return None
        if self.source is _STROKES and self._still:
            return 0.0
        return 60.0 * self.recent_l / self.recent_s

    @property
    def _still(self) -> bool:
        if self.since_stroke_s < NO_STROKE_S:
            return False
        expected_s = self.recent_s / max(self.recent_l, 1e-9) * self.stroked_l / max(self.strokes, 1)
        return self.since_stroke_s >= NO_STROKE_PERIODS * expected_s


def countable(pump: Pump) -> bool:
    """Return whether strokes of ``pump`` tell a volume: it has strokes and a displacement."""
    return pump.kind in STROKE_SHARE and pump.displacement_l is not None and pump.displacement_l > 0.0


def tally(before: VolumeTally, second: Second, *, step_s: float, rules: RunRules) -> VolumeTally:
    """Return ``before`` with ``second``, which lasted ``step_s``, added."""
    flow_l_min = known(second.flow_l_min)
    strokes = _plausible(second.strokes, step_s=step_s)
    containers_l = max(before.containers_l, known(second.containers_l) or 0.0)
    source = before.source
    metered_l = stroked_l = bridged_l = 0.0
    silent_s = before.silent_s
    spoke_s = min(step_s, 1.0)
    if flow_l_min is not None and flow_l_min >= 0.0:
        source, metered_l = _METER, flow_l_min * spoke_s / 60.0
    elif strokes is not None and countable(rules.pump):
        source = _STROKES
        stroked_l = strokes * (rules.pump.displacement_l or 0.0)
    elif source in (_METER, _STROKES):
        spoke_s = 0.0
    elif containers_l > 0.0:
        source = _CONTAINERS
        spoke_s = 0.0
    if spoke_s < step_s and source in (_METER, _STROKES):
        bridged_l, silent_s = _bridge(before, gap_s=step_s - spoke_s, second=second)
    if spoke_s > 0.0:
        silent_s = 0.0
    moved_l = metered_l + stroked_l
    recent_l, recent_s, since_container_s = before.recent_l, before.recent_s, before.since_container_s
    if source is _CONTAINERS:
        since_container_s += step_s
        filled_l = containers_l - before.containers_l
        if filled_l > 0.0:
            recent_l, recent_s, since_container_s = filled_l, since_container_s, 0.0
    elif spoke_s > 0.0:
        fade = math.exp(-spoke_s / FLOW_MEMORY_S)
        recent_l, recent_s = recent_l * fade + moved_l, recent_s * fade + spoke_s
    return VolumeTally(
        source,
        before.metered_l + metered_l,
        before.stroked_l + stroked_l,
        before.bridged_l + bridged_l,
        containers_l,
        before.strokes + (strokes or 0),
        _since_stroke(before, strokes, step_s),
        silent_s,
        recent_l,
        recent_s,
        since_container_s,
    )


def filtered(now: VolumeTally, *, rules: RunRules) -> FilteredVolume:
    """Return the volume and flow that ``now`` supports."""
    return FilteredVolume(now.source, now.filtered_l, uncertainty_l(now, rules=rules), now.flow_l_min)


def uncertainty_l(now: VolumeTally, *, rules: RunRules) -> float | None:
    """Return the error of the volume of ``now`` [L], null where there is no volume."""
    filtered_l = now.filtered_l
    if filtered_l is None:
        return None
    stroke_l = rules.pump.displacement_l or 0.0
    errors_l: tuple[float, ...] = (
        METER_SHARE * now.metered_l,
        STROKE_SHARE.get(rules.pump.kind, 0.0) * now.stroked_l,
        BRIDGED_SHARE * now.bridged_l,
        stroke_l if now.source is _STROKES else 0.0,
    )
    if now.source is _CONTAINERS:
        flow_l_s = now.recent_l / now.recent_s if now.recent_s > 0.0 else 0.0
        # What left the press since the last tap is not tapped in yet.
        errors_l = (CONTAINER_SHARE * filtered_l, flow_l_s * min(now.since_container_s, BRIDGED_S))
    return math.hypot(*errors_l)


def calibrated_displacement(counted: int, *, total_l: float, displacement_l: float | None) -> float | None:
    """Return litres a stroke after a run of ``counted`` strokes whose true total is ``total_l``.

    The new figure weighs the run against ``displacement_l`` by their errors (a product of two
    normal densities of the logarithm); null where the run cannot tell: too few strokes, or a
    total that would change the figure beyond belief.

    >>> round(calibrated_displacement(1000, total_l=70.0, displacement_l=0.070), 4)
    0.07
    >>> calibrated_displacement(10, total_l=0.7, displacement_l=0.07) is None
    True
    """
    if counted < LEAST_CALIBRATING_STROKES or not math.isfinite(total_l) or total_l <= 0.0:
        return None
    by_run_l = total_l / counted
    if displacement_l is None or displacement_l <= 0.0:
        return by_run_l
    change = math.log(by_run_l / displacement_l)
    if abs(change) > math.log(CALIBRATION_FACTOR):
        return None
    trust = KNOWN_DISPLACEMENT_SHARE**2 / (KNOWN_DISPLACEMENT_SHARE**2 + TOTAL_SHARE**2)
    return displacement_l * math.exp(trust * change)


def _since_stroke(before: VolumeTally, strokes: int | None, step_s: float) -> float:
    # A second in which nobody counted says nothing of the pump.
    if strokes is None:
        return before.since_stroke_s
    return 0.0 if strokes else before.since_stroke_s + step_s


def _plausible(strokes: int | None, *, step_s: float) -> int | None:
    if strokes is None or not 0 <= strokes <= MOST_STROKES_A_SECOND * max(step_s, 1.0):
        return None
    return strokes


def _bridge(before: VolumeTally, *, gap_s: float, second: Second) -> tuple[float, float]:
    """Return the volume of an unseen ``gap_s`` and the silence so far."""
    silent_s = before.silent_s + gap_s
    line_kpa = known(second.line_kpa)
    pushed = line_kpa is None or line_kpa >= PRESSURE_ON_KPA
    bridged_s = max(0.0, min(silent_s, BRIDGED_S) - min(before.silent_s, BRIDGED_S))
    flow_l_min = before.flow_l_min
    if not pushed or flow_l_min is None:
        return 0.0, silent_s
    return flow_l_min * bridged_s / 60.0, silent_s
