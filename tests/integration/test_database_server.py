"""The services over a PostgreSQL server that goes away in the middle of a run: the press stays watched."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from hardware.kernel_files import KernelTree, LineFiles, ProbeFiles
from tests.integration.services import Ear, Services, until
from tests.integration.test_line import Bench
from tests.postgres import PASSWORD, PostgresServer, postgres_server

SAID_WITHIN_S = 5.0 + 1.0
"""The limit, and the second that a status may take."""


@pytest.fixture
def server() -> Iterator[PostgresServer]:
    with postgres_server(durable=True) as server:
        yield server


@pytest.fixture
def shed(services: Services, server: PostgresServer, tmp_path: Path) -> Iterator[Bench]:
    """A press whose runs are kept on the server."""
    database = server.new_database()
    services.settings |= {
        "store": {"url": server.url(database)},
        "point.outlet": {"time_constant": "0 s", "tolerance": "0.1 degC"},
    }
    with KernelTree.temporary() as tree, Ear(services.broker) as ear:
        services.settings["kernel"] = {"w1": str(tree.w1), "iio": str(tree.iio)}
        probe = ProbeFiles(tree.w1, sensor_id="0000feed0001")
        yield Bench(services, probe, LineFiles(tree.iio), ear, tmp_path / "silent.wav")
        services.stop_all()


def is_recording(bench: Bench) -> bool:
    status = bench.status()
    return status is not None and status.recording


@pytest.mark.parametrize("broker_program", ["mosquitto"], indirect=True)
@pytest.mark.timeout(180)
def test_a_press_is_watched_on_while_the_database_is_away_and_nothing_is_missing(
    shed: Bench, server: PostgresServer
) -> None:
    shed.show(outlet_f=150.0, psi=30.0)
    shed.services.start("monitor", "hardware", "web")
    until(lambda: shed.says("still recirculating"), what="a run is open", deadline_s=40.0)
    server.kill()
    began_s = time.monotonic()
    until(lambda: not is_recording(shed), what="it says so", deadline_s=SAID_WITHIN_S + 5.0)
    assert time.monotonic() - began_s <= SAID_WITHIN_S
    status = shed.status()
    assert status is not None
    assert (status.trouble or "").startswith("database trace_1 on 127.0.0.1")
    shed.show(outlet_f=196.0)
    until(lambda: shed.says("over precipitation threshold"), what="the alarm is raised", deadline_s=15.0)
    server.start()
    until(lambda: is_recording(shed), what="it records again", deadline_s=15.0)
    run = status.run
    assert run is not None
    until(lambda: alarms_of(server, run.id) > 0, what="the alarm of meanwhile is kept", deadline_s=10.0)
    assert run.id in httpx.get(f"{shed.services.address}/runs", timeout=20.0).text
    assert shed.services.stop("monitor") == 0
    gaps = "SELECT max(gap) FROM (SELECT mono_s - lag(mono_s) OVER (ORDER BY id) AS gap FROM moment) seconds"
    ((widest_s,),) = server.ask("trace_1", gaps)
    assert widest_s < 2.5, "a second that nobody kept"
    assert server.ask("trace_1", "SELECT count(*) - count(DISTINCT mono_s) FROM moment") == [(0,)]
    assert server.ask("trace_1", "SELECT count(*) FROM lease") == [(0,)], "free at once for another"
    logs = "".join(program.text() for program in shed.services.programs.values())
    assert PASSWORD not in logs


def alarms_of(server: PostgresServer, run: str) -> int:
    found = server.ask("trace_1", "SELECT run FROM event WHERE kind = 'alarm'")
    return sum(name == run for (name,) in found)


@pytest.mark.timeout(60)
def test_a_monitor_whose_server_is_not_there_ends_with_one_line(
    services: Services, server: PostgresServer
) -> None:
    services.settings["store"] = {"url": server.url("nowhere")}
    services._write_settings()
    program = services._program("monitor")
    program.start()
    assert program.finish() == 1
    (line,) = [text for text in program.text().splitlines() if "nowhere" in text]
    assert "does not exist: have it made, or check store.url" in line
    assert PASSWORD not in program.text()
    assert "Traceback" not in program.text()
    assert sys.executable not in program.text()
