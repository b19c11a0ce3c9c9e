"""Measures how soon a reading is in a phone's page and in the sounder, against bare ways of the same run.

    python -m tests.bench.page [--count 300] [--sounds 100] [--json FILE]

Reading to page: from publishing a reading on mosquitto, through the monitor's process and the page's
process, to the element of a real Chromium. Its bare ways: one hop between two clients of the broker's
library, and one server-sent event of a few bytes from a bare socket to a bare page. Reading to sounder:
from publishing the reading that makes it ready to bottle to the call that starts the sound; its bare
way is the hop. A phone draws its page elsewhere, so the browser is closed while the sounder is timed; a
bare reader keeps the page's stream open. Times are of the machine; the ratios carry over.

The bare ways are measured a tenth of a second apart, as readings come: hops that follow one another at
once are three times as quick, for no process sleeps in between. Figures: tests/bench/README.md.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import os
import platform
import random
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Iterable
from contextlib import asynccontextmanager
from dataclasses import asdict, dataclass, field
from pathlib import Path

import aiomqtt
import httpx
from playwright.async_api import Browser, Page, async_playwright

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from hardware.player import Player  # noqa: E402 - the path comes first
from hardware.sound_patterns import Pattern  # noqa: E402
from monitor.contract.payloads import decode, encode  # noqa: E402
from monitor.contract.presence import Service  # noqa: E402
from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode  # noqa: E402
from monitor.contract.status import RunStatus  # noqa: E402
from monitor.contract.topics import Topics  # noqa: E402
from monitor.runtime.broker import BrokerLink  # noqa: E402
from monitor.runtime.clock import SystemClock  # noqa: E402
from monitor.runtime.settings import BrokerSection  # noqa: E402
from tests.bench.hop import Spread, bare_hops, spread  # noqa: E402
from tests.bench.table import Row  # noqa: E402
from tests.integration import services  # noqa: E402

TOPICS = Topics("main")
ROUNDS = 3
APART_S = 0.25
"""Between two readings of the outlet [s], give or take a half: at no fixed moment of the monitor's second."""
BARE_APART_S = 0.1
"""Between two of the bare ways [s], likewise: one that follows at once is quicker than any reading can be."""
COLD_C, READY_C = 70.0, 86.0
PATIENCE_S = 10.0
COUNT, SOUNDS = 300, 100
TIMES_BARE = 2.0
"""Ours may take so many times as long as the bare way, at the 99th percentile."""
PAGE_FLOOR_MS, SOUNDER_FLOOR_MS = 15.0, 5.0
"""And is quick enough under this, whatever the ratio."""
WATCH = """() => {
  window.seen = {};
  const look = () => {
    const said = document.body.dataset.bare ?? document.querySelector(".temperature")?.textContent ?? "";
    const text = said.replace(/\\s.*$/s, "");
    seen[text] ??= performance.timeOrigin + performance.now();
  };
  const all = { subtree: true, childList: true, characterData: true, attributes: true };
  new MutationObserver(look).observe(document.body, all);
}"""
BARE_PAGE = (
    b"<!doctype html><title>bare</title><body><script>new EventSource('/s').onmessage = (event) => "
    b"{ document.body.dataset.bare = event.data; }</script>"
)


@dataclass
class Press:
    """Publishes the readings of a press that pumps; ``outlet`` returns the moment of publishing."""

    client: aiomqtt.Client
    clock: SystemClock = field(default_factory=SystemClock)
    seq: int = 0

    async def outlet(self, value_c: float) -> float:
        """Publish the outlet at ``value_c`` and return when [s, wall]."""
        reading = self._reading(value=value_c, unit=UnitCode.CELSIUS, tolerance=0.1)
        began_s = time.time()
        await self.client.publish(TOPICS.reading(Point.OUTLET), encode(reading), qos=1)
        return began_s

    async def pump(self) -> None:
        """Publish the line once a second, for ever."""
        while True:
            reading = self._reading(
                value=220.0, unit=UnitCode.KILOPASCAL, tolerance=1.0, low=200.0, high=240.0, strokes=1
            )
            await self.client.publish(TOPICS.reading(Point.LINE), encode(reading), qos=1)
            await asyncio.sleep(1.0)

    def _reading(self, **given: object) -> Reading:
        self.seq += 1
        own = {
            "seq": self.seq,
            "boot": self.clock.boot,
            "mono_ms": int(1000 * self.clock.monotonic()),
            "clock": ClockState.SAVED,
            "quality": Quality.GOOD,
        }
        return Reading.model_validate({**own, **given})


async def page_takes(page: Page, press: Press, values: list[float]) -> list[float]:
    """Return how long each of ``values`` took to be in the page [s]."""
    sent_s = {}
    for value in values:
        sent_s[f"{value:.1f}"] = await press.outlet(value)
        await asyncio.sleep(APART_S * random.uniform(0.5, 1.5))  # noqa: S311 - no secret
    last = f"{values[-1]:.1f}"
    await page.wait_for_function("(text) => text in seen", arg=last, timeout=1000 * PATIENCE_S)
    seen_ms = await page.evaluate("seen")
    return [seen_ms[text] / 1000 - began_s for text, began_s in sent_s.items() if text in seen_ms]


async def events_take(browser: Browser, *, count: int) -> list[float]:
    """Return how long a bare server-sent event takes to change a bare page [s]."""
    waiting: asyncio.Queue[asyncio.StreamWriter] = asyncio.Queue()

    async def answer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        asked = await reader.readuntil(b"\r\n\r\n")
        kind = b"text/event-stream" if asked.startswith(b"GET /s ") else b"text/html"
        writer.write(b"HTTP/1.1 200 OK\r\ncontent-type: " + kind + b"\r\nconnection: close\r\n\r\n")
        if kind == b"text/html":
            writer.write(BARE_PAGE)
            writer.close()
        else:
            await waiting.put(writer)

    server = await asyncio.start_server(answer, services.LOOPBACK, 0)
    page = await browser.new_page()
    await page.goto(f"http://{services.LOOPBACK}:{server.sockets[0].getsockname()[1]}/")
    await page.evaluate(WATCH)
    stream = await asyncio.wait_for(waiting.get(), PATIENCE_S)
    sent_s = {}
    for index in range(count):
        sent_s[f"event-{index}"] = time.time()
        stream.write(f"data: event-{index}\n\n".encode())
        await stream.drain()
        await asyncio.sleep(BARE_APART_S * random.uniform(0.5, 1.5))  # noqa: S311 - no secret
    await page.wait_for_function("(text) => text in seen", arg=f"event-{count - 1}")
    seen_ms = await page.evaluate("seen")
    stream.close()
    server.close()
    await page.close()
    return [seen_ms[text] / 1000 - began_s for text, began_s in sent_s.items()]


class Stopwatch:
    """A sounder that notes when it is told to sound."""

    def __init__(self) -> None:
        self.begun: asyncio.Queue[float] = asyncio.Queue()

    async def play(self, pattern: Pattern) -> None:
        """Note the moment [s, wall]."""
        self.begun.put_nowait(time.time())

    def light(self, *, lit: bool) -> None:
        """Do nothing: the lamp is not timed."""

    def close(self) -> None:
        """Hold nothing."""


@asynccontextmanager
async def listening(section: BrokerSection) -> AsyncIterator[tuple[Stopwatch, list[RunStatus]]]:
    """Run the board's own player on its own line to the broker; give its sounder and the newest status."""
    clock, sounder, newest = SystemClock(), Stopwatch(), [None]
    link = BrokerLink(
        section, topics=TOPICS, service=Service.HARDWARE, clock=clock, subscriptions=(TOPICS.status,)
    )
    player = Player(sounder, clock=clock)

    async def follow() -> None:
        async for message in link.messages():
            newest[0] = decode(message.payload, RunStatus)
            player.hear(newest[0], retained=message.retain)

    tasks = [asyncio.create_task(work) for work in (link.run(), player.run(), follow())]
    try:
        await asyncio.wait_for(link.connected_once.wait(), PATIENCE_S)
        yield sounder, newest
    finally:
        for task in tasks:
            task.cancel()
        await asyncio.wait(tasks)


@asynccontextmanager
async def following(address: str) -> AsyncIterator[None]:
    """Read the stream of the press's page, as a phone does, and draw nothing."""

    async def read(answer: httpx.Response) -> None:
        async for _ in answer.aiter_raw():
            pass

    async with (
        httpx.AsyncClient(timeout=PATIENCE_S) as client,
        client.stream("GET", f"{address}/live/main") as answer,
    ):
        answer.raise_for_status()
        reading = asyncio.create_task(read(answer))
        yield
        assert not reading.done(), "the stream ended"
        reading.cancel()


async def sounder_takes(section: BrokerSection, press: Press, *, count: int) -> list[float]:
    """Return how long it takes from the reading that makes it ready to the start of its sound [s]."""
    took_s = []
    async with listening(section) as (sounder, newest):
        for _ in range(count):
            async with asyncio.timeout(PATIENCE_S):
                while newest[0] is None or "ready to bottle" in {flag.name for flag in newest[0].flags}:
                    await press.outlet(COLD_C)
                    await asyncio.sleep(APART_S)
            await asyncio.sleep(random.uniform(1.0, 2.0))  # noqa: S311 - no secret; the last sound ends
            while not sounder.begun.empty():
                sounder.begun.get_nowait()
            began_s = await press.outlet(READY_C)
            took_s.append(await asyncio.wait_for(sounder.begun.get(), PATIENCE_S) - began_s)
    return took_s


async def measure(started: services.Services, *, count: int, sounds: int) -> dict[str, Spread]:
    """Return each way's spread; bare ways and ours in turns, so that a busy moment falls on all."""
    took: dict[str, list[float]] = {"bare hop": [], "bare event": [], "reading to page": []}
    section, share = started.broker, count // ROUNDS
    async with async_playwright() as playwright, aiomqtt.Client(section.host, section.port) as client:
        browser = await playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox", "--disable-background-networking"]
        )
        press = Press(client)
        pumping = asyncio.create_task(press.pump())
        context = await browser.new_context(viewport={"width": 390, "height": 844})
        await context.add_cookies([{"name": "units", "value": "metric", "url": started.address}])
        page = await context.new_page()
        await press.outlet(COLD_C)
        await page.goto(f"{started.address}/press/main")
        await page.evaluate(WATCH)
        for turn in range(ROUNDS):
            took["bare hop"] += await bare_hops(section, count=share, apart_s=BARE_APART_S)
            took["bare event"] += await events_take(browser, count=share)
            values = [55.0 + 10.0 * turn + index / 10 for index in range(share)]
            took["reading to page"] += await page_takes(page, press, values)
        await browser.close()
        async with following(started.address):
            took["reading to sounder"] = await sounder_takes(section, press, count=sounds)
        pumping.cancel()
    return {name: spread(values) for name, values in took.items()}


def report(spreads: dict[str, Spread]) -> dict[str, object]:
    """Return the figures and their ratios, with what they were measured on."""
    hop, event = spreads["bare hop"], spreads["bare event"]
    page, sounder = spreads["reading to page"], spreads["reading to sounder"]
    return {
        "machine": f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}",
        **{name: asdict(each) for name, each in spreads.items()},
        "page to bare hop and event": {
            "p50": page.p50_ms / (hop.p50_ms + event.p50_ms),
            "p99": page.p99_ms / (hop.p99_ms + event.p99_ms),
        },
        "sounder to bare hop": {
            "p50": sounder.p50_ms / hop.p50_ms,
            "p99": sounder.p99_ms / hop.p99_ms,
        },
    }


def rows() -> Iterable[Row]:
    """Measure both ways."""
    spreads = measured(count=COUNT, sounds=SOUNDS)
    hop, event = spreads["bare hop"], spreads["bare event"]
    ways = (
        ("reading to page", "bare hop + event", event, PAGE_FLOOR_MS),
        ("reading to sounder", "bare hop", Spread(0.0, 0.0), SOUNDER_FLOOR_MS),
    )
    for name, way, more, floor_ms in ways:
        for part in ("p50", "p99"):
            bare_ms = getattr(hop, f"{part}_ms") + getattr(more, f"{part}_ms")
            yield Row(
                what=f"{name}, {part}",
                measured=getattr(spreads[name], f"{part}_ms"),
                unit="ms",
                bare=bare_ms,
                bare_way=way,
                limit=max(TIMES_BARE * bare_ms, floor_ms) if part == "p99" else None,
                limit_words=f"{TIMES_BARE:g}x bare, floor {floor_ms:g}" if part == "p99" else "",
            )


def measured(*, count: int, sounds: int) -> dict[str, Spread]:
    """Start a broker, a monitor and a page, and measure on them."""
    with tempfile.TemporaryDirectory() as directory:
        folder = Path(directory)
        with services.mosquitto(folder, log=folder / "broker.log") as broker:
            started = services.Services(folder, broker=broker.section, new_log=lambda n: folder / f"{n}.log")
            started.settings["point.outlet"] = {"time_constant": "0 s", "tolerance": "0.1 degC"}
            started.start("monitor", "web")
            try:
                return asyncio.run(measure(started, count=count, sounds=sounds))
            finally:
                started.stop_all()


def main() -> None:
    """Print the figures; keep them in a file when asked."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    options.add_argument("--count", type=int, default=COUNT)
    options.add_argument("--sounds", type=int, default=SOUNDS)
    options.add_argument("--json", type=Path, metavar="FILE")
    chosen = options.parse_args()
    figures = report(measured(count=chosen.count, sounds=chosen.sounds))
    for name, values in figures.items():
        said = values if isinstance(values, str) else ", ".join(f"{k} {v:.2f}" for k, v in values.items())
        sys.stdout.write(f"{name}: {said}\n")
    if chosen.json:
        chosen.json.write_text(json.dumps(figures, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
