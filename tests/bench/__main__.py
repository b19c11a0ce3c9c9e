"""All benches as one table: ``python -m tests.bench [--only NAME]... [--json FILE]``.

Each line is one figure of ours beside the bare way of doing the same, measured in the same run. Times
are of the machine in the head, with the load it had; the ratios carry over. Exit status 1 when a limit
is broken.
"""

from __future__ import annotations

import argparse
import importlib
import json
import os
import sys
from pathlib import Path

from tests.bench.table import Row, lines, machine

BENCHES = (
    "hop",
    "page",
    "footprint",
    "engine",
    "records",
    "store",
    "many_presses",
    "starting",
    "page_weight",
    "strokes",
    "forecast",
)
"""Modules of this folder, each with ``rows() -> Iterable[Row]``."""


def main() -> int:
    """Measure, print the table, keep it where asked; return the exit status."""
    options = argparse.ArgumentParser(prog="python -m tests.bench", description=__doc__)
    options.add_argument("--only", action="append", choices=BENCHES, metavar="NAME", help=", ".join(BENCHES))
    options.add_argument("--json", type=Path, metavar="FILE", help="keep the figures there")
    chosen = options.parse_args()
    head = machine()
    for name, value in head.items():
        say(f"{name}: {value}")
    say("")
    measured: dict[str, list[Row]] = {}
    for name in chosen.only or BENCHES:
        sys.stderr.write(f"measuring {name} ...\n")
        measured[name] = list(importlib.import_module(f"tests.bench.{name}").rows())
    head["load average at the end"] = " ".join(f"{load:.2f}" for load in os.getloadavg())
    every = [row for rows in measured.values() for row in rows]
    for line in lines(every):
        say(line)
    say(f"\nload average at the end: {head['load average at the end']}")
    if chosen.json:
        kept = {**head, "rows": {name: [row.record() for row in rows] for name, rows in measured.items()}}
        chosen.json.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
    return int(any(row.kept is False for row in every))


def say(line: str) -> None:
    """Write one line."""
    sys.stdout.write(line + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    raise SystemExit(main())
