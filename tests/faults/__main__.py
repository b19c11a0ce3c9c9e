"""Injects the faults and prints the table: ``python -m tests.faults --counts long``.

Needs root (a small disk is mounted), mosquitto, strace and faketime. Everything stays on the
loopback and stops by itself.
"""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from math import nan
from pathlib import Path

from tests.faults.counts import CHOICES, Counts
from tests.faults.families import TRIALS, Trial
from tests.faults.metric import Metric, table


def main() -> int:
    """Run the chosen trials; return 1 if a limit was passed."""
    options = argparse.ArgumentParser(prog="python -m tests.faults", description=__doc__)
    options.add_argument("--counts", choices=[*CHOICES], default="short")
    options.add_argument("--only", choices=[*TRIALS], action="append", help="may be given several times")
    options.add_argument(
        "--keep",
        type=Path,
        help="folder to leave logs and files in; those of a family that fails are left anyway",
    )
    chosen = options.parse_args()
    _say(f"{chosen.counts} form, {datetime.now(UTC):%Y-%m-%d}, {os.cpu_count()} cores, "
         f"Python {platform.python_version()}, {platform.system()} {platform.machine()}")  # fmt: skip
    metrics = list(_run(chosen.only or [*TRIALS], CHOICES[chosen.counts], keep=chosen.keep))
    _say(f"\n{table(sorted(metrics, key=lambda metric: metric.family))}")
    failed = sum(not metric.holds for metric in metrics)
    _say(f"{len(metrics)} limits, {failed} passed over")
    return 1 if failed else 0


def _run(names: list[str], counts: Counts, *, keep: Path | None) -> Iterator[Metric]:
    for name in names:
        began_s = time.monotonic()
        directory = (keep or Path(tempfile.mkdtemp(prefix="faults-"))) / name.replace(" ", "-")
        directory.mkdir(parents=True)
        metrics = list(_tried(name, TRIALS[name], counts, directory))
        if keep is None and all(metric.holds for metric in metrics):
            shutil.rmtree(directory.parent)
        else:
            _say(f"\nits logs and files are left in {directory}")
        # At once: a long form that is stopped has still shown what it knows.
        _say(f"\n{name}, {time.monotonic() - began_s:.0f} s\n{table(metrics)}")
        yield from metrics


def _tried(name: str, trial: Trial, counts: Counts, directory: Path) -> Iterator[Metric]:
    """Give the metrics of a trial; one that breaks off gives a line that fails."""
    try:
        yield from trial(counts, directory)
    except (KeyboardInterrupt, GeneratorExit):
        raise
    # pytest's own failures, which the processes' harness raises, are no Exception.
    except BaseException as error:
        lines = str(error).strip().splitlines() or [""]
        yield Metric(
            family=0,
            what=f"{name} broke off: {type(error).__name__}: {lines[0][:120]}",
            measured=nan,
            limit=0,
        )


def _say(text: str) -> None:
    sys.stdout.write(f"{text}\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
