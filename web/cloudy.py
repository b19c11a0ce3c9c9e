"""Why was it cloudy? The findings of a run in words, each with the trace's own picture of its time."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from monitor.contract.events import Event, Mark
from monitor.rules.thresholds import Thresholds
from monitor.run.cake import CakeReading, SetEnd
from monitor.run.evidence import UNKNOWN_END, Finding, Kind, evidence
from monitor.run.row import TraceRow
from web import trace_picture
from web.columns import Narrowed, Span, narrow
from web.figures import Figures
from web.language import slug
from web.retold import retold

MOST_DRAWN = 12
"""Findings that get a picture; the others are told in words alone."""
BEFORE_S = 120.0
"""Least stretch shown on either side of a finding [s]."""
BESIDE_SHARE = 0.5
"""Stretch shown on either side of a longer one, as a share of it."""
LEAST_TOLD_L = 0.05
"""Less syrup than this is not worth a word [L]."""
HEIGHT = 150
"""Of each picture [px]."""
PRESSURE_KINDS = frozenset({Kind.TORN, Kind.LOW_RESISTANCE, Kind.FLOW_STOPPED, Kind.SETTLING})
"""What is seen in the line's pressure; the rest is seen in the outlet's temperature."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FindingView:
    """One finding: its name, when and how much, why it matters, and its picture if it has a time."""

    name: str
    when: str
    reason: str
    picture: str | None
    link: str | None
    """Query that shows the same stretch on the run's own page."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Looked:
    """What was looked at, whether or not anything was found: kind by kind, with what was found."""

    name: str
    found: str
    clear: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class CloudyView:
    """The page: the findings, the most telling first, and everything that was looked at."""

    findings: tuple[FindingView, ...]
    looked: tuple[Looked, ...]


def cloudy_view(
    rows: Sequence[TraceRow],
    events: Sequence[Event],
    *,
    thresholds: Thresholds,
    limits: Mapping[str, float],
    cake: CakeReading | None,
    end: SetEnd = UNKNOWN_END,
    figures: Figures,
) -> CloudyView:
    """Return what speaks against a run.

    Args:
        rows: seconds of the run, in order.
        events: its events.
        thresholds: limits in force in the run.
        limits: the same as stored, for the pictures.
        cake: what the opened cakes showed, null where nobody looked.
        end: how the set ended.
        figures: the viewer's.
    """
    found = evidence(rows, events=events, cake=cake, end=end, thresholds=thresholds)
    length_s = max((row.elapsed_s or 0.0 for row in rows), default=0.0)
    marks_s = [e.elapsed_s for e in events if isinstance(e, Mark) and e.elapsed_s is not None]
    views = []
    for number, finding in enumerate(found):
        span = _span(finding, length_s)
        drawing = None
        if span is not None and number < MOST_DRAWN:
            narrowed = narrow(rows, span=span, length_s=length_s)
            drawing = _drawn(finding, narrowed, limits, marks_s=marks_s, number=number, figures=figures)
        views.append(_view(finding, span, drawing, figures))
    return CloudyView(findings=tuple(views), looked=tuple(_looked(found, cake, figures)))


def _span(finding: Finding, length_s: float) -> Span | None:
    """Return the stretch to look at: the finding's own and what was around it."""
    if finding.from_s is None or finding.to_s is None:
        return None
    around_s = max(BEFORE_S, BESIDE_SHARE * (finding.to_s - finding.from_s))
    return Span(start_s=max(0.0, finding.from_s - around_s), end_s=min(length_s, finding.to_s + around_s))


def _drawn(
    finding: Finding,
    narrowed: Narrowed,
    limits: Mapping[str, float],
    *,
    marks_s: Iterable[float],
    number: int,
    figures: Figures,
) -> str | None:
    if narrowed.empty:
        return None
    key = "pressure" if finding.kind in PRESSURE_KINDS else "temperature"
    chart = next(c for c in trace_picture.charts(limits, figures=figures) if c.key == key)
    shaded = (finding.from_s or 0.0, finding.to_s or 0.0)
    chart = replace(chart, key=f"{key}-{number}", height=HEIGHT, shaded_s=shaded)
    return trace_picture.draw(chart, narrowed, marks_s=list(marks_s), figures=figures)


def _view(finding: Finding, span: Span | None, drawing: str | None, figures: Figures) -> FindingView:
    link = None
    if span is not None and span.end_s is not None:
        link = f"?from={span.start_s / 60.0:.2f}&to={max(span.end_s, span.start_s + 1.0) / 60.0:.2f}"
    return FindingView(
        name=figures.words(f"cloudy.{slug(finding.kind)}"),
        when=_when(finding, figures),
        reason=retold(finding.reason, figures.words),
        picture=drawing,
        link=link,
    )


def _when(finding: Finding, figures: Figures) -> str:
    words = figures.words
    if finding.from_s is None or finding.to_s is None:
        return ""
    at = figures.clock(finding.from_s)
    lasted_s = finding.to_s - finding.from_s
    said = words("cloudy.at", at=at)
    if lasted_s >= 1.0:
        said = words("cloudy.from_for", at=at, time=figures.duration(lasted_s))
    if finding.volume_l is not None and finding.volume_l >= LEAST_TOLD_L:
        said += ", " + words("cloudy.passed", volume=figures.volume(finding.volume_l))
    return said


def _looked(found: Sequence[Finding], cake: CakeReading | None, figures: Figures) -> Iterable[Looked]:
    words = figures.words
    for kind in Kind:
        count = sum(finding.kind is kind for finding in found)
        name = words(f"cloudy.{slug(kind)}")
        if kind is Kind.CAKES and cake is None:
            yield Looked(name=name, found=words("cloudy.no_cakes"), clear=False)
        elif count:
            said = words("cloudy.once") if count == 1 else words("cloudy.times", count=count)
            yield Looked(name=name, found=said, clear=False)
        else:
            yield Looked(name=name, found=words("cloudy.none"), clear=True)
