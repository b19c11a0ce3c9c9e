"""The rows that every bench gives, and the table they make: ours, the bare way, the ratio, the limit."""

from __future__ import annotations

import os
import platform
import shutil
import sqlite3
import statistics
import subprocess
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path

LIBRARIES = ("niterwatch", "aiomqtt", "fastapi", "uvicorn", "pydantic", "sqlalchemy", "numpy")
PROGRAMS = (("mosquitto", "-h"), ("chromium", "--version"))
"""Programs whose version counts, and how each is asked for it."""
COLUMNS = ("what", "measured", "bare", "ratio", "limit", "verdict")


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One figure. ``limit`` is in its unit, worked out from the bare figure where it is a ratio."""

    what: str
    measured: float
    unit: str
    bare: float | None = None
    """The same, in the same unit, done with nothing of ours, in the same run."""
    bare_way: str = ""
    limit: float | None = None
    limit_words: str = ""
    """How the limit came about, where that is more than its number."""
    at_least: bool = False
    """The figure is to be over the limit, not under it."""

    @property
    def ratio(self) -> float | None:
        """How many times the bare way's cost ours is."""
        if not self.bare or not self.measured:
            return None
        return self.bare / self.measured if self.at_least else self.measured / self.bare

    @property
    def kept(self) -> bool | None:
        """Whether the limit is kept; null where there is none."""
        if self.limit is None:
            return None
        return self.measured >= self.limit if self.at_least else self.measured <= self.limit

    def cells(self) -> tuple[str, ...]:
        """Return what the table shows."""
        verdict = {None: "", True: "kept", False: "BROKEN"}[self.kept]
        bare = "" if self.bare is None else f"{shown(self.bare)} {self.unit}"
        limit = ""
        if self.limit is not None:
            sign = ">=" if self.at_least else "<="
            words = f" ({self.limit_words})" if self.limit_words else ""
            limit = f"{sign} {shown(self.limit)} {self.unit}{words}"
        return (
            self.what,
            f"{shown(self.measured)} {self.unit}",
            f"{bare} ({self.bare_way})" if bare and self.bare_way else bare,
            "" if self.ratio is None else f"{shown(self.ratio)}x",
            limit,
            verdict,
        )

    def record(self) -> dict[str, object]:
        """Return the row for a JSON file."""
        return {**asdict(self), "ratio": self.ratio, "kept": self.kept}


def shown(value: float) -> str:
    """Return ``value`` with three figures.

    >>> shown(0.01234), shown(21.55), shown(12345.6)
    ('0.0123', '21.6', '12,346')
    """
    return f"{value:,.0f}" if abs(value) >= 100 else f"{value:#.3g}".rstrip(".")


def lines(rows: Iterable[Row]) -> Iterator[str]:
    """Give the table's lines."""
    cells = [COLUMNS, *(row.cells() for row in rows)]
    widths = [max(len(row[column]) for row in cells) for column in range(len(COLUMNS))]
    for index, row in enumerate(cells):
        yield "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        if index == 0:
            yield "  ".join("-" * width for width in widths)


def machine() -> dict[str, str]:
    """Return the machine's kind, what else it does, the date and the versions of what is measured."""
    memory_gib = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    return {
        "date": datetime.now(UTC).isoformat(timespec="minutes"),
        "machine": f"{platform.machine()}, {_processor()}, {os.cpu_count()} cores, {memory_gib:.0f} GiB",
        "load average": " ".join(f"{load:.2f}" for load in os.getloadavg()),
        "system": f"{platform.system()} {platform.release()}, Python {platform.python_version()}",
        "versions": ", ".join(
            [*(f"{name} {version(name)}" for name in LIBRARIES), f"SQLite {sqlite3.sqlite_version}"]
        ),
        "programs": ", ".join(found for name, ask in PROGRAMS if (found := _program(name, ask))),
    }


def _processor() -> str:
    try:
        text = Path("/proc/cpuinfo").read_text(encoding="utf-8")
    except OSError:
        return "unknown processor"
    names = [line.partition(":")[2].strip() for line in text.splitlines() if line.startswith("model name")]
    return names[0] if names else "unknown processor"


def _program(name: str, ask: str) -> str | None:
    program = shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/sbin")
    if program is None:
        return None
    said = subprocess.run([program, ask], capture_output=True, text=True, timeout=30, check=False).stdout
    return said.partition("\n")[0].strip() or name


def best_cpu_s(work: Callable[[], object], *, repeats: int = 5) -> float:
    """Return the least processor time of ``work`` [s]: what it needs, whatever else the machine does."""
    taken = []
    for _ in range(repeats):
        began_s = time.process_time()
        work()
        taken.append(time.process_time() - began_s)
    return min(taken)


def in_turns(*works: Callable[[], float], rounds: int) -> list[list[float]]:
    """Return what each of ``works`` gave, called in turns, so that a busy moment falls on all of them."""
    found: list[list[float]] = [[] for _ in works]
    for _ in range(rounds):
        for taken, work in zip(found, works, strict=True):
            taken.append(work())
    return found


def middle(values: Sequence[float]) -> float:
    """Return the median."""
    return statistics.median(values)
