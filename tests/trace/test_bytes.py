"""What a second of a run costs the card. Bytes are no timing: a machine's load does not change them.

``/proc/PID/io`` (proc(5)): ``wchar`` is what the process handed to write calls, whatever lies beneath;
``write_bytes`` is what it caused to be sent to the storage layer, in whole blocks and with the file
system's own notes, and stays zero where the folder lies in memory.
"""

from __future__ import annotations

import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from typing import Any

from tests.trace.test_retention import MONTH, SPRING, Season

CHILD = """
import sys
from pathlib import Path
from tests.trace.conftest import NOON, Bench
from monitor.contract.readings import Point, UnitCode
from monitor.run.effects import RowDue

folder, seconds = Path(sys.argv[1]), int(sys.argv[2])
bench = Bench(folder)
writer = bench.opened()
writer.keep_effect(bench.run_opened())
writer.flush()

def counted(name):
    return int(Path("/proc/self/io").read_text().split(f"{name}: ")[-1].split()[0])

before = counted("wchar"), counted("\\nwrite_bytes")
for second in range(seconds):
    for number, point in enumerate((Point.OUTLET, Point.LINE, Point.PAN, Point.FILLER)):
        line = {"value": 310.25, "unit": UnitCode.KILOPASCAL, "low": 300.5, "high": 322.25, "strokes": 1,
                "strokes_per_min": 48.5, "stroke_regularity": 0.9, "stroke_confidence": 0.875}
        reading = bench.reading(second, mono_ms=1_000_000 + 1000 * second + number,
                                **(line if point is Point.LINE else {}))
        writer.keep_reading(point, reading, arrived_mono_s=1000.0 + second)
    writer.keep_effect(RowDue(bench.row(mono_s=1000.0 + second, elapsed_s=float(second))))
    if second % 30 == 0:
        writer.keep_snapshot(b"s" * 6000)
    writer.flush()
print(counted("wchar") - before[0], counted("\\nwrite_bytes") - before[1])
writer.close()
"""
SECONDS = 1500
HOUR_S = 3600.0
LIMIT_MB_H = 50.0
"""What an hour of run may write, as the kernel counts it."""
CALLS_LIMIT_MB_H = 30.0
"""What an hour may hand to write calls; 21 were measured, so that nobody doubles them unseen."""


def test_a_second_of_a_run_writes_no_more_than_a_card_can_bear(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-c", CHILD, str(tmp_path), str(SECONDS)],
        check=True,
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
    )
    calls, stored = (int(word) / 1e6 * HOUR_S / SECONDS for word in done.stdout.split())
    assert (tmp_path / "trace.db").stat().st_size > 500 * SECONDS
    assert 5.0 < calls < CALLS_LIMIT_MB_H
    assert stored < LIMIT_MB_H


def test_the_file_stops_growing_once_old_seconds_go(bench: Any) -> None:
    season, sizes = Season(bench), []
    for ten_days in range(9):
        start = SPRING + timedelta(days=10 * ten_days)
        season.hours(f"boot-{ten_days}", from_time=start, hours=240)
        season.tend(MONTH)
        sizes.append(bench.path.stat().st_size)
        season.writer.open()
    assert sizes[3] > 1.5 * sizes[0]
    assert sizes[-1] <= 1.1 * sizes[3]
    assert bench.is_whole()
