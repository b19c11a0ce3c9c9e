"""What the monitor holds of each point: the last reading, its age, and its standing.

Age is judged on the monitor's own monotonic time. A reading from the same boot carries the
moment of measurement; from another boot only its arrival counts. The broker is never asked.
"""

from __future__ import annotations

from monitor.contract.readings import Point, Quality, Reading, data_sheet_tolerance_c
from monitor.contract.record import record
from monitor.contract.status import Standing
from monitor.rules.guard import Bounds
from monitor.rules.smoothing import Recent, corrected
from monitor.rules.thresholds import PointTuning

OLDEST_S = 5.0
"""No reading older than this is fresh [s] (requirement)."""
INTERVALS = 3
"""Nor one older than this many sample intervals (requirement)."""
SHORTEST_INTERVAL_S = 0.5
"""A burst after a delay does not shorten the expected interval below this [s]."""
TEMPERATURE_POINTS = frozenset({Point.OUTLET, Point.PAN, Point.FILLER})
_FRESH = {quality: Standing(quality.value) for quality in Quality}
"""How a fresh reading of each quality stands."""
# Asked of its enum, a member takes 0.1 us each time.
_GOOD, _STALE, _QUALITY_GOOD = Standing.GOOD, Standing.STALE, Quality.GOOD


@record(frozen=True, slots=True, kw_only=True)
class PointTrack:
    """The last reading of a point and what is needed to judge the next."""

    reading: Reading
    taken_s: float
    """Moment of measurement in engine time [s]."""
    interval_s: float = 1.0
    recent: Recent = Recent()
    slope_per_s: float | None = None

    def age_s(self, now_s: float) -> float:
        """Return the age of the reading at ``now_s`` [s]."""
        return max(0.0, now_s - self.taken_s)

    def standing(self, now_s: float) -> Standing:
        """Return how the point stands at ``now_s``."""
        age_s = now_s - self.taken_s
        if age_s > OLDEST_S or age_s > INTERVALS * self.interval_s:
            return _STALE
        return _FRESH[self.reading.quality]


def is_newer(reading: Reading, *, than: PointTrack | None) -> bool:
    """Tell whether ``reading`` was measured after the one held; a redelivered one was not."""
    if than is None or reading.boot != than.reading.boot:
        return True
    return reading.mono_ms > than.reading.mono_ms


def hear(track: PointTrack | None, reading: Reading, *, now_s: float, taken_s: float) -> PointTrack:
    """Return the track after ``reading``, measured at ``taken_s`` and heard at ``now_s``."""
    if taken_s > now_s:
        taken_s = now_s
    recent = track.recent if track else Recent()
    interval_s = track.interval_s if track else 1.0
    if track is not None and taken_s > track.taken_s:
        longest_s = OLDEST_S / INTERVALS
        seen_s = min(max(taken_s - track.taken_s, SHORTEST_INTERVAL_S), longest_s)
        interval_s += 0.2 * (seen_s - interval_s)
    if reading.value is None or reading.quality is not _QUALITY_GOOD:
        return PointTrack(reading=reading, taken_s=taken_s, interval_s=interval_s)
    recent = recent.add(reading.value, at_s=taken_s)
    return PointTrack(
        reading=reading, taken_s=taken_s, interval_s=interval_s, recent=recent, slope_per_s=recent.slope_per_s
    )


def bounds(track: PointTrack | None, *, point: Point, now_s: float, tuning: PointTuning) -> Bounds | None:
    """Return what the point surely is at ``now_s``; null unless it is good and fresh."""
    if track is None or track.standing(now_s) is not _GOOD:
        return None
    reading = track.reading
    value = reading.value
    if value is None:
        return None
    return Bounds(
        value=value,
        corrected=corrected(value, slope_per_s=track.slope_per_s, time_constant_s=tuning.time_constant_s),
        tolerance=tolerance(reading, point=point, tuning=tuning),
    )


def tolerance(reading: Reading, *, point: Point, tuning: PointTuning) -> float:
    """Return the error of ``reading``: the owner's, else its own, else the data sheet's."""
    if tuning.tolerance is not None:
        return tuning.tolerance
    if reading.tolerance is not None:
        return reading.tolerance
    if point in TEMPERATURE_POINTS and reading.value is not None:
        return data_sheet_tolerance_c(reading.value)
    return 0.0
