"""The charge as a hill: how much syrup one set of papers passes, against the dose of filter aid.

Two slopes bound it. Up the left one the papers close, because sand is kept open too little;
down the right one the frames fill, because filter aid takes the room. Syrup gets through under
both. A flag stands on the top, a dot on this batch. Pure: a plan in, SVG out.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from monitor.contract.units import Dimension
from monitor.run.charge import Charge, DosePoint
from web.drawing import element, hatch, path, picture, text
from web.figures import Figures, Units

WIDTH, HEIGHT = 480, 300
"""The inner drawing, which stretches; a unit down is a pixel."""
FOOT = 34
"""Room under it for the doses [px]."""
HEADROOM = 1.25
"""The drawing ends this much over what must be seen."""
NAMES_END = 52
"""Under the names of the slopes; no volume is written higher [px]."""
FIRST_DOSE, LAST_DOSE = 1.2, 30.0
"""Doses at the two edges [kg/m3]: a tenth of a cup to two and a half cups a gallon."""
US_DOSES: tuple[tuple[float, str], ...] = (
    (0.125, "⅛"),
    (0.25, "¼"),
    (0.5, "½"),
    (1.0, "1"),
    (2.0, "2"),
)
METRIC_DOSES: tuple[tuple[float, str], ...] = ((2.0, "2"), (5.0, "5"), (10.0, "10"), (20.0, "20"))
VOLUME_STEPS = (1.0, 2.0, 5.0)
MOST_TICKS = 4
CURVE_POINTS = 90


@dataclass(frozen=True, slots=True, kw_only=True)
class Hill:
    """What is drawn: the charge, any dose's two limits, and doses as the viewer says them."""

    charge: Charge
    at_dose: Callable[[float], DosePoint]
    """Both limits at a dose [kg/m3]."""
    us_dose_kg_m3: float
    """One cup a gallon [kg/m3]."""

    @property
    def first(self) -> float:
        """Dose at the left edge [kg/m3]."""
        return min(FIRST_DOSE, 0.8 * self.charge.taken.dose_kg_m3)

    @property
    def last(self) -> float:
        """Dose at the right edge [kg/m3]."""
        return max(LAST_DOSE, 1.25 * self.charge.taken.dose_kg_m3)

    @property
    def top_l(self) -> float:
        """Volume at the upper edge [L]."""
        return HEADROOM * max(self.charge.best.high_l, self.charge.share_l)

    def across(self, dose_kg_m3: float) -> float:
        """Return how far from the left a dose stands, as a share: doublings are equally wide."""
        share = math.log(dose_kg_m3 / self.first) / math.log(self.last / self.first)
        return min(1.0, max(0.0, share))

    def down(self, volume_l: float) -> float:
        """Return how far under the top a volume stands [px]."""
        return HEIGHT * (1.0 - min(1.0, max(0.0, volume_l / self.top_l)))

    def doses(self) -> Iterable[float]:
        """Give the doses that the curves are drawn through."""
        ratio = math.log(self.last / self.first) / (CURVE_POINTS - 1)
        return (self.first * math.exp(ratio * place) for place in range(CURVE_POINTS))


def draw(hill: Hill, *, figures: Figures) -> str:
    """Return the SVG of ``hill``."""
    parts = [
        element("defs", hatch("papers-closed", gap=9), hatch("frames-full", gap=8, cross=True)),
        _slopes(hill),
        *_volumes(hill, figures),
        *_doses(hill, figures),
        *_names(hill, figures),
        *_batch(hill, figures),
        *_best(hill),
    ]
    return picture(
        *parts,
        title=_title(hill, figures),
        key="hill",
        class_="trace hill",
        width="100%",
        height=HEIGHT + FOOT,
    )


def _slopes(hill: Hill) -> str:
    """Return the inner drawing: syrup under both limits, closed papers and full frames over them."""
    points = [hill.at_dose(dose) for dose in hill.doses()]
    x = [WIDTH * hill.across(point.dose_kg_m3) for point in points]
    pressure = [(at, hill.down(point.pressure_l)) for at, point in zip(x, points, strict=True)]
    frames = [(at, hill.down(point.frames_l)) for at, point in zip(x, points, strict=True)]
    middle = [(at, hill.down(point.capacity_l)) for at, point in zip(x, points, strict=True)]
    low = [(at, hill.down(point.low_l)) for at, point in zip(x, points, strict=True)]
    high = [(at, hill.down(point.high_l)) for at, point in zip(x, points, strict=True)]
    sky = f"L{WIDTH} 0L0 0Z"
    through = (hill.charge.through_from_kg_m3, hill.charge.through_to_kg_m3)
    left, right = (WIDTH * hill.across(dose) for dose in through)
    return element(
        "svg",
        element("path", class_="closed", fill="url(#papers-closed)", d=path(pressure) + sky),
        element("path", class_="full", fill="url(#frames-full)", d=path(frames) + sky),
        element("path", class_="syrup", d=path(middle) + f"L{WIDTH} {HEIGHT}L0 {HEIGHT}Z"),
        element("path", class_="error", d=path(high + low[::-1]) + "Z"),
        element("path", class_="slope", d=path(pressure)),
        element("path", class_="slope frames", d=path(frames)),
        element("rect", class_="through", x=left, width=max(right - left, 2.0), y=HEIGHT - 10, height=10),
        width="100%",
        height=HEIGHT,
        viewBox=f"0 0 {WIDTH} {HEIGHT}",
        preserveAspectRatio="none",
    )


def _volumes(hill: Hill, figures: Figures) -> list[str]:
    top = figures.worth(hill.top_l, Dimension.VOLUME)
    power = 10.0 ** math.floor(math.log10(top / MOST_TICKS))
    step = next((n * power for n in VOLUME_STEPS if n * power * MOST_TICKS >= top), 10.0 * power)
    digits = max(0, -math.floor(math.log10(step)))
    parts: list[str] = []
    for index in range(1, math.ceil(top / step - 1e-9)):
        y = HEIGHT * (1.0 - index * step / top)
        parts.append(element("line", class_="grid", x1="0", x2="100%", y1=y, y2=y))
        if y > NAMES_END:
            parts.append(text(figures.number(index * step, digits=digits), class_="tick", x="2", y=y - 4))
    return parts


def _doses(hill: Hill, figures: Figures) -> list[str]:
    metric = figures.units is Units.METRIC
    known = METRIC_DOSES if metric else US_DOSES
    parts: list[str] = []
    for worth, label in known:
        dose = worth if metric else worth * hill.us_dose_kg_m3
        if hill.first < dose < hill.last:
            at = _percent(hill.across(dose))
            parts.append(text(label, class_="tick", x=at, y=HEIGHT + 25, text_anchor="middle"))
            parts.append(element("line", class_="grid", x1=at, x2=at, y1=HEIGHT, y2=HEIGHT + 6))
    return parts


def _names(hill: Hill, figures: Figures) -> list[str]:
    """Return the names of the two slopes, in the corners that no slope reaches."""
    words = figures.words
    return [
        text(words("hill.papers_close"), class_="tick named", x="2", y=22),
        text(words("hill.frames_fill"), class_="tick named", x="99%", y=46, text_anchor="end"),
    ]


def _batch(hill: Hill, figures: Figures) -> list[str]:
    """Return this batch: a line at each set's share, a dot at the dose taken."""
    taken = hill.charge.taken
    y, at = hill.down(hill.charge.share_l), _percent(hill.across(taken.dose_kg_m3))
    return [
        element("line", class_="share", x1="0", x2="100%", y1=y, y2=y),
        element("line", class_="taken", x1=at, x2=at, y1=y, y2=HEIGHT),
        element("circle", class_="dot", cx=at, cy=y, r=9),
        text(figures.words("hill.batch"), class_="tick named", x="99%", y=y - 6, text_anchor="end"),
    ]


def _best(hill: Hill) -> list[str]:
    best = hill.charge.best
    y, at = hill.down(best.capacity_l), _percent(hill.across(best.dose_kg_m3))
    pennant = element(
        "svg", element("path", class_="pennant", d="M0 0L22 8L0 16Z"), x=at, y=y - 40, overflow="visible"
    )
    return [element("line", class_="pole", x1=at, x2=at, y1=y - 40, y2=y), pennant]


def _percent(share: float) -> str:
    return f"{100.0 * share:.2f}%"


def _title(hill: Hill, figures: Figures) -> str:
    charge = hill.charge
    return figures.words(
        "hill.title",
        most=figures.volume(charge.best.capacity_l),
        share=figures.volume(charge.share_l),
        limit=figures.words(f"hill.first_{charge.taken.limit}"),
    )
