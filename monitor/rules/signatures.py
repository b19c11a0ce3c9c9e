"""What the flow and the pressure together give away: torn paper, stalled pump, and their kin."""

from __future__ import annotations

from monitor.contract.names import Flag
from monitor.rules.forecast import ForecastState
from monitor.rules.thresholds import RunRules


def signatures(state: ForecastState, *, rules: RunRules) -> frozenset[Flag]:
    """Return the signatures that hold now."""
    return frozenset()
