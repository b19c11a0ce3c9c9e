"""Acts: the code, the pause, the way to the monitor and back."""

from __future__ import annotations

import hashlib
import json
import stat
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor.contract.commands import AcknowledgeArgs, Command, Reply
from monitor.contract.errors import SettingsError
from monitor.contract.payloads import decode
from web.security import (
    BLOCK,
    COST,
    PARALLEL,
    PAUSE_S,
    WRONG_LIMIT,
    WRONG_LIMIT_ALL,
    DeviceCode,
    Throttle,
)


async def act(
    client: httpx.AsyncClient, verb: str, code: str, args: dict[str, object] | None = None
) -> httpx.Response:
    return await client.post(f"/press/main/act/{verb}", json=args or {}, headers={"X-Device-Code": code})


def done(command: Command) -> Reply:
    return Reply(id=command.id, done=True)


async def test_an_act_goes_to_the_monitor_as_a_command_and_its_word_comes_back(scene: Any) -> None:
    scene.answer = done
    async with scene.client() as client:
        args = {"who": "Ann", "alarm": "near clog pressure", "activation": 3}
        answer = await act(client, "acknowledge", scene.code_text, args)
    assert answer.status_code == 200
    assert answer.json() == {"outcome": "done", "said": "Done: alarm acknowledged."}
    topic, payload = scene.sent[0]
    assert topic == "niterwatch/main/command/acknowledge"
    command = decode(payload, Command)
    assert command.who == "Ann"
    assert isinstance(command.args, AcknowledgeArgs)
    assert command.args.activation == 3


async def test_the_monitors_refusal_is_told_with_its_reason(scene: Any) -> None:
    scene.answer = lambda command: Reply(id=command.id, done=False, reason="a run is open already")
    async with scene.client() as client:
        answer = await act(client, "start", scene.code_text)
    assert answer.status_code == 409
    assert answer.json()["said"] == "Refused: a run is open already."


async def test_a_silent_monitor_is_said_to_be_silent_not_obedient(scene: Any) -> None:
    async with scene.client() as client:
        answer = await act(client, "start", scene.code_text)
    assert answer.status_code == 504
    assert "did not answer" in answer.json()["said"]


async def test_nothing_is_sent_while_the_line_is_down(scene: Any) -> None:
    scene.line_up = False
    async with scene.client() as client:
        assert (await act(client, "start", scene.code_text)).status_code == 503
    assert scene.sent == []


@pytest.mark.parametrize("code", ["", "0", "wrong", "0" * 64])
async def test_without_the_code_nothing_is_sent(scene: Any, code: str) -> None:
    async with scene.client() as client:
        assert (await act(client, "start", code)).status_code == 401
    assert scene.sent == []


@pytest.mark.parametrize(
    ("verb", "args", "status"),
    [
        ("mark", {"mark": "sung a song"}, 422),
        ("mark", {"mark": "container filled", "volume_l": -1}, 422),
        ("shelve", {"alarm": "near clog pressure", "seconds": 601}, 422),
        ("start", {"verb": "end"}, 422),
        ("start", {"more": 1}, 422),
        ("explode", {}, 422),
    ],
)
async def test_an_act_that_does_not_fit_is_not_sent(
    scene: Any, verb: str, args: dict[str, object], status: int
) -> None:
    async with scene.client() as client:
        assert (await act(client, verb, scene.code_text, args)).status_code == status
    assert scene.sent == []


@pytest.mark.parametrize("body", [b"", b"[]", b"nonsense", b"\xff", b"[" * 10_000])
async def test_a_body_that_is_no_object_is_not_sent(scene: Any, body: bytes) -> None:
    headers = {"X-Device-Code": scene.code_text, "Content-Type": "application/json"}
    async with scene.client() as client:
        status = (await client.post("/press/main/act/mark", content=body, headers=headers)).status_code
    assert status == 422
    assert scene.sent == []


async def test_a_form_cannot_act(scene: Any) -> None:
    async with scene.client() as client:
        answer = await client.post(
            "/press/main/act/start", data={"a": "b"}, headers={"X-Device-Code": scene.code_text}
        )
    assert answer.status_code == 415


async def test_five_wrong_codes_bring_a_pause_in_which_even_the_right_one_waits(
    scene: Any, manual_clock: Any
) -> None:
    async with scene.client() as client:
        codes = [(await act(client, "start", "12345")).status_code for _ in range(WRONG_LIMIT)]
        assert codes == [401] * WRONG_LIMIT
        paused = await act(client, "start", scene.code_text)
        assert paused.status_code == 429
        assert paused.headers["retry-after"] == "60"
        assert scene.sent == []
        async with scene.client(address="192.168.7.44") as another:
            assert (await act(another, "start", scene.code_text)).status_code == 504
        manual_clock.advance(PAUSE_S)
        scene.answer = done
        assert (await act(client, "start", scene.code_text)).status_code == 200


def test_wrong_codes_spread_over_addresses_bring_a_pause_for_all() -> None:
    throttle = Throttle()
    for index in range(WRONG_LIMIT_ALL):
        throttle.wrong(f"10.0.0.{index % 30}", now_s=float(index) * 0.1)
    assert throttle.pause_s("10.9.9.9", now_s=6.0) > 0.0
    assert throttle.pause_s("10.9.9.9", now_s=6.0 + PAUSE_S) == 0.0


def test_wrong_codes_a_minute_apart_bring_none() -> None:
    throttle = Throttle()
    for index in range(50):
        throttle.wrong("10.0.0.1", now_s=index * 16.0)
        assert throttle.pause_s("10.0.0.1", now_s=index * 16.0) == 0.0


def test_a_made_code_matches_itself_however_it_is_spaced() -> None:
    text, code = DeviceCode.make()
    assert len(text.replace(" ", "")) == 8
    assert text.replace(" ", "").isdecimal()
    assert code.matches(text)
    assert code.matches(text.replace(" ", ""))
    assert code.matches(f" {text.replace(' ', '-')} ")
    assert not code.matches(text[:-1])
    assert DeviceCode.make()[0] != text


def test_the_hash_is_kept_for_its_owner_only_and_without_the_code(tmp_path: Path) -> None:
    text, code = DeviceCode.make()
    file = tmp_path / "device-code"
    code.save(file)
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert text.replace(" ", "") not in file.read_text()
    assert DeviceCode.load(file) == code
    assert list(tmp_path.iterdir()) == [file]


def test_scrypt_is_the_published_one() -> None:
    # RFC 7914, section 12, third vector: N 16384, r 8, p 1, 64 bytes.
    derived = hashlib.scrypt(b"pleaseletmein", salt=b"SodiumChloride", n=COST, r=BLOCK, p=PARALLEL, dklen=64)
    assert derived.hex().startswith("7023bdcb3afd7348461c06cd81fd38ebfda8fbba904f8e3ea9b543f6545da1f2")


def test_no_file_is_no_code_and_a_damaged_one_is_refused_in_one_line(tmp_path: Path) -> None:
    file = tmp_path / "device-code"
    assert DeviceCode.load(file) is None
    for text in (
        "",
        "scrypt$00$00",
        "plain$1234",
        "scrypt$zz$zz",
        "scrypt$" + "0" * 32 + "$" + "0" * 64 + "$x",
    ):
        file.write_text(text)
        with pytest.raises(SettingsError) as refusal:
            DeviceCode.load(file)
        assert "\n" not in str(refusal.value)
    with pytest.raises(SettingsError):
        DeviceCode.make()[1].save(tmp_path / "nowhere" / "device-code")


def test_a_reply_nobody_waits_for_is_left(scene: Any) -> None:
    scene.hub.hear(
        "niterwatch/main/reply/00000000", json.dumps({"id": "00000000", "done": True}).encode(), retain=False
    )
    assert scene.hub.refused == 0
