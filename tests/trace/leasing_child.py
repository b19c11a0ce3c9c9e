"""A monitor that claims presses and writes them: run by tests that kill, stop and wake it.

``leasing_child.py URL NAME PRESS...``: claims what is free every half second, keeps a row of each press
it holds ten times a second, and says ``took PRESS``, ``lost PRESS`` and ``kept COUNT`` of all rows that
are safe. The rows carry its process number as their volume.
"""

from __future__ import annotations

import os
import sys
import time

from monitor.contract.errors import StoreError
from monitor.contract.names import Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.run.effects import RowDue
from monitor.run.row import TraceRow
from monitor.trace.store import PressWriter, TraceWriter


def row(second: int) -> TraceRow:
    return TraceRow(
        boot="boot-a", mono_s=float(second), time=None, clock=ClockState.UNSET, elapsed_s=None,
        outlet_c=80.0, outlet_standing=Standing.GOOD, line_kpa=310.0, line_high_kpa=320.0,
        line_standing=Standing.GOOD, strokes=1, flow_l_min=None, volume_l=float(os.getpid()), pan_c=None,
        filler_c=None, phase=Phase.BOTTLING, flags=(),
    )  # fmt: skip


def say(words: str) -> None:
    print(words, flush=True)  # noqa: T201 - how the test hears of it


def main(url: str, name: str, presses: list[str]) -> None:
    held: dict[str, PressWriter] = {}

    def lost(press: str) -> None:
        held.pop(press, None)
        say(f"lost {press}")

    writer = TraceWriter(url, software="0.1.0", holder=name, press_lost=lost)
    writer.open()
    claimed_s, kept = float("-inf"), 0
    while True:
        if time.monotonic() - claimed_s > 0.5:
            claimed_s = time.monotonic()
            try:
                for press in sorted(writer.leases.claim(presses)):
                    held[press] = writer.press(press)
                    say(f"took {press}")
            except StoreError as error:
                say(f"failed {error}")
        for press in list(held.values()):
            press.keep_effect(RowDue(row(kept)))
            kept += 1
        if kept % 10 == 0 and held:
            writer.flush()
            if writer.problem is None:
                say(f"kept {kept}")
        time.sleep(0.1)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], sys.argv[3:])
