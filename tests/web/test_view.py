"""Every status has its sentence, and ready is said only when it is so."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.contract.names import Alarm, AlarmState, Flag, Limit, Phase, Signal, VolumeSource
from monitor.contract.readings import ClockState, Point, Reason
from monitor.contract.status import (
    AlarmStatus,
    FlagStatus,
    ForecastStatus,
    PointStatus,
    PressShape,
    RunFacts,
    RunStatus,
    Standing,
    ThresholdStatus,
    VolumeStatus,
)
from web.edition import words
from web.figures import Figures, Units
from web.heard import Heard
from web.language import Language
from web.page import parts
from web.sentence import Mood, sentence
from web.view import LiveView, live
from web.viewer import Choice

US = Figures(words(Language.EN), Units.US)
CHOICES = [Choice(units, language) for units in Units for language in Language]
READY_WORDS = {"en": "ready to bottle", "fr": "prêt à embouteiller"}


def heard(status: RunStatus, *, age_s: float = 0.2, is_live: bool = True) -> Heard:
    return Heard(status=status, age_s=age_s, live=is_live)


def said(status: RunStatus, **how: object) -> str:
    one = sentence(heard(status, **how), figures=US)  # type: ignore[arg-type]
    return f"{one.verdict}: {one.act}"


def text_of(view: LiveView | None, choice: Choice) -> str:
    """Return all that a person reads of the live page's parts, in lower case."""
    html = " ".join(parts(view, press="main", choice=choice).values())
    return re.sub(r"<[^>]+>", " ", html).lower()


@pytest.mark.parametrize(
    ("name", "mood", "says"),
    [
        ("no run", Mood.IDLE, "No run open: start the pump, or tap Start"),
        ("recirculating", Mood.STEADY, "Still recirculating: leave the hose on the pan, about 2 min to go"),
        ("too close", Mood.STEADY, "Still recirculating: too close to call at 180.4 °F ± 0.9 °F"),
        ("just ready", Mood.READY, "Ready to bottle: move the hose to the filler"),
        ("ready", Mood.READY, "Ready to bottle: keep filling, about 13.7 gal left"),
        ("over", Mood.ALARM, "Over precipitation threshold: take the heat down"),
        ("near clog", Mood.ALARM, "Near clog pressure: about 1.7 gal and 3 min left"),
        ("alarms", Mood.ALARM, "Over paper limit: let the pressure down"),
        ("unknown", Mood.UNKNOWN, "Unknown: the outlet sensor does not answer, leave the hose on the pan"),
        ("at rest", Mood.STEADY, "Still recirculating: nothing flows"),
        ("end proposed", Mood.IDLE, "End the run?: nothing has flowed"),
    ],
)
def test_each_state_says_what_to_do_now(
    states: dict[str, RunStatus], name: str, mood: Mood, says: str
) -> None:
    assert sentence(heard(states[name]), figures=US).mood is mood
    assert said(states[name]).replace("\N{NO-BREAK SPACE}", " ").startswith(says)


def test_a_press_never_heard_is_silent_not_idle() -> None:
    assert sentence(None, figures=US).mood is Mood.SILENT


@pytest.mark.parametrize("choice", CHOICES)
def test_an_old_status_shows_no_value_and_no_verdict_of_its_own(
    states: dict[str, RunStatus], choice: Choice
) -> None:
    view = live("main", heard(states["ready"], age_s=60.0, is_live=False), figures=choice.figures())
    assert view is not None
    assert view.sentence.mood is Mood.SILENT
    assert view.outlet.whole is None
    assert READY_WORDS[choice.language] not in text_of(view, choice)
    assert "185" not in text_of(view, choice)


def test_ready_is_taken_back_when_a_reading_grows_old_on_its_way(states: dict[str, RunStatus]) -> None:
    fresh, aged = heard(states["ready"], age_s=1.0), heard(states["ready"], age_s=4.9)
    assert sentence(fresh, figures=US).mood is Mood.READY
    assert sentence(aged, figures=US).mood is Mood.UNKNOWN


@pytest.mark.parametrize(
    "point",
    [
        PointStatus(standing=Standing.UNCERTAIN, value=85.0, age_s=0.2),
        PointStatus(standing=Standing.STALE, age_s=6.0),
        PointStatus(standing=Standing.BAD, reason=Reason.POWER_ON_VALUE, age_s=0.2),
        PointStatus(standing=Standing.ABSENT),
        PointStatus(standing=Standing.GOOD, value=85.0, age_s=None),
        PointStatus(standing=Standing.GOOD, value=85.0, age_s=5.1),
    ],
)
@pytest.mark.parametrize("which", [Point.OUTLET, Point.LINE])
def test_a_ready_flag_over_a_doubtful_reading_is_not_repeated(
    states: dict[str, RunStatus], point: PointStatus, which: Point
) -> None:
    ready = states["ready"]
    doubtful = ready.model_copy(update={"points": {**ready.points, which: point}})
    assert sentence(heard(doubtful), figures=US).mood is Mood.UNKNOWN


def test_a_french_and_metric_page_reads_so(states: dict[str, RunStatus]) -> None:
    choice = Choice(Units.METRIC, Language.FR)
    view = live("main", heard(states["ready"]), figures=choice.figures())
    assert view is not None
    # 185.6 degF is 85.33 degC; 52 L left as given.
    assert (view.outlet.whole, view.outlet.tenth, view.outlet.unit) == ("85", ",3", "°C")
    assert view.sentence.verdict == "Prêt à embouteiller"
    assert "52,0\N{NO-BREAK SPACE}L" in view.sentence.act


def test_the_page_writes_out_what_the_store_says_without_trusting_it(
    make_status: Callable[..., RunStatus],
) -> None:
    status = make_status(recording=False, trouble="<img src=x onerror=alert(1)>")
    choice = Choice(Units.US, Language.EN)
    html = parts(live("main", heard(status), figures=US), press="main", choice=choice)["prompts"]
    assert "<img" not in html
    assert "&lt;img" in html


HAZARD_WORDS = re.compile(r"\b(danger|warning|caution|avertissement|attention)\b", re.IGNORECASE)


@pytest.mark.parametrize("language", Language)
def test_hazard_words_are_kept_for_hazards_to_people(language: Language) -> None:
    # ANSI Z535.4 keeps DANGER, WARNING and CAUTION for injury; here they stand on the safety page only.
    elsewhere = {k: v for k, v in words(language).texts.items() if not k.startswith("safety.")}
    assert [key for key, text in elsewhere.items() if HAZARD_WORDS.search(text)] == []
    assert any(HAZARD_WORDS.search(text) for text in words(language).texts.values())


def test_every_edition_has_the_same_words_with_the_same_blanks() -> None:
    blanks = re.compile(r"\{(\w+)\}")
    english, french = words(Language.EN).texts, words(Language.FR).texts
    assert english.keys() == french.keys()
    assert {k: set(blanks.findall(v)) for k, v in english.items()} == {
        k: set(blanks.findall(v)) for k, v in french.items()
    }


finite = st.floats(allow_nan=False, allow_infinity=False)
words_of_any_kind = st.text(max_size=20)
maybe = st.none() | finite
points = st.builds(
    PointStatus,
    standing=st.sampled_from(Standing),
    reason=st.none() | st.sampled_from(Reason),
    age_s=st.none() | st.floats(-1, 12),
    value=maybe,
    tolerance=maybe,
    corrected=maybe,
    per_min=maybe,
    low=maybe,
    high=maybe,
    strokes_per_min=maybe,
)
alarms = st.builds(
    AlarmStatus,
    name=st.sampled_from(Alarm),
    state=st.sampled_from(AlarmState),
    activation=st.integers(0, 9),
    priority=st.sampled_from(Signal),
    active=st.booleans(),
    for_s=finite,
    silenced_s=finite,
    shelved_s=finite,
    value=maybe,
    threshold=maybe,
    point=st.none() | st.sampled_from(Point),
)
forecasts = st.builds(
    ForecastStatus,
    **dict.fromkeys(
        (
            "ready_in_s",
            "precipitation_in_s",
            "volume_left_l",
            "volume_left_low_l",
            "volume_left_high_l",
            "time_left_s",
            "time_left_low_s",
            "time_left_high_s",
        ),
        maybe,
    ),
    limit=st.sampled_from(Limit),
    fill=st.none() | st.floats(0, 1),
    assumption=st.none() | words_of_any_kind,
    waiting_for=st.none() | words_of_any_kind,
)
volumes = st.builds(
    VolumeStatus,
    source=st.sampled_from(VolumeSource),
    filtered_l=maybe,
    uncertainty_l=maybe,
    flow_l_min=maybe,
    containers=st.integers(0, 999),
    containers_l=finite,
    over_s=finite,
    over_l=finite,
)
moments = st.none() | st.integers(0, 4_000_000_000).map(lambda at: datetime.fromtimestamp(at, UTC))
statuses = st.builds(
    RunStatus,
    press=st.just("main"),
    seq=st.integers(0, 2**40),
    boot=words_of_any_kind,
    mono_ms=st.integers(0, 2**40),
    time=moments,
    clock=st.sampled_from(ClockState),
    software=words_of_any_kind,
    invented=st.booleans(),
    phase=st.sampled_from(Phase),
    run=st.none()
    | st.builds(RunFacts, id=words_of_any_kind, started=moments, elapsed_s=finite, by=words_of_any_kind),
    points=st.dictionaries(st.sampled_from(Point), points, max_size=5),
    flags=st.lists(st.builds(FlagStatus, name=st.sampled_from(Flag), for_s=finite), max_size=6).map(tuple),
    alarms=st.lists(alarms, max_size=4).map(tuple),
    sound=st.none() | st.sampled_from(Signal),
    prompts=st.integers(0, 99),
    forecast=forecasts,
    volume=volumes,
    shape=st.builds(PressShape, frames=st.integers(1, 200), frame_thickness_m=finite, full_volume_l=maybe),
    thresholds=st.builds(ThresholdStatus, **dict.fromkeys(ThresholdStatus.model_fields, finite)),
    recording=st.booleans(),
    trouble=st.none() | words_of_any_kind,
    refused=st.integers(0, 99),
)
choices = st.sampled_from(CHOICES)


@settings(max_examples=400, deadline=None)
@given(status=statuses, age_s=st.floats(0, 20), choice=choices)
def test_every_status_there_can_be_is_shown_and_never_ready_without_a_fresh_flag(
    status: RunStatus, age_s: float, choice: Choice
) -> None:
    is_live = age_s <= 5.0
    view = live("main", heard(status, age_s=age_s, is_live=is_live), figures=choice.figures())
    assert view is not None
    flags = {flag.name for flag in status.flags}
    ages = [status.points[p].age_s if p in status.points else None for p in (Point.OUTLET, Point.LINE)]
    may_be_ready = (
        is_live and Flag.READY_TO_BOTTLE in flags and all(a is not None and a + age_s <= 5.0 for a in ages)
    )
    if not may_be_ready:
        assert view.sentence.mood is not Mood.READY
        assert READY_WORDS[choice.language] not in text_of(view, choice)
    assert view.sentence.verdict
    assert view.sentence.act


@settings(max_examples=300, deadline=None)
@given(
    raised=st.sets(st.sampled_from(Flag)),
    phase=st.sampled_from(Phase),
    ages=st.tuples(st.floats(0, 8), st.floats(0, 8)),
    standings=st.tuples(st.sampled_from(Standing), st.sampled_from(Standing)),
    is_live=st.booleans(),
)
def test_ready_near_its_edges_needs_the_flag_both_readings_and_the_monitor(
    make_status: Callable[..., RunStatus],
    raised: set[Flag],
    phase: Phase,
    ages: tuple[float, float],
    standings: tuple[Standing, Standing],
    is_live: bool,
) -> None:
    points = {
        point: PointStatus(standing=standing, age_s=age_s, value=85.0)
        for point, age_s, standing in zip((Point.OUTLET, Point.LINE), ages, standings, strict=True)
    }
    status = make_status(
        phase=phase, points=points, flags=tuple({"name": flag, "for_s": 10.0} for flag in sorted(raised))
    )
    mood = sentence(heard(status, age_s=0.0, is_live=is_live), figures=US).mood
    if mood is Mood.READY:
        assert is_live
        assert Flag.READY_TO_BOTTLE in raised
        assert not raised & {
            Flag.UNKNOWN,
            Flag.STILL_RECIRCULATING,
            Flag.OVER_PRECIPITATION,
            Flag.PAPER_LIMIT,
        }
        assert standings == (Standing.GOOD, Standing.GOOD)
        assert max(ages) <= 5.0
