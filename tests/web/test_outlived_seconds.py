"""A run that has outlived its seconds: it is listed, told and exported, and nothing is made up."""

from __future__ import annotations

import csv
import io
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from monitor.run.press_record import RunEntry
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import load
from monitor.trace.archive import import_run
from monitor.trace.database import Database
from monitor.trace.export import export_package
from monitor.trace.package import read_package
from monitor.trace.reader import TraceReader
from monitor.trace.retention import drop_seconds
from monitor.trace.store import TraceWriter
from tests.web.conftest import RUN, Board, Scene, fill_store
from web.security import DeviceCode

GONE = "seconds of this run are no longer kept"


@pytest.fixture(scope="module")
def url(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Return a store whose one run showed something and then lost its seconds."""
    url = f"sqlite:///{tmp_path_factory.mktemp('outlived') / 'runs.db'}"
    fill_store(url)
    writer = TraceWriter(url, software="0.1.0")
    writer.open()
    writer.press("main").keep_shown(RunEntry(run=RUN, volume_l=42.0, room_l=3.0, hot_flow_l_min=2.5))
    writer.close()
    database = Database(url)
    database.open()
    with database.begin() as connection:
        assert drop_seconds(connection, 1) > 1000
    database.close()
    return url


@pytest.fixture(scope="module")
def page(url: str, device_code: tuple[str, DeviceCode]) -> Iterator[Board]:
    text, code = device_code
    board = Board(Scene(load(), SystemClock(), text, code, url, reply_s=3.0))
    board.start()
    yield board
    board.stop()


def fetched(page: Board, path: str) -> httpx.Response:
    return httpx.get(f"{page.address}{path}", timeout=20.0)


@pytest.mark.parametrize(
    ("path", "says"),
    [
        ("/runs", RUN),
        (f"/runs/{RUN}", GONE),
        (f"/runs/{RUN}/sheet", GONE),
        (f"/runs/{RUN}/cloudy", GONE),
        (f"/runs/{RUN}/cakes", RUN),
        ("/season", ""),
        ("/lots", ""),
    ],
)
def test_every_page_of_the_run_is_served_and_says_so(page: Board, path: str, says: str) -> None:
    answer = fetched(page, path)
    assert answer.status_code == 200
    assert says in answer.text


def test_the_sheet_does_not_claim_that_nothing_was_too_hot(page: Board) -> None:
    text = fetched(page, f"/runs/{RUN}/sheet").text
    over = text.split("Over precipitation threshold")[1][:200]
    assert "unknown" in over
    assert "none" not in over


def test_the_page_of_why_it_was_cloudy_does_not_say_that_nothing_explains_it(page: Board) -> None:
    assert "Nothing in the trace explains it" not in fetched(page, f"/runs/{RUN}/cloudy").text


def test_the_package_says_so_and_is_taken_back(url: str, tmp_path: Path) -> None:
    folder = export_package(TraceReader(url), RUN, units="us", to=tmp_path)
    facts = json.loads((folder / "run.json").read_text())
    assert facts["seconds_gone"] is True
    assert facts["elapsed_s"] > 0
    described = json.loads((folder / "datapackage.json").read_text())
    assert GONE in described["description"]
    with (folder / "trace.csv").open(newline="") as trace:
        assert len(list(csv.reader(trace))) == 1
    other = f"sqlite:///{tmp_path}/other.db"
    import_run(other, read_package(folder))
    assert TraceReader(other).run(RUN).elapsed_s == facts["elapsed_s"]
    assert len(TraceReader(other).events(RUN)) == len(TraceReader(url).events(RUN))


def test_the_download_is_whole(page: Board) -> None:
    archive = zipfile.ZipFile(io.BytesIO(fetched(page, f"/runs/{RUN}/package.zip?units=us").content))
    assert archive.testzip() is None
