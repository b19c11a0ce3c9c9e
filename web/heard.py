"""The newest status of a press as this page heard it, and whether it may count as live."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.names import Flag
from monitor.contract.readings import Point
from monitor.contract.status import PointStatus, RunStatus, Standing

SILENT_S = 5.0
"""A status older than this is not live [s]; the monitor publishes every second (requirement)."""
FRESH_S = 5.0
"""No reading older than this supports "ready to bottle" [s] (requirement)."""
ABSENT = PointStatus(standing=Standing.ABSENT)


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """``status`` and the time since one with a new sequence number arrived [s].

    ``live`` is false for a copy the broker kept from earlier and for one that is too old:
    such a status is never shown as current.
    """

    status: RunStatus
    age_s: float
    live: bool

    def point(self, point: Point) -> PointStatus:
        """Return how ``point`` stands, absent if the status does not name it."""
        return self.status.points.get(point, ABSENT)

    def point_age_s(self, point: Point) -> float | None:
        """Return the age of the reading of ``point`` now [s]."""
        age_s = self.point(point).age_s
        return None if age_s is None else age_s + self.age_s

    def fresh(self, point: Point) -> bool:
        """Tell whether ``point`` is good and young enough to act on."""
        status, age_s = self.point(point), self.point_age_s(point)
        good = status.standing is Standing.GOOD and status.value is not None
        return self.live and good and age_s is not None and age_s <= FRESH_S

    @property
    def flags(self) -> dict[Flag, float]:
        """Raised flags and for how long each has been [s]; ready only while it is believed."""
        flags = {flag.name: flag.for_s for flag in self.status.flags}
        if not self._ready(flags):
            flags.pop(Flag.READY_TO_BOTTLE, None)
        return flags

    @property
    def ready(self) -> bool:
        """Ready to bottle: raised by the monitor, uncontradicted, live, on fresh readings."""
        return self._ready({flag.name: flag.for_s for flag in self.status.flags})

    def _ready(self, flags: dict[Flag, float]) -> bool:
        return (
            Flag.READY_TO_BOTTLE in flags
            and not {Flag.STILL_RECIRCULATING, Flag.UNKNOWN, Flag.OVER_PRECIPITATION} & flags.keys()
            and self.status.run is not None
            and self.fresh(Point.OUTLET)
            and self.fresh(Point.LINE)
        )
