"""The bridge over TLS: the lines that the guide and the shipped file have commented out, put in."""

from __future__ import annotations

import asyncio
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.contract.presence import Service
from tests.integration import test_bridge as bridge
from tests.integration.services import BrokerProgram, Ear, until
from tests.ports import LOOPBACK, unused_port
from tests.runtime.links import hold
from web.authority import AUTHORITY, CERTIFICATE, KEY, Names, issue

coop = bridge.coop
pytestmark = pytest.mark.broker
REFUSED_WITHIN_S = 15.0


class Tapped(bridge.Line):
    """A line on which somebody listens in."""

    def __init__(self, *, to: int) -> None:
        super().__init__(to=to)
        self.overheard = bytearray()

    async def _pass_on(
        self, source: asyncio.StreamReader, sink: asyncio.StreamWriter, *, may_be_deaf: bool
    ) -> None:
        while data := await source.read(65536):
            self.overheard += data
            sink.write(data)
            await sink.drain()


def uncomment(file: Path, **lines: str) -> None:
    """Put in the commented lines of ``file`` that begin with these words, each with what follows it."""
    text = file.read_text()
    for word, rest in lines.items():
        text, count = re.subn(rf"^#{word} .*$", f"{word} {rest}", text, flags=re.MULTILINE)
        assert count == 1, word
    file.write_text(text)


@pytest.fixture
def port(coop: BrokerProgram, tmp_path: Path) -> Iterator[int]:
    """Have the co-op's broker listen with a certificate, too; give that port."""
    keys = tmp_path / "keys"
    issue(keys, names=Names.of(["localhost", LOOPBACK]), now=datetime.now(UTC))
    port = unused_port()
    coop.stop()
    uncomment(
        tmp_path / "co-op" / "mosquitto.conf",
        listener=f"{port} {LOOPBACK}",
        certfile=str(keys / CERTIFICATE),
        keyfile=str(keys / KEY),
    )
    coop.start()
    return port


def site_broker(tmp_path: Path, *, line: bridge.Line, authority: Path, log: Path) -> BrokerProgram:
    """Return a site's broker that believes what ``authority`` has signed."""
    site = bridge.site_broker(tmp_path / "site", line=line, log=log)
    uncomment(tmp_path / "site" / "mosquitto.conf", bridge_cafile=str(authority))
    return site


async def test_readings_cross_the_line_and_nobody_on_it_reads_them(
    coop: BrokerProgram, port: int, tmp_path: Path, new_log: Callable[[str], Path]
) -> None:
    sent = bridge.readings(range(20))
    line = Tapped(to=port)
    await line.mend()
    log = new_log("broker of the site")
    site = site_broker(tmp_path, line=line, authority=tmp_path / "keys" / AUTHORITY, log=log)
    topics = tuple(bridge.PRESS.reading(point) for point in bridge.POINTS)
    with (
        site,
        Ear(bridge.account(coop, Service.MONITOR, folder=tmp_path / "co-op"), topics=topics) as ear,
    ):
        hardware = bridge.account(site, Service.HARDWARE, folder=tmp_path / "site")
        await asyncio.to_thread(bridge.say, hardware, sent)
        await asyncio.to_thread(until, lambda: len(ear.heard) >= len(sent), what="all has come")
    await line.break_off()
    assert {(each.topic, each.payload) for each in ear.heard} == set(sent)
    assert bridge.SITE in coop.text()
    assert len(line.overheard) > sum(len(payload) for _, payload in sent)
    for word in (bridge.PASSWORD, bridge.SITE, bridge.PRESS.press, "mono_ms"):
        assert word.encode() not in line.overheard, word


async def test_a_site_gives_its_password_to_no_broker_that_its_authority_has_not_signed(
    coop: BrokerProgram, port: int, tmp_path: Path, new_log: Callable[[str], Path]
) -> None:
    issue(tmp_path / "other", names=Names.of(["localhost", LOOPBACK]), now=datetime.now(UTC))
    line = Tapped(to=port)
    await line.mend()
    log = new_log("broker of the site")
    with (
        site_broker(tmp_path, line=line, authority=tmp_path / "other" / AUTHORITY, log=log) as site,
        Ear(
            bridge.account(coop, Service.MONITOR, folder=tmp_path / "co-op"), topics=("niterwatch/#",)
        ) as ear,
    ):
        hardware = bridge.account(site, Service.HARDWARE, folder=tmp_path / "site")
        await asyncio.to_thread(bridge.say, hardware, bridge.readings(range(3)))
        await hold(lambda: "certificate verify failed" in log.read_text(), within_s=REFUSED_WITHIN_S)
        await hold(lambda: line.connections >= 2, within_s=REFUSED_WITHIN_S)
    await line.break_off()
    assert not [each for each in ear.heard if "/reading/" in each.topic]
    assert bridge.SITE not in coop.text()
