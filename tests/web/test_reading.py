"""A board whose reading asks for the code: every route of the application, and the door itself."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import httpx
import pytest
from fastapi import FastAPI
from fastapi.routing import APIRoute
from starlette.routing import BaseRoute, Mount, Route

from monitor.contract.errors import SettingsError
from monitor.contract.status import RunStatus
from monitor.runtime.clock import ManualClock
from monitor.runtime.settings import Settings, load
from tests.web.conftest import RUN, Scene
from web.kept_code import KeptCode
from web.reading import DOOR, OPEN_PATHS, PLAIN_COOKIE, SECURE_COOKIE
from web.security import DeviceCode, new_code

OPEN = {"/static/page.css", "/door", "/card"}
"""What stays open: styles and scripts, the door, the card on it (requirement)."""
FILLED = {"press": "main", "verb": "start", "run": RUN, "kind": "note"}


def closed(settings: Settings) -> Settings:
    return settings.model_copy(update={"web": settings.web.model_copy(update={"reading": "code"})})


@pytest.fixture
def closed_scene(
    manual_clock: ManualClock,
    store_url: str,
    device_code: tuple[str, DeviceCode],
    states: dict[str, RunStatus],
) -> Scene:
    text, code = device_code
    scene = Scene(closed(load()), manual_clock, text, code, store_url)
    scene.tell(states["ready"])
    return scene


def routes(app: FastAPI) -> Iterator[tuple[str, str]]:
    """Yield (method, path) of everything the application itself says it answers."""

    def walk(found: list[BaseRoute]) -> Iterator[tuple[str, str]]:
        for route in found:
            if isinstance(route, Route | APIRoute):
                yield from ((method, route.path) for method in sorted(route.methods or ()))
            elif isinstance(route, Mount):
                yield "GET", f"{route.path}/page.css"
            else:
                nested = getattr(route, "routes", None) or getattr(route, "original_router", None)
                assert nested is not None, route
                yield from walk(list(getattr(nested, "routes", nested)))

    return walk(app.routes)


def path_of(pattern: str) -> str:
    return re.sub(r"{(\w+)(:\w+)?}", lambda name: FILLED.get(name[1], "main"), pattern)


def test_the_application_lists_its_routes(closed_scene: Scene) -> None:
    found = set(routes(closed_scene.app))
    assert len(found) > 25
    for known in (
        ("GET", "/"),
        ("GET", "/live/{press}"),
        ("GET", "/runs/{run}/sheet"),
        ("POST", "/press/{press}/act/{verb}"),
    ):
        assert known in found


async def test_every_route_but_the_named_ones_is_closed(closed_scene: Scene) -> None:
    let_in = set()
    async with closed_scene.client() as client:
        for method, pattern in routes(closed_scene.app):
            answer = await asyncio.wait_for(client.request(method, path_of(pattern), json={}), 10)
            if (answer.status_code, answer.text) != (401, "reading asks for the device's code\n"):
                let_in.add(pattern)
    assert let_in == OPEN
    assert closed_scene.sent == []


@pytest.mark.parametrize(
    "path",
    [
        "/nowhere",
        "/static",
        "/card/",
        "//runs",
        "/static/../runs",
        "/static/%2e%2e/runs",
        "/CARD",
        "/door/../runs",
    ],
)
async def test_no_way_round_leads_to_a_page(closed_scene: Scene, path: str) -> None:
    async with closed_scene.client() as client:
        answer = await client.get(path)
    assert answer.status_code in {401, 404}
    assert RUN not in answer.text


async def test_a_person_is_led_to_the_door_and_back(closed_scene: Scene) -> None:
    async with closed_scene.client() as client:
        sent = await client.get(f"/runs/{RUN}?from=1&to=2", headers={"accept": "text/html,*/*;q=0.8"})
        assert sent.status_code == 303
        door = await client.get(sent.headers["location"])
        assert door.status_code == 200
        back = re.search(r'name="back" value="([^"]+)"', door.text)
        assert back is not None
        wanted = back[1].replace("&amp;", "&")
        assert unquote(wanted) == f"/runs/{RUN}?from=1&to=2"
        given = await client.post(DOOR, data={"code": closed_scene.code_text, "back": wanted})
        assert (given.status_code, given.headers["location"]) == (303, wanted)
        assert re.fullmatch(
            rf"{PLAIN_COOKIE}=[0-9a-f]{{32}}\.[0-9a-f]{{64}}; HttpOnly; Max-Age=\d+; Path=/; SameSite=lax",
            given.headers["set-cookie"],
        )
        assert (await client.get("/runs")).status_code == 200
        assert (await client.get(f"/runs/{RUN}/package")).status_code in {200, 404}


async def test_once_is_enough_after_a_restart_too(
    closed_scene: Scene, manual_clock: ManualClock, store_url: str
) -> None:
    async with closed_scene.client() as client:
        await client.post(DOOR, data={"code": closed_scene.code_text})
        kept = dict(client.cookies)
    again = Scene(closed_scene.settings, manual_clock, closed_scene.code_text, closed_scene.code, store_url)
    async with again.client() as client:
        client.cookies.update(kept)
        assert (await client.get("/")).status_code == 200


async def test_over_https_the_cookie_is_for_https_only(closed_scene: Scene) -> None:
    transport = httpx.ASGITransport(app=closed_scene.app)
    async with httpx.AsyncClient(transport=transport, base_url="https://localhost") as client:
        given = await client.post(DOOR, data={"code": closed_scene.code_text})
        assert given.headers["set-cookie"].startswith(f"{SECURE_COOKIE}=")
        assert "Secure" in given.headers["set-cookie"]
        assert (await client.get("/safety")).status_code == 200


async def test_a_wrong_code_opens_nothing_and_five_make_a_pause(closed_scene: Scene) -> None:
    async with closed_scene.client() as client:
        for _ in range(5):
            answer = await client.post(DOOR, data={"code": "0000 0001"})
            assert (answer.status_code, "set-cookie" in answer.headers) == (401, False)
            assert "Look at the door card" in answer.text
        paused = await client.post(DOOR, data={"code": closed_scene.code_text})
        assert (paused.status_code, paused.headers["retry-after"]) == (429, "60")
        assert (await client.get("/")).status_code == 401


@pytest.mark.parametrize("token", ["", "x", "x.y", "." * 5000, "0" * 32 + "." + "0" * 64, "é.ü"])
async def test_a_made_up_token_is_none(closed_scene: Scene, token: str) -> None:
    async with closed_scene.client() as client:
        header = f"{PLAIN_COOKIE}={token}".encode("latin-1", "replace")
        assert (await client.get("/", headers={"cookie": header})).status_code == 401


def test_a_seal_is_for_its_own_number_and_code() -> None:
    _, code = DeviceCode.make()
    _, other = DeviceCode.make()
    number, seal = code.token().split(".")
    assert code.has_sealed(f"{number}.{seal}")
    assert not code.has_sealed(f"{number[:-1]}x.{seal}")
    assert not other.has_sealed(f"{number}.{seal}")
    assert code.token() != code.token()
    assert code.digest.hex() not in code.token()


async def test_a_new_code_turns_every_phone_away_at_once(closed_scene: Scene, tmp_path: Path) -> None:
    file = tmp_path / "code"
    text = new_code(file)
    scene = Scene(closed_scene.settings, closed_scene.clock, text, KeptCode(file), closed_scene.store_url)
    async with scene.client() as client:
        await client.post(DOOR, data={"code": text})
        assert (await client.get("/")).status_code == 200
        new_code(file)
        assert (await client.get("/")).status_code == 401
        file.unlink()
        assert (await client.get("/")).status_code == 401
        assert "niterwatch code" in (await client.get(DOOR)).text


def test_an_open_stream_ends_with_the_code_it_was_opened_by(
    new_board: Any, states: dict[str, RunStatus], tmp_path: Path
) -> None:
    file = tmp_path / "code"
    text = new_code(file)
    board = new_board(kept=KeptCode(file), settings=closed(load()))
    with httpx.Client(base_url=board.address, timeout=20) as client:
        assert client.post(DOOR, data={"code": text}).status_code == 303
        with client.stream("GET", "/live/main") as stream:
            lines = stream.iter_lines()
            assert "data:" in next(line for line in lines if line)
            new_code(file)
            board.tell(states["ready"])
            assert not [line for line in lines if "data:" in line]


async def test_the_door_is_in_the_boards_language_and_needs_no_script(closed_scene: Scene) -> None:
    async with closed_scene.client() as client:
        client.cookies.set("language", "fr")
        html = (await client.get(DOOR)).text
    assert "Cette page demande le code" in html
    assert "<script" not in html
    assert "/health" not in html


async def test_a_door_leads_to_this_host_only(closed_scene: Scene) -> None:
    async with closed_scene.client() as client:
        given = await client.post(DOOR, data={"code": closed_scene.code_text, "back": "//evil.example"})
        assert given.headers["location"] == "/"
        foreign = {"origin": "http://evil.example"}
        answer = await client.post(DOOR, data={"code": closed_scene.code_text}, headers=foreign)
        assert answer.status_code == 403


async def test_reading_is_open_unless_it_is_closed(scene: Any) -> None:
    async with scene.client() as client:
        assert (await client.get("/runs")).status_code == 200
        assert (await client.get(DOOR)).headers["location"] == "/"
        given = await client.post(DOOR, data={"code": "wrong"})
        assert (given.status_code, "set-cookie" in given.headers) == (303, False)
        assert "open to everybody" in (await client.get("/health")).text


def test_only_the_two_ways_of_reading_can_be_set() -> None:
    assert load(overrides=["web.reading=code"]).web.reading == "code"
    with pytest.raises(SettingsError, match=r"web\.reading"):
        load(overrides=["web.reading=nobody"])
    assert set(OPEN_PATHS) == OPEN - {"/static/page.css"}
