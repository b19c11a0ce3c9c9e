"""What an hour of a run costs the card, as the kernel counts it, against bare sqlite3 with the same rows.

Run ``python -m tests.bench.bytes_written [MINUTES]`` (five unless told). The three services run on a
real mosquitto with faked kernel files for outlet, line, pan and filler, at the rates that they have by
default, a run open all the time. Counted is ``write_bytes`` of ``/proc/PID/io`` (proc(5)): what the
process caused to be sent to the storage layer, which a file system in memory does not count, so the
folder must lie on a disk. Then a bare writer writes the same rows into the same columns and indexes, with
as many commits. Leaves with status 1 when a limit below is broken.

What was measured stands in DEVELOPERS.md, "The store's care".
"""

from __future__ import annotations

import random
import sqlite3
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from hardware.kernel_files import ProbeFiles
from monitor.contract.names import Flag
from tests.faults.plant import Plant, deg_c, plant

MINUTES = 5.0
LIMIT_MB_H = 50.0
"""Megabytes (1e6 bytes) an hour of run that the store may write."""
RATIO_LIMIT = 1.0
"""How many times the bytes of a bare writer, which keeps no events and no state of the engine, and has
SQLite's usual pages."""
HOUR_S = 3600.0
SHOW_EVERY_S = 0.2
PAN, FILLER = "0000feed0002", "0000feed0003"
TABLES = ("reading", "moment")

BARE = """
import sqlite3, sys
store, target = sys.argv[1:]
old = sqlite3.connect(f"file:{store}?mode=ro", uri=True)
new = sqlite3.connect(target, isolation_level=None)
new.execute("PRAGMA journal_mode = WAL")
new.execute("PRAGMA synchronous = FULL")
for (sql,) in old.execute(
    "SELECT sql FROM sqlite_master WHERE tbl_name IN ('reading', 'moment') AND sql IS NOT NULL"
):
    new.execute(sql)
def rows(table, by):
    for row in old.execute(f"SELECT {by}, * FROM {table} ORDER BY id"):
        yield row[0], table, row[1:]
every = sorted([*rows("reading", "arrived_mono_s"), *rows("moment", "mono_s")], key=lambda row: row[0])
due, seconds = every[0][0] + 1.0, 0
new.execute("BEGIN IMMEDIATE")
for at, table, row in every:
    if at >= due:
        new.execute("COMMIT")
        new.execute("BEGIN IMMEDIATE")
        due, seconds = max(due + 1.0, at), seconds + 1
    new.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
new.execute("COMMIT")
written = open("/proc/self/io").read().split("write_bytes: ")[1].split()[0]
print(written, every[-1][0] - every[0][0])
"""
"""A process of its own, so that its count is of nothing else."""


def written_bytes(pid: int) -> int:
    """Return what a process has caused to be written to disks so far."""
    text = Path(f"/proc/{pid}/io").read_text()
    return int(text.split("\nwrite_bytes: ")[1].split()[0])


@contextmanager
def more_probes(press: Plant) -> Iterator[None]:
    """Keep a pan and a filler probe moving beside the outlet's."""
    stop, chance = threading.Event(), random.Random(0)  # noqa: S311 - noise
    probes = {
        195.0: ProbeFiles(press.tree.w1, sensor_id=PAN),
        183.0: ProbeFiles(press.tree.w1, sensor_id=FILLER),
    }

    def keep() -> None:
        while not stop.wait(SHOW_EVERY_S):
            for deg_f, probe in probes.items():
                probe.show(deg_c(deg_f) + chance.gauss(0.0, 0.04))

    thread = threading.Thread(target=keep, daemon=True)
    thread.start()
    try:
        yield
    finally:
        stop.set()
        thread.join()


def measured(folder: Path, *, minutes: float) -> tuple[dict[str, float], Path]:
    """Return MB an hour of each service, rows a second, and the store's file."""
    settings = {
        "point.outlet": {"sensor": "28-0000feed0001", "time_constant": "0 s", "tolerance": "0.1 degC"},
        "point.pan": {"sensor": f"28-{PAN}"},
        "point.filler": {"sensor": f"28-{FILLER}"},
    }
    with plant(folder, settings=settings) as press, more_probes(press):
        press.outlet_f = 184.0
        press.start()
        press.open_run()
        press.await_flag(Flag.READY_TO_BOTTLE)
        names = ("monitor", "hardware", "web")
        pids = {name: process.pid for name in names if (process := press.program(name).process)}
        before = {name: written_bytes(pid) for name, pid in pids.items()}
        rows_before, began_s = rows_in(press.services.database), time.monotonic()
        time.sleep(60.0 * minutes)
        took_s = time.monotonic() - began_s
        found = {
            name: (written_bytes(pid) - before[name]) / 1e6 * HOUR_S / took_s for name, pid in pids.items()
        }
        found["rows"] = (rows_in(press.services.database) - rows_before) / took_s
        press.program("monitor").stop()
        return found, press.services.database


def rows_in(store: Path) -> int:
    """Return how many readings and seconds the store holds."""
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as reader:
        counts = (reader.execute(f"SELECT count(*) FROM {table}") for table in TABLES)  # noqa: S608 - ours
        return sum(int(count.fetchone()[0]) for count in counts)


def bare_mb_h(store: Path, target: Path) -> float:
    """Return what the bare writer writes in an hour of the same rows [MB]."""
    done = subprocess.run(
        [sys.executable, "-c", BARE, str(store), str(target)], check=True, capture_output=True, text=True
    )
    written, seconds = done.stdout.split()
    return int(written) / 1e6 * HOUR_S / float(seconds)


def main(minutes: float = MINUTES) -> int:
    """Measure, print, and return the exit status."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        found, store = measured(folder, minutes=minutes)
        bare = bare_mb_h(store, folder / "bare.db")
    monitor = found["monitor"]
    say = sys.stdout.write
    say(f"rows kept         {found['rows']:8.1f} a second\n")
    say(f"monitor           {monitor:8.1f} MB an hour of run (limit {LIMIT_MB_H:g})\n")
    say(f"bare sqlite3      {bare:8.1f} MB an hour; the monitor {monitor / bare:.2f} times that")
    say(f" (limit {RATIO_LIMIT:g})\n")
    say(f"hardware          {found['hardware']:8.1f} MB an hour\n")
    say(f"web               {found['web']:8.1f} MB an hour\n")
    return int(monitor > LIMIT_MB_H or monitor / bare > RATIO_LIMIT)


if __name__ == "__main__":
    raise SystemExit(main(float(sys.argv[1]) if len(sys.argv) > 1 else MINUTES))
