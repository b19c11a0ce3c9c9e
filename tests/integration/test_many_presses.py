"""Several presses under one monitor, and several monitors over one database: the real processes."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.contract.commands import AcknowledgeArgs, Command, Reply, StartArgs
from monitor.contract.names import Alarm, AlarmState, Phase
from monitor.contract.payloads import decode, encode
from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode
from monitor.contract.status import AlarmStatus, RunStatus
from monitor.contract.topics import Topics
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import BrokerSection, load
from monitor.service import Monitor
from tests.integration.services import BrokerProgram, Ear, Program, until
from tests.postgres import postgres_server

pytestmark = pytest.mark.broker

PRESSES = ("north", "south", "west")
HOT_C, WARM_C, LINE_KPA = 92.0, 70.0, 240.0
TAKEN_WITHIN_S = 15.0
"""Requirement: a killed monitor's presses have another by then."""


class Boards:
    """The boards of all presses: a reading of each of their points twice a second."""

    def __init__(self, ear: Ear) -> None:
        self.outlet_c = dict.fromkeys(PRESSES, WARM_C)
        self._ear = ear
        self._stop = threading.Event()
        self._numbers = itertools.count(1)
        self._thread = threading.Thread(target=self._send, name="boards", daemon=True)

    def __enter__(self) -> Boards:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    def _send(self) -> None:
        while not self._stop.wait(0.5):
            for press, outlet_c in self.outlet_c.items():
                number = next(self._numbers)
                # Never quite the same, or the value would be a frozen one's.
                self._say(press, Point.OUTLET, outlet_c + number % 3 * 0.0625, UnitCode.CELSIUS, number)
                self._say(press, Point.LINE, LINE_KPA + number % 5, UnitCode.KILOPASCAL, number)

    def _say(self, press: str, point: Point, value: float, unit: UnitCode, number: int) -> None:
        reading = Reading(
            seq=number, boot="boards", mono_ms=number, clock=ClockState.UNSET, value=value, unit=unit,
            tolerance=0.1, quality=Quality.GOOD, strokes=1 if point is Point.LINE else None,
        )  # fmt: skip
        self._ear.say(Topics(press).reading(point), encode(reading))


def status(ear: Ear, press: str) -> RunStatus | None:
    """Return the newest status of ``press``."""
    heard = ear.on(Topics(press).status)
    return decode(heard[-1].payload, RunStatus) if heard else None


def count(ear: Ear, press: str) -> int:
    """Return how many statuses of ``press`` were heard fresh."""
    return sum(not message.retain for message in ear.on(Topics(press).status))


def act(ear: Ear, press: str, number: int, args: StartArgs | AcknowledgeArgs) -> None:
    """Do something to a press and wait until its monitor says that it is done."""
    command = Command(id=f"{number:016x}", who="a person", args=args)
    topics = Topics(press)
    ear.say(topics.command(command.verb), encode(command))
    until(lambda: ear.on(topics.reply(command.id)), what=f"{press} answers")
    assert decode(ear.on(topics.reply(command.id))[-1].payload, Reply).done


def written(folder: Path, broker: BrokerSection, store: str) -> Path:
    """Write the settings of a monitor over all presses; return the file."""
    file = folder / "niterwatch.toml"
    lines = [
        "[broker]", f'host = "{broker.host}"', f"port = {broker.port}",
        "[store]", f"url = {json.dumps(store)}",
        *(f'[presses.{press}.point.outlet]\ntime_constant = "0 s"' for press in PRESSES),
    ]  # fmt: skip
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


@contextlib.contextmanager
def in_thread(monitor: Monitor) -> Iterator[asyncio.AbstractEventLoop]:
    """Run ``monitor`` in a loop of its own."""
    loop = asyncio.new_event_loop()
    serving = loop.create_task(monitor.serve())

    def run() -> None:
        with contextlib.suppress(asyncio.CancelledError):
            loop.run_until_complete(serving)
        loop.run_until_complete(loop.shutdown_default_executor())
        loop.close()

    thread = threading.Thread(target=run, name="monitor")
    thread.start()
    try:
        yield loop
    finally:
        loop.call_soon_threadsafe(serving.cancel)
        thread.join()


def test_each_press_has_its_own_state_and_one_that_fails_leaves_the_others_alone(
    mosquitto: BrokerProgram, tmp_path: Path
) -> None:
    file = written(tmp_path, mosquitto.section, f"sqlite:///{tmp_path / 'niterwatch.db'}")
    monitor = Monitor(load(file), clock=SystemClock())
    with Ear(mosquitto.section) as ear, Boards(ear) as boards, in_thread(monitor) as loop:
        until(lambda: all(count(ear, press) > 2 for press in PRESSES), what="all are watched")
        act(ear, "north", 1, StartArgs())
        boards.outlet_c["north"] = 85.0

        def ready(press: str) -> bool:
            now = status(ear, press)
            return now is not None and now.phase is Phase.BOTTLING

        until(lambda: ready("north"), what="north is ready")
        assert not ready("south")
        run = status(ear, "north")
        assert run is not None
        assert run.run is not None
        # A fault in the engine of one: its rules are gone.
        loop.call_soon_threadsafe(setattr, monitor._watches["north"], "rules", None)
        until(lambda: "north" not in monitor._watches, what="north's watch has ended")
        said, others = count(ear, "north"), count(ear, "south")
        until(lambda: count(ear, "north") > said and ready("north"), what="north is watched anew")
        again = status(ear, "north")
        assert again is not None
        assert again.run is not None
        assert again.run.id == run.run.id
        assert count(ear, "south") > others


@pytest.mark.timeout(120)
def test_the_presses_of_a_killed_monitor_are_taken_over_with_their_alarms(
    mosquitto: BrokerProgram, tmp_path: Path, new_log: Callable[[str], Path]
) -> None:
    with postgres_server() as server, Ear(mosquitto.section) as ear, Boards(ear) as boards:
        file = written(tmp_path, mosquitto.section, server.url(server.new_database()))
        command = [sys.executable, "-m", "monitor.cli", "monitor", "--settings", str(file)]
        first, second = (Program(command, log=new_log(name)) for name in ("first", "second"))
        first.start()
        until(lambda: all(count(ear, press) > 2 for press in PRESSES), what="all are watched")
        second.start()
        try:
            act(ear, "north", 1, StartArgs())
            boards.outlet_c["north"] = HOT_C
            until(lambda: _alarm(ear) is not None, what="the alarm is raised")
            alarm = _alarm(ear)
            assert alarm is not None
            act(ear, "north", 2, AcknowledgeArgs(alarm=alarm.name, activation=alarm.activation))
            until(lambda: _state(ear) is AlarmState.ACKNOWLEDGED, what="it is acknowledged")
            run = status(ear, "north")
            first.kill()
            killed_s, before = time.monotonic(), {press: count(ear, press) for press in PRESSES}
            until(
                lambda: all(count(ear, press) > before[press] for press in PRESSES),
                what="another monitor has the presses",
                deadline_s=TAKEN_WITHIN_S,
            )
            taken_s = time.monotonic() - killed_s
            after = status(ear, "north")
            assert taken_s <= TAKEN_WITHIN_S
            assert run is not None
            assert after is not None
            assert run.run is not None
            assert after.run is not None
            assert after.run.id == run.run.id
            assert _state(ear) is AlarmState.ACKNOWLEDGED
            assert {a.activation for a in after.alarms if a.name is alarm.name} == {alarm.activation}
            # The first comes back: the presses stay where they are, each with one writer.
            first.start()
            mark = count(ear, "south")
            until(lambda: count(ear, "south") > mark + 8, what="south is watched on")
            said = [decode(message.payload, RunStatus).seq for message in ear.on(Topics("south").status)[-8:]]
            assert said == sorted(set(said)), "two monitors would count each for itself"
        finally:
            first.stop()
            second.stop()


def _alarm(ear: Ear) -> AlarmStatus | None:
    now = status(ear, "north")
    found = [a for a in now.alarms if a.name is Alarm.OVER_PRECIPITATION] if now else []
    return found[0] if found and found[0].state is not AlarmState.NORMAL else None


def _state(ear: Ear) -> AlarmState | None:
    alarm = _alarm(ear)
    return None if alarm is None else alarm.state
