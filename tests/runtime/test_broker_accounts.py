"""The example for a local network: every service has an account, and the access list holds."""

from __future__ import annotations

import asyncio
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from monitor.contract.commands import Verb
from monitor.contract.errors import BrokerUnreachable
from monitor.contract.presence import Service
from monitor.runtime.broker import reachable
from monitor.runtime.settings import BrokerSection
from tests.integration import services
from tests.integration.services import BrokerProgram
from tests.runtime.links import OUTLET, TOPICS, linked, take

pytestmark = pytest.mark.broker

PASSWORD = "not a real password"  # noqa: S105 - of a broker that lives as long as the test


@pytest.fixture
def closed(tmp_path: Path, new_log: Callable[[str], Path]) -> Iterator[BrokerProgram]:
    """Run mosquitto with the network example, its accounts and its access list."""
    accounts = tmp_path / "accounts"
    accounts.touch()
    for service in Service:
        subprocess.run(
            ["mosquitto_passwd", "-b", accounts, f"niterwatch-{service}", PASSWORD],
            check=True,
            capture_output=True,
        )
    program = services.mosquitto(
        tmp_path,
        log=new_log("mosquitto"),
        shipped="mosquitto-lan.conf",
        password_file=str(accounts),
        acl_file=str(services.ROOM / "systemd" / "mosquitto.acl"),
    )
    program.start()
    yield program
    program.stop()


@pytest.fixture
def account(closed: BrokerProgram, tmp_path: Path) -> Callable[[Service], BrokerSection]:
    """Return what gives the settings of a service with its account."""
    word = tmp_path / "password"
    word.write_text(PASSWORD + "\n")

    def section(service: Service) -> BrokerSection:
        return BrokerSection(port=closed.port, username=f"niterwatch-{service}", password_file=word)

    return section


Account = Callable[[Service], BrokerSection]


async def test_nobody_comes_in_without_an_account(closed: BrokerProgram) -> None:
    with pytest.raises(BrokerUnreachable) as caught:
        await reachable(closed.section)
    assert str(caught.value) == (
        f"the broker at 127.0.0.1:{closed.port} refuses: Not authorized; "
        "check username and password_file under [broker] and the broker's accounts"
    )


async def test_a_wrong_password_is_refused(account: Account, tmp_path: Path) -> None:
    wrong = tmp_path / "wrong"
    wrong.write_text("guess")
    section = account(Service.MONITOR).model_copy(update={"password_file": wrong})
    with pytest.raises(BrokerUnreachable, match="refuses: Not authorized"):
        await reachable(section)


async def test_each_service_says_and_hears_what_it_must(account: Account) -> None:
    """A refusal is silent in MQTT 3.1.1, so each way is tried by receiving."""
    hardware = linked(account(Service.HARDWARE), TOPICS.status, service=Service.HARDWARE)
    monitor = linked(account(Service.MONITOR), TOPICS.readings, TOPICS.commands, TOPICS.presences)
    web = linked(
        account(Service.WEB),
        *(TOPICS.status, TOPICS.event, TOPICS.replies, TOPICS.presences),
        service=Service.WEB,
    )
    async with hardware as at_press, monitor as judge, web as page:
        at_press.publish(OUTLET, b"84.6")
        await take(judge)
        page.publish(TOPICS.command(Verb.START), b"start")
        await take(judge, topic=TOPICS.command(Verb.START))
        for topic in (TOPICS.status, TOPICS.event, TOPICS.reply("0123abcd")):
            judge.publish(topic, b"x", retain=topic == TOPICS.status)
            await take(page, topic=topic)
        await take(at_press, topic=TOPICS.status)
        for service in Service:
            await take(page, topic=TOPICS.presence(service))


async def test_the_page_can_fake_neither_status_nor_reading(account: Account) -> None:
    async with (
        linked(account(Service.MONITOR), TOPICS.readings, TOPICS.commands) as judge,
        linked(account(Service.HARDWARE), TOPICS.status, service=Service.HARDWARE) as at_press,
        linked(account(Service.WEB), service=Service.WEB) as page,
    ):
        page.publish(OUTLET, b"faked")
        page.publish(TOPICS.status, b"faked", retain=True)
        page.publish(TOPICS.command(Verb.START), b"after")
        # In order: had the faked reading passed, it would have come before the command.
        async with asyncio.timeout(10):
            first = await anext(aiter(judge.messages()))
        assert first.payload == b"after"
        judge.publish(TOPICS.status, b"true", retain=True)
        assert (await take(at_press, topic=TOPICS.status)).payload == b"true"
