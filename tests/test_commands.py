"""Commands given wrong things: one clear line, the right exit status, nothing lost.

Each runs the real console command in a process of its own.
"""

from __future__ import annotations

import json
import os
import re
import socket
import sqlite3
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path

import pytest

from hardware.kernel_files import KernelTree, ProbeFiles
from tests.integration.services import BrokerProgram, Program, until

COMMAND = (sys.executable, "-m", "monitor.cli")
USAGE, FAULT = 2, 1


def run(*arguments: str, cwd: Path, deadline_s: float = 30.0) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [*COMMAND, *arguments],
        capture_output=True,
        text=True,
        cwd=cwd,
        timeout=deadline_s,
        check=False,
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[1]), "GPIOZERO_PIN_FACTORY": "mock"},
    )


def one_line(done: subprocess.CompletedProcess[str], *, status: int, says: str) -> None:
    assert done.returncode == status, done.stderr
    assert re.fullmatch(r"niterwatch: [^\n]+\n", done.stderr), done.stderr
    assert re.search(says, done.stderr), done.stderr


def settings(folder: Path, text: str) -> str:
    file = folder / "niterwatch.toml"
    file.write_text(text)
    return str(file)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[thresholds]\nready = "180 degF"\ncutof = "80 psi"\n', "line 3: thresholds.cutof: unknown key"),
        ('[thresholds]\nready = "180 furlongs"\n', "line 2: thresholds.ready: unit 'furlongs'"),
        ("[thresholds]\nready = 180\n", "line 2: thresholds.ready: 180 has no unit"),
        ("[press]\nframes = 0\n", "line 2: press.frames"),
        ("[press\n", "line 1"),
        ('[thresholds]\nready = "195 degF"\n', "must rise in this order"),
    ],
)
@pytest.mark.parametrize("command", [("runs",), ("monitor",), ("hardware",), ("check",)])
def test_a_setting_that_cannot_be_used_is_named_with_its_line(
    tmp_path: Path, text: str, says: str, command: Sequence[str]
) -> None:
    one_line(run(*command, "--settings", settings(tmp_path, text), cwd=tmp_path), status=USAGE, says=says)


@pytest.mark.parametrize(
    ("override", "says"),
    [
        ("press.frames=0", "press.frames"),
        ("press.frame=5", "press.frame: unknown key"),
        ("frames", "section.key=value"),
        ("press.full_volume=66.1", "no unit"),
        ("thresholds.ready=hot", "not a number with a unit|has no unit"),
    ],
)
def test_an_override_that_cannot_be_used_is_named(tmp_path: Path, override: str, says: str) -> None:
    one_line(run("runs", "--set", override, cwd=tmp_path), status=USAGE, says=says)


def test_a_settings_file_that_is_not_there(tmp_path: Path) -> None:
    one_line(run("runs", "--settings", "none.toml", cwd=tmp_path), status=USAGE, says="none.toml")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "empty"),
        ("a,b\n1,2\n", "elapsed_s"),
        ("elapsed_s,outlet_degC,line_kPa\n1,warm,200\n", "line 2"),
        ("elapsed_s,outlet_degC,line_kPa\n5,20,200\n4,20,200\n", "line 3"),
        ("elapsed_s,outlet_degC,line_kPa\n1,nan,200\n", "line 2"),
    ],
)
def test_a_trace_that_cannot_be_replayed_is_named_with_its_line(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "trace.csv").write_text(text)
    one_line(run("replay", "trace.csv", "--json", cwd=tmp_path), status=FAULT, says=says)


def test_a_run_that_is_not_there_cannot_be_exported(tmp_path: Path) -> None:
    done = run("export", "main-19990101-000000", cwd=tmp_path)
    assert done.returncode == FAULT
    assert len(done.stderr.splitlines()) == 1


def test_a_store_that_is_not_there_is_named_and_not_made(tmp_path: Path) -> None:
    one_line(run("runs", cwd=tmp_path), status=FAULT, says="niterwatch.db")
    assert list(tmp_path.iterdir()) == []


def test_a_port_in_use_is_named(tmp_path: Path, broker_program: BrokerProgram) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = run(
            "web",
            "--set=web.host=127.0.0.1",
            f"--set=web.port={port}",
            f"--set=broker.port={broker_program.port}",
            cwd=tmp_path,
        )
    assert done.returncode == FAULT
    assert f"{port}" in done.stderr.splitlines()[-1]


def test_two_probes_and_none_named_is_refused_at_the_start(tmp_path: Path) -> None:
    tree = KernelTree.at(tmp_path)
    ProbeFiles(tree.w1, sensor_id="0000feed0001").show(20.0)
    ProbeFiles(tree.w1, sensor_id="0000feed0002").show(20.0)
    done = run("hardware", f"--set=kernel.w1={tree.w1}", f"--set=kernel.iio={tree.iio}", cwd=tmp_path)
    assert done.returncode == FAULT
    assert "feed0001" in done.stderr.splitlines()[-1]


@pytest.mark.parametrize("service", ["hardware", "monitor"])
def test_a_broker_that_is_absent_is_named_once_and_waited_for(
    tmp_path: Path, free_port: int, service: str
) -> None:
    tree = KernelTree.at(tmp_path)
    log = tmp_path / "service.log"
    program = Program(
        [
            *COMMAND,
            service,
            f"--set=broker.port={free_port}",
            f"--set=kernel.w1={tree.w1}",
            f"--set=kernel.iio={tree.iio}",
        ],
        log=log,
        environment={"GPIOZERO_PIN_FACTORY": "mock"},
    )
    program.start()
    until(lambda: f"no broker at 127.0.0.1:{free_port}" in program.text(), what="the broker is missed")
    assert program.alive
    assert program.stop() == 0
    assert program.text().count("no broker at") == 1


def test_a_store_that_another_monitor_writes_is_refused(tmp_path: Path, mosquitto: BrokerProgram) -> None:
    log = tmp_path / "first.log"
    first = Program([*COMMAND, "monitor", f"--set=broker.port={mosquitto.port}"], log=log)
    first.start()
    until(lambda: (tmp_path / "niterwatch.db").exists(), what="the first has its store")
    until(lambda: _tables(tmp_path / "niterwatch.db") > 0, what="its tables are there")
    second = run("monitor", f"--set=broker.port={mosquitto.port}", cwd=tmp_path)
    assert first.stop() == 0
    one_line(second, status=FAULT, says="another writer")


def test_a_store_in_a_folder_that_is_not_there_is_named(tmp_path: Path) -> None:
    done = run("monitor", "--set=store.url=sqlite:////nowhere/at/all.db", cwd=tmp_path)
    one_line(done, status=FAULT, says="all.db|nowhere")


def test_check_names_each_part_and_fails_on_a_fault(tmp_path: Path, free_port: int) -> None:
    tree = KernelTree.at(tmp_path)
    done = run(
        "check",
        f"--set=broker.port={free_port}",
        f"--set=kernel.w1={tree.w1}",
        f"--set=kernel.iio={tree.iio}",
        cwd=tmp_path,
    )
    assert done.returncode == FAULT
    named = {line.split(":")[0].split()[-1]: line.split()[0] for line in done.stdout.splitlines()}
    assert {"outlet", "line", "sounder", "broker", "store", "clock"} <= set(named)
    assert named["outlet"] == named["line"] == named["broker"] == "FAULT"
    assert named["store"] == "ok"


def test_help_lists_the_commands_and_needs_no_sensor_library(tmp_path: Path) -> None:
    done = run("--help", cwd=tmp_path)
    assert done.returncode == 0
    for command in ("demo", "monitor", "hardware", "web", "check", "runs", "replay", "export"):
        assert command in done.stdout
    loaded = subprocess.run(
        [sys.executable, "-c", "import sys, monitor.cli, monitor.commands; print(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    assert {"numpy", "sqlalchemy", "fastapi", "aiomqtt"}.isdisjoint(loaded)


def test_a_reader_that_goes_away_is_no_traceback(tmp_path: Path) -> None:
    trace = tmp_path / "trace.csv"
    rows = "".join(f"{second},{20 + second % 60},200\n" for second in range(5000))
    trace.write_text("elapsed_s,outlet_degC,line_kPa\n" + rows)
    piped = f"{sys.executable} -m monitor.cli replay {trace} --json | head -n 1"
    done = subprocess.run(piped, shell=True, capture_output=True, text=True, check=True)  # noqa: S602
    assert json.loads(done.stdout)["kind"]
    assert "Traceback" not in done.stderr


def _tables(file: Path) -> int:
    try:
        with sqlite3.connect(f"file:{file}?mode=ro", uri=True) as store:
            found = store.execute("SELECT count(*) FROM sqlite_master WHERE type = 'table'").fetchone()
    except sqlite3.Error:
        return 0
    return int(found[0])
