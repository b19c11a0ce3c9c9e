"""Entries from the command line to a running monitor, and what it learns of them while it watches."""

from __future__ import annotations

import csv
import json
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from monitor.contract.payloads import decode
from monitor.contract.status import RunStatus
from monitor.contract.topics import Topics
from tests.integration.services import Ear, Services, until
from tests.run.seasons import invent_season, run_of, trace_rows
from tests.trace.test_season import Farm

TOPICS = Topics("main")
RUN = "main-a"
ONE_BROKER = pytest.mark.parametrize("broker_program", ["mosquitto"], indirect=True)
"""For what no broker changes."""


@dataclass
class Desk:
    """A command line beside a running monitor."""

    services: Services
    ear: Ear

    def say(self, *words: str) -> subprocess.CompletedProcess[str]:
        """Run one command with the services' settings."""
        settings = ("--settings", str(self.services.settings_file))
        command = [sys.executable, "-m", "monitor.cli", *words, *settings]
        return subprocess.run(command, capture_output=True, text=True, timeout=30, check=False)

    def kept(self, *words: str) -> str:
        """Run a command that keeps an entry; return the entry's name."""
        done = self.say(*words)
        assert done.returncode == 0, done.stderr
        found = re.search(r"kept as ([0-9a-f]+)", done.stdout)
        assert found, done.stdout
        return found[1]

    def full_volume_l(self) -> float | None:
        """Return what the newest status says would fill the frames."""
        heard = [message for message in self.ear.on(TOPICS.status) if not message.retain]
        return decode(heard[-1].payload, RunStatus).shape.full_volume_l if heard else None

    def settles(self, *, away_from: float | None) -> float:
        """Wait until the full volume is another one; return it."""
        until(lambda: self.full_volume_l() not in (None, away_from), what="the monitor has learned")
        found = self.full_volume_l()
        assert found is not None
        return found


@pytest.fixture
def desk(services: Services) -> Iterator[Desk]:
    """Start a monitor over a store that holds one run."""
    farm = Farm(services.database)
    farm.run(RUN, list(trace_rows(run_of(invent_season(0), 0, dose=9.0).rows)), day=0)
    farm.writer.close()
    with Ear(services.broker, topics=(TOPICS.status,)) as ear:
        services.start("monitor")
        yield Desk(services, ear)


def test_what_the_cakes_say_is_in_force_at_once_and_gone_when_it_is_taken_back(desk: Desk) -> None:
    by_trace_l = desk.settles(away_from=None)
    charge = desk.kept("charge", "--batch", "60 L", "--aid", "540 g", "--run", RUN)
    wrong = desk.kept("cake", RUN, "--fill", "0.3", "--who", "Ada")
    wrong_l = desk.settles(away_from=by_trace_l)
    right = desk.kept("cake", RUN, "--fill", "95 %", "--note", "firm, even", "--corrects", wrong)
    right_l = desk.settles(away_from=wrong_l)
    assert right_l < wrong_l, "cakes that took more of the frames leave room for less syrup"
    listed = desk.say("entries", RUN).stdout.splitlines()
    assert [line.split()[0] for line in listed] == [charge, wrong, right]
    assert "counts no more" in listed[1]
    desk.kept("correct", right, "--reason", "the other press")
    assert desk.settles(away_from=right_l) == pytest.approx(wrong_l), "the old word counts again"


@ONE_BROKER
def test_lots_are_kept_and_found(desk: Desk) -> None:
    desk.kept("lot", RUN, "--density", "66.9 Brix", "--method", "cold", "--container", "1 gal=12",
              "--initials", "iv", "--note", "dark")  # fmt: skip
    until(lambda: "2026-060-1" in desk.say("lots", "--search", "DARK").stdout, what="the lot is in the store")
    (told,) = [json.loads(line) for line in desk.say("lots", "--json").stdout.splitlines()]
    assert (told["code"], told["run"], told["initials"]) == ("2026-060-1", RUN, "IV")


@ONE_BROKER
def test_a_probe_check_says_the_settings_to_paste(desk: Desk) -> None:
    done = desk.say(
        "probe", "outlet", "--ice", "32.5 degF", "--boiling", "211.6 degF", "--pressure", "29.92 inHg"
    )
    assert done.returncode == 0, done.stderr
    assert "[point.outlet]" in done.stdout
    assert 'tolerance = "0.33 degC"' in done.stdout


REFUSED = [
    (("cake", RUN, "--fill", "1.4"), "share from 0 to 1"),
    (("cake", RUN, "--thickness", "3 in"), "cannot be in a frame of 25.4 mm"),
    (("cake", RUN), "nothing was said of the cakes"),
    (("cake", "main-never", "--fill", "0.5"), "no run is called main-never"),
    (("cake", RUN, "--fill", "much"), "no share such as 0.8"),
    (("lot", RUN, "--packed", "2099-01-01"), "lies in the future"),
    (("lot", RUN, "--density", "90 Brix", "--method", "hot"), "90 Brix"),
    (("charge", "--batch", "15 gallons", "--aid", "11 cup"), "--batch"),
    (("charge", "--batch", "15 gal", "--aid", "eleven"), "neither a weight nor cups"),
    (("note", "=1+1"), "as a formula does"),
    (("probe", "outlet", "--ice", "50 degF"), "off in ice"),
    (("correct", "xyz"), "entry"),
]


@ONE_BROKER
def test_what_cannot_be_is_one_line_and_nothing_is_kept(desk: Desk) -> None:
    for words, why in REFUSED:
        done = desk.say(*words)
        assert (done.returncode, done.stdout) == (2, ""), words
        assert why in done.stderr
        assert done.stderr.count("\n") == 1
    assert "nothing was written down" in desk.say("entries", RUN).stdout


@ONE_BROKER
def test_a_store_in_use_is_neither_added_to_nor_taken_from(desk: Desk, tmp_path: Path) -> None:
    done = desk.say("forget", RUN, "--yes")
    assert done.returncode == 1
    assert "stop the other monitor" in done.stderr
    notes = tmp_path / "notes.csv"
    notes.write_text("date,volume_gal\n2024-03-09,18\n")
    assert desk.say("import", "--notes", str(notes)).returncode == 1


@ONE_BROKER
def test_export_forget_import_and_a_notebook_with_the_monitor_stopped(desk: Desk, tmp_path: Path) -> None:
    desk.kept("cake", RUN, "--fill", "0.8")
    assert desk.services.stop("monitor") == 0
    before = desk.say("season", "--csv").stdout
    assert desk.say("export", RUN, "--units", "metric", "--to", str(tmp_path)).returncode == 0
    unsure = desk.say("forget", RUN)
    assert unsure.returncode == 2
    assert "export it first" in unsure.stderr
    assert desk.say("forget", RUN, "--yes").returncode == 0
    assert desk.say("season").stdout == "no runs yet\n"
    done = desk.say("import", str(tmp_path / RUN))
    assert done.returncode == 0, done.stderr
    assert desk.say("season", "--csv").stdout == before
    notes = tmp_path / "notes.csv"
    notes.write_text("date,volume_gal,filter_aid_cups,cake\n2024-03-09,18,12,full\n")
    assert desk.say("import", "--notes", str(notes)).stdout == "1 of 1 runs are new\n"
    (first, second) = csv.DictReader(desk.say("season", "--csv").stdout.splitlines())
    assert (first["date"], second["run"]) == ("2024-03-09", RUN)
    assert float(second["cake_fill"]) == 0.8


def test_without_a_monitor_the_command_line_says_so(services: Services, tmp_path: Path) -> None:
    services._write_settings()
    with Ear(services.broker) as ear:
        done = Desk(services, ear).say("note", "words")
    assert done.returncode == 1
    assert "no monitor of this press answers" in done.stderr
