"""A measure over the season: a post for every run, in the order they were, a gap between years. Pure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from web.drawing import element, hatch, picture, text
from web.figures import Figures

HEIGHT = 132
HEAD = 26
"""Room over the tallest post [px]."""
FOOT = 32
"""Room for the years [px]."""
NOTHING = 1e-9
"""No measure that is not nothing is as small."""
STEPS = (1.0, 2.0, 5.0)
MOST_TICKS = 3
GAP = 1.2
"""Width between two years, in posts."""
POST = 0.62
"""Share of its place that a post takes."""
STUB = 8
"""Height of the sign for what is not known [px]."""
WIDEST = 8.0
"""A post takes no more than this share of the width [%]: three runs are no fence."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Post:
    """A run: its year, and its value in the unit drawn; null is not known."""

    year: int | None
    value: float | None


def draw(posts: Sequence[Post], *, key: str, title: str, whole: bool, figures: Figures) -> str:
    """Return the SVG of ``posts``; ``title`` says it in words, ``whole`` that they are counts."""
    top, step = _scale([post.value for post in posts if post.value is not None], least=1.0 if whole else 0.0)
    places, width = _places(posts)
    parts = [element("defs", hatch(f"{key}-unknown", gap=6))]
    digits = max(0, -math.floor(math.log10(step)))
    for index in range(round(top / step) + 1):
        y = _down(index * step, top)
        parts.append(element("line", class_="grid", x1="0", x2="100%", y1=y, y2=y))
        parts.append(text(figures.number(index * step, digits=digits), class_="tick", x="2", y=y - 4))
    newest = max((post.year for post in posts if post.year is not None), default=None)
    for post, at in zip(posts, places, strict=True):
        parts.append(_post(post, at, width, top, key=key, newest=newest))
    parts += _years(posts, places, width)
    return picture(
        *parts, title=title, key=f"season-{key}", class_="trace fence", width="100%", height=HEIGHT + FOOT
    )


def _scale(values: Sequence[float], *, least: float) -> tuple[float, float]:
    """Return the top of the drawing and the step between its lines."""
    most = max(values, default=0.0)
    most = most if most > NOTHING else 1.0
    rough = most / MOST_TICKS
    power = 10.0 ** math.floor(math.log10(rough))
    step = next((nice * power for nice in STEPS if nice * power >= rough), 10.0 * power)
    step = max(step, least)
    return step * math.ceil(most / step - 1e-9), step


def _places(posts: Sequence[Post]) -> tuple[list[float], float]:
    """Return where each post's place begins and how wide it is [%], beside the scale's figures."""
    left = 14.0
    at, places = 0.0, []
    for place, post in enumerate(posts):
        if place and post.year != posts[place - 1].year:
            at += GAP
        places.append(at)
        at += 1.0
    width = min(WIDEST, (100.0 - left) / max(at, 1.0))
    return [left + place * width for place in places], width


def _post(post: Post, at: float, width: float, top: float, *, key: str, newest: int | None) -> str:
    x, wide = f"{at + 0.5 * (1 - POST) * width:.2f}%", f"{POST * width:.2f}%"
    if post.value is None:
        return element(
            "rect",
            class_="unknown",
            fill=f"url(#{key}-unknown)",
            x=x,
            width=wide,
            y=HEIGHT - STUB,
            height=STUB,
        )
    y = _down(post.value, top)
    kind = "post" if post.year == newest else "post earlier"
    return element("rect", class_=kind, x=x, width=wide, y=y, height=max(HEIGHT - y, 1.5))


def _years(posts: Sequence[Post], places: Sequence[float], width: float) -> list[str]:
    """Return each year under the first of its posts, where there is room for it."""
    parts: list[str] = []
    free = 0.0
    for place, (post, at) in enumerate(zip(posts, places, strict=True)):
        begins = place == 0 or post.year != posts[place - 1].year
        if begins and post.year is not None and at >= free:
            anchor = "end" if at > 84.0 else "start"
            where = at + width if anchor == "end" else at
            parts.append(
                text(
                    str(post.year), class_="tick named", x=f"{where:.2f}%", y=HEIGHT + 24, text_anchor=anchor
                )
            )
            free = at + 16.0
    return parts


def _down(value: float, top: float) -> float:
    return HEAD + (HEIGHT - HEAD) * (1.0 - min(1.0, max(0.0, value / top)))
