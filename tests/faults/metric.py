"""One line of the table: what was measured, and the limit it is held to."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

FAMILIES = {
    1: "kill -9 of a service",
    2: "power cut, log torn",
    3: "a write fails",
    4: "disk full",
    5: "broker killed",
    6: "sensor faults",
    7: "clock steps",
    8: "message flood",
    9: "damaged database",
    10: "stalled page readers",
    11: "reconnects",
    12: "a season of runs",
    13: "fuzzed payloads and requests",
    14: "frozen engine",
    15: "export of a long run",
    17: "people's mistakes",
}
"""The numbers of the requirements; 16, latency, is measured in tests/bench, and 17 is ours."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Metric:
    """``measured`` must not pass ``limit``, or not fall under it where ``at_least`` is set."""

    family: int
    what: str
    measured: float
    limit: float
    unit: str = ""
    at_least: bool = False

    @property
    def holds(self) -> bool:
        """Whether the limit is kept; a measurement that never came keeps none."""
        if math.isnan(self.measured):
            return False
        return self.measured >= self.limit if self.at_least else self.measured <= self.limit

    @property
    def cells(self) -> tuple[str, ...]:
        """The metric as the cells of a table's row."""
        sign = ">=" if self.at_least else "<="
        limit = f"{self.limit:g}" if self.limit == 0 and not self.at_least else f"{sign} {self.limit:g}"
        return (
            str(self.family),
            self.what,
            f"{_figure(self.measured)} {self.unit}".strip(),
            f"{limit} {self.unit}".strip(),
            "holds" if self.holds else "FAILS",
        )


HEADS = ("family", "metric", "measured", "limit", "verdict")


def table(metrics: Iterable[Metric]) -> str:
    """Return ``metrics`` as a table in Markdown, columns padded for a terminal too."""
    rows = [HEADS, *(metric.cells for metric in metrics)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADS))]
    lines = [
        "| " + " | ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)) + " |" for row in rows
    ]
    lines.insert(1, "|" + "|".join("-" * (width + 2) for width in widths) + "|")
    return "\n".join(lines)


def tail(values: Iterable[float], *, share: float = 0.99) -> float:
    """Return the value that ``share`` of ``values`` do not pass (nearest rank); NaN of none.

    >>> tail([3.0, 1.0, 2.0])
    3.0
    """
    ordered = sorted(values)
    return ordered[math.ceil(share * len(ordered)) - 1] if ordered else math.nan


def _figure(number: float) -> str:
    return f"{number:.3g}" if abs(number) < 100 else f"{number:.0f}"
