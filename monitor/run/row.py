"""One second of a run as the monitor saw it: the row of the trace."""

from __future__ import annotations

from datetime import datetime

from monitor.contract.names import Flag, Phase
from monitor.contract.readings import ClockState
from monitor.contract.record import record
from monitor.contract.status import Standing


@record(frozen=True, slots=True, kw_only=True)
class TraceRow:
    """What was known at ``mono_s``; null is unknown. Units: degC, kPa, L/min, L.

    ``elapsed_s`` counts from the start of the run and is null outside one.
    """

    boot: str
    mono_s: float
    time: datetime | None
    clock: ClockState
    elapsed_s: float | None
    outlet_c: float | None
    outlet_standing: Standing
    line_kpa: float | None
    line_high_kpa: float | None
    line_standing: Standing
    strokes: int | None
    flow_l_min: float | None
    volume_l: float | None
    pan_c: float | None
    filler_c: float | None
    phase: Phase
    flags: tuple[Flag, ...]
