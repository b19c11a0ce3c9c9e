"""The traces of a run: temperature with the window, pressure with its band, volume.

Text stays at its size while the curves stretch to the width there is: each curve lives in
an inner drawing of its own, so the same SVG serves a phone, a tablet and paper. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from monitor.contract.units import Dimension
from web.columns import Column, Narrowed, Reach
from web.drawing import element, hatch, path, picture, text
from web.figures import Figures

TALL, LOW = 230, 130
"""Heights of a chart [px]."""
AXIS = 30
"""Room for the minutes under it [px]."""
LETTERS = 20
"""Height of a line of words [px]."""
MOST_TICKS = 5
NICE = (1.0, 2.0, 5.0)
TIME_STEPS_S = (10.0, 30.0, 60.0, 120.0, 300.0, 600.0, 1200.0, 1800.0, 3600.0, 7200.0, 14_400.0, 36_000.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A limit drawn across a chart, base unit."""

    value: float
    name: str
    kind: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Chart:
    """One chart: which channel, its limits and its window, all in base units."""

    key: str
    title: str
    dimension: Dimension
    reach: Callable[[Column], Reach]
    band: Callable[[Column], Reach] | None = None
    lines: Sequence[Line] = ()
    window: tuple[float, float] | None = None
    floor: float | None = None
    tall: bool = True
    height: int | None = None
    """Height other than the usual one [px]."""
    shaded_s: tuple[float, float] | None = None
    """A stretch that is pointed at, from and to [s]."""

    @property
    def height_px(self) -> int:
        """Height of the curve's room [px]."""
        return self.height or (TALL if self.tall else LOW)


def charts(thresholds: Mapping[str, float], *, figures: Figures) -> list[Chart]:
    """Return the charts of a run under ``thresholds``; one that is not known is not drawn."""
    words = figures.words

    def line(key: str, name: str, kind: str) -> list[Line]:
        return [Line(value=thresholds[key], name=words(name), kind=kind)] if key in thresholds else []

    ready_c, ceiling_c = thresholds.get("ready_c"), thresholds.get("ceiling_c")
    window = None if ready_c is None or ceiling_c is None else (ready_c, ceiling_c)
    return [
        Chart(
            key="temperature",
            title=words("run.temperature"),
            dimension=Dimension.TEMPERATURE,
            reach=lambda column: column.outlet,
            lines=line("precipitation_c", "run.precipitation", "stop"),
            window=window,
        ),
        Chart(
            key="pressure",
            title=words("run.pressure"),
            dimension=Dimension.PRESSURE,
            reach=lambda column: column.line,
            band=lambda column: column.peak,
            lines=[
                *line("cutoff_kpa", "run.cutoff", "stop"),
                *line("paper_limit_kpa", "run.paper_limit", "stop"),
            ],
            floor=0.0,
        ),
        Chart(
            key="volume",
            title=words("run.volume"),
            dimension=Dimension.VOLUME,
            reach=lambda column: column.volume,
            floor=0.0,
            tall=False,
        ),
    ]


def draw(chart: Chart, narrowed: Narrowed, *, marks_s: Sequence[float], figures: Figures) -> str:
    """Return the SVG of ``chart``; ``marks_s`` are moments of events [s]."""
    height = chart.height_px
    scale = _scale(chart, narrowed, figures)
    parts = [
        element("defs", hatch(f"gap-{chart.key}", gap=8)),
        _curves(chart, narrowed, scale, marks_s, height, figures),
        *_value_axis(chart, scale, height, figures),
        *time_axis(narrowed, height, figures),
    ]
    title = _title(chart, narrowed, figures)
    return picture(
        *parts, title=title, key=f"trace-{chart.key}", class_="trace", width="100%", height=height + AXIS
    )


@dataclass(frozen=True, slots=True)
class _Scale:
    """Values at the foot and the top of a chart, in the viewer's unit, and the step between lines."""

    low: float
    high: float
    step: float

    def down(self, value: float, height: float) -> float:
        """Return how far under the top ``value`` stands; beyond the chart it is held at its edge."""
        value = min(self.high, max(self.low, value))
        return height * (self.high - value) / (self.high - self.low)


def _scale(chart: Chart, narrowed: Narrowed, figures: Figures) -> _Scale:
    values = [line.value for line in chart.lines] + list(chart.window or ())
    for channel in (chart.reach, chart.band or chart.reach):
        for column in narrowed.columns:
            reach = channel(column)
            values += [v for v in (reach.least, reach.most) if v is not None]
    if chart.floor is not None:
        values.append(chart.floor)
    shown = [figures.worth(value, chart.dimension) for value in values] or [0.0, 1.0]
    low, high = min(shown), max(shown)
    if chart.floor is not None:
        # A transducer at rest reads a hair under zero; that is no reason for a negative axis.
        low = figures.worth(chart.floor, chart.dimension)
        high = max(high, low)
    step = _nice((max(high - low, 1e-6) * 1.1) / MOST_TICKS)
    top = math.ceil((high + 0.05 * (high - low)) / step) * step
    bottom = math.floor(low / step) * step
    return _Scale(bottom, max(top, bottom + step), step)


def _nice(rough: float) -> float:
    power = 10.0 ** math.floor(math.log10(rough))
    return next((nice * power for nice in NICE if nice * power >= rough), 10.0 * power)


def _curves(
    chart: Chart, narrowed: Narrowed, scale: _Scale, marks_s: Sequence[float], height: int, figures: Figures
) -> str:
    """Return the inner drawing that stretches: window, gaps, limits, band, curve, marks."""
    count = len(narrowed.columns)

    def down(value: float) -> float:
        return scale.down(figures.worth(value, chart.dimension), height)

    parts: list[str] = []
    if chart.window:
        ready, ceiling = chart.window
        parts.append(
            element(
                "rect", class_="window", x=0, width=count, y=down(ceiling), height=down(ready) - down(ceiling)
            )
        )
    if chart.shaded_s is not None:
        parts.append(_shade(chart.shaded_s, narrowed, height))
    for first, last in stretches(narrowed.columns, lambda c: c.rows > 0 and chart.reach(c).least is None):
        parts.append(
            element(
                "rect", fill=f"url(#gap-{chart.key})", x=first, width=last - first + 1, y=0, height=height
            )
        )
    parts += [
        element("path", class_=line.kind, d=f"M0 {down(line.value):.2f}H{count}") for line in chart.lines
    ]
    if chart.band is not None:
        parts += [
            element("path", class_="band", d=d)
            for d in _bands(narrowed.columns, chart.reach, chart.band, down)
        ]
    parts += [
        element("path", class_="curve", d=d) for d in _bands(narrowed.columns, chart.reach, chart.reach, down)
    ]
    length_s = narrowed.end_s - narrowed.start_s
    for at_s in marks_s:
        if narrowed.start_s <= at_s <= narrowed.end_s:
            x = count * (at_s - narrowed.start_s) / length_s
            parts.append(element("path", class_="mark", d=f"M{x:.2f} 0V{height}"))
    return element(
        "svg",
        *parts,
        width="100%",
        height=height,
        viewBox=f"0 0 {count} {height}",
        preserveAspectRatio="none",
    )


def _shade(shaded_s: tuple[float, float], narrowed: Narrowed, height: int) -> str:
    """Return the bar over a stretch that is pointed at; a moment is still wide enough to see."""
    count, length_s = len(narrowed.columns), narrowed.end_s - narrowed.start_s
    left, right = (count * (at_s - narrowed.start_s) / length_s for at_s in shaded_s)
    return element(
        "rect", class_="pointed", x=left, width=max(right - left, 0.008 * count), y=0, height=height
    )


def stretches(columns: Sequence[Column], holds: Callable[[Column], bool]) -> Iterator[tuple[int, int]]:
    """Yield (first, last) of every stretch of columns for which ``holds``; empty columns go along."""
    first = last = None
    for index, column in enumerate(columns):
        if holds(column):
            first = index if first is None else first
            last = index
        elif column.rows and first is not None and last is not None:
            yield first, last
            first = last = None
    if first is not None and last is not None:
        yield first, last


def _bands(
    columns: Sequence[Column],
    lower: Callable[[Column], Reach],
    upper: Callable[[Column], Reach],
    down: Callable[[float], float],
) -> Iterator[str]:
    """Yield closed paths between the least of ``lower`` and the most of ``upper``."""
    for first, last in stretches(columns, lambda c: lower(c).least is not None and upper(c).most is not None):
        tops: list[tuple[float, float]] = []
        feet: list[tuple[float, float]] = []
        for index in range(first, last + 1):
            least, most = lower(columns[index]).least, upper(columns[index]).most
            if least is not None and most is not None:
                tops.append((index + 0.5, down(most)))
                feet.append((index + 0.5, down(least)))
        if len(tops) == 1:
            x, y = tops[0]
            tops = [(x - 0.5, y), (x + 0.5, y)]
            feet = [(x - 0.5, feet[0][1]), (x + 0.5, feet[0][1])]
        yield path(tops + feet[::-1]) + "Z"


def _value_axis(chart: Chart, scale: _Scale, height: int, figures: Figures) -> list[str]:
    parts: list[str] = []
    digits = max(0, -math.floor(math.log10(scale.step)))
    ticks = round((scale.high - scale.low) / scale.step)
    for index in range(ticks + 1):
        value = scale.low + index * scale.step
        y = scale.down(value, height)
        parts.append(element("line", class_="grid", x1="0", x2="100%", y1=y, y2=y))
        if index < ticks:
            parts.append(text(figures.number(value, digits=digits), class_="tick", x="2", y=y - 4))
    named = [(line.value, line.name) for line in chart.lines]
    if chart.window:
        named.append((chart.window[0], figures.words("run.window_band")))
    above = -math.inf
    for value, name in sorted(named, reverse=True):
        y = scale.down(figures.worth(value, chart.dimension), height)
        # Two limits close together: the upper one's name stands over its line, the lower one's under it.
        at = y - 4 if y - 4 - above >= LETTERS else max(y + LETTERS - 3, above + LETTERS)
        above = at
        parts.append(text(name, class_="tick named", x="100%", y=at, text_anchor="end"))
    return parts


def time_axis(narrowed: Narrowed, height: int, figures: Figures) -> list[str]:
    """Return the minutes under a chart ``height`` tall."""
    length_s = narrowed.end_s - narrowed.start_s
    step_s = next((step for step in TIME_STEPS_S if length_s / step <= MOST_TICKS - 1), length_s)
    parts: list[str] = []
    for index in range(math.ceil(narrowed.start_s / step_s), math.floor(narrowed.end_s / step_s) + 1):
        at_s = index * step_s
        share = 100.0 * (at_s - narrowed.start_s) / length_s
        anchor = "start" if share < 8 else "end" if share > 92 else "middle"
        label = f"{figures.number(at_s / 60.0, digits=1 if step_s < 60.0 else 0)}"
        parts.append(text(label, class_="tick", x=f"{share:.2f}%", y=height + 22, text_anchor=anchor))
    return parts


def _title(chart: Chart, narrowed: Narrowed, figures: Figures) -> str:
    low = [r.least for r in map(chart.reach, narrowed.columns) if r.least is not None]
    high = [r.most for r in map(chart.reach, narrowed.columns) if r.most is not None]
    if not low or not high:
        return figures.words("run.chart_unknown", what=chart.title)
    writers: dict[Dimension, Callable[[float], str]] = {
        Dimension.TEMPERATURE: figures.temperature,
        Dimension.PRESSURE: figures.pressure,
    }
    write = writers.get(chart.dimension, figures.volume)
    return figures.words(
        "run.chart",
        **{"from": figures.number(narrowed.start_s / 60.0), "to": figures.number(narrowed.end_s / 60.0)},
        what=chart.title,
        least=write(min(low)),
        most=write(max(high)),
    )
