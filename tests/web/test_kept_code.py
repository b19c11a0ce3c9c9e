"""The code as its file has it now: none, a new one, a damaged one; never made or told unasked."""

from __future__ import annotations

import contextlib
import os
import pty
import stat
import subprocess
import sys
from pathlib import Path
from typing import Any

import httpx
import pytest

from monitor.contract.commands import Command, Reply
from monitor.contract.errors import SettingsError
from tests.integration.services import ROOM, BrokerProgram, Services, answers, until
from tests.ports import unused_port
from web.kept_code import KeptCode
from web.security import WRONG_LIMIT, DeviceCode


def written(file: Path) -> str:
    text, code = DeviceCode.make()
    code.save(file)
    return text


async def start(client: httpx.AsyncClient, code: str) -> httpx.Response:
    return await client.post("/press/main/act/start", json={}, headers={"X-Device-Code": code})


def test_a_new_code_counts_at_once_and_the_old_one_no_more(tmp_path: Path) -> None:
    file = tmp_path / "device-code"
    kept = KeptCode(file)
    assert not kept.made
    assert not kept.matches("")
    old = written(file)
    assert kept.made
    assert kept.matches(old)
    new = written(file)
    assert kept.matches(new)
    assert not kept.matches(old)


def test_a_file_that_goes_or_is_damaged_closes_the_acts(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    file = tmp_path / "device-code"
    text = written(file)
    kept = KeptCode(file)
    file.write_text("scrypt$torn")
    assert not kept.made
    assert not kept.matches(text)
    assert len(caplog.records) == 1
    file.unlink()
    assert not kept.made
    assert kept.matches(written(file))
    file.write_text("scrypt$torn")
    with pytest.raises(SettingsError, match="niterwatch code"):
        KeptCode(file)


async def test_without_a_code_acts_are_closed_and_both_pages_say_how_to_make_one(
    scene: Any, tmp_path: Path
) -> None:
    closed = KeptCode(tmp_path / "device-code")
    scene = type(scene)(scene.settings, scene.clock, "", closed, scene.store_url)
    scene.answer = lambda command: Reply(id=command.id, done=True)
    async with scene.client() as client:
        # More tries than wrong codes are allowed: there is no code to guess.
        answers = [await start(client, "1234 5678") for _ in range(WRONG_LIMIT + 1)]
        assert {answer.status_code for answer in answers} == {403}
        assert "niterwatch code" in answers[0].json()["said"]
        assert scene.sent == []
        for path in ("/health", "/press/main", "/press/main/run"):
            assert "niterwatch code" in (await client.get(path)).text, path
        text = written(tmp_path / "device-code")
        assert (await start(client, text)).status_code == 200
        for path in ("/health", "/press/main", "/press/main/run"):
            assert "niterwatch code" not in (await client.get(path)).text, path
    assert [type(Command.model_validate_json(payload)) for _, payload in scene.sent] == [Command]


@pytest.mark.broker
@pytest.mark.parametrize("broker_program", ["mosquitto"], indirect=True)
def test_a_service_makes_no_code_and_takes_the_one_made_while_it_runs(
    services: Services,
) -> None:
    services.start("web")
    file = services.directory / "device-code"
    assert not file.exists()
    made = subprocess.run(
        [*services.command, "code", "--settings", str(services.settings_file)],
        capture_output=True,
        text=True,
        check=True,
        cwd=services.directory,
        env=os.environ | {"PYTHONPATH": str(ROOM)},
    )
    text = made.stdout.splitlines()[0]
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    with httpx.Client(base_url=services.address) as client:
        answer = client.post("/press/main/act/start", json={}, headers={"X-Device-Code": text})
    # No monitor runs: the code was right, and nobody answered.
    assert answer.status_code == 504
    log = services.programs["web"].text()
    assert "niterwatch code" in log
    assert text not in log
    assert text.replace(" ", "") not in log


@pytest.mark.broker
def test_a_first_start_by_hand_shows_the_code_on_the_terminal_once(
    tmp_path: Path, mosquitto: BrokerProgram
) -> None:
    port = unused_port()
    command = [sys.executable, "-m", "monitor.cli", "web", "--set=web.host=127.0.0.1"]
    command += [f"--set=web.port={port}", f"--set=broker.port={mosquitto.port}"]
    master, terminal = pty.openpty()
    os.set_blocking(master, False)
    said = b""

    def heard() -> bytes:
        nonlocal said
        with contextlib.suppress(BlockingIOError):
            said += os.read(master, 65536)
        return said

    for _ in range(2):
        page = subprocess.Popen(
            command,
            cwd=tmp_path,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=terminal,
            env=os.environ | {"PYTHONPATH": str(ROOM)},
        )
        try:
            # The port takes calls a moment before anybody answers them.
            until(lambda: answers(port), what="the port is open")
            httpx.get(f"http://127.0.0.1:{port}/safety", timeout=20).raise_for_status()
            assert b"device's code is" in heard()
        finally:
            page.terminate()
            page.wait(15)
    heard()
    os.close(terminal)
    os.close(master)
    assert said.count(b"device's code is") == 1
    text = said.partition(b"device's code is ")[2][:9].decode()
    code = DeviceCode.load(tmp_path / "device-code")
    assert code is not None
    assert code.matches(text)
