"""Whether syrup flows: pressure on the line, and strokes where they can be counted."""

from __future__ import annotations

from dataclasses import replace

from monitor.contract.record import record

PRESSURE_ON_KPA = 34.47
"""Line pressure from which the pump counts as feeding [kPa]: 5 psi (requirement)."""
PRESSURE_OFF_KPA = 20.68
"""Line pressure under which it counts as gone [kPa]: 3 psi, a dead band of 2 psi."""
NO_STROKE_S = 30.0
"""Shortest time without a stroke that means no flow [s] (requirement)."""
NO_STROKE_PERIODS = 3.0
"""And this many expected strokes must have failed to come (requirement)."""
METER_OFF_L_MIN = 0.05
"""A meter under this sees no flow [L/min]: below the start flow of small meters."""


@record(frozen=True, slots=True, kw_only=True)
class FlowTrack:
    """What the line last showed of the pump; times in engine seconds, null before the first."""

    pressure_on: bool = False
    pressure_since_s: float | None = None
    """When the line last came on."""
    pressure_gone_s: float | None = None
    """When it last went."""
    last_stroke_s: float | None = None
    period_s: float | None = None
    """Expected time between strokes, smoothed."""
    meter_l_min: float | None = None

    def with_line(self, pressure_kpa: float, *, strokes: int | None, at_s: float) -> FlowTrack:
        """Return the track after one second of line pressure and the strokes in it."""
        track = self
        on = pressure_kpa >= (PRESSURE_OFF_KPA if self.pressure_on else PRESSURE_ON_KPA)
        if on and not self.pressure_on:
            track = replace(track, pressure_on=True, pressure_since_s=at_s)
        elif not on and self.pressure_on:
            track = replace(track, pressure_on=False, pressure_gone_s=at_s, last_stroke_s=None, period_s=None)
        return track._with_strokes(strokes, at_s=at_s) if strokes else track

    def _with_strokes(self, strokes: int, *, at_s: float) -> FlowTrack:
        period_s = self.period_s
        if self.last_stroke_s is not None and at_s > self.last_stroke_s:
            seen_s = (at_s - self.last_stroke_s) / strokes
            period_s = seen_s if period_s is None else period_s + 0.2 * (seen_s - period_s)
        return FlowTrack(
            pressure_on=self.pressure_on,
            pressure_since_s=self.pressure_since_s,
            pressure_gone_s=self.pressure_gone_s,
            last_stroke_s=at_s,
            period_s=period_s,
            meter_l_min=self.meter_l_min,
        )

    def strokes_missing(self, now_s: float) -> bool:
        """Tell whether strokes came before and have stopped."""
        if self.last_stroke_s is None or self.period_s is None:
            return False
        waited_s = now_s - self.last_stroke_s
        return waited_s >= NO_STROKE_S and waited_s >= NO_STROKE_PERIODS * self.period_s

    def flowing(self, now_s: float) -> bool:
        """Tell whether syrup moves at ``now_s``, as far as the line shows."""
        if not self.pressure_on or self.strokes_missing(now_s):
            return False
        return self.meter_l_min is None or self.meter_l_min >= METER_OFF_L_MIN
