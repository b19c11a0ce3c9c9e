"""The press from the side: its window frames in a row, cake growing from both papers of each.

Across, everything inside a frame is to scale: the two cakes together take the share of the
opening that the model says is full. Pure: numbers in, SVG out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from web.drawing import element, hatch, picture, text
from web.figures import Figures

WIDTH, HEIGHT = 220.0, 190.0
HEAD = 13.0
"""Width of the heavy plate at either end."""
SCREW = 16.0
TOP, BOTTOM = 26.0, 158.0
"""Inside of a frame, from its upper to its lower bar."""
BAR = 9.0
PLATE_SHARE = 0.2
"""Width of a plate against that of plate and frame together."""
FILL_DIGITS = 3
"""Decimals of the fill that are drawn: finer moves no dot of a phone's screen."""
DRAWINGS_KEPT = 64
"""Drawings that are remembered: every viewer's, of many presses, and of status after status."""
MOST_DRAWN = 24
"""More frames than this cannot be told apart on a phone; so many are drawn and it is said."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stack:
    """What is drawn: number of window frames, share filled (null unknown), a run open or not."""

    frames: int
    fill: float | None
    running: bool

    @property
    def drawn(self) -> int:
        """Frames on the drawing."""
        return min(self.frames, MOST_DRAWN)


def draw(stack: Stack, *, figures: Figures) -> str:
    """Return the SVG of ``stack``."""
    seen = stack if stack.fill is None else replace(stack, fill=round(stack.fill, FILL_DIGITS))
    return picture(
        *_drawing(seen),
        title=_title(stack, figures),
        key="press",
        viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}",
        class_="press-stack",
    )


@lru_cache(maxsize=DRAWINGS_KEPT)
def _drawing(stack: Stack) -> tuple[str, ...]:
    """Return all of the picture but its title, which is in the viewer's words."""
    pitch = (WIDTH - 2 * HEAD - SCREW) / stack.drawn
    plate = pitch * PLATE_SHARE
    parts = [element("defs", _stipple(), hatch("fill-unknown", gap=9)), *_body(pitch, plate)]
    for index in range(stack.drawn):
        parts += _frame(stack, left=HEAD + index * pitch + plate / 2, width=pitch - plate)
    for index in range(1, stack.drawn):
        parts.append(_plate(HEAD + index * pitch - plate / 2, plate))
    if stack.running and stack.fill is None:
        middle = HEAD + pitch * stack.drawn / 2
        parts.append(text("?", class_="what", x=middle, y=(TOP + BOTTOM) / 2 + 20, text_anchor="middle"))
    return tuple(parts)


def _stipple() -> str:
    """Return the grain of filter aid: dots in two rows."""
    dots = [element("circle", class_="grain", cx=x, cy=y, r=0.9) for x, y in ((1.5, 1.5), (4.5, 4.5))]
    return element("pattern", *dots, id="cake", width=6, height=6, patternUnits="userSpaceOnUse")


def _body(pitch: float, plate: float) -> list[str]:
    end = WIDTH - SCREW - HEAD
    tall: dict[str, object] = {"y": TOP - BAR - 4, "height": BOTTOM - TOP + 2 * BAR + 8}
    return [
        element("path", class_="rod", d=f"M0 {BOTTOM + BAR + 8:g}H{WIDTH:g}"),
        element("rect", class_="head", x=0.0, width=HEAD - plate / 2, **tall),
        element("rect", class_="head", x=end + plate / 2, width=HEAD - plate / 2, **tall),
        element("path", class_="screw", d=f"M{end + HEAD:g} {(TOP + BOTTOM) / 2:g}h{SCREW - 3:g}m0 -20v40"),
        element("path", class_="foot", d=f"M6 {BOTTOM + BAR + 8:g}v14M{end + 7:g} {BOTTOM + BAR + 8:g}v14"),
    ]


def _frame(stack: Stack, *, left: float, width: float) -> list[str]:
    """Return one frame: bars above and below, syrup between, cake from both papers."""
    inside: dict[str, object] = {"y": TOP, "height": BOTTOM - TOP}
    parts = [
        element("rect", class_="bar", x=left, y=TOP - BAR, width=width, height=BAR),
        element("rect", class_="bar", x=left, y=BOTTOM, width=width, height=BAR),
    ]
    if not stack.running:
        parts.append(element("rect", class_="empty", x=left, width=width, **inside))
    elif stack.fill is None:
        parts.append(element("rect", class_="empty", x=left, width=width, **inside))
        parts.append(element("rect", fill="url(#fill-unknown)", x=left, width=width, **inside))
    else:
        cake = width * stack.fill / 2
        parts.append(element("rect", class_="syrup", x=left, width=width, **inside))
        for x in (left, left + width - cake):
            parts.append(element("rect", class_="cake", x=x, width=cake, **inside))
            parts.append(element("rect", fill="url(#cake)", x=x, width=cake, **inside))
        faces = f"M{left + cake:.2f} {TOP:g}V{BOTTOM:g}M{left + width - cake:.2f} {TOP:g}V{BOTTOM:g}"
        parts.append(element("path", class_="face", d=faces))
    parts.append(
        element(
            "path", class_="paper", d=f"M{left:.2f} {TOP:g}V{BOTTOM:g}M{left + width:.2f} {TOP:g}V{BOTTOM:g}"
        )
    )
    return parts


def _plate(left: float, width: float) -> str:
    return element("rect", class_="plate", x=left, y=TOP - BAR, width=width, height=BOTTOM - TOP + 2 * BAR)


def _title(stack: Stack, figures: Figures) -> str:
    words = figures.words
    parts = [words("cake.title", frames=stack.frames)]
    if not stack.running:
        parts.append(words("cake.empty"))
    elif stack.fill is None:
        parts.append(words("cake.unknown"))
    else:
        parts.append(words("cake.full", share=figures.share(stack.fill)))
    return " ".join(parts)
