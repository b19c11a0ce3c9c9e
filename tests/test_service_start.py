"""How a service is asked for, and what its process does and does not carry for as long as it lives."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from hardware.kernel_files import KernelTree
from monitor.service_start import ServiceAsked, service_asked
from tests.integration.services import BrokerProgram, Program, until
from tests.ports import unused_port

LOADED = re.compile(r"^import time: +\d+ \| +\d+ \| +(\S+)$", re.MULTILINE)
"""A module as ``python -X importtime`` names it when it has been loaded."""
NOBODY = {"typer", "rich", "monitor.commands", "monitor.record_commands"}


@pytest.mark.parametrize(
    ("line", "asked"),
    [
        ("monitor", ("monitor", None, [])),
        ("web --settings a.toml", ("web", Path("a.toml"), [])),
        ("web --settings=a.toml", ("web", Path("a.toml"), [])),
        (
            "hardware --set a.b=1 --settings a.toml --set=c.d=2",
            ("hardware", Path("a.toml"), ["a.b=1", "c.d=2"]),
        ),
        ("hardware --settings a.toml --settings b.toml", ("hardware", Path("b.toml"), [])),
    ],
)
def test_a_service_is_asked_for_with_settings(line: str, asked: tuple[object, ...]) -> None:
    found = service_asked(line.split())
    assert found is not None
    assert (found.service, found.settings, found.overrides) == asked


@pytest.mark.parametrize(
    "line",
    [
        *("", "--help", "runs", "Monitor", "--settings a.toml monitor"),
        *("monitor --help", "monitor web", "monitor --set", "monitor --settings"),
        *("monitor --sett a.toml", "monitor --speed 2", "monitor -s a.toml", "monitor a.toml"),
    ],
)
def test_anything_else_is_left_to_the_library_of_the_commands(line: str) -> None:
    assert service_asked(line.split()) is None


def test_no_override_of_one_start_is_left_for_the_next() -> None:
    service_asked(["web", "--set", "a.b=1"])
    assert service_asked(["web"]) == ServiceAsked(service="web", settings=None, overrides=[])


@pytest.mark.broker
@pytest.mark.parametrize(
    ("service", "up", "needs", "spares"),
    [
        ("monitor", "is watched", {"sqlalchemy", "aiomqtt"}, {"sqlalchemy.dialects.postgresql", "alembic"}),
        (
            "hardware",
            "line: no converter",
            {"w1thermsensor", "aiomqtt"},
            {"gpiozero", "sqlite3", "numpy", "fastapi"},
        ),
        ("web", "the page is at", {"fastapi", "sqlalchemy"}, {"numpy", "websockets", "psycopg"}),
    ],
)
def test_a_service_loads_what_it_needs_alone(
    tmp_path: Path,
    mosquitto: BrokerProgram,
    new_log: Callable[[str], Path],
    service: str,
    up: str,
    needs: set[str],
    spares: set[str],
) -> None:
    tree = KernelTree.at(tmp_path)
    options = {
        "broker.port": mosquitto.port,
        "kernel.w1": tree.w1,
        "kernel.iio": tree.iio,
        "web.host": "127.0.0.1",
        "web.port": unused_port(),
    }
    command = [sys.executable, "-X", "importtime", "-m", "monitor.cli", service]
    command += [f"--set={name}={value}" for name, value in options.items()]
    # The store's tables are made at the first start, by a library that no later one loads.
    for turn in ("first", "second"):
        log = new_log(f"{service}, {turn} start")
        with Program(command, log=log, environment={"GPIOZERO_PIN_FACTORY": "mock"}) as program:
            until(lambda: up in program.text() or not program.alive, what=f"{service} is up")
            assert program.stop() == 0
    loaded = set(LOADED.findall(program.text()))
    assert needs - loaded == set()
    assert loaded & (NOBODY | spares) == set()
