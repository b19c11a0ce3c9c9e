"""The season: runs beside one another against the store's tables, what changed, the file."""

from __future__ import annotations

import html
import io
import json
import re
import sqlite3
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.events import AlarmMove
from monitor.contract.names import Alarm, AlarmState
from monitor.contract.readings import ClockState
from monitor.runtime.clock import ManualClock
from monitor.runtime.settings import load
from tests.web.conftest import Board, Scene
from tests.web.invented_runs import GALLON_L, TROUBLED, keep, two_seasons
from web.edition import words
from web.figures import Figures, Units
from web.language import Language
from web.season import RunFigures, changes, happened, table
from web.season_picture import HEIGHT, Post, draw
from web.security import DeviceCode

US = Figures(words(Language.EN), Units.US)


@pytest.fixture(scope="module")
def season(season_board: Board) -> pd.DataFrame:
    answer = httpx.get(f"{season_board.address}/season.csv?units=us", timeout=60.0)
    assert answer.headers["content-type"].startswith("text/csv")
    return pd.read_csv(io.BytesIO(answer.content), index_col="run")


def database(season_url: str) -> sqlite3.Connection:
    return sqlite3.connect(season_url.removeprefix("sqlite:///"))


class TestTheFile:
    """The CSV, each column computed a second time from the tables."""

    def test_it_has_every_closed_run_in_order(self, season: pd.DataFrame) -> None:
        assert list(season.index) == [run.name for run in two_seasons()]

    def test_volumes(self, season: pd.DataFrame) -> None:
        for run in two_seasons():
            litres = run.volume_l(run.length_s - 1)
            assert season.volume_gal[run.name] == pytest.approx(litres / GALLON_L, rel=0.002)

    def test_time_to_ready(self, season: pd.DataFrame, season_url: str) -> None:
        query = "SELECT run, body FROM event WHERE name = 'ready to bottle' AND state = 'raised'"
        with database(season_url) as connection:
            told = pd.read_sql_query(query, connection)
        told["at_s"] = told.body.map(lambda body: json.loads(body)["elapsed_s"])
        first = told.groupby("run").at_s.min()
        assert season.ready_s.to_dict() == pytest.approx(first.to_dict())

    def test_alarms(self, season: pd.DataFrame, season_url: str) -> None:
        query = "SELECT run FROM event WHERE kind = 'alarm' AND state = 'unacknowledged'"
        with database(season_url) as connection:
            told = pd.read_sql_query(query, connection).run.value_counts()
        assert season.alarms.to_dict() == told.reindex(season.index, fill_value=0).to_dict()
        assert season.chatters.sum() == 3

    def test_what_is_not_known_is_empty(self, season: pd.DataFrame) -> None:
        assert season.cake_fill.notna().sum() == 1
        assert season.filter_aid_g_per_L[TROUBLED.name] == pytest.approx(560 / 68.0)

    def test_metric(self, season_board: Board) -> None:
        text = httpx.get(f"{season_board.address}/season.csv?units=metric", timeout=60.0).text
        assert "volume_L,capacity_L" in text.splitlines()[0]

    def test_a_name_that_looks_like_a_formula_is_no_formula(self) -> None:
        unknown: dict[str, Any] = dict.fromkeys(RunFigures.__slots__)
        run = RunFigures(**{**unknown, "run": "=cmd()"})
        text = table([run], units=Units.US).decode()
        # OWASP ASVS 1.2.10: such a cell is led by an apostrophe.
        assert text.splitlines()[1].startswith("'=cmd()")


@pytest.fixture(scope="module")
def page(season_board: Board) -> str:
    answer = httpx.get(f"{season_board.address}/season", timeout=60.0)
    assert answer.status_code == 200
    return html.unescape(answer.text).replace("\u00a0", " ")


def test_the_page_draws_every_measure_that_is_known(page: str) -> None:
    for name in (
        "Syrup through",
        "Set capacity",
        "Resistance growth",
        "Sugar sand",
        "Time to ready",
        "Alarms",
    ):
        assert f"<figcaption>{name}" in page
    assert page.count('class="trace fence"') == 7


def test_what_changed_since_last_year_is_said_by_medians(page: str, season: pd.DataFrame) -> None:
    text = re.sub(r"<[^>]+>", " ", page)
    years = pd.to_datetime(season.date).dt.year
    before, now = (season.volume_gal[years == year].median() for year in (2025, 2026))
    more = f"{100 * (now / before - 1):.0f}% more"
    assert re.search(rf"Syrup through\s+2025\s+{before:.1f} gal\s+2026\s+{now:.1f} gal\s+{more}", text)


HILL = "hill-main"


@pytest.fixture
def two_presses_scene(
    tmp_path: Path, manual_clock: ManualClock, device_code: tuple[str, DeviceCode]
) -> Scene:
    """Return the page of press main over a store that another press has runs in, too."""
    url = f"sqlite:///{tmp_path / 'runs.db'}"
    own, other = two_seasons()[:2]
    keep(url, [own])
    keep(url, [replace(other, name=f"{HILL}-1")], press=HILL)
    text, code = device_code
    return Scene(load(), manual_clock, text, code, url, invented=True)


class TestTwoPressesInOneStore:
    """Runs of every press are there to be looked at, and only when asked for."""

    async def runs(self, scene: Scene, presses: str) -> pd.DataFrame:
        async with scene.client() as client:
            answer = await client.get(f"/season.csv?units=us{presses}")
        assert answer.status_code == 200
        return pd.read_csv(io.BytesIO(answer.content), index_col="run")

    async def test_the_file_has_the_runs_of_this_press_or_of_all(self, two_presses_scene: Scene) -> None:
        own, other = two_seasons()[:2]
        assert list((await self.runs(two_presses_scene, "")).index) == [own.name]
        every = await self.runs(two_presses_scene, "&presses=all")
        assert set(every.index) == {own.name, f"{HILL}-1"}
        litres = other.volume_l(other.length_s - 1)
        assert every.volume_gal[f"{HILL}-1"] == pytest.approx(litres / GALLON_L, rel=0.002)

    async def test_runs_of_several_presses_teach_no_sugar_sand(self, two_presses_scene: Scene) -> None:
        assert (await self.runs(two_presses_scene, "&presses=all")).sand_g_per_L.isna().all()

    @pytest.mark.parametrize(
        ("language", "every"), [("en", "Season of all presses"), ("fr", "Saison de toutes les presses")]
    )
    async def test_one_page_leads_to_the_other(
        self, two_presses_scene: Scene, language: str, every: str
    ) -> None:
        async with two_presses_scene.client() as client:
            client.cookies.set("language", language)
            own = html.unescape((await client.get("/season")).text)
            both = html.unescape((await client.get("/season?presses=all")).text)
        assert f'href="/season?presses=all">{every}<' in own
        assert f"{HILL}-1" not in own
        assert f"<h1>{every}</h1>" in both
        assert f"{HILL}-1" in both
        assert 'class="button" href="/season">' in both
        assert "&presses=all" in both

    async def test_another_word_is_refused(self, two_presses_scene: Scene) -> None:
        async with two_presses_scene.client() as client:
            assert (await client.get("/season?presses=none")).status_code == 422


def test_with_one_press_there_is_no_choice(page: str) -> None:
    assert "presses=all" not in page


async def test_a_season_without_a_run_says_so(scene: Any) -> None:
    async with scene.client() as client:
        assert "No run has been closed yet" in (await client.get("/season")).text


async def test_a_real_season_shows_no_invented_run(scene: Any) -> None:
    async with scene.client() as client:
        assert len((await client.get("/season.csv")).text.splitlines()) == 1


def raised(*seconds: float, alarm: Alarm = Alarm.NEAR_CLOG) -> list[AlarmMove]:
    return [
        AlarmMove(
            press="main",
            run="r",
            seq=number,
            boot="b",
            mono_ms=int(1000 * at_s),
            clock=ClockState.UNSET,
            elapsed_s=at_s,
            name=alarm,
            activation=number,
            before=AlarmState.NORMAL,
            state=AlarmState.UNACKNOWLEDGED,
            cause="pressure",
        )
        for number, at_s in enumerate(seconds, start=1)
    ]


@pytest.mark.parametrize(
    ("seconds", "chatters"),
    [
        ((), 0),
        ((0, 30), 0),
        ((0, 30, 60), 1),
        ((0, 30, 61), 0),
        ((0, 10, 20, 30, 40), 1),
        ((0, 10, 20, 30, 40, 50), 2),
        ((0, 40, 80, 120), 0),
        ((0, 70, 80, 90), 1),
    ],
)
def test_three_times_in_a_minute_is_a_chatter(seconds: tuple[float, ...], chatters: int) -> None:
    told = happened(raised(*seconds))
    assert (told.alarms, told.chatters) == (len(seconds), chatters)


def test_two_alarms_that_take_turns_are_no_chatter() -> None:
    moves = raised(0, 20) + raised(10, 30, alarm=Alarm.INPUT_LOST)
    assert happened(moves).chatters == 0


def test_one_year_has_no_change() -> None:
    assert changes([], figures=US) == []


posts = st.lists(
    st.builds(
        Post,
        year=st.none() | st.integers(2020, 2026),
        value=st.none() | st.floats(0, 1e6, allow_nan=False) | st.just(0.0),
    ),
    max_size=60,
)


@given(posts, st.booleans())
def test_a_post_is_as_tall_as_its_value(drawn: list[Post], whole: bool) -> None:
    svg = draw(drawn, key="volume", title="posts", whole=whole, figures=US)
    heights = [float(h) for h in re.findall(r'class="post[^"]*"[^>]* height="([\d.]+)"', svg)]
    known = [post.value for post in drawn if post.value is not None]
    assert len(heights) == len(known)
    assert svg.count('class="unknown"') == len(drawn) - len(known)
    assert all(0 < height <= HEIGHT for height in heights)
    tallest = max(known, default=0.0)
    for value, height in zip(known, heights, strict=True):
        if tallest and value / tallest > 0.1:
            assert height / max(heights) == pytest.approx(value / tallest, abs=0.02)
