"""A monitor that only writes: run by tests that kill it. Says after each flush what is safe.

``writing_child.py URL [COUNT]``: without a count it writes until it is killed. It goes on from
what the file already holds.
"""

from __future__ import annotations

import itertools
import sys

from monitor.contract.names import Phase
from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode
from monitor.contract.status import Standing
from monitor.run.effects import RowDue, RunOpened
from monitor.run.row import TraceRow
from monitor.trace.store import TraceReader, TraceWriter


def row(second: int) -> TraceRow:
    return TraceRow(
        boot="boot-a", mono_s=float(second), time=None, clock=ClockState.UNSET, elapsed_s=float(second),
        outlet_c=80.0, outlet_standing=Standing.GOOD, line_kpa=310.0, line_high_kpa=320.0,
        line_standing=Standing.GOOD, strokes=1, flow_l_min=None, volume_l=None, pan_c=None, filler_c=None,
        phase=Phase.BOTTLING, flags=(),
    )  # fmt: skip


def reading(seq: int) -> Reading:
    return Reading(
        seq=seq, boot="boot-a", mono_ms=1000 * seq, clock=ClockState.UNSET, value=80.0, unit=UnitCode.CELSIUS,
        quality=Quality.GOOD,
    )  # fmt: skip


def main(url: str, count: int | None = None) -> None:
    writer = TraceWriter(url, software="0.1.0")
    press = writer.press("main")
    writer.open()
    press.keep_effect(RunOpened(
        run="run-1", boot="boot-a", started_mono_s=0.0, started=None, clock=ClockState.UNSET, by="test"
    ))  # fmt: skip
    writer.flush()
    first = sum(1 for _ in TraceReader(url).rows("run-1"))
    for second in itertools.count(first):
        if second == count:
            break
        press.keep_reading(Point.OUTLET, reading(second), arrived_mono_s=float(second))
        press.keep_effect(RowDue(row(second)))
        press.keep_snapshot(str(second).encode())
        if second % 3 == 2:
            writer.flush()
            # In one piece, also where Python does not gather its output: half a number is another number.
            sys.stdout.write(f"{second + 1}\n")
            sys.stdout.flush()
    writer.close()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else None)
