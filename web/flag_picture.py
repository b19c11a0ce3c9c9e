"""The flags that were raised in a stretch of a run, a row each, over the traces' own minutes. Pure."""

from __future__ import annotations

from collections.abc import Callable

from monitor.contract.names import Flag
from web.columns import Column, Narrowed
from web.drawing import element, picture, text
from web.figures import Figures
from web.language import slug
from web.trace_picture import AXIS, stretches, time_axis

BAND = 34
"""Height of one flag's row [px]."""
FLAG_ORDER: tuple[Flag, ...] = tuple(Flag)


def draw(narrowed: Narrowed, *, figures: Figures) -> str | None:
    """Return the SVG of the flags raised in the stretch, a row each; null if there were none."""
    raised = [flag for flag in FLAG_ORDER if any(flag in column.flags for column in narrowed.columns)]
    if not raised:
        return None
    count = len(narrowed.columns)
    parts: list[str] = []
    for row, flag in enumerate(raised):
        name = figures.words(f"flag.{slug(flag)}")
        parts.append(text(name, class_="tick", x="2", y=row * BAND * 2 + 22))
        bands = [
            element("rect", class_="raised", x=first, width=last - first + 1, y=0, height=BAND - 16)
            for first, last in stretches(narrowed.columns, _raised(flag))
        ]
        y = row * BAND * 2 + BAND - 4
        parts.append(element("line", class_="grid", x1="0", x2="100%", y1=y + BAND - 16, y2=y + BAND - 16))
        parts.append(
            element(
                "svg",
                *bands,
                width="100%",
                y=y,
                height=BAND - 16,
                viewBox=f"0 0 {count} {BAND - 16}",
                preserveAspectRatio="none",
            )
        )
    height = len(raised) * BAND * 2
    parts += time_axis(narrowed, height, figures)
    names = ", ".join(figures.words(f"flag.{slug(flag)}") for flag in raised)
    title = f"{figures.words('run.flags')}: {names}"
    return picture(*parts, title=title, key="trace-flags", class_="trace", width="100%", height=height + AXIS)


def _raised(flag: Flag) -> Callable[[Column], bool]:
    return lambda column: flag in column.flags
