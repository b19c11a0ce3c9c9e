"""A store that takes its time to open: systemd is asked for patience instead of killing the start."""

from __future__ import annotations

import socket
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from tests.integration.services import Services, mosquitto

pytestmark = [pytest.mark.broker, pytest.mark.timeout(90)]


def test_a_monitor_that_waits_for_its_store_asks_for_more_time_then_says_ready(tmp_path: Path) -> None:
    with (
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard,
        mosquitto(tmp_path, log=tmp_path / "mosquitto.log") as broker,
    ):
        heard.bind(str(tmp_path / "notify"))
        heard.settimeout(30.0)
        services = Services(tmp_path, broker=broker.section, new_log=lambda name: tmp_path / f"{name}.log")
        services.start("monitor")
        assert services.stop("monitor") == 0
        with closing(sqlite3.connect(services.database, isolation_level=None)) as store:
            # Pages of an older version: the monitor copies the store, and waits while it is read.
            store.execute("PRAGMA journal_mode = DELETE")
            store.execute("PRAGMA page_size = 4096")
            store.execute("VACUUM")
            store.execute("PRAGMA journal_mode = WAL")
            store.execute("BEGIN")
            assert store.execute("SELECT count(*) FROM run").fetchone() == (0,)
            program = services.programs["monitor"]
            program.environment = {**services.environment, "NOTIFY_SOCKET": str(tmp_path / "notify")}
            program.start()
            try:
                assert heard.recv(4096) == b"EXTEND_TIMEOUT_USEC=15000000"
                while not heard.recv(4096).startswith(b"READY=1"):
                    pass
            finally:
                assert program.stop() == 0
        assert "keeps its large pages for now" in program.text()
