"""The one sentence that says what to do now: its mood, the verdict, and the act. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.contract.names import Flag, Phase
from monitor.contract.readings import Point
from monitor.contract.status import Standing
from web.figures import Figures
from web.heard import Heard
from web.language import slug

JUST_READY_S = 60.0
"""For this long after ready is raised the sentence says to move the hose [s]; judgement."""


class Mood(StrEnum):
    """How the sentence is drawn; never by colour alone."""

    IDLE = "idle"
    STEADY = "steady"
    READY = "ready"
    ALARM = "alarm"
    UNKNOWN = "unknown"
    SILENT = "silent"


@dataclass(frozen=True, slots=True)
class Sentence:
    """``verdict``: ``act``. Both are words for a person."""

    mood: Mood
    verdict: str
    act: str


URGENT: tuple[Flag, ...] = (
    Flag.PAPER_LIMIT,
    Flag.PRESSURE_DROP,
    Flag.STOP_AT_CUTOFF,
    Flag.OVER_PRECIPITATION,
    Flag.NEAR_CLOG,
    Flag.FILLER_TOO_HOT,
    Flag.FILLER_TOO_COLD,
    Flag.PUMP_STALLED,
)
"""Flags that take the sentence, the one that spoils most first."""


def sentence(heard: Heard | None, *, figures: Figures) -> Sentence:
    """Return what to do now; every status has exactly one sentence."""
    words = figures.words
    if heard is None:
        return Sentence(Mood.SILENT, words("verdict.never"), words("act.never"))
    if not heard.live:
        return Sentence(Mood.SILENT, _since(heard, figures), words("act.silent"))
    for flag in URGENT:
        if flag in heard.flags:
            return Sentence(Mood.ALARM, words(f"verdict.{slug(flag)}"), _urgent_act(flag, heard, figures))
    if heard.status.run is None and heard.status.phase is Phase.IDLE:
        return Sentence(Mood.IDLE, words("verdict.idle"), words("act.idle"))
    if heard.status.phase is Phase.END_PROPOSED:
        return Sentence(Mood.IDLE, words("verdict.end"), words("act.end"))
    if heard.ready:
        return Sentence(Mood.READY, words("verdict.ready"), _ready_act(heard, figures))
    if Flag.STILL_RECIRCULATING in heard.flags and Flag.UNKNOWN not in heard.flags:
        return Sentence(Mood.STEADY, words("verdict.recirculating"), _steady_act(heard, figures))
    return Sentence(
        Mood.UNKNOWN, words("verdict.unknown"), words("act.unknown", why=why_unknown(heard, figures))
    )


def _since(heard: Heard, figures: Figures) -> str:
    time = heard.status.time
    if time is None:
        return figures.words("verdict.silent_age", age=figures.duration(heard.age_s))
    return figures.words("verdict.silent", time=figures.time(time, seconds=True))


def _urgent_act(flag: Flag, heard: Heard, figures: Figures) -> str:
    words, forecast = figures.words, heard.status.forecast
    if flag is Flag.NEAR_CLOG and forecast.volume_left_l is not None and forecast.time_left_s is not None:
        volume, time = figures.volume(forecast.volume_left_l), figures.about(forecast.time_left_s)
        return words("act.near_clog_left", volume=volume, time=time)
    if flag is Flag.FILLER_TOO_COLD:
        return words("act.filler_too_cold", limit=figures.limit(heard.status.thresholds.ready_c))
    return words(f"act.{slug(flag)}")


def _ready_act(heard: Heard, figures: Figures) -> str:
    if heard.flags[Flag.READY_TO_BOTTLE] < JUST_READY_S:
        return figures.words("act.ready_now")
    left_l = heard.status.forecast.volume_left_l
    if left_l is None:
        return figures.words("act.ready_on")
    return figures.words("act.ready_left", volume=figures.volume(left_l))


def _steady_act(heard: Heard, figures: Figures) -> str:
    words, outlet = figures.words, heard.point(Point.OUTLET)
    if heard.status.phase is Phase.PAUSED:
        return words("act.at_rest")
    if outlet.value is not None and outlet.value >= heard.status.thresholds.ready_c:
        error = figures.temperature_difference(outlet.tolerance or 0.0)
        return words("act.too_close", reading=f"{figures.temperature(outlet.value)} ± {error}")
    ready_in_s = heard.status.forecast.ready_in_s
    if ready_in_s is not None:
        return words("act.recirculating_about", time=figures.about(ready_in_s))
    return words("act.recirculating")


def why_unknown(heard: Heard, figures: Figures) -> str:
    """Return why the verdict is unknown: the first of the two inputs that is not good."""
    for point in (Point.OUTLET, Point.LINE):
        if not heard.fresh(point):
            return why_not_good(heard, point, figures)
    return figures.words("why.verdict")


def why_not_good(heard: Heard, point: Point, figures: Figures) -> str:
    """Return why ``point`` is not good, in words."""
    status, name = heard.point(point), figures.words(f"point_in_words.{point}")
    if status.standing is Standing.GOOD:
        return figures.words("why.stale", point=name)
    key = slug(status.reason) if status.standing is Standing.BAD and status.reason else status.standing
    return figures.words(f"why.{key}", point=name)


def told(text: str, figures: Figures) -> str:
    """Return the monitor's own ``text`` in the viewer's language where that is known."""
    key = f"told.{slug(text)}"
    return figures.words(key) if figures.words.has(key) else text
