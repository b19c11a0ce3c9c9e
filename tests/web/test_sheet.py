"""The run sheet: its numbers against the store's own tables, its page on paper, its file."""

from __future__ import annotations

import hashlib
import html
import io
import json
import re
import sqlite3
import subprocess
import sys
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from playwright.sync_api import Browser

from monitor.contract.entries import CakeArgs, Colour, FilledContainers, Firmness, LotArgs
from monitor.contract.events import AlarmMove, Event, Mark
from monitor.contract.names import Alarm, AlarmState, Flag, Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.run.row import TraceRow
from monitor.runtime.settings import load
from monitor.trace.reader import RunRecord, TraceReader
from tests.web.invented_runs import GALLON_L, RULES, TROUBLED, InventedRun, Troubles, entered, keep
from web.cloudy import cloudy_view
from web.edition import words
from web.figures import Figures, Units
from web.language import Language
from web.sheet import MOST_ALARMS, MOST_FLAGS, SheetView, sheet_view
from web.sheet_figures import sheet_figures
from web.sheet_pages import sheet_file, sheet_of
from web.viewer import Choice

PAPERS = ["A4", "Letter"]
FIGURES = [Figures(words(Language.EN), Units.US), Figures(words(Language.FR), Units.METRIC)]
RUN = TROUBLED.name


@pytest.fixture(scope="module")
def seconds(season_url: str) -> pd.DataFrame:
    """Return the run's seconds as the database has them."""
    with sqlite3.connect(season_url.removeprefix("sqlite:///")) as database:
        query = "SELECT m.* FROM moment m JOIN run r ON r.id = m.run_id WHERE r.name = ? ORDER BY m.id"
        return pd.read_sql_query(query, database, params=[RUN])


@pytest.fixture(scope="module")
def events(season_url: str) -> list[dict[str, Any]]:
    """Return the run's events as the database has them."""
    with sqlite3.connect(season_url.removeprefix("sqlite:///")) as database:
        bodies = database.execute("SELECT body FROM event WHERE run = ? ORDER BY id", [RUN]).fetchall()
    return [json.loads(body) for (body,) in bodies]


@pytest.fixture(scope="module")
def sheet(season_url: str) -> SheetView:
    choice = Choice(Units.US, Language.EN)
    return sheet_of(TraceReader(season_url), RUN, rules=RULES, choice=choice)


def fact(lines: tuple[tuple[str, str], ...], name: str) -> str:
    return dict(lines)[name].replace("\u00a0", " ")


def deg_f(value_c: float) -> str:
    return f"{value_c * 1.8 + 32:.1f} °F"


def clock(seconds: float) -> str:
    return f"{int(seconds) // 60}:{int(seconds) % 60:02d}"


class TestTheNumbersAreTheTraces:
    """Every number on the sheet, computed a second time from the tables with pandas."""

    def test_temperatures_while_bottling(self, sheet: SheetView, seconds: pd.DataFrame) -> None:
        bottling = seconds[seconds.phase == "bottling"].outlet_c.dropna()
        heat = fact(sheet.heat, "Outlet while bottling")
        low, most, mean = (deg_f(value) for value in (bottling.min(), bottling.max(), bottling.mean()))
        assert heat == f"{low} to {most}, {mean} on the mean"
        assert fact(sheet.heat, "Hottest in the run") == deg_f(seconds.outlet_c.max())

    def test_time_outside_the_window(self, sheet: SheetView, seconds: pd.DataFrame) -> None:
        limits = RULES.thresholds
        bottling = seconds[(seconds.phase == "bottling") & seconds.outlet_c.notna()].outlet_c
        outside = ((bottling < limits.ready_c) | (bottling >= limits.precipitation_c)).sum()
        assert fact(sheet.heat, "outside the window") == f"{outside / 60:.0f} min"

    def test_first_ready(self, sheet: SheetView, seconds: pd.DataFrame) -> None:
        ready = seconds[seconds["flags"].str.contains("ready to bottle")]
        assert fact(sheet.heat, "First ready") == clock(ready.elapsed_s.iloc[0])

    def test_over_the_threshold(self, sheet: SheetView, seconds: pd.DataFrame) -> None:
        over = seconds["flags"].str.contains("over precipitation threshold") & (seconds.phase != "paused")
        passed_l = seconds.volume_l.diff().clip(lower=0)[over].sum()
        said = fact(sheet.facts, "Over precipitation threshold")
        assert said == f"{over.sum() / 60:.0f} min, {passed_l / GALLON_L:.1f} gal"

    def test_pressure_and_volume(self, sheet: SheetView, seconds: pd.DataFrame) -> None:
        highest, peak = (seconds[name].max() / 6.894757293 for name in ("line_kpa", "line_high_kpa"))
        assert fact(sheet.heat, "Line at the most") == f"{highest:.0f} psi, peaks {peak:.0f} psi"
        litres = TROUBLED.volume_l(TROUBLED.length_s)
        assert fact(sheet.facts, "Filtered") == f"{litres / GALLON_L:.1f} gal"

    def test_flags_and_their_times(self, sheet: SheetView, seconds: pd.DataFrame) -> None:
        for name, first, total in sheet.flags:
            raised = seconds["flags"].str.split(";").map(lambda flags, name=name: name in flags)
            times = (raised & ~raised.shift(fill_value=False)).sum()
            assert first == clock(seconds.elapsed_s[raised].iloc[0]), name
            lasted_s = raised.sum()
            lasted = f"{lasted_s:.0f} s" if lasted_s < 90 else f"{lasted_s / 60:.0f} min"
            assert total.replace("\u00a0", " ") == lasted + (f" ({times})" if times > 1 else ""), name
        assert len(sheet.flags) == len({flag for flags in seconds["flags"] for flag in flags.split(";")})

    def test_alarms_and_who_acknowledged_them(self, sheet: SheetView, events: list[dict[str, Any]]) -> None:
        moves = [event for event in events if event["kind"] == "alarm"]
        raised = [(e["name"], clock(e["elapsed_s"])) for e in moves if e["state"] == "unacknowledged"]
        answered = [f"{e['who']}, {clock(e['elapsed_s'])}" for e in moves if e.get("who")]
        assert [(alarm.name, alarm.when) for alarm in sheet.alarms] == raised
        assert [alarm.who for alarm in sheet.alarms] == answered
        assert len(raised) == 5

    def test_containers(self, sheet: SheetView, events: list[dict[str, Any]]) -> None:
        filled = pd.Series([e["volume_l"] for e in events if e["name"] == "container filled"])
        counts = filled.value_counts().sort_index(ascending=False)
        assert [count for _, count in sheet.containers] == [str(count) for count in counts]
        assert [size.replace("\u00a0", " ") for size, _ in sheet.containers] == ["1.000 gal", "0.500 gal"]

    def test_what_was_entered(self, sheet: SheetView) -> None:
        assert fact(sheet.charge, "Filter aid, weighed") == "560 g"
        assert fact(sheet.cakes, "Cake in each frame") == "0.79 in, 0.85 in, 0.78 in"
        assert "Frames" not in dict(sheet.cakes)  # the reading that was corrected
        assert fact(sheet.lots[0], "Lot") == "2026-081-1"
        assert sheet.checks == ("Outlet: 2026-03-22",)
        assert sheet.notes == ("dark, late sap (Ann)",)


async def test_the_page_has_everything_that_a_sheet_must_have(season_scene: Any) -> None:
    async with season_scene.client() as client:
        page = html.unescape((await client.get(f"/runs/{RUN}/sheet")).text).replace("\u00a0", " ")
    for words_on_it in (
        "Invented data: no press was running",
        "Thresholds then",
        "0.1.0",
        "Probe checks",
        "not a safety device and controls nothing",
        "burns at once",
        "pressure fall to zero before you touch",
        "29 CFR 1910.1053",
        "Follow your local code",
        "prove no compliance",
    ):
        assert words_on_it in page
    assert page.count('class="trace"') == 3


def crowded_run() -> tuple[InventedRun, list[Any]]:
    """Return a run in which everything happened, and far more was entered than fits."""
    run = InventedRun(
        name="x" * 60,
        started=datetime(2026, 4, 1, 12, 0, tzinfo=UTC),
        began_mono_s=900_000.0,
        troubles=Troubles(
            over=(700, 790),
            torn=1320,
            stopped=(1000, 1080),
            lost=(1180, 1230),
            chatter=30,
            early_container=120,
        ),
        containers=60,
    )
    long = "W" * 30 + " much longer than anybody writes " * 12
    cake = CakeArgs(
        run=run.name,
        thickness_m=(0.0201, 0.0254, 0.0102, 0.02, 0.0177),
        frame_thickness_m=0.0254,
        firmness=Firmness.RUNNY,
        colour=Colour.DARK,
        wet_spots=True,
        thicker_below=True,
        torn_papers=3,
    )
    marks = [entered(run, "aaaaaaaa", cake, text=long[:500])]
    for number in range(5):
        kinds = tuple(FilledContainers(size_l=0.25 + 0.25 * n, count=n + 1) for n in range(10))
        lot = LotArgs(run=run.name, code=f"LOT-{number:028d}", containers=kinds, initials="ABCD")
        marks.append(entered(run, f"bbbbbbb{number}", lot, text=long[:500]))
    return run, marks


@pytest.mark.browser
@pytest.mark.timeout(120)
@pytest.mark.parametrize("language", ["en", "fr"])
def test_it_prints_on_one_page(
    browser: Browser, season_board: Any, pictures: Path, tmp_path: Path, language: str
) -> None:
    run, marks = crowded_run()
    url = f"sqlite:///{tmp_path / 'crowded.db'}"
    keep(url, [run], entries=marks)
    file = tmp_path / "run-sheet.html"
    own = load(overrides=[f'display.language="{language}"'])
    file.write_bytes(sheet_file(TraceReader(url), run.name, settings=own, units=Units.METRIC))
    context = browser.new_context(color_scheme="dark")
    context.add_cookies([{"name": "language", "value": language, "url": season_board.address}])
    page = context.new_page()
    for name, where in {
        "ordinary": f"{season_board.address}/runs/2026-03-04-1/sheet",
        "troubled": f"{season_board.address}/runs/{RUN}/sheet",
        "crowded": file.as_uri(),
    }.items():
        page.goto(where)
        for paper in PAPERS:
            pdf = pictures / f"sheet-{name}-{language}-{paper}.pdf"
            page.pdf(path=pdf, format=paper, print_background=True)
            told = subprocess.run(["pdfinfo", pdf], capture_output=True, text=True, check=True).stdout
            assert re.search(r"Pages:\s+1\n", told), f"{pdf}: {told}"
            text = subprocess.run(["pdftotext", pdf, "-"], capture_output=True, text=True, check=True).stdout
            assert "29 CFR 1910.1053" in text.replace("\u00a0", " ")
    context.close()


@pytest.mark.browser
def test_the_file_needs_no_other_and_asks_nobody(browser: Browser, season_url: str, tmp_path: Path) -> None:
    file = tmp_path / "run-sheet.html"
    file.write_bytes(sheet_file(TraceReader(season_url), RUN, settings=load(), units=Units.US))
    asked: list[str] = []
    page = browser.new_page()
    page.on("request", lambda request: asked.append(request.url))
    page.goto(file.as_uri())
    assert page.locator("h1").inner_text() == "Run sheet"
    assert asked == [file.as_uri()]
    assert page.locator("svg.trace").count() == 3
    page.close()


def test_the_package_carries_the_sheet_and_its_sum(season_url: str, tmp_path: Path) -> None:
    command = [
        sys.executable,
        "-m",
        "monitor.cli",
        "export",
        RUN,
        "--to",
        str(tmp_path),
        "--set",
        f"store.url={season_url}",
    ]
    subprocess.run(command, check=True, capture_output=True)
    content = (tmp_path / RUN / "run-sheet.html").read_bytes()
    descriptor = json.loads((tmp_path / RUN / "datapackage.json").read_text(encoding="utf-8"))
    told = {resource["path"]: resource for resource in descriptor["resources"]}["run-sheet.html"]
    assert told["hash"] == f"sha256:{hashlib.sha256(content).hexdigest()}"
    assert told["mediatype"] == "text/html"
    assert b"Invented data" in content


def test_the_pages_own_package_carries_it_too(season_url: str) -> None:
    from monitor.trace.export import package_zip

    reader = TraceReader(season_url)
    content = sheet_file(reader, RUN, settings=load(), units=Units.METRIC)
    packed = package_zip(reader, RUN, units="metric", extra={"run-sheet.html": content})
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        name = next(name for name in archive.namelist() if name.endswith("run-sheet.html"))
        assert archive.read(name) == content


number = st.none() | st.floats(min_value=-50, max_value=900, allow_nan=False)
some_flags = st.lists(st.sampled_from(Flag), max_size=4, unique=True).map(tuple)


@st.composite
def odd_rows(draw: st.DrawFn) -> list[TraceRow]:
    """Return the rows of a run that nobody would expect: none, all bad, no clock, leaps in time."""
    rows, mono_s = [], 1000.0
    for _ in range(draw(st.integers(0, 25))):
        mono_s += draw(st.sampled_from([0.0, 1.0, 1.0, 30.0, 4000.0]))
        outlet, line_kpa = draw(number), draw(number)
        rows.append(
            TraceRow(
                boot=draw(st.sampled_from(["a", "b"])),
                mono_s=mono_s,
                time=None,
                clock=ClockState.UNSET,
                elapsed_s=draw(st.sampled_from([None, mono_s - 1000.0, 0.0])),
                outlet_c=outlet,
                outlet_standing=draw(st.sampled_from(Standing)),
                line_kpa=line_kpa,
                line_high_kpa=draw(number),
                line_standing=draw(st.sampled_from(Standing)),
                strokes=draw(st.none() | st.integers(0, 9)),
                flow_l_min=draw(number),
                volume_l=draw(number),
                pan_c=None,
                filler_c=draw(number),
                phase=draw(st.sampled_from(Phase)),
                flags=draw(some_flags),
            )
        )
    return rows


@st.composite
def odd_events(draw: st.DrawFn) -> list[Event]:
    """Return events without times, alarms that never ended, marks without anything."""
    found: list[Event] = []
    for seq in range(draw(st.integers(0, 12))):
        moment: dict[str, Any] = {
            "press": "main",
            "run": "odd",
            "seq": seq,
            "boot": "a",
            "mono_ms": seq,
            "clock": ClockState.UNSET,
            "elapsed_s": draw(st.none() | st.floats(-5, 5000)),
        }
        if draw(st.booleans()):
            move = AlarmMove(
                **moment,
                name=draw(st.sampled_from(Alarm)),
                activation=draw(st.integers(0, 3)),
                before=draw(st.sampled_from(AlarmState)),
                state=draw(st.sampled_from(AlarmState)),
                cause="odd",
                who=draw(st.none() | st.just("Ann")),
            )
            found.append(move)
        else:
            name = draw(st.sampled_from(["container filled", "note", "cake", "stirred", "taken back"]))
            found.append(Mark(**moment, name=name, who="Ann", text=draw(st.text("ab<&", max_size=8))))
    return found


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(odd_rows(), odd_events(), st.booleans(), st.sampled_from(FIGURES))
def test_odd_runs_make_a_sheet_and_a_review(
    rows: list[TraceRow], events: list[Event], open_still: bool, figures: Figures
) -> None:
    record = RunRecord(
        run="odd",
        press="main",
        boot="a",
        started_mono_s=1000.0,
        started=None,
        clock=ClockState.UNSET,
        ended=None,
        elapsed_s=None if open_still else 0.0,
        volume_l=None,
        opened_by="pressure",
        closed_by=None if open_still else "Ann",
        software="0.1.0",
        thresholds={},
        invented=True,
        facts={},
    )
    view = sheet_view(record, rows, events, thresholds=RULES.thresholds, figures=figures)
    assert view.invented
    assert len(view.flags) <= MOST_FLAGS
    assert len(view.alarms) <= MOST_ALARMS
    assert "nan" not in repr(view)
    counted = sheet_figures(rows, events, thresholds=RULES.thresholds)
    assert counted.bottling_s <= sum(row.phase is Phase.BOTTLING for row in rows) * 5.0
    review = cloudy_view(rows, events, thresholds=RULES.thresholds, limits={}, cake=None, figures=figures)
    assert len(review.looked) == 9


def test_a_run_without_a_row_has_a_sheet(tmp_path: Path) -> None:
    url = f"sqlite:///{tmp_path / 'empty.db'}"
    run = InventedRun(
        name="empty",
        started=datetime(2026, 4, 2, tzinfo=UTC) + timedelta(hours=1),
        began_mono_s=5.0,
        length_s=0,
        clock=ClockState.UNSET,
        containers=0,
    )
    keep(url, [run])
    text = sheet_file(TraceReader(url), "empty", settings=load(), units=Units.US).decode()
    assert "No row is stored yet" in text
    assert "Start time unknown" in text
