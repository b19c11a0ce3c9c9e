"""A board's file system in a folder: the system's own units, stand-ins for programs, our files laid in it."""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest

from monitor import installation
from web.security import DeviceCode

SYSTEM_UNITS = Path("/usr/lib/systemd/system")
ADDRESS = "192.168.0.77"
PROGRAMS = ("opt/niterwatch/bin/niterwatch", "bin/chown", "usr/sbin/mosquitto", "usr/bin/kill", "bin/kill")

Install = Callable[..., list[str]]


def new_code(file: Path) -> str:
    """Keep a new device's code in ``file``, as the command line does."""
    text, made = DeviceCode.make()
    made.save(file)
    return text


def run(command: Sequence[str | Path]) -> subprocess.CompletedProcess[str]:
    """Run a program of the system to its end."""
    return subprocess.run(command, capture_output=True, text=True, timeout=60, check=False)


@pytest.fixture
def bare(tmp_path: Path) -> Path:
    """Return the root of a board with systemd and mosquitto, and nothing of ours."""
    root = tmp_path / "board"
    shutil.copytree(SYSTEM_UNITS, root / "usr/lib/systemd/system", symlinks=True)
    (root / "lib").symlink_to("usr/lib")
    assert (root / "lib/systemd/system/mosquitto.service").exists(), "apt install mosquitto systemd"
    for program in PROGRAMS:
        (root / program).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy("/bin/true", root / program)
    (root / "etc").mkdir()
    return root


@pytest.fixture
def install(bare: Path) -> Install:
    """Return what installs on the bare board and gives the lines it said."""

    def on_board(**changes: object) -> list[str]:
        board = installation.Board(**({"root": bare} | changes))  # type: ignore[arg-type]
        return list(installation.install(board, new_code=new_code))

    return on_board


@pytest.fixture(params=["one board", "several boards"])
def board(request: pytest.FixtureRequest, bare: Path, install: Install) -> Path:
    """Return the root of a board installed for itself alone, then of one with the broker for others."""
    install(lan=ADDRESS if request.param == "several boards" else None)
    return bare
