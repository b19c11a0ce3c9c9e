"""What the live page says, from a status, a system of units and a language. Pure.

:func:`live` gives every word and picture of one press; templates only place them.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.names import Alarm, AlarmState, Flag, Limit, Phase, Signal, VolumeSource
from monitor.contract.readings import Point
from monitor.contract.status import AlarmStatus, PointStatus, RunStatus, Standing
from monitor.contract.units import Dimension
from web import press_picture, window_picture
from web.figures import NO_BREAK, Figures
from web.heard import Heard
from web.heartbeat import Heartbeat, board_prompt
from web.language import slug
from web.sentence import Mood, Sentence, sentence, told, why_not_good

SOON_S = 60.0
"""How far ahead the dashed bar of the ladder looks [s]."""
STEADY_C_PER_MIN = 0.3
"""A slope smaller than this is within the noise of a probe's steps [degC/min]; judgement."""
READABLE = frozenset({Standing.GOOD, Standing.UNCERTAIN})
ASKING = frozenset(
    {AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED_UNACKNOWLEDGED, AlarmState.LATCHED_UNACKNOWLEDGED}
)
QUIET = frozenset({AlarmState.NORMAL, AlarmState.OUT_OF_SERVICE, AlarmState.SUPPRESSED})
"""States of an alarm that ask for no line on the page."""
STANDING = frozenset({AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED, AlarmState.SHELVED})
"""States whose name does not say whether the cause is still there."""
PROMPTS: tuple[Flag, ...] = (
    Flag.NEAR_CEILING,
    Flag.STIR_DUE,
    Flag.DE_SETTLING,
    Flag.CHANGE_SOON,
    Flag.COLD_PLATES,
    Flag.DEAD_END,
    Flag.LOW_RESISTANCE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class OutletView:
    """The big temperature: "180" and ".4", or null and why."""

    whole: str | None
    tenth: str = ""
    unit: str
    error: str | None = None
    trend: str | None = None
    age: str | None = None
    why: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PointView:
    """A point in words: its name, what it reads, and what else is known."""

    name: str
    reads: str
    known: bool
    more: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class AlarmView:
    """One alarm in words, and the acts it takes now."""

    alarm: Alarm
    activation: int
    name: str
    state: str
    more: tuple[str, ...]
    urgent: bool
    asking: bool
    shelvable: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class LiveView:
    """One press as its page shows it; ``seq`` and ``boot`` name the status shown."""

    press: str
    live: bool
    invented: bool
    seq: int | None
    boot: str | None
    sentence: Sentence
    outlet: OutletView
    points: tuple[PointView, ...]
    window: str
    stack: str
    cake: tuple[str, ...]
    prompts: tuple[str, ...]
    flags: tuple[str, ...]
    alarms: tuple[AlarmView, ...]
    silenceable: bool
    tally: tuple[str, ...]
    phase: Phase
    run: str | None
    elapsed_s: float | None
    sound: Signal | None
    prompt_count: int
    software: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """One press as the overview of many shows it."""

    live: bool
    invented: bool
    sentence: Sentence
    outlet: OutletView


def glance(heard: Heard | None, *, figures: Figures) -> Glance | None:
    """Return a press in a line; null when no status of it was ever heard."""
    if heard is None:
        return None
    return Glance(
        live=heard.live,
        invented=heard.status.invented,
        sentence=sentence(heard, figures=figures),
        outlet=_outlet(heard, figures),
    )


def live(
    press: str, heard: Heard | None, *, figures: Figures, hardware: Heartbeat | None = None
) -> LiveView | None:
    """Return the view of ``press``; null when no status of it was ever heard.

    ``hardware`` is the last heartbeat of the service that would sound the board's alarms.
    """
    if heard is None:
        return None
    status = heard.status
    return LiveView(
        press=press,
        live=heard.live,
        invented=status.invented,
        seq=status.seq,
        boot=status.boot,
        sentence=sentence(heard, figures=figures),
        outlet=_outlet(heard, figures),
        points=_points(heard, figures),
        window=_window(heard, figures),
        stack=_stack(heard, figures),
        cake=_cake(heard, figures) if heard.live else (),
        prompts=_prompts(heard, hardware, figures) if heard.live else (),
        flags=_flags(heard, figures) if heard.live else (),
        alarms=alarms(heard, figures) if heard.live else (),
        silenceable=heard.live and _silenceable(status),
        tally=_tally(heard, figures) if heard.live else (),
        phase=status.phase,
        run=status.run.id if status.run else None,
        elapsed_s=status.run.elapsed_s if status.run else None,
        sound=status.sound if heard.live else Signal.MONITOR_SILENT if status.run else None,
        prompt_count=status.prompts,
        software=status.software,
    )


def _outlet(heard: Heard, figures: Figures) -> OutletView:
    point, unit = heard.point(Point.OUTLET), figures.unit(Dimension.TEMPERATURE)
    if not heard.live:
        return OutletView(whole=None, unit=unit)
    if not heard.fresh(Point.OUTLET) or point.value is None:
        return OutletView(whole=None, unit=unit, why=why_not_good(heard, Point.OUTLET, figures))
    number = figures.number(figures.worth(point.value, Dimension.TEMPERATURE), digits=1)
    mark = figures.words.decimal_mark
    whole, _, tenth = number.partition(mark)
    return OutletView(
        whole=whole,
        tenth=mark + tenth if tenth else "",
        unit=unit,
        error=_error(point, figures),
        trend=_trend(point, figures),
        age=_age(heard, Point.OUTLET, figures),
    )


def _error(point: PointStatus, figures: Figures) -> str | None:
    if point.tolerance is None:
        return None
    return figures.words("point.give_or_take", error=figures.temperature_difference(point.tolerance))


def _trend(point: PointStatus, figures: Figures) -> str | None:
    if point.per_min is None:
        return None
    if abs(point.per_min) < STEADY_C_PER_MIN:
        return figures.words("point.steady")
    slope = figures.temperature_difference(abs(point.per_min))
    return figures.words("point.rising" if point.per_min > 0 else "point.falling", slope=slope)


def _age(heard: Heard, point: Point, figures: Figures) -> str | None:
    age_s = heard.point_age_s(point)
    return None if age_s is None else figures.words("point.age", age=figures.duration(age_s))


def _points(heard: Heard, figures: Figures) -> tuple[PointView, ...]:
    """Return the line always, and each other point that has ever been heard."""
    others = [
        p for p in (Point.PAN, Point.FILLER, Point.FLOW) if heard.point(p).standing is not Standing.ABSENT
    ]
    return tuple(_point(heard, point, figures) for point in (Point.LINE, *others))


def _point(heard: Heard, point: Point, figures: Figures) -> PointView:
    status, words = heard.point(point), figures.words
    name = words(f"point.{point}")
    if not heard.live:
        return PointView(name=name, reads=words("point.unknown"), known=False)
    if not heard.fresh(point) or status.value is None:
        why = why_not_good(heard, point, figures)
        return PointView(name=name, reads=words("point.unknown"), known=False, more=(why,))
    more: list[str] = []
    if point is Point.LINE:
        reads = figures.pressure(status.value)
        if status.high is not None:
            more.append(words("point.peaks", high=figures.pressure(status.high)))
        if status.strokes_per_min is not None:
            more.append(words("point.strokes", count=figures.number(status.strokes_per_min)))
    elif point is Point.FLOW:
        reads = figures.flow(status.value)
    else:
        reads = figures.temperature(status.value)
        more += [part for part in (_error(status, figures), _trend(status, figures)) if part]
    age = _age(heard, point, figures)
    return PointView(name=name, reads=reads, known=True, more=(*more, age) if age else tuple(more))


def _window(heard: Heard, figures: Figures) -> str:
    limits, point = heard.status.thresholds, heard.point(Point.OUTLET)
    known = heard.fresh(Point.OUTLET) and point.value is not None
    soon_c = None
    if known and point.value is not None and point.per_min is not None:
        start_c = point.value if point.corrected is None else point.corrected
        soon_c = start_c + point.per_min * SOON_S / 60.0
    ladder = window_picture.Ladder(
        ready_c=limits.ready_c,
        ceiling_c=limits.ceiling_c,
        precipitation_c=limits.precipitation_c,
        outlet_c=point.value if known else None,
        tolerance_c=point.tolerance if known else None,
        soon_c=soon_c,
    )
    return window_picture.draw(ladder, figures=figures)


def _stack(heard: Heard, figures: Figures) -> str:
    status = heard.status
    running = status.run is not None
    fill = status.forecast.fill if heard.live else None
    stack = press_picture.Stack(frames=status.shape.frames, fill=fill, running=running or not heard.live)
    return press_picture.draw(stack, figures=figures)


def _cake(heard: Heard, figures: Figures) -> tuple[str, ...]:
    """Return what is written under the press: fill, volume and time left, which limit."""
    status, words = heard.status, figures.words
    lines: list[str] = []
    if status.shape.frames > press_picture.MOST_DRAWN:
        drawn = press_picture.MOST_DRAWN
        lines.append(words("cake.some_drawn", drawn=drawn, frames=status.shape.frames))
    if status.run is None:
        return (*lines, words("cake.empty"))
    forecast = status.forecast
    full = words("cake.unknown")
    if forecast.fill is not None:
        full = words("cake.full", share=figures.share(forecast.fill))
    lines.append(full)
    if forecast.volume_left_l is not None:
        left = words("cake.left", volume=figures.volume(forecast.volume_left_l))
        low_l, high_l = forecast.volume_left_low_l, forecast.volume_left_high_l
        if low_l is not None and high_l is not None:
            low, high = figures.volume(low_l).partition(NO_BREAK)[0], figures.volume(high_l)
            left += f" ({words('cake.left_range', low=low, high=high)})"
        lines.append(left)
    if forecast.time_left_s is not None:
        lines.append(words("cake.minutes", time=figures.about(forecast.time_left_s)))
    if forecast.limit is not Limit.UNKNOWN:
        lines.append(words(f"cake.limit_{forecast.limit}"))
    if forecast.waiting_for:
        lines.append(words("cake.waiting", what=told(forecast.waiting_for, figures)))
    if forecast.assumption:
        lines.append(words("cake.assumes", what=told(forecast.assumption, figures)))
    return tuple(lines)


def _prompts(heard: Heard, hardware: Heartbeat | None, figures: Figures) -> tuple[str, ...]:
    words, flags = figures.words, heard.flags
    ceiling = figures.limit(heard.status.thresholds.ceiling_c)
    lines = [words(f"prompt.{slug(flag)}", ceiling=ceiling) for flag in PROMPTS if flag in flags]
    if not heard.status.recording:
        why = heard.status.trouble or words("why.not_recording")
        lines.append(words("prompt.not_recording", why=told(why, figures)))
    board = board_prompt(hardware, figures)
    if board is not None:
        lines.insert(0, board)
    return tuple(lines)


def _flags(heard: Heard, figures: Figures) -> tuple[str, ...]:
    """Return every raised flag by its name and age, as the record has it."""
    return tuple(
        f"{figures.words(f'flag.{slug(flag)}')}, {figures.duration(for_s)}"
        for flag, for_s in heard.flags.items()
    )


def alarms(heard: Heard, figures: Figures) -> tuple[AlarmView, ...]:
    """Return the alarms that are not quiet, those that ask first."""
    shown = [_alarm(alarm, figures) for alarm in heard.status.alarms if alarm.state not in QUIET]
    return tuple(sorted(shown, key=lambda alarm: not alarm.asking))


def _alarm(alarm: AlarmStatus, figures: Figures) -> AlarmView:
    words = figures.words
    more = [words("alarm.for", time=figures.duration(alarm.for_s))]
    if alarm.value is not None and alarm.threshold is not None and alarm.point is not None:
        write = figures.pressure if alarm.point is Point.LINE else figures.temperature
        more.append(words("alarm.reads", value=write(alarm.value), limit=write(alarm.threshold)))
    if not alarm.active and alarm.state in STANDING:
        more.append(words("alarm.gone"))
    if alarm.silenced_s > 0:
        more.append(words("alarm.silenced", time=figures.duration(alarm.silenced_s)))
    shelved = alarm.state is AlarmState.SHELVED
    if shelved:
        more.append(words("alarm.shelved", time=figures.duration(alarm.shelved_s)))
    return AlarmView(
        alarm=alarm.name,
        activation=alarm.activation,
        name=words(f"flag.{slug(alarm.name)}"),
        state=words(f"alarm_state.{slug(alarm.state)}"),
        more=tuple(more),
        urgent=alarm.priority is Signal.HIGH,
        asking=alarm.state in ASKING,
        shelvable=not shelved and alarm.name is not Alarm.MONITOR_SILENT,
    )


def _silenceable(status: RunStatus) -> bool:
    return any(alarm.state is AlarmState.UNACKNOWLEDGED and alarm.silenced_s <= 0 for alarm in status.alarms)


def _tally(heard: Heard, figures: Figures) -> tuple[str, ...]:
    status, words = heard.status, figures.words
    if status.run is None:
        return ()
    volume = status.volume
    elapsed = figures.duration(status.run.elapsed_s)
    if status.run.started is None:
        lines = [words("tally.run_for", elapsed=elapsed)]
    else:
        lines = [words("tally.run_since", time=figures.time(status.run.started), elapsed=elapsed)]
    if volume.containers == 0:
        lines.append(words("tally.none"))
    else:
        key = "tally.one" if volume.containers == 1 else "tally.containers"
        lines.append(words(key, count=volume.containers, volume=figures.volume(volume.containers_l)))
    if volume.source is not VolumeSource.NONE and volume.filtered_l is not None:
        passed = figures.volume(volume.filtered_l)
        if volume.uncertainty_l is None:
            lines.append(words("tally.passed", volume=passed))
        else:
            error = figures.volume(volume.uncertainty_l)
            lines.append(words("tally.passed_give", volume=passed, error=error))
    if volume.flow_l_min is not None:
        lines.append(words("tally.flow", flow=figures.flow(volume.flow_l_min)))
    if volume.over_s > 0:
        over, time = figures.volume(volume.over_l), figures.duration(volume.over_s)
        lines.append(words("tally.over", volume=over, time=time))
    return tuple(lines)


def mood_of(view: LiveView | None) -> Mood:
    """Return the mood of ``view``; a press never heard is silent."""
    return Mood.SILENT if view is None else view.sentence.mood
