"""A sound as a picture: a bar for each tone, as long as it lasts and as high as its pitch. Pure."""

from __future__ import annotations

from web.drawing import element, picture
from web.tones import Pattern

WIDTH, HEIGHT = 130.0, 36.0
POINTS_PER_S = 90.0
"""Width of a second; the longest round, of five pulses, fills the picture."""
LOWEST_HZ, HIGHEST_HZ = 400.0, 1400.0
"""The range drawn; signals lie between 500 and 1500 Hz (MIL-STD-1472E 5.3)."""
BAR = 8.0
"""Height of a bar."""


def draw(pattern: Pattern, *, title: str, key: str) -> str:
    """Return one round of ``pattern``; ``key`` makes its id."""
    bars, at_s = [], 0.0
    for pulse in pattern.pulses:
        height = (min(pulse.hz, HIGHEST_HZ) - LOWEST_HZ) / (HIGHEST_HZ - LOWEST_HZ)
        bars.append(
            element(
                "rect",
                class_="tone",
                x=at_s * POINTS_PER_S,
                y=(HEIGHT - BAR) * (1.0 - height),
                width=pulse.on_s * POINTS_PER_S,
                height=BAR,
            )
        )
        at_s += pulse.on_s + pulse.off_s
    floor = element("path", class_="floor", d=f"M0 {HEIGHT - 0.5:g}H{WIDTH:g}")
    return picture(*bars, floor, title=title, key=key, viewBox=f"0 0 {WIDTH:g} {HEIGHT:g}", class_="sound")
