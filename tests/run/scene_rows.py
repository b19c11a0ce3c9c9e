"""Rows and marks of an invented run, said in a line each."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

from monitor.contract.commands import MarkKind
from monitor.contract.events import Mark
from monitor.contract.names import Flag, Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.run.row import TraceRow

STARTED = datetime(2024, 3, 9, 15, 0, tzinfo=UTC)


def row(elapsed_s: float, **changed: object) -> TraceRow:
    """Return an ordinary second of bottling, at 85 degC and 300 kPa, with ``changed``."""
    plain = TraceRow(
        boot="b",
        mono_s=1000.0 + elapsed_s,
        time=STARTED + timedelta(seconds=elapsed_s),
        clock=ClockState.SYNCHRONISED,
        elapsed_s=elapsed_s,
        outlet_c=85.0,
        outlet_standing=Standing.GOOD,
        line_kpa=300.0,
        line_high_kpa=310.0,
        line_standing=Standing.GOOD,
        strokes=1,
        flow_l_min=3.6,
        volume_l=0.06 * elapsed_s,
        pan_c=None,
        filler_c=None,
        phase=Phase.BOTTLING,
        flags=(Flag.READY_TO_BOTTLE,),
    )
    return replace(plain, **changed)  # type: ignore[arg-type]


def filled(elapsed_s: float, *, volume_l: float = 3.785411784, seq: int = 1) -> Mark:
    """Return the mark of a filled container."""
    return Mark(
        press="main",
        run="r",
        seq=seq,
        boot="b",
        mono_ms=int(1000 * (1000 + elapsed_s)),
        clock=ClockState.SYNCHRONISED,
        elapsed_s=elapsed_s,
        name=MarkKind.CONTAINER_FILLED,
        who="filler",
        volume_l=volume_l,
    )
