"""A site and its co-op: two brokers with the shipped bridge between them, and the line of it cut."""

from __future__ import annotations

import asyncio
import itertools
import re
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import AsyncIterator, Callable, Iterator, Sequence
from contextlib import asynccontextmanager, closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from monitor.contract.commands import Verb
from monitor.contract.names import Alarm
from monitor.contract.payloads import decode, encode
from monitor.contract.presence import Service
from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode
from monitor.contract.status import RunStatus
from monitor.contract.topics import Topics
from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import BrokerSection, load
from monitor.service import Monitor
from tests.integration import services
from tests.integration.services import ROOM, BrokerProgram, Ear, Program, until
from tests.integration.test_many_presses import in_thread
from tests.ports import LOOPBACK
from tests.postgres import PostgresServer, postgres_server
from tests.runtime.links import Relay

pytestmark = pytest.mark.broker

PRESS, NEIGHBOUR = Topics("hill-main"), Topics("valley-main")
SITE = "niterwatch-site-hill"
PASSWORD = "not a real password"  # noqa: S105 - of brokers that live as long as the test
OUTAGE_S, AROUND_S = 600, 60
"""Requirement: cut off for ten minutes; a minute before and after."""
AUTOSAVE_S, PER_SECOND = 1, 200
POINTS = {Point.OUTLET: UnitCode.CELSIUS, Point.LINE: UnitCode.KILOPASCAL}
Said = tuple[str, bytes]


class Line(Relay):
    """The line from a site to the co-op's broker, cut and mended at the same port."""

    def __init__(self, *, to: int) -> None:
        super().__init__()
        self._to = to
        self._server: asyncio.Server | None = None
        self._attending: set[asyncio.Task[None]] = set()

    async def mend(self) -> None:
        """Let the site through."""
        self._server = await asyncio.start_server(self._attend, LOOPBACK, self.port)
        self.port = self._server.sockets[0].getsockname()[1]

    async def break_off(self) -> None:
        """Cut what is there and let nobody through."""
        if self._server is not None:
            self._server.close()
        self.cut()
        await asyncio.gather(*self._attending, return_exceptions=True)

    async def _attend(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.create_task(self.attend((reader, writer), port=self._to))
        self._attending.add(task)
        task.add_done_callback(self._attending.discard)


@asynccontextmanager
async def line_to(coop: BrokerProgram) -> AsyncIterator[Line]:
    """Give a line that is up."""
    line = Line(to=coop.port)
    await line.mend()
    try:
        yield line
    finally:
        await line.break_off()


def accounts(folder: Path, *names: str) -> dict[str, str]:
    """Make the password file of a broker; return the keys of its configuration that name it and the ACL."""
    file = folder / "accounts"
    file.touch()
    for name in names:
        subprocess.run(["mosquitto_passwd", "-b", file, name, PASSWORD], check=True, capture_output=True)
    (folder / "password").write_text(PASSWORD)
    return {"password_file": str(file), "acl_file": str(folder / "acl")}


@pytest.fixture
def coop(tmp_path: Path, new_log: Callable[[str], Path]) -> Iterator[BrokerProgram]:
    """Run the co-op's broker as the guide has it: the network example, and what it adds for a site."""
    folder = tmp_path / "co-op"
    folder.mkdir()
    guide = (ROOM / "systemd" / "INSTALL.md").read_text()
    added = [re.search(rf"<!-- {name} -->\n```\n(.*?)```", guide, re.DOTALL) for name in ("rights", "room")]
    assert all(added)
    rights, room = (found[1] for found in added if found)
    (folder / "acl").write_text((ROOM / "systemd" / "mosquitto.acl").read_text() + "\n" + rights)
    services_too = [f"niterwatch-{service}" for service in Service]
    program = services.mosquitto(
        folder,
        log=new_log("broker of the co-op"),
        shipped="mosquitto-lan.conf",
        **accounts(folder, SITE, *services_too),
    )
    with (folder / "mosquitto.conf").open("a") as file:
        file.write("\n" + room)
    program.start()
    yield program
    program.stop()


def site_broker(folder: Path, *, line: Line, log: Path, **changes: str) -> BrokerProgram:
    """Return a site's broker: the network example with the shipped bridge, ``changes`` made to that."""
    folder.mkdir()
    (folder / "acl").write_text((ROOM / "systemd" / "mosquitto.acl").read_text())
    program = services.mosquitto(
        folder,
        log=log,
        shipped="mosquitto-lan.conf",
        persistence_location=f"{folder}/",
        **accounts(folder, *(f"niterwatch-{service}" for service in Service)),
    )
    own = {
        "address": f"{LOOPBACK}:{line.port}",
        "remote_password": PASSWORD,
        "restart_timeout": "1",
        **changes,
    }
    bridge = (ROOM / "systemd" / "mosquitto-bridge.conf").read_text()
    for key, value in own.items():
        bridge, count = re.subn(rf"^{key} .*$", f"{key} {value}", bridge, flags=re.MULTILINE)
        assert count == 1, key
    with (folder / "mosquitto.conf").open("a") as file:
        file.write("\n" + bridge)
    return program


def account(broker: BrokerProgram, service: Service, *, folder: Path) -> BrokerSection:
    """Return the settings of a service with its account on ``broker``."""
    return BrokerSection(
        port=broker.port, username=f"niterwatch-{service}", password_file=folder / "password"
    )


@contextmanager
def client(section: BrokerSection) -> Iterator[Client]:
    """Connect a plain client that loses nothing of what it is given."""
    plain = Client(CallbackAPIVersion.VERSION2)
    plain.username_pw_set(section.username, PASSWORD)
    plain.max_inflight_messages_set(100)
    plain.connect(section.host, section.port)
    plain.loop_start()
    try:
        yield plain
    finally:
        plain.disconnect()
        plain.loop_stop()


def say(
    section: BrokerSection,
    said: Sequence[Said],
    *,
    apart_s: float = 0.0,
    tenth: threading.Event | None = None,
) -> None:
    """Publish ``said`` in order, set ``tenth`` after so much of it; return when the broker has it all."""
    with client(section) as plain:
        due_s = time.monotonic()
        for number, (topic, payload) in enumerate(said):
            last = plain.publish(topic, payload, qos=1)
            if tenth is not None and number == len(said) // 10:
                last.wait_for_publish(20)
                tenth.set()
            due_s += apart_s
            if apart_s:
                time.sleep(max(0.0, due_s - time.monotonic()))
        last.wait_for_publish(20)
        assert last.is_published()


def readings(
    seconds: range, *, press: Topics = PRESS, began: datetime | None = None, celsius: float = 70.0
) -> list[Said]:
    """Return a reading of outlet and line for each second, as the site's board sends them."""
    said = []
    for second, (point, unit) in itertools.product(seconds, POINTS.items()):
        value = celsius + second % 7 / 16 if point is Point.OUTLET else 200.0 + second % 5
        reading = Reading(
            seq=second, boot="the site's", mono_ms=1000 * second, value=value, unit=unit,
            time=None if began is None else began + timedelta(seconds=second),
            clock=ClockState.UNSET if began is None else ClockState.SYNCHRONISED,
            tolerance=0.1, quality=Quality.GOOD, strokes=1 if point is Point.LINE else None,
        )  # fmt: skip
        said.append((press.reading(point), encode(reading)))
    return said


KEPT = (
    "SELECT b.press, r.point, r.mono_ms, r.seq, r.value FROM reading r "
    "JOIN boot b ON b.id = r.boot_id WHERE b.name = 'the site''s' ORDER BY r.id"
)


@contextmanager
def coop_monitor(coop: BrokerProgram, server: PostgresServer, *, log: Path) -> Iterator[str]:
    """Run a monitor over the presses of two sites; yield its database."""
    database = server.new_database()
    folder = Path(coop.command[-1]).parent
    file = folder / "niterwatch.toml"
    file.write_text(
        f'[broker]\nport = {coop.port}\nusername = "niterwatch-monitor"\n'
        f'password_file = "{folder / "password"}"\n[store]\nurl = "{server.url(database)}"\n'
        + "".join(f'[presses.{t.press}.point.outlet]\ntime_constant = "0 s"\n' for t in (PRESS, NEIGHBOUR))
    )
    program = Program([sys.executable, "-m", "monitor.cli", "monitor", "--settings", str(file)], log=log)
    program.start()
    try:
        until(lambda: "presses are watched" in program.text(), what="the co-op's monitor watches")
        yield database
    finally:
        program.stop()


async def test_ten_minutes_without_the_line_leave_nothing_missing_and_nothing_twice(
    coop: BrokerProgram, tmp_path: Path, new_log: Callable[[str], Path]
) -> None:
    everything = readings(range(AROUND_S + OUTAGE_S + AROUND_S))
    before, rest = everything[: 2 * AROUND_S], everything[2 * AROUND_S :]
    outage, after = rest[: 2 * OUTAGE_S], rest[2 * OUTAGE_S :]
    folder = tmp_path / "site"
    with postgres_server() as server:
        async with line_to(coop) as line:
            site = site_broker(folder, line=line, log=new_log("broker of the site"))
            with (
                site,
                coop_monitor(coop, server, log=new_log("monitor of the co-op")) as database,
                Ear(account(coop, Service.WEB, folder=tmp_path / "co-op")) as ear,
            ):
                hardware = account(site, Service.HARDWARE, folder=folder)

                def kept() -> int:
                    return len(server.ask(database, KEPT))

                # What must stay at the site goes first: had it passed, it would be there before the rest.
                word = b"of the site alone"
                for service, topic in (
                    (Service.MONITOR, PRESS.status),
                    (Service.MONITOR, PRESS.event),
                    (Service.WEB, PRESS.command(Verb.END)),
                ):
                    await asyncio.to_thread(say, account(site, service, folder=folder), [(topic, word)])
                # The site has no right to speak for a neighbour's press.
                await asyncio.to_thread(say, hardware, readings(range(5), press=NEIGHBOUR))
                await asyncio.to_thread(say, hardware, before)
                await asyncio.to_thread(until, lambda: kept() == len(before), what="the line works")

                # Cut while readings are under way, so that some are sent again.
                tenth = threading.Event()
                sending = threading.Thread(target=say, args=(hardware, outage), kwargs={"tenth": tenth})
                sending.start()
                await asyncio.to_thread(tenth.wait, 20)
                await line.break_off()
                await asyncio.to_thread(sending.join)
                assert kept() < len(before) + len(outage) / 2, "the line was not cut"
                await line.mend()
                await asyncio.to_thread(say, hardware, after)
                await asyncio.to_thread(until, lambda: kept() >= len(everything), what="all is there")
                rows = server.ask(database, KEPT)
                assert {row[0] for row in rows} == {PRESS.press}
                for point in POINTS:
                    own = [(mono_ms, seq, value) for _, of, mono_ms, seq, value in rows if of == point]
                    sent = [
                        decode(payload, Reading)
                        for topic, payload in everything
                        if topic == PRESS.reading(point)
                    ]
                    assert own == [(each.mono_ms, each.seq, each.value) for each in sent]
                # The co-op's own monitor is the only one that speaks there, and nobody answered the command.
                assert {decode(each.payload, RunStatus).press for each in ear.on(PRESS.status)} == {
                    PRESS.press
                }
                assert not [each for each in ear.heard if each.payload == word or "/reply/" in each.topic]


async def test_only_readings_go_out_even_where_everything_may(
    coop: BrokerProgram, tmp_path: Path, new_log: Callable[[str], Path]
) -> None:
    everyone = [SITE, "niterwatch-bridge", *(f"niterwatch-{service}" for service in Service)]
    open_to_all = "".join(f"user {name}\ntopic readwrite #\n" for name in everyone)
    (tmp_path / "co-op" / "acl").write_text(open_to_all)
    coop.signal(signal.SIGHUP)
    folder = tmp_path / "site"
    alone = [PRESS.status, PRESS.event, PRESS.reply("0123abcd"), "niterwatch/hill-main", "elsewhere"]
    alone += [PRESS.presence(service) for service in Service] + [PRESS.command(verb) for verb in Verb]
    heard: list[str] = []
    with client(account(coop, Service.WEB, folder=tmp_path / "co-op")) as ear:
        ear.on_message = lambda _client, _data, message: heard.append(message.topic)
        ear.subscribe("#", qos=1)
        async with line_to(coop) as line:
            site = site_broker(folder, line=line, log=new_log("broker of the site"))
            (folder / "acl").write_text(open_to_all)
            with site:
                web = account(site, Service.WEB, folder=folder)
                said = [*((topic, b"of the site alone") for topic in alone), *readings(range(1))]
                await asyncio.to_thread(say, web, said)
                await asyncio.to_thread(until, lambda: len(heard) >= 2, what="the readings are there")
    assert sorted(heard) == sorted(PRESS.reading(point) for point in POINTS)


async def test_a_killed_broker_loses_at_most_what_came_since_it_last_saved(
    coop: BrokerProgram, tmp_path: Path, new_log: Callable[[str], Path]
) -> None:
    folder = tmp_path / "site"
    heard: list[Reading] = []
    with client(account(coop, Service.MONITOR, folder=tmp_path / "co-op")) as ear:
        ear.on_message = lambda _client, _data, message: heard.append(decode(message.payload, Reading))
        ear.subscribe(PRESS.reading(Point.LINE), qos=1)
        async with line_to(coop) as line:
            site = site_broker(
                folder, line=line, log=new_log("broker of the site"), autosave_interval=str(AUTOSAVE_S)
            )
            with site:
                hardware = account(site, Service.HARDWARE, folder=folder)
                await asyncio.to_thread(say, hardware, readings(range(10)))
                await asyncio.to_thread(until, lambda: len(heard) == 10, what="the line works")
                await line.break_off()
                queued = readings(range(10, 10 + 3 * PER_SECOND))
                await asyncio.to_thread(say, hardware, queued, apart_s=0.5 / PER_SECOND)
                site.kill()
                site.start()
                await line.mend()
                last = readings(range(9000, 9001))
                await asyncio.to_thread(say, account(site, Service.HARDWARE, folder=folder), last)
                await asyncio.to_thread(
                    until, lambda: any(each.seq == 9000 for each in heard), what="the queue has emptied"
                )
    came = {each.seq for each in heard}
    missing = [second for second in range(10, 10 + 3 * PER_SECOND) if second not in came]
    assert len(missing) <= (AUTOSAVE_S + 1.5) * PER_SECOND
    # What is lost is the newest: what was saved is whole.
    assert missing == list(range(10 + 3 * PER_SECOND - len(missing), 10 + 3 * PER_SECOND))
    order = [each.seq for each in heard]
    assert order == sorted(order)


def _outlet(status: RunStatus) -> float | None:
    point = status.points.get(Point.OUTLET)
    return None if point is None else point.value


def test_what_waited_on_the_line_raises_no_alarm_of_now_and_is_kept(
    mosquitto: BrokerProgram, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = tmp_path / "synchronised"
    known.touch()
    monkeypatch.setattr("monitor.runtime.clock.SYNCHRONISED_FILE", known)
    store = tmp_path / "niterwatch.db"
    file = tmp_path / "niterwatch.toml"
    file.write_text(
        f'[press]\nname = "{PRESS.press}"\n[point.outlet]\ntime_constant = "0 s"\n'
        f'[broker]\nport = {mosquitto.port}\n[store]\nurl = "sqlite:///{store}"\n'
    )
    began = datetime.now(UTC) - timedelta(seconds=OUTAGE_S)
    monitor = Monitor(load(file), clock=SystemClock())
    with Ear(mosquitto.section) as ear, in_thread(monitor):

        def statuses() -> list[RunStatus]:
            return [decode(each.payload, RunStatus) for each in ear.on(PRESS.status)]

        until(lambda: len(statuses()) > 1, what="the press is watched")
        # Ten minutes ago it was far too hot; it is not now.
        say(mosquitto.section, readings(range(AROUND_S), began=began, celsius=95.0))
        live = datetime.now(UTC) - timedelta(seconds=OUTAGE_S)
        say(mosquitto.section, readings(range(OUTAGE_S, OUTAGE_S + 1), began=live))
        until(lambda: _outlet(statuses()[-1]) is not None, what="the reading of now is judged")
        assert {_outlet(each) for each in statuses()} - {None} == {70.0 + OUTAGE_S % 7 / 16}
        assert not [a for each in statuses() for a in each.alarms if a.name is Alarm.OVER_PRECIPITATION]

        def kept() -> int:
            with closing(sqlite3.connect(store)) as connection:
                return int(connection.execute("SELECT count(*) FROM reading").fetchone()[0])

        until(lambda: kept() == 2 * (AROUND_S + 1), what="all of them are kept")
