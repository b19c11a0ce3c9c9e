"""A cake reading in words. Pure."""

from __future__ import annotations

from monitor.run.cake import CakeReading
from web.figures import Figures


def cake_lines(reading: CakeReading, *, figures: Figures) -> tuple[tuple[str, str], ...]:
    """Return what was seen, name and value; what was not looked at is left out."""
    words = figures.words
    lines: list[tuple[str, str]] = []
    if reading.thickness_m:
        lines.append(
            (words("cakes.thickness"), ", ".join(figures.length(value) for value in reading.thickness_m))
        )
    if reading.fill is not None:
        lines.append((words("cakes.fill"), figures.share(reading.fill)))
    if reading.amount is not None:
        lines.append((words("cakes.amount"), words(f"cakes.amount_{reading.amount}")))
    if reading.firmness is not None:
        lines.append((words("cakes.firmness"), words(f"cakes.firmness_{reading.firmness}")))
    if reading.colour is not None:
        lines.append((words("cakes.colour"), words(f"cakes.colour_{reading.colour}")))
    for key, seen in (("wet_spots", reading.wet_spots), ("thicker_below", reading.thicker_below)):
        if seen is not None:
            lines.append((words(f"cakes.{key}"), words("cakes.yes" if seen else "cakes.no")))
    if reading.torn_papers is not None:
        lines.append((words("cakes.torn_papers"), str(reading.torn_papers)))
    if reading.note:
        lines.append((words("cakes.note"), reading.note))
    return tuple(lines)
