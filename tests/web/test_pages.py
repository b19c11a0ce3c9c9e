"""Pages over a real store: first paint, runs, packages, health, and what is not there."""

from __future__ import annotations

import io
import json
import re
import zipfile
from dataclasses import replace
from html import unescape
from typing import Any

import pytest

from hardware.service import NO_SOUNDER
from monitor.contract.names import Signal
from monitor.contract.payloads import encode
from monitor.contract.presence import Presence
from monitor.contract.status import RunStatus
from monitor.runtime.clock import ManualClock
from monitor.trace.reader import TraceReader
from web.app import create_app
from web.page import STATIC
from web.runs import RunBook
from web.tones import PATTERNS

RUN = "2026-03-20-1"
WEIGHT_LIMIT = 100_000
"""Bytes of everything a phone loads to show a press (requirement: under 100 kB uncompressed)."""


async def got(scene: Any, path: str, **cookies: str) -> str:
    async with scene.client() as client:
        answer = await client.get(path, headers={"cookie": "; ".join(f"{k}={v}" for k, v in cookies.items())})
        assert answer.status_code == 200, answer.text
        return str(answer.text)


async def test_the_first_paint_has_the_state_before_any_script(
    scene: Any, states: dict[str, RunStatus]
) -> None:
    scene.tell(states["ready"])
    html = await got(scene, "/")
    assert "Ready to bottle:" in html
    assert re.search(r'class="whole">185</span>', html)
    assert html.count("<svg") == 2
    assert "41\u00a0psi" in html
    assert "7 filled, 7.0\u00a0gal" in html


async def test_a_page_without_a_monitor_says_so(scene: Any) -> None:
    html = await got(scene, "/")
    assert "No data yet:" in html
    assert 'data-mood="silent"' in html
    assert "data-lively" not in html


async def test_a_status_that_has_grown_old_is_painted_as_silence(
    scene: Any, states: dict[str, RunStatus], manual_clock: ManualClock
) -> None:
    scene.tell(states["ready"])
    manual_clock.advance(5.5)
    html = await got(scene, "/")
    assert "No data since" in html
    assert "Ready to bottle" not in html


async def test_units_and_language_are_each_viewers_own(scene: Any, states: dict[str, RunStatus]) -> None:
    scene.tell(states["ready"])
    french = await got(scene, "/", units="metric", language="fr")
    assert '<html lang="fr">' in french
    assert "Prêt à embouteiller" in french
    assert ">°C<" in french
    assert ">°F<" in await got(scene, "/", units="furlongs", language="klingon")


async def test_several_presses_have_an_overview_and_a_page_each(
    scene: Any, states: dict[str, RunStatus]
) -> None:
    scene.tell(states["ready"])
    scene.tell(states["over"].model_copy(update={"press": "back-room"}))
    overview = await got(scene, "/")
    assert "Ready to bottle" in overview
    assert "Over precipitation threshold" in overview
    assert 'href="/press/back-room"' in overview
    assert "193" in await got(scene, "/press/back-room")


@pytest.mark.parametrize("name", ["recirculating", "many frames"])
async def test_invented_data_are_marked(scene: Any, states: dict[str, RunStatus], name: str) -> None:
    scene.tell(states[name])
    assert ("Invented data" in await got(scene, "/")) is states[name].invented


def loaded(html: str) -> set[str]:
    """Return the static files that a page loads, modules that its scripts import included."""
    found: set[str] = set()
    ahead = re.findall(r'(?:href|src)="/static/([\w.-]+)"', html)
    while ahead:
        name = ahead.pop()
        if name not in found:
            found.add(name)
            ahead += re.findall(r'from "\./([\w.-]+)"', (STATIC / name).read_text(encoding="utf-8"))
    assert {"page.css", "page.js", "acts.js"} <= found
    return found


async def test_a_live_page_weighs_less_than_a_photograph_of_it(
    scene: Any, states: dict[str, RunStatus]
) -> None:
    scene.tell(states["alarms"])
    sounds = len((await got(scene, "/sounds.json")).encode())
    for path in ("/", "/press/main/run"):
        html = await got(scene, path)
        weight = sounds + sum((STATIC / name).stat().st_size for name in loaded(html))
        assert weight + len(html.encode()) < WEIGHT_LIMIT


async def test_the_runs_are_listed_and_lead_to_their_pages(scene: Any) -> None:
    html = await got(scene, "/runs")
    assert f'href="/runs/{RUN}"' in html
    assert "lasted 25\u00a0min" in html
    assert "opened by line pressure" in html
    assert "invented data" in html


async def test_a_run_shows_its_traces_events_thresholds_and_package(scene: Any) -> None:
    html = await got(scene, f"/runs/{RUN}")
    assert html.count("<svg") >= 7  # four pictures, three of them with an inner drawing
    assert "Container filled, 1.0\u00a0gal, by Ann" in html
    assert "Note: &lt;b&gt;dark&lt;/b&gt; &amp; late, by Ann" in html
    assert "Cut-off" in html
    assert "80\u00a0psi" in html
    assert f"/runs/{RUN}/package.zip?units=metric" in html


async def test_a_run_is_zoomed_by_minutes(scene: Any) -> None:
    assert "from minute 10 to 15" in await got(scene, f"/runs/{RUN}?from=10&to=15")
    assert "from minute 0 to 25" in await got(scene, f"/runs/{RUN}?from=0&to=99999")
    assert "from minute 20 to 25" in await got(scene, f"/runs/{RUN}?from=20&to=3")


@pytest.mark.parametrize(("units", "column"), [("us", "outlet_degF"), ("metric", "outlet_degC")])
async def test_the_package_comes_in_either_system(scene: Any, units: str, column: str) -> None:
    async with scene.client() as client:
        answer = await client.get(f"/runs/{RUN}/package.zip", params={"units": units})
    assert answer.headers["content-type"] == "application/zip"
    assert answer.headers["content-disposition"] == f'attachment; filename="{RUN}-{units}.zip"'
    with zipfile.ZipFile(io.BytesIO(answer.content)) as archive:
        names = {name.rpartition("/")[2]: name for name in archive.namelist()}
        assert {"trace.csv", "events.jsonl", "run.json", "datapackage.json"} <= names.keys()
        table = archive.read(names["trace.csv"]).decode()
    assert column in table.splitlines()[0]
    assert len(table.splitlines()) == 1501


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/runs/none-such", 404),
        ("/runs/none-such/package.zip", 404),
        ("/runs/" + "x" * 65, 422),
        ("/runs/..%2f..%2fetc%2fpasswd", 404),
        ("/static/../app.py", 404),
        ("/static/%2e%2e/app.py", 404),
        ("/press/NO SUCH", 422),
        (f"/runs/{RUN}?from=nan", 422),
        (f"/runs/{RUN}?to=-3", 422),
        (f"/runs/{RUN}/package.zip?units=cubits", 422),
        ("/openapi.json", 404),
        ("/docs", 404),
    ],
)
async def test_what_is_not_there_is_a_page_that_says_so(scene: Any, path: str, status: int) -> None:
    async with scene.client() as client:
        answer = await client.get(path)
    assert answer.status_code == status
    assert "Traceback" not in answer.text
    assert "<h1>This page is not here.</h1>" in answer.text


async def test_a_store_that_cannot_be_read_is_said_and_the_live_page_goes_on(
    scene: Any, states: dict[str, RunStatus], tmp_path: Any
) -> None:
    torn = tmp_path / "torn.db"
    torn.write_bytes(b"not a database at all " * 400)
    broken = RunBook(TraceReader(f"sqlite:///{torn}"), lambda run, units: b"")
    scene.app = create_app(replace(scene.rooms, book=broken))
    scene.tell(states["ready"])
    async with scene.client() as client:
        runs = await client.get("/runs")
        live = await client.get("/press/main/run")
        health = await client.get("/health")
    assert runs.status_code == 503
    assert "torn.db" in runs.text
    assert "Ready to bottle" in live.text
    assert "torn.db" in health.text


async def test_health_tells_ages_refusals_services_and_versions(
    scene: Any, states: dict[str, RunStatus], manual_clock: ManualClock
) -> None:
    scene.tell(states["alarms"].model_copy(update={"refused": 7}))
    scene.hub.hear("niterwatch/main/presence/monitor", encode(Presence(up=True, seq=4)), retain=False)
    scene.hub.hear("niterwatch/main/presence/hardware", encode(Presence(up=False)), retain=True)
    scene.hub.hear("niterwatch/main/status", b"{}", retain=False)
    manual_clock.advance(2.0)
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", await got(scene, "/health")))
    text = text.replace("\u00a0", " ")
    assert "Broker connected" in text
    assert "Payloads refused by the page 1" in text
    assert "Payloads refused by the monitor 7" in text
    assert "monitor up, heard 2 s ago" in text
    assert "hardware down" in text
    assert "web not heard" in text
    assert "2 s old, number 1000" in text
    assert "no: the disk is full: free some room" in text
    assert "readable, 1 runs" in text


@pytest.mark.parametrize(
    "path", ["/", "/press/main/run", "/runs", f"/runs/{RUN}", "/health", "/glossary", "/nowhere"]
)
async def test_the_safety_page_is_one_tap_from_every_page(scene: Any, path: str) -> None:
    async with scene.client() as client:
        assert 'href="/safety"' in (await client.get(path)).text


async def test_the_safety_page_says_what_the_monitor_is_not(scene: Any) -> None:
    html = await got(scene, "/safety")
    for words in (
        "not a safety device and controls nothing",
        "regulator or a relief valve must protect the press",
        "burns at once",
        "180\u00a0°F",
        "pressure fall to zero before you touch",
        "29 CFR 1910.1053",
        "GFCI",
        "Follow your local code",
        "prove no compliance",
    ):
        assert words in html


async def test_the_sounds_are_served_as_they_are_required(scene: Any) -> None:
    sounds = json.loads(await got(scene, "/sounds.json"))
    assert set(sounds) == set(Signal) == set(PATTERNS)
    high = sounds["high"]
    # Requirement: five pulses of 800/1000 Hz, 150 ms on, 100 ms off, every 5 s.
    assert [pulse["hz"] for pulse in high["pulses"]] == [800, 1000, 800, 1000, 800]
    assert {(pulse["on_s"], pulse["off_s"]) for pulse in high["pulses"]} == {(0.15, 0.1)}
    assert high["every_s"] == 5
    medium = sounds["medium"]
    assert [(p["hz"], p["on_s"]) for p in medium["pulses"]] == [(650, 0.2)] * 3
    assert medium["every_s"] == 15
    assert [(p["hz"], p["on_s"]) for p in sounds["prompt"]["pulses"]] == [(500, 0.8)]
    assert sounds["prompt"]["every_s"] is None


@pytest.mark.parametrize(
    ("beat", "page", "health"),
    [
        (Presence(up=True, seq=4), None, "hardware up, heard 1 s ago"),
        (
            Presence(up=True, seq=4, trouble=NO_SOUNDER),
            "The board will not sound: no sounder is fitted, and a phone alone is no alarm.",
            "heard 1 s ago, but no sounder is fitted",
        ),
        (
            Presence(up=True, seq=4, trouble="alarm output failed: sound card 'default' hangs"),
            "The board will not sound: its alarm output fails.",
            "but its alarm output fails (sound card 'default' hangs)",
        ),
        (
            Presence(up=True, seq=4, trouble="the lamp is out"),
            "The board says: the lamp is out.",
            "but the lamp is out",
        ),
        (
            Presence(up=False),
            "The board will not sound: its sensors and sounder are not heard.",
            "hardware down",
        ),
    ],
)
async def test_a_board_that_will_not_sound_says_so_on_the_live_page_and_on_health(
    scene: Any,
    states: dict[str, RunStatus],
    manual_clock: ManualClock,
    beat: Presence,
    page: str | None,
    health: str,
) -> None:
    scene.tell(states["ready"])
    scene.hub.hear("niterwatch/main/presence/hardware", encode(beat), retain=False)
    manual_clock.advance(1.0)
    live = seen(await got(scene, "/"))
    assert page in live if page else not re.search("The board (will|says)", live)
    assert health in seen(await got(scene, "/health"))


async def test_a_sounder_not_heard_for_three_beats_is_no_sounder(
    scene: Any, states: dict[str, RunStatus], manual_clock: ManualClock
) -> None:
    scene.hub.hear("niterwatch/main/presence/hardware", encode(Presence(up=True, seq=4)), retain=False)
    for seconds, mute in ((6.0, False), (0.1, True)):
        manual_clock.advance(seconds)
        scene.tell(states["ready"].model_copy(update={"seq": 2000 + int(mute)}))
        assert ("will not sound" in await got(scene, "/")) is mute


def seen(html: str) -> str:
    """Return the text of a page, as a person reads it."""
    text = unescape(re.sub(r"<[^>]+>", " ", html)).replace("\u00a0", " ")
    return re.sub(r"\s+", " ", text)
