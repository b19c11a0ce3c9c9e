"""The health page's lines: what is connected, how old it is, what was refused. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from monitor.contract.presence import Service
from monitor.contract.status import Standing
from web.figures import Figures
from web.heard import Heard
from web.heartbeat import Heartbeat, alive, trouble
from web.language import slug
from web.sentence import told, why_not_good

RENEW = timedelta(days=60)
"""A certificate that ends within this is to be renewed: before a season, not in it."""


@dataclass(frozen=True, slots=True)
class Line:
    """One fact: what, how it stands, and whether that is well."""

    name: str
    says: str
    well: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Page:
    """What the page's own process knows of itself."""

    connected: bool
    dropped: int
    refused: int
    viewers: int
    code_made: bool
    software: str
    store: str | None
    """Why the store cannot be read, null when it can."""
    runs: int
    secure: bool
    """Whether the page is served by https as well."""
    certificate_until: datetime | None
    """Until when its certificate is good, null if phones do not take it now."""
    reading_open: bool
    """Whether everybody on the network may look."""
    now: datetime
    """Time of day, by the board's clock."""


def own_lines(state: Page, *, figures: Figures) -> list[Line]:
    """Return the lines about the page itself, its broker and its store."""
    words = figures.words
    store = words("health.readable", count=state.runs) if state.store is None else state.store
    return [
        Line(
            words("health.broker"),
            words("health.connected" if state.connected else "health.disconnected"),
            state.connected,
        ),
        Line(words("health.dropped"), str(state.dropped), state.dropped == 0),
        Line(words("health.refused_here"), str(state.refused), state.refused == 0),
        Line(words("health.store"), store, state.store is None),
        Line(words("health.viewers"), str(state.viewers)),
        Line(
            words("health.code"),
            words("health.code_made" if state.code_made else "health.code_none"),
            state.code_made,
        ),
        Line(
            words("health.reading"),
            words("health.reading_open" if state.reading_open else "health.reading_code"),
        ),
        _secure_line(state, figures),
    ]


def press_lines(
    press: str,
    heard: Heard | None,
    beats: Mapping[Service, Heartbeat],
    *,
    software: str,
    figures: Figures,
) -> list[Line]:
    """Return the lines about one press: its status, services, points, record, clock, versions."""
    words = figures.words
    lines = [_status_line(press, heard, figures)]
    lines += [_service_line(service, beats.get(service), figures) for service in Service]
    if heard is None:
        return lines
    status = heard.status
    for point in status.points:
        age_s = heard.point_age_s(point)
        fresh = heard.fresh(point)
        says = (
            words("point.age", age=figures.duration(age_s)) if age_s is not None else words("point.unknown")
        )
        if not fresh and heard.point(point).standing is not Standing.GOOD:
            says = f"{says}, {why_not_good(heard, point, figures)}"
        lines.append(Line(words(f"point.{point}"), says, fresh))
    unkept = told(status.trouble, figures) if status.trouble else words("why.not_recording")
    recording = (
        words("health.recording_yes") if status.recording else words("health.recording_no", why=unkept)
    )
    lines += [
        Line(words("health.recording"), recording, status.recording),
        Line(words("health.refused_monitor"), str(status.refused), status.refused == 0),
        Line(words("health.clock"), words(f"health.clock_{slug(status.clock)}")),
        Line(words("health.software"), words("health.page_software", page=software, monitor=status.software)),
    ]
    return lines


def _secure_line(state: Page, figures: Figures) -> Line:
    words = figures.words
    name, until = words("health.secure"), state.certificate_until
    if not state.secure:
        return Line(name, words("health.secure_none"))
    if until is None:
        return Line(name, words("health.secure_bad"), False)
    return Line(name, words("health.secure_until", date=figures.date(until)), until - state.now >= RENEW)


def _status_line(press: str, heard: Heard | None, figures: Figures) -> Line:
    words = figures.words
    name = words("health.status", press=press)
    if heard is None:
        return Line(name, words("health.not_heard"), False)
    age = figures.duration(heard.age_s)
    if heard.live:
        return Line(name, words("health.status_age", age=age, seq=heard.status.seq))
    return Line(name, words("health.status_silent", age=age), False)


def _service_line(service: Service, beat: Heartbeat | None, figures: Figures) -> Line:
    words = figures.words
    name = words(f"health.{service}")
    if beat is None:
        return Line(name, words("health.not_heard"), False)
    if not alive(beat):
        return Line(name, words("health.down"), False)
    age, why = figures.duration(beat[1]), trouble(beat, figures)
    if why is not None:
        return Line(name, words("health.up_but", age=age, why=why), False)
    return Line(name, words("health.up", age=age))
