"""The accounts that the installation makes, on a real broker: what each may say and hear, topic by topic.

A refusal is silent in MQTT 3.1.1 (mosquitto.conf(5), acl_file), so everything is tried by receiving.
"""

from __future__ import annotations

import asyncio
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor import installation
from monitor.contract.commands import Verb
from monitor.contract.errors import BrokerUnreachable
from monitor.contract.presence import Service
from monitor.contract.readings import Point
from monitor.contract.topics import Topics
from monitor.runtime.broker import reachable
from monitor.runtime.settings import BrokerSection
from tests.integration import services
from tests.integration.services import BrokerProgram, Ear, until
from tests.systemd.conftest import ADDRESS, Install

pytestmark = pytest.mark.broker

TOPICS = Topics("main")
READINGS = {TOPICS.reading(point) for point in Point}
COMMANDS = {TOPICS.command(verb) for verb in Verb}
PRESENCES = {TOPICS.presence(service) for service in Service}
REPLY = TOPICS.reply("0123abcd")
STRANGE = {"niterwatch/main", "niterwatch/main/other/outlet", "niterwatch/main/reading/outlet/x", "elsewhere"}
EVERYTHING = READINGS | COMMANDS | PRESENCES | STRANGE | {TOPICS.status, TOPICS.event, REPLY}

# Who publishes and who subscribes what, by the table of topics in the design.
MAY_SAY = {
    Service.HARDWARE: READINGS | {TOPICS.presence(Service.HARDWARE)},
    Service.MONITOR: {TOPICS.status, TOPICS.event, REPLY, TOPICS.presence(Service.MONITOR)},
    Service.WEB: COMMANDS | {TOPICS.presence(Service.WEB)},
}
MAY_HEAR = {
    Service.HARDWARE: {TOPICS.status} | PRESENCES,
    Service.MONITOR: READINGS | COMMANDS | PRESENCES,
    Service.WEB: {TOPICS.status, TOPICS.event, REPLY} | PRESENCES,
}
OVERSEER = "overseer"
"""An account of the test's own that may say and hear everything."""

Account = Callable[[str], BrokerSection]


@pytest.fixture
def broker(
    bare: Path, install: Install, tmp_path: Path, new_log: Callable[[str], Path]
) -> Iterator[BrokerProgram]:
    """Run mosquitto over the accounts and the access list as installed, and an overseer's."""
    install(lan=ADDRESS)
    accounts, access = tmp_path / "accounts", tmp_path / "access"
    shutil.copy(bare / installation.PASSWORDS, accounts)
    access.write_text((bare / installation.ACCESS).read_text() + f"\nuser {OVERSEER}\ntopic readwrite #\n")
    (bare / f"etc/niterwatch/{OVERSEER}.password").write_text(f"{OVERSEER}\n")
    subprocess.run(["mosquitto_passwd", "-b", accounts, OVERSEER, OVERSEER], check=True, capture_output=True)
    program = services.mosquitto(
        tmp_path,
        log=new_log("mosquitto"),
        shipped="mosquitto-lan.conf",
        password_file=str(accounts),
        acl_file=str(access),
    )
    program.start()
    yield program
    program.stop()


@pytest.fixture
def account(broker: BrokerProgram, bare: Path) -> Account:
    """Return what gives the settings of a service with its account, or of the overseer."""

    def section(who: str) -> BrokerSection:
        file = bare / f"etc/niterwatch/{who}.password"
        return BrokerSection(
            port=broker.port,
            username=who if who == OVERSEER else f"niterwatch-{who}",
            password_file=file,
        )

    return section


def heard(ear: Ear) -> set[str]:
    """Return the topics heard so far, without the ear's own heartbeats."""
    return {message.topic for message in ear.heard if not message.topic.startswith("niterwatch/ear/")}


@pytest.mark.parametrize("service", Service)
def test_an_account_can_say_what_it_must_and_nothing_else(account: Account, service: Service) -> None:
    with Ear(account(OVERSEER), topics=("#",)) as overseer, Ear(account(service), topics=("none",)) as mouth:
        for topic in sorted(EVERYTHING):
            mouth.say(topic, b"said")
        # In order: whatever passes has passed once the last one is there.
        last = TOPICS.presence(service)
        mouth.say(last, b"last")
        until(lambda: any(m.payload == b"last" for m in overseer.on(last)), what="the last word")
        assert heard(overseer) == MAY_SAY[service]


@pytest.mark.parametrize("service", Service)
def test_an_account_can_hear_what_it_must_and_nothing_else(account: Account, service: Service) -> None:
    with (
        Ear(account(service), topics=("#", "$SYS/#")) as ear,
        Ear(account(OVERSEER), topics=("none",)) as overseer,
    ):
        for topic in sorted(EVERYTHING):
            overseer.say(topic, b"said")
        last = TOPICS.presence(Service.MONITOR)
        overseer.say(last, b"last")
        until(lambda: any(m.payload == b"last" for m in ear.on(last)), what="the last word")
        assert heard(ear) == MAY_HEAR[service]


@pytest.mark.parametrize(
    ("changes", "who"),
    [
        ({"username": None, "password_file": None}, "without an account"),
        ({"username": "niterwatch-hardware"}, "with another's password"),
        ({"username": "root"}, "unknown"),
    ],
)
def test_nobody_else_comes_in(account: Account, changes: dict[str, object], who: str) -> None:
    section = account(Service.WEB).model_copy(update=changes)
    with pytest.raises(BrokerUnreachable, match="refuses: Not authorized"):
        asyncio.run(reachable(section))
