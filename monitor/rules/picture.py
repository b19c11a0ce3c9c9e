"""Everything the rules look at in one moment, gathered once a step."""

from __future__ import annotations

from monitor.contract.names import Flag, Limit
from monitor.contract.record import record
from monitor.rules.guard import Bounds


@record(frozen=True, slots=True, kw_only=True)
class Picture:
    """The press at ``now_s`` (engine time). Null is unknown: not good, or not fresh."""

    now_s: float
    run_open: bool
    outlet: Bounds | None
    line_kpa: float | None
    line_most_kpa: float | None
    """Mean line pressure plus its error."""
    line_peak_kpa: float | None
    """Peak of the pulsation."""
    filler: Bounds | None
    filler_fitted: bool
    bottled: bool
    """Ready to bottle has been raised in this run."""
    flowing: bool
    time_left_s: float | None
    limit: Limit
    signatures: frozenset[Flag]
    stir_due: bool
    recording: bool

    @property
    def inputs_good(self) -> bool:
        """Outlet and line are both good and fresh."""
        return self.outlet is not None and self.line_kpa is not None
