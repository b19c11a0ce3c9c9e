"""The door: hosts, origins, sizes, and what every answer says of itself."""

from __future__ import annotations

import socket
from typing import Any

import httpx
import pytest

from monitor.contract.status import RunStatus
from web.guard import BODY_LIMIT

PATHS = [
    "/",
    "/press/main",
    "/press/main/run",
    "/runs",
    "/health",
    "/safety",
    "/glossary",
    "/sounds.json",
    "/nowhere",
]


@pytest.mark.parametrize("path", [*PATHS, "/static/page.css", "/static/page.js"])
async def test_every_answer_carries_the_headers(scene: Any, path: str) -> None:
    async with scene.client() as client:
        headers = (await client.get(path)).headers
    policy = headers["content-security-policy"]
    assert "default-src 'self'" in policy
    assert "frame-ancestors 'none'" in policy
    assert "unsafe" not in policy
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == "same-origin"
    assert headers["cache-control"] == ("no-cache" if path.startswith("/static") else "no-store")
    assert "server" not in headers


@pytest.mark.parametrize("path", PATHS)
async def test_no_page_needs_inline_script_or_style_or_another_host(
    scene: Any, states: dict[str, RunStatus], path: str
) -> None:
    scene.tell(states["alarms"])
    async with scene.client() as client:
        html = (await client.get(path)).text
    assert "style=" not in html
    assert "<style" not in html
    assert " onclick" not in html
    assert "<script>" not in html
    assert "https://" not in html
    assert html.replace('xmlns="http://www.w3.org/2000/svg"', "").count("http://") == 0


@pytest.mark.parametrize(
    "host",
    [
        "localhost",
        "localhost:8080",
        "127.0.0.1:8080",
        "[::1]:8080",
        socket.gethostname(),
        f"{socket.gethostname()}.local:80",
    ],
)
async def test_the_board_answers_to_its_own_names(scene: Any, host: str) -> None:
    async with scene.client() as client:
        assert (await client.get("/safety", headers={"host": host})).status_code == 200


@pytest.mark.parametrize(
    "host",
    ["evil.example", "localhost.evil.example", "", "10.11.12.13", "evil.local", "127.0.0.1.nip.example"],
)
async def test_a_foreign_name_is_misdirected(scene: Any, host: str) -> None:
    async with scene.client() as client:
        answer = await client.get("/safety", headers={"host": host})
    assert answer.status_code == 421
    assert "afety" not in answer.text


async def test_the_address_a_connection_came_in_on_is_answered(scene: Any) -> None:
    async with scene.client(host="192.168.7.20") as client:
        assert (await client.get("/safety")).status_code == 200
        assert (await client.get("/safety", headers={"host": "192.168.7.21"})).status_code == 421


@pytest.mark.parametrize(
    "headers",
    [
        {"origin": "http://evil.example"},
        {"origin": "null"},
        {"origin": "http://localhost:9999"},
        {"sec-fetch-site": "cross-site"},
    ],
)
@pytest.mark.parametrize("path", ["/choice", "/press/main/act/start"])
async def test_a_post_of_another_page_is_forbidden(scene: Any, headers: dict[str, str], path: str) -> None:
    async with scene.client() as client:
        assert (await client.post(path, headers=headers, json={})).status_code == 403
    assert scene.sent == []


async def test_a_post_of_our_own_page_is_let_in(scene: Any) -> None:
    async with scene.client() as client:
        answer = await client.post(
            "/choice", headers={"origin": "http://localhost"}, data={"units": "metric"}
        )
    assert answer.status_code == 303
    assert "units=metric" in answer.headers["set-cookie"]
    assert "HttpOnly" in answer.headers["set-cookie"]


async def test_a_large_body_is_refused_whether_announced_or_not(scene: Any) -> None:
    async def endless() -> Any:
        for _ in range(100):
            yield b"x" * 1024

    async with scene.client() as client:
        announced = await client.post("/choice", content=b"x" * (BODY_LIMIT + 1))
        unannounced = await client.post("/choice", content=endless())
    assert (announced.status_code, unannounced.status_code) == (413, 413)


async def test_a_choice_leads_back_only_to_this_host(scene: Any) -> None:
    async with scene.client() as client:
        for back, there in (
            ("/runs", "/runs"),
            ("//evil.example", "/"),
            ("https://evil.example", "/"),
            ("/\\evil", "/"),
        ):
            answer: httpx.Response = await client.post("/choice", data={"language": "fr", "back": back})
            assert answer.headers["location"] == there
