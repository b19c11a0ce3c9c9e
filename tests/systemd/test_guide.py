"""The guide for strangers says what the program does: its commands, its files."""

from __future__ import annotations

import re
import shlex

import pytest
import typer

from monitor import installation
from monitor.commands import app

GUIDE = (installation.shipped() / "INSTALL.md").read_text()
COMMANDS = sorted(
    {
        line.partition("#")[0].strip()
        for line in GUIDE.splitlines()
        if line.startswith("sudo /opt/niterwatch/bin/niterwatch ")
    }
)


@pytest.mark.parametrize("line", COMMANDS)
def test_every_command_of_the_guide_is_understood(line: str) -> None:
    _, program, command, *arguments = shlex.split(line)
    assert program == str(installation.PROGRAM)
    known = typer.main.get_command(app).commands[command]  # type: ignore[attr-defined]
    known.make_context(command, list(arguments))


def test_the_guide_shows_commands() -> None:
    assert len(COMMANDS) >= 5


def test_every_file_that_is_laid_on_one_board_is_in_the_guide_s_table() -> None:
    table = GUIDE[GUIDE.index("## What it lays") :]
    named = {pattern.lstrip("/") for pattern in re.findall(r"`([^`]+)`", table)}
    for path in [*installation.FILES.values(), *installation.BROKER_FILES.values(), installation.SETTINGS]:
        name = path.rpartition("/")[2]
        shown = {path, name, f"{path.split('/')[-2]}/{name}"} | (
            {"niterwatch-*.service"} if name.endswith(".service") else set()
        )
        assert shown & named, path


def test_every_file_the_guide_points_to_is_there() -> None:
    for link in re.findall(r"\]\(([^)#]+)\)", GUIDE):
        assert (installation.shipped() / link).exists(), link
