"""The bottling window: a ladder of temperature, the window drawn on it, the reading as a bar.

The bar is as tall as the reading's error, so "surely inside" is seen as a bar wholly inside.
A dashed bar stands where the outlet will be in a minute. Pure: numbers in, SVG out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

from monitor.contract.units import Dimension
from web.drawing import element, hatch, picture, text
from web.figures import Figures, Units

WIDTH, HEIGHT = 156.0, 340.0
TOP, BOTTOM = 14.0, 326.0
RAIL_LEFT, RAIL_RIGHT = 48.0, 96.0
TEXT_RISE = 7.0
"""Half the height of a figure, so that it stands beside its line."""
LABEL_GAP = 23.0
"""Least distance between two labels, which are 20 high."""
BELOW_C = 12.5
"""How far under ready the ladder begins [degC of difference]."""
ABOVE_C = 4.0
"""How far over precipitation it ends [degC of difference]."""
SHORTEST_BAR = 5.0
"""A reading without error is still a bar that can be seen."""
LONGEST_C = 200.0
"""A ladder longer than this [degC of difference] comes of limits that no syrup has; it stays bare."""
RUNG = {Units.US: 5.0, Units.METRIC: 2.0}
NAMED_RUNG = {Units.US: 10.0, Units.METRIC: 4.0}

LADDERS_KEPT = 64
"""Ladders without a reading that are remembered: of each press, in each viewer's units and words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ladder:
    """What is drawn, in degC; null is unknown."""

    ready_c: float
    ceiling_c: float
    precipitation_c: float
    outlet_c: float | None
    tolerance_c: float | None
    soon_c: float | None
    """Where the outlet will be in a minute."""

    @property
    def lowest_c(self) -> float:
        """Foot of the ladder."""
        return self.ready_c - BELOW_C

    @property
    def highest_c(self) -> float:
        """Top of the ladder."""
        return self.precipitation_c + ABOVE_C

    @property
    def drawable(self) -> bool:
        """The limits rise in their order and lie within one ladder."""
        rising = self.lowest_c < self.ready_c <= self.ceiling_c <= self.precipitation_c
        return rising and self.highest_c - self.lowest_c <= LONGEST_C

    def height(self, value_c: float) -> float:
        """Return where ``value_c`` stands on the drawing; off the ladder it is held at its end."""
        share = (value_c - self.lowest_c) / (self.highest_c - self.lowest_c)
        return BOTTOM - (BOTTOM - TOP) * min(1.0, max(0.0, share))


def draw(ladder: Ladder, *, figures: Figures) -> str:
    """Return the SVG of ``ladder``."""
    if not ladder.drawable:
        return _bare(ladder, figures)
    empty = replace(ladder, outlet_c=None, tolerance_c=None, soon_c=None)
    return picture(
        *_standing(empty, figures, dim=ladder.outlet_c is None),
        *_marker(ladder),
        title=_title(ladder, figures),
        key="window",
        viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}",
        class_="ladder" if ladder.outlet_c is not None else "ladder unknown",
    )


@lru_cache(maxsize=LADDERS_KEPT)
def _standing(ladder: Ladder, figures: Figures, *, dim: bool) -> tuple[str, ...]:
    """Return all that stays as it is while the reading moves."""
    return (
        element("defs", hatch("sand", gap=7, cross=True), hatch("near", gap=9), hatch("dim", gap=11)),
        *_zones(ladder, dim=dim),
        *_rungs(ladder, figures),
        *_limits(ladder, figures),
    )


def _bare(ladder: Ladder, figures: Figures) -> str:
    """Return an empty frame: the limits are no limits."""
    frame = element(
        "path", class_="rail", d=f"M{RAIL_LEFT:g} {TOP:g}V{BOTTOM:g}M{RAIL_RIGHT:g} {TOP:g}V{BOTTOM:g}"
    )
    return picture(
        frame,
        title=_title(ladder, figures),
        key="window",
        viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}",
        class_="ladder unknown",
    )


def _zones(ladder: Ladder, *, dim: bool) -> list[str]:
    ready, ceiling = ladder.height(ladder.ready_c), ladder.height(ladder.ceiling_c)
    sand = ladder.height(ladder.precipitation_c)
    across: dict[str, object] = {"x": RAIL_LEFT, "width": RAIL_RIGHT - RAIL_LEFT}
    zones = [
        element("rect", class_="zone-sand", fill="url(#sand)", y=TOP, height=sand - TOP, **across),
        element("rect", class_="zone-near", fill="url(#near)", y=sand, height=ceiling - sand, **across),
        element("rect", class_="zone-window", y=ceiling, height=ready - ceiling, **across),
    ]
    if dim:
        zones.append(
            element("rect", class_="zone-dim", fill="url(#dim)", y=TOP, height=BOTTOM - TOP, **across)
        )
    return zones


def _rungs(ladder: Ladder, figures: Figures) -> list[str]:
    parts = [element("path", class_="rail", d=f"M{x:g} {TOP:g}V{BOTTOM:g}") for x in (RAIL_LEFT, RAIL_RIGHT)]
    step, named = RUNG[figures.units], NAMED_RUNG[figures.units]
    lowest = figures.worth(ladder.lowest_c, Dimension.TEMPERATURE)
    highest = figures.worth(ladder.highest_c, Dimension.TEMPERATURE)
    for index in range(math.ceil(lowest / step), math.floor(highest / step) + 1):
        value = index * step
        y = BOTTOM - (BOTTOM - TOP) * (value - lowest) / (highest - lowest)
        parts.append(element("path", class_="rung", d=f"M{RAIL_LEFT:g} {y:.2f}H{RAIL_RIGHT:g}"))
        if value % named == 0:
            label = text(
                figures.number(value), class_="scale", x=RAIL_LEFT - 9, y=y + TEXT_RISE, text_anchor="end"
            )
            parts.append(label)
    return parts


def _limits(ladder: Ladder, figures: Figures) -> list[str]:
    ready, ceiling = ladder.height(ladder.ready_c), ladder.height(ladder.ceiling_c)
    sand = ladder.height(ladder.precipitation_c)
    frame = element(
        "path",
        class_="sash",
        d=f"M{RAIL_LEFT - 5:g} {ready:.2f}H{RAIL_RIGHT + 5:g}V{ceiling:.2f}H{RAIL_LEFT - 5:g}Z",
    )
    line = element("path", class_="sand-line", d=f"M{RAIL_LEFT - 5:g} {sand:.2f}H{RAIL_RIGHT + 9:g}")
    parts = [frame, line]
    at = HEIGHT
    for value_c in (ladder.ready_c, ladder.ceiling_c, ladder.precipitation_c):
        at = min(ladder.height(value_c) + TEXT_RISE, at - LABEL_GAP)
        worth = figures.worth(value_c, Dimension.TEMPERATURE)
        digits = figures.limit_digits(worth)
        parts.append(text(figures.number(worth, digits=digits), class_="limit", x=RAIL_RIGHT + 8, y=at))
    return parts


def _marker(ladder: Ladder) -> list[str]:
    if ladder.outlet_c is None:
        middle = (TOP + BOTTOM) / 2.0
        return [
            text("?", class_="what", x=(RAIL_LEFT + RAIL_RIGHT) / 2.0, y=middle + 20, text_anchor="middle")
        ]
    if ladder.outlet_c < ladder.lowest_c:
        return [element("path", class_="off", d=f"M{RAIL_LEFT + 12:g} {BOTTOM - 28:g}h24l-12 24z")]
    if ladder.outlet_c > ladder.highest_c:
        return [element("path", class_="off", d=f"M{RAIL_LEFT + 12:g} {TOP + 28:g}h24l-12 -24z")]
    parts: list[str] = []
    error_c = ladder.tolerance_c or 0.0
    if ladder.soon_c is not None and ladder.lowest_c <= ladder.soon_c <= ladder.highest_c:
        parts.append(_bar(ladder, ladder.soon_c, error_c, "soon", RAIL_LEFT + 10, RAIL_RIGHT - 3))
    parts.append(_bar(ladder, ladder.outlet_c, error_c, "now", RAIL_LEFT - 7, RAIL_RIGHT - 12))
    return parts


def _bar(ladder: Ladder, value_c: float, error_c: float, name: str, left: float, right: float) -> str:
    upper, lower = ladder.height(value_c + error_c), ladder.height(value_c - error_c)
    if lower - upper < SHORTEST_BAR:
        middle = min(BOTTOM - SHORTEST_BAR / 2, max(TOP + SHORTEST_BAR / 2, (upper + lower) / 2))
        upper, lower = middle - SHORTEST_BAR / 2, middle + SHORTEST_BAR / 2
    return element("rect", class_=name, x=left, y=upper, width=right - left, height=lower - upper)


def _title(ladder: Ladder, figures: Figures) -> str:
    words = figures.words
    parts = [
        words(
            "window.title",
            ready=figures.limit(ladder.ready_c),
            ceiling=figures.limit(ladder.ceiling_c),
            precipitation=figures.limit(ladder.precipitation_c),
        )
    ]
    if ladder.outlet_c is None:
        return f"{parts[0]} {words('window.unknown')}"
    reading = figures.temperature(ladder.outlet_c)
    if ladder.tolerance_c is not None:
        reading += f" ± {figures.temperature_difference(ladder.tolerance_c)}"
    parts.append(words("window.reads", reading=reading))
    if ladder.soon_c is not None:
        parts.append(words("window.soon", soon=figures.temperature(ladder.soon_c, digits=0)))
    return " ".join(parts)
