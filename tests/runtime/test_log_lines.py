"""The log as its two readers see it, and what a flood leaves of it.

Priorities: sd-daemon(3) (SD_ERR "<3>", SD_WARNING "<4>", SD_INFO "<6>"); JOURNAL_STREAM, device and
inode in decimal: systemd.exec(5).
"""

from __future__ import annotations

import io
import logging
import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from monitor.runtime.clock import ManualClock
from monitor.runtime.log_lines import LogLines, is_journal

Log = tuple[logging.Logger, io.StringIO, ManualClock]


@pytest.fixture
def new_log(request: pytest.FixtureRequest) -> Callable[..., Log]:
    def make(*, journal: bool) -> Log:
        stream, clock = io.StringIO(), ManualClock()
        logger = logging.Logger("a log of its own", logging.INFO)
        logger.addHandler(LogLines(stream, journal=journal, now_s=clock.monotonic))
        return logger, stream, clock

    return make


@pytest.fixture
def journal(new_log: Callable[..., Log]) -> Log:
    return new_log(journal=True)


def test_the_journal_is_given_priorities(journal: Log) -> None:
    log, stream, _ = journal
    log.error("not recording: the disk is full")
    log.warning("no broker")
    log.info("run begins")
    assert stream.getvalue() == "<3>not recording: the disk is full\n<4>no broker\n<6>run begins\n"


def test_a_terminal_is_given_the_time_and_what_is_trouble(new_log: Callable[..., Log]) -> None:
    log, stream, _ = new_log(journal=False)
    log.info("run begins")
    log.warning("no broker")
    moment = r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d"
    assert re.fullmatch(rf"{moment} run begins\n{moment} warning: no broker\n", stream.getvalue())


def test_one_event_is_one_line_whatever_it_was_given(journal: Log) -> None:
    log, stream, _ = journal
    log.warning("refused a message on %s", "a/b\n<0>forged \x1b[2J\u2028" + "x" * 5000)
    assert stream.getvalue().count("\n") == 1
    assert stream.getvalue().startswith("<4>refused a message on a/b <0>forged ?[2J")
    assert len(stream.getvalue()) < 520


def test_a_fault_of_the_program_is_one_line_and_its_details_are_for_programmers(journal: Log) -> None:
    log, stream, _ = journal
    try:
        raise ZeroDivisionError("by nought\nat all")
    except ZeroDivisionError:
        log.exception("earlier runs cannot be learned from")
    first, *rest = stream.getvalue().splitlines()
    assert first == "<3>earlier runs cannot be learned from"
    assert len(rest) > 3
    assert all(line.startswith("<7>") for line in rest)


def test_a_flapping_broker_is_told_three_times_a_minute_and_the_rest_counted(journal: Log) -> None:
    log, stream, clock = journal
    for _ in range(300):
        log.warning("no broker at %s; retrying", "127.0.0.1:1883")
        log.warning("the broker at %s is back", "127.0.0.1:1883")
        clock.advance(0.1)
    assert len(stream.getvalue().splitlines()) == 6
    clock.advance(60)
    log.info("stopped")
    assert stream.getvalue().splitlines()[6:] == [
        "<6>297 more lines were left out: no broker at 127.0.0.1:1883; retrying",
        "<6>297 more lines were left out: the broker at 127.0.0.1:1883 is back",
        "<6>stopped",
    ]


def test_lines_that_differ_in_a_name_only_are_bounded_and_hide_no_others(journal: Log) -> None:
    log, stream, clock = journal
    for number in range(1000):
        log.warning("refused a message on %s: %s", f"niterwatch/made-up-{number}/status", "no JSON")
    log.error("not recording: the disk is full")
    lines = stream.getvalue().splitlines()
    assert (len(lines), lines[-1]) == (20 + 3 + 1, "<3>not recording: the disk is full")
    clock.advance(61)
    log.info("stopped")
    assert "<6>977 more lines were left out: refused a message on …: …" in stream.getvalue()


def test_one_probe_that_flaps_leaves_the_others_their_say(journal: Log) -> None:
    log, stream, clock = journal
    for _ in range(50):
        log.warning("%s: %s", "outlet", "the probe does not answer")
        clock.advance(1)
    log.warning("%s: %s", "pan", "the probe does not answer")
    assert stream.getvalue().count("outlet") == 3
    assert stream.getvalue().count("pan") == 1


def test_a_reader_that_has_gone_stops_no_service(new_log: Callable[..., Log]) -> None:
    log, stream, _ = new_log(journal=True)
    stream.close()
    log.warning("no broker")


def test_the_journal_is_known_by_its_stream(tmp_path: Path) -> None:
    with (tmp_path / "stream").open("w") as stream:
        found = os.fstat(stream.fileno())
        own = {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"}
        assert is_journal(stream, environment=own)
        assert not is_journal(stream, environment={"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino + 1}"})
        assert not is_journal(stream, environment={})
    assert not is_journal(io.StringIO(), environment=own)


@pytest.mark.parametrize("journal", [True, False])
def test_a_service_writes_as_its_reader_wants(tmp_path: Path, *, journal: bool) -> None:
    script = "import logging; from monitor.runtime import log_lines; log_lines.begin(); logging.error('full')"
    file = tmp_path / "stream"
    with file.open("wb") as stream:
        found = os.fstat(stream.fileno())
        told = {"JOURNAL_STREAM": f"{found.st_dev}:{found.st_ino}"} if journal else {}
        environment = {key: value for key, value in os.environ.items() if key != "JOURNAL_STREAM"} | told
        subprocess.run([sys.executable, "-c", script], stderr=stream, env=environment, check=True)
    assert re.fullmatch("<3>full\n" if journal else r"[-0-9]{10} [:0-9]{8} error: full\n", file.read_text())
