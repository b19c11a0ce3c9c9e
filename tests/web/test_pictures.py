"""The drawings: well-formed, to scale, and saying in words what they show."""

from __future__ import annotations

import re
from collections.abc import Iterator
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.names import Flag
from monitor.contract.units import Dimension, quantity
from monitor.trace.reader import TraceReader
from web import flag_picture, press_picture, trace_picture, window_picture
from web.columns import MOST, Span, narrow
from web.edition import words
from web.figures import Figures, Units
from web.language import Language

US = Figures(words(Language.EN), Units.US)
METRIC = Figures(words(Language.FR), Units.METRIC)
RUN = "2026-03-20-1"
SVG = "{http://www.w3.org/2000/svg}"


def deg_f(value: float) -> float:
    return quantity(f"{value} degF", dimension=Dimension.TEMPERATURE)


def parsed(svg: str) -> ElementTree.Element:
    return ElementTree.fromstring(svg)  # noqa: S314 - our own drawing


def of_class(svg: str, name: str) -> Iterator[ElementTree.Element]:
    return (node for node in parsed(svg).iter() if name in (node.get("class") or "").split())


def number(node: ElementTree.Element, key: str) -> float:
    value = node.get(key)
    assert value is not None
    return float(value)


def ladder(value_f: float | None, *, error_f: float = 0.9, soon_f: float | None = None) -> str:
    return window_picture.draw(
        window_picture.Ladder(
            ready_c=deg_f(180),
            ceiling_c=deg_f(190),
            precipitation_c=deg_f(193),
            outlet_c=None if value_f is None else deg_f(value_f),
            tolerance_c=None if value_f is None else error_f * 5 / 9,
            soon_c=None if soon_f is None else deg_f(soon_f),
        ),
        figures=US,
    )


def test_the_window_is_drawn_to_scale_with_its_limits() -> None:
    svg = ladder(185.0)
    (window,) = of_class(svg, "zone-window")
    (bar,) = of_class(svg, "now")
    per_degree = number(window, "height") / 10.0
    assert number(bar, "height") == pytest.approx(1.8 * per_degree, abs=0.02)
    middle = number(bar, "y") + number(bar, "height") / 2
    assert middle == pytest.approx(number(window, "y") + 5.0 * per_degree, abs=0.02)
    assert [node.text for node in of_class(svg, "limit")] == ["180", "190", "193"]


def test_a_reading_surely_inside_is_a_bar_wholly_inside() -> None:
    (window,) = of_class(ladder(185.0), "zone-window")
    top, foot = number(window, "y"), number(window, "y") + number(window, "height")
    for value_f, inside in ((181.0, True), (180.5, False), (189.0, True), (189.5, False)):
        (bar,) = of_class(ladder(value_f), "now")
        assert (number(bar, "y") >= top and number(bar, "y") + number(bar, "height") <= foot) is inside


def test_where_it_will_be_in_a_minute_is_an_outline_of_its_own() -> None:
    (now,), (soon,) = (list(of_class(ladder(171.0, soon_f=175.0), name)) for name in ("now", "soon"))
    assert number(soon, "y") < number(now, "y")
    assert list(of_class(ladder(171.0), "soon")) == []


@pytest.mark.parametrize(("value_f", "expected"), [(64.0, 1), (230.0, 1), (185.0, 0)])
def test_off_the_ladder_is_an_arrow_and_no_bar(value_f: float, expected: int) -> None:
    assert len(list(of_class(ladder(value_f), "off"))) == expected
    assert len(list(of_class(ladder(value_f), "now"))) == 1 - expected


def test_an_unknown_outlet_has_no_bar_and_says_so() -> None:
    svg = ladder(None)
    assert list(of_class(svg, "now")) == []
    assert "The outlet is unknown." in (parsed(svg).findtext(f"{SVG}title") or "")


def stack(frames: int, fill: float | None, *, running: bool = True) -> str:
    return press_picture.draw(press_picture.Stack(frames=frames, fill=fill, running=running), figures=US)


@given(frames=st.integers(1, 24), fill=st.floats(0, 1))
def test_cake_takes_its_share_of_every_frame_half_from_each_paper(frames: int, fill: float) -> None:
    svg = stack(frames, fill)
    syrup, cakes = list(of_class(svg, "syrup")), list(of_class(svg, "cake"))
    assert (len(syrup), len(cakes)) == (frames, 2 * frames)
    for opening, left, right in zip(syrup, cakes[::2], cakes[1::2], strict=True):
        width = number(opening, "width")
        assert number(left, "width") == number(right, "width")
        # The fill is drawn to a thousandth, a width to a hundredth: a tenth of a dot on any phone.
        assert number(left, "width") * 2 == pytest.approx(fill * width, abs=0.1)
        assert number(left, "x") == number(opening, "x")
        assert number(right, "x") + number(right, "width") == pytest.approx(
            number(opening, "x") + width, abs=0.03
        )


def test_frames_are_counted_up_to_what_can_be_seen() -> None:
    assert len(list(of_class(stack(5, 0.5), "syrup"))) == 5
    assert len(list(of_class(stack(200, 0.5), "syrup"))) == press_picture.MOST_DRAWN


def test_an_unknown_fill_shows_no_syrup_and_no_cake() -> None:
    svg = stack(5, None)
    assert list(of_class(svg, "syrup")) == list(of_class(svg, "cake")) == []
    assert "?" in [node.text for node in of_class(svg, "what")]
    assert "Fill unknown" in (parsed(svg).findtext(f"{SVG}title") or "")


@pytest.mark.parametrize("figures", [US, METRIC])
def test_no_drawing_carries_a_style_or_a_script(figures: Figures, store_url: str) -> None:
    drawings = [
        ladder(185.0),
        ladder(None),
        stack(5, 0.4),
        stack(5, None),
        *run_charts(store_url, figures=figures),
    ]
    for svg in drawings:
        assert parsed(svg).tag == f"{SVG}svg"
        assert "style=" not in svg
        assert "<script" not in svg


def run_charts(store_url: str, *, figures: Figures = US, span: Span | None = None) -> list[str]:
    rows = TraceReader(store_url).rows(RUN)
    narrowed = narrow(rows, span=span or Span(), length_s=1500.0)
    limits = {
        "ready_c": deg_f(180),
        "ceiling_c": deg_f(190),
        "precipitation_c": deg_f(193),
        "cutoff_kpa": 551.6,
    }
    drawn = trace_picture.charts(limits, figures=figures)
    return [trace_picture.draw(chart, narrowed, marks_s=[700.0], figures=figures) for chart in drawn]


def test_a_long_trace_keeps_its_peaks_and_its_gaps_in_few_columns(store_url: str) -> None:
    rows = list(TraceReader(store_url).rows(RUN))
    narrowed = narrow(rows, span=Span(), length_s=1500.0)
    assert len(narrowed.columns) == MOST
    assert sum(column.rows for column in narrowed.columns) == len(rows) == 1500
    peaks = [column.peak.most for column in narrowed.columns if column.peak.most is not None]
    assert max(peaks) == max(row.line_high_kpa for row in rows if row.line_high_kpa is not None)
    lost = [column for column in narrowed.columns if column.outlet.least is None]
    assert len(lost) == pytest.approx(60 / 1500 * MOST, abs=2)
    assert all(Flag.UNKNOWN in column.flags for column in lost)


def test_a_trace_of_ten_hours_is_no_larger_than_a_short_one(store_url: str) -> None:
    rows = list(TraceReader(store_url).rows(RUN)) * 24
    narrowed = narrow(rows, span=Span(), length_s=1500.0)
    chart = trace_picture.charts({}, figures=US)[1]
    # Measured elsewhere: 36,000 samples come to about 10 kB; the whole page has 100 kB.
    assert len(trace_picture.draw(chart, narrowed, marks_s=[], figures=US)) < 25_000


def test_a_lost_probe_breaks_the_curve_and_is_hatched(store_url: str) -> None:
    temperature = run_charts(store_url)[0]
    assert len(list(of_class(temperature, "curve"))) == 2
    assert 'fill="url(#gap-temperature)"' in temperature


def test_a_stretch_shows_only_itself(store_url: str) -> None:
    temperature = run_charts(store_url, span=Span(start_s=600.0, end_s=900.0))[0]
    assert "from minute 10 to 15" in temperature
    labels = [node.text for node in of_class(temperature, "tick")]
    assert "10" in labels
    assert "20" not in labels


@given(start_s=st.floats(0, 1e9), end_s=st.none() | st.floats(0, 1e9), length_s=st.floats(0, 1e6))
def test_any_stretch_of_an_empty_run_can_be_drawn(
    start_s: float, end_s: float | None, length_s: float
) -> None:
    narrowed = narrow([], span=Span(start_s=start_s, end_s=end_s), length_s=length_s)
    for chart in trace_picture.charts({}, figures=US):
        parsed(trace_picture.draw(chart, narrowed, marks_s=[0.0], figures=US))
    assert flag_picture.draw(narrowed, figures=US) is None


def test_flags_are_drawn_as_bands_of_their_length(store_url: str) -> None:
    narrowed = narrow(TraceReader(store_url).rows(RUN), span=Span(), length_s=1500.0)
    svg = flag_picture.draw(narrowed, figures=US)
    assert svg is not None
    bands = [number(band, "width") for band in of_class(svg, "raised")]
    # 600 s recirculating, then ready but for the minute the probe was lost.
    shares = [band / MOST * 1500 for band in bands]
    assert shares == pytest.approx([600, 500, 340, 60], abs=8)
    assert re.search("ready to bottle", svg)
