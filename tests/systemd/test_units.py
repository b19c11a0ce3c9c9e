"""The units as systemd itself reads and judges them, with their drop-ins, in an installed tree."""

from __future__ import annotations

import shlex
from collections import defaultdict
from pathlib import Path

import pytest
import typer

from monitor import installation
from monitor.commands import app
from monitor.runtime.settings import load
from tests.systemd.conftest import run

SHIPPED = installation.shipped()
UNITS = [f"{service}.service" for service in installation.SERVICES]
EXPOSURE = {
    "niterwatch-web.service": 1.5,
    "niterwatch-monitor.service": 1.5,
    "niterwatch-hardware.service": 2.0,
    "mosquitto.service": 3.0,
}
"""Highest exposure allowed of each, 0 to 10 as systemd-analyze(1) counts it (requirement)."""


def security(root: Path, unit: str, *, limit: float) -> int:
    """Return the exit status of systemd's own judgement: 0 up to ``limit``."""
    judged = run(
        [
            *("systemd-analyze", "security", "--no-pager", "--offline=true", f"--root={root}"),
            *(f"--threshold={limit * 10:.0f}", unit),
        ]
    )
    assert "Overall exposure level" in judged.stdout, judged.stderr
    return judged.returncode


def verify(root: Path, *units: str) -> str:
    """Return what systemd has to say of units; it may end with status 0 and complain all the same."""
    judged = run(["systemd-analyze", "verify", "--man=no", f"--root={root}", *units])
    return judged.stderr + ("" if judged.returncode == 0 else f"status {judged.returncode}")


@pytest.mark.parametrize("unit", EXPOSURE)
def test_exposure_stays_under_its_limit(board: Path, unit: str) -> None:
    assert security(board, unit, limit=EXPOSURE[unit]) == 0


def test_the_measure_bites_where_a_sandbox_is_missing(bare: Path) -> None:
    assert security(bare, "mosquitto.service", limit=EXPOSURE["mosquitto.service"]) != 0


def test_systemd_has_nothing_to_say_of_the_units(board: Path) -> None:
    assert verify(board, "niterwatch.target", *UNITS, "mosquitto.service") == ""


def test_a_misspelt_key_would_be_noticed(board: Path) -> None:
    unit = board / installation.UNITS / "niterwatch-web.service"
    unit.write_text(unit.read_text().replace("WatchdogSec=", "WatchDogSec="))
    assert "'WatchDogSec'" in verify(board, "niterwatch-web.service")


def test_a_missing_program_would_be_noticed(board: Path) -> None:
    (board / str(installation.PROGRAM).lstrip("/")).unlink()
    assert "is not executable" in verify(board, "niterwatch-web.service")


@pytest.mark.parametrize("service", installation.SERVICES)
def test_each_unit_starts_a_command_of_the_program(board: Path, service: str) -> None:
    unit = effective(board, f"{service}.service")
    (line,) = unit["ExecStart"][-1:]
    name = service.rpartition("-")[2]
    line = line.replace("%j", name).replace("%N", service).replace("%d", "/run/credentials/x")
    program, command, *arguments = shlex.split(line)
    assert program == str(installation.PROGRAM)
    assert command == name
    # click parses the arguments as it would in service, and refuses an option it does not know.
    known = typer.main.get_command(app).commands[command]  # type: ignore[attr-defined]
    given = known.make_context(command, list(arguments)).params
    assert given["settings"] == Path("/") / installation.SETTINGS
    if given["overrides"]:
        settings = load(board / installation.SETTINGS, overrides=given["overrides"])
        assert settings.broker.username == service


@pytest.mark.parametrize("service", installation.SERVICES)
def test_each_unit_is_watched_restarted_and_its_own_user(board: Path, service: str) -> None:
    unit = effective(board, f"{service}.service")
    assert unit["Type"] == ["notify"]
    assert unit["NotifyAccess"] == ["main"]
    assert float(unit["WatchdogSec"][0]) <= 20
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"]
    assert unit["User"] == [service]
    assert unit["DevicePolicy"] == ["closed"]


def test_only_the_sensors_service_may_open_devices_and_these_by_name(board: Path) -> None:
    allowed = {unit: effective(board, unit)["DeviceAllow"] for unit in UNITS}
    assert allowed == {
        "niterwatch-hardware.service": ["char-gpiochip rw", "char-alsa rw"],
        "niterwatch-monitor.service": [],
        "niterwatch-web.service": [],
    }


def test_only_the_page_is_open_to_the_network_until_asked_for(bare: Path, install: object) -> None:
    install()  # type: ignore[operator]
    for unit in ("niterwatch-hardware.service", "niterwatch-monitor.service", "mosquitto.service"):
        assert effective(bare, unit)["IPAddressAllow"] == ["localhost"], unit
        assert effective(bare, unit)["IPAddressDeny"] == ["any"], unit


def test_settings_and_folders_of_the_units_agree(board: Path) -> None:
    settings = load(board / installation.SETTINGS)
    store = Path(settings.store.url.removeprefix("sqlite:///"))
    assert (
        store.parent == Path("/var/lib") / effective(board, "niterwatch-monitor.service")["StateDirectory"][0]
    )
    assert settings.web.code_file == Path("/") / installation.CODE
    assert settings.web.code_file.parent.name in effective(board, "niterwatch-web.service")["StateDirectory"]


def test_the_folder_is_data_and_no_package() -> None:
    assert not list(SHIPPED.glob("*.py")), "it would shadow python3-systemd"


def effective(root: Path, unit: str) -> dict[str, list[str]]:
    """Return a unit's values by key, its drop-ins' after its own; an empty one clears those before."""
    places = [root / "lib/systemd/system" / unit, root / installation.UNITS / unit]
    places += sorted((root / installation.UNITS / f"{unit}.d").glob("*.conf"))
    values: dict[str, list[str]] = defaultdict(list)
    for place in places:
        for line in place.read_text().splitlines() if place.exists() else ():
            key, separator, value = line.partition("=")
            if separator and not line.startswith("#"):
                values[key] = [*values[key], value] if value else []
    return values
