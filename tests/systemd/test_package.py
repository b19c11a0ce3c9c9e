"""What is installed by pip carries the files of the board along and can lay them."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOM = Path(__file__).parents[2]
SOURCE = ("pyproject.toml", "README.md", "LICENSE", "monitor", "hardware", "web", "systemd")


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build a wheel from a copy of the source, without a network, and unpack it."""
    place = tmp_path_factory.mktemp("package")
    source = place / "source"
    source.mkdir()
    for name in SOURCE:
        if (ROOM / name).is_dir():
            shutil.copytree(ROOM / name, source / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(ROOM / name, source)
    built = subprocess.run(
        [
            *(sys.executable, "-m", "pip", "wheel", "--quiet", "--no-deps", "--no-build-isolation"),
            *("--no-index", "--wheel-dir", str(place), str(source)),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert built.returncode == 0, built.stderr
    (wheel,) = place.glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(place / "installed")
    return place / "installed"


def test_every_file_for_the_board_is_in_the_package(installed: Path) -> None:
    inside = {file.name: file.read_bytes() for file in (installed / "monitor" / "systemd").iterdir()}
    assert inside == {file.name: file.read_bytes() for file in (ROOM / "systemd").iterdir()}
    assert not (installed / "systemd").exists(), "it would shadow python3-systemd"


def test_the_package_lays_its_own_files(installed: Path, bare: Path, tmp_path: Path) -> None:
    script = "import monitor.cli, sys; print(monitor.cli.__file__, file=sys.stderr); monitor.cli.main()"
    done = subprocess.run(
        [sys.executable, "-c", script, "install", "--root", str(bare)],
        capture_output=True,
        text=True,
        check=False,
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(installed)},
    )
    assert done.returncode == 0, done.stderr
    assert done.stderr.startswith(str(installed))
    laid = bare / "etc/systemd/system/niterwatch-web.service"
    assert laid.read_bytes() == (ROOM / "systemd" / "niterwatch-web.service").read_bytes()
