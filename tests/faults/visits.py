"""Family 13, requests: anything a program on the network may ask of the page.

The page's own application over a real store, asked directly; what leaves it towards the
monitor is counted. Without the device's code nothing may.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import logging
import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import quote

import httpx
import schemathesis
from fastapi import FastAPI
from hypothesis import HealthCheck, Phase, given, settings

from monitor.contract.commands import Verb
from monitor.contract.names import Phase as RunPhase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.run.effects import RowDue, RunClosed, RunOpened
from monitor.run.row import TraceRow
from monitor.runtime.settings import load
from monitor.trace.store import TraceWriter
from tests.faults.counts import Counts, workers_of
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric
from tests.faults.payloads import EXTREMES, Engine
from tests.faults.plant import plant
from web.app import create_app
from web.live import Hub
from web.security import DeviceCode
from web.service import make_rooms

CHUNK = 250
RUN = "main-20260320-120000"
METHODS = (
    "GET",
    "GET",
    "GET",
    "HEAD",
    "POST",
    "POST",
    "POST",
    "PUT",
    "DELETE",
    "OPTIONS",
    "PATCH",
    "TRACE",
    "XYZZY",
)
PARTS = (
    "press", "main", "no-such", "runs", RUN, "package.zip", "act", "live", "static", "page.css", "health",
    "safety",
    "glossary", "sounds.json", "choice", "traces", "run", "..", "%2e%2e", "%00", ".", "", "MAIN", "\u00e9",
    "a" * 300,
    "'; DROP TABLE run; --", "<script>", "etc", "passwd", "{press}", "plan", "sheet", "lots", "season",
)  # fmt: skip
QUERIES = (
    "units=us",
    "units=metric",
    "units=x",
    "from=0&to=5",
    "from=nan",
    "to=-1",
    "from=1e999",
    "last=5",
    "last=x",
    "a=b" * 50,
)
HEADERS: tuple[tuple[str, str], ...] = (
    ("X-Device-Code", "00000000"), ("X-Device-Code", "x" * 5_000), ("X-Device-Code", ""), ("Host",
    "evil.example"),
    ("Host", ""), ("Origin", "http://evil.example"), ("Origin", "null"), ("Content-Type", "application/json"),
    ("Content-Type", "text/plain"), ("Content-Length", "-1"), ("Content-Length", "99999999"),
    ("Accept-Language", "fr"),
    ("Cookie", "units=metric; language=xx"), ("Cookie", "=" * 2_000), ("Range", "bytes=5-1"),
    ("Last-Event-ID", "x"),
    ("Sec-Fetch-Site", "cross-site"), ("If-None-Match", "*"), ("If-Modified-Since", "yesterday"), ("X",
    "\u00ff"),
    ("Transfer-Encoding", "chunked"), ("Expect", "100-continue"), ("Upgrade", "websocket"),
)  # fmt: skip
STREAM_S = 0.3
"""A request that is answered by an open stream is left after this [s]."""
LIVES_WITHIN_S = 10.0
LOCAL = "http://localhost"


@dataclass
class Result:
    """What came of a chunk."""

    raised: list[str] = field(default_factory=list)
    failed: list[str] = field(default_factory=list)
    sent: list[str] = field(default_factory=list)
    found: int = 0


class _Line:
    """Stands where the page's line to the broker is, and keeps what would leave."""

    def __init__(self) -> None:
        self.sent: list[str] = []
        self.connected = True
        self.dropped = 0

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        """Keep the topic."""
        del payload, retain
        self.sent.append(topic)


def request(chance: random.Random) -> tuple[str, str, list[tuple[str, str]], bytes]:
    """Return a method, an address, headers and a body."""
    if chance.random() < 0.3:
        path = f"/press/main/act/{chance.choice((*Verb, 'x'))}"
    else:
        path = "/" + "/".join(quote(part, safe="%") for part in chance.choices(PARTS, k=chance.randint(0, 4)))
    if chance.random() < 0.3:
        path += f"?{chance.choice(QUERIES)}"
    headers = chance.sample(HEADERS, chance.randint(0, 3))
    if chance.random() < 0.5:
        headers += [("Content-Type", "application/json"), ("X-Device-Code", f"{chance.randrange(10**8):08d}")]
    bodies = (b"", b"{}", chance.randbytes(50), b"[" * 5_000, b"{" + b'"a":' * 500, b"x" * 20_000)
    body = chance.choice(bodies)
    if chance.random() < 0.3:
        body = json.dumps(
            {"who": chance.choice(EXTREMES), "alarm": chance.choice(EXTREMES)}, default=str
        ).encode()
    return chance.choice(METHODS), path, headers, body


def chunk(seeds: range, directory: Path) -> Result:
    """Make as many requests as there are ``seeds``."""
    logging.disable(logging.CRITICAL)
    return asyncio.run(_ask_all(seeds, directory))


async def _ask_all(seeds: range, directory: Path) -> Result:
    result, line, engine = Result(), _Line(), Engine()
    transport = httpx.ASGITransport(app=_app(directory, line, engine), client=("127.0.0.1", 40_000))
    async with httpx.AsyncClient(transport=transport, base_url=LOCAL) as client:
        for seed in seeds:
            chance = random.Random(seed)  # noqa: S311 - a test's repeatable dice
            method, path, headers, body = request(chance)
            # Past the pause for wrong codes, so that every one is looked at.
            engine.clock.advance(15.0)
            await _ask(client, result, (method, path, headers, body))
    result.sent = line.sent
    return result


async def _ask(
    client: httpx.AsyncClient, result: Result, asked: tuple[str, str, list[tuple[str, str]], bytes]
) -> None:
    method, path, headers, body = asked
    coded = [(name.encode(), value.encode("latin-1", "replace")) for name, value in headers]
    try:
        wanted = client.build_request(method, path, headers=coded, content=body)
    except (httpx.InvalidURL, ValueError):
        return
    try:
        async with asyncio.timeout(STREAM_S if "/live" in path else 30.0):
            answer = await client.send(wanted)
    except TimeoutError:
        if "/live" not in path:
            result.raised.append(f"no answer to {method} {path[:80]}")
    except Exception as error:
        result.raised.append(f"{type(error).__name__} on {method} {path[:80]}: {error}"[:200])
    else:
        result.found += answer.status_code == httpx.codes.OK
        if answer.status_code >= httpx.codes.INTERNAL_SERVER_ERROR:
            result.failed.append(f"{answer.status_code} on {method} {path[:80]}")


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Ask in a few processes, then the running page with raw bytes."""
    _keep_run(directory / "runs.db")
    starts = range(0, counts.requests, CHUNK)
    chunks = [range(start, min(start + CHUNK, counts.requests)) for start in starts]
    with workers_of(counts) as workers:
        results = list(workers.map(chunk, chunks, [directory] * len(chunks)))
    for what, lists in (
        ("unhandled exceptions", [result.raised for result in results]),
        ("answers of 500 and over", [result.failed for result in results]),
        ("commands that left without the code", [result.sent for result in results]),
    ):
        found = [each for some in lists for each in some]
        example = f" ({found[0]})" if found else ""
        yield Metric(
            family=13, what=f"{what}, {counts.requests} requests{example}", measured=len(found), limit=0
        )
    yield from _by_schema(counts, directory)
    share = 100.0 * sum(result.found for result in results) / counts.requests
    yield Metric(
        family=13, what="requests answered with a page", measured=share, limit=2, unit="%", at_least=True
    )
    yield from _raw(counts, directory / "raw")


def _by_schema(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Ask what schemathesis makes of the application's own description of its addresses."""
    number = counts.requests // 5
    with workers_of(counts) as workers:
        result = workers.submit(described, number, directory).result()
    for what, found in (
        ("unhandled exceptions", result.raised),
        ("answers of 500 and over", result.failed),
        ("commands that left without the code", result.sent),
    ):
        example = f" ({found[0]})" if found else ""
        yield Metric(
            family=13, what=f"{what}, {number} requests by schema{example}", measured=len(found), limit=0
        )


def described(number: int, directory: Path) -> Result:
    """Make ``number`` requests that the application's schema allows, or nearly so."""
    logging.disable(logging.CRITICAL)
    result, line, engine = Result(), _Line(), Engine()
    app = _app(directory, line, engine)
    schema = schemathesis.openapi.from_dict(app.openapi())
    transport = httpx.ASGITransport(app=app, client=("127.0.0.1", 40_000))
    client = httpx.AsyncClient(transport=transport, base_url=LOCAL)
    with asyncio.Runner() as runner:

        @settings(
            max_examples=number, deadline=None, database=None, phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        @given(case=schema.as_strategy())
        def ask(case: schemathesis.Case) -> None:
            engine.clock.advance(15.0)
            wanted = case.as_transport_kwargs(base_url=LOCAL)
            try:
                answer = runner.run(client.request(**wanted))
            except (httpx.InvalidURL, ValueError):
                return
            except Exception as error:
                result.raised.append(f"{type(error).__name__} on {case.method} {case.path}: {error}"[:200])
                return
            if answer.status_code >= httpx.codes.INTERNAL_SERVER_ERROR:
                result.failed.append(f"{answer.status_code} on {case.method} {case.path}")

        ask()
        runner.run(client.aclose())
    result.sent = line.sent
    return result


def _app(directory: Path, line: _Line, engine: Engine) -> FastAPI:
    """Return the page's application over the kept run, with a status to show."""
    _, code = DeviceCode.make()
    chosen = load(overrides=[f"store.url=sqlite:///{directory / 'runs.db'}"])
    hub = Hub(clock=engine.clock)
    rooms = make_rooms(chosen, clock=engine.clock, link=line, hub=hub, code=code)  # type: ignore[arg-type] - see _Line
    engine.hub = hub
    engine.publish()
    return create_app(rooms)


def _raw(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Send bytes that are hardly HTTP to the running page."""
    chance = random.Random(7)  # noqa: S311 - a test's repeatable dice
    with plant(directory) as press:
        press.psi = 0.0  # pressure would open a run by itself, if the bytes take long enough
        press.start()
        for _ in range(counts.requests // 5):
            with contextlib.suppress(OSError):
                press.send_raw(_bytes(chance))
        # A machine with other work may show one second late; a dead page never comes back.
        lives = seconds_until(press.page_lives, deadline_s=LIVES_WITHIN_S) < LIVES_WITHIN_S
        tracebacks = "Traceback" in press.program("web").text()
        status = press.listener.status()
    yield Metric(
        family=13, what=f"page dead after {counts.requests // 5} raw requests", measured=not lives, limit=0
    )
    yield Metric(family=13, what="tracebacks in the page's log", measured=tracebacks, limit=0)
    opened = status is None or status.run is not None
    yield Metric(family=13, what="runs opened by them", measured=opened, limit=0)


def _bytes(chance: random.Random) -> bytes:
    sound = b"POST /press/main/act/start HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\n"
    match chance.randrange(5):
        case 0:
            return chance.randbytes(chance.randint(1, 3_000))
        case 1:
            return sound + b"X-Device-Code: 00000000\r\nContent-Length: 2\r\nContent-Length: 3\r\n\r\n{}"
        case 2:
            return sound + b"Transfer-Encoding: chunked\r\n\r\nFFFFFFFFFF\r\n{}"
        case 3:
            return sound[: chance.randrange(len(sound))]
        case _:
            data = bytearray(sound + b"Content-Length: 2\r\n\r\n{}")
            for _ in range(chance.randint(1, 6)):
                data[chance.randrange(len(data))] = chance.randrange(256)
            return bytes(data)


def _keep_run(database: Path) -> None:
    writer = TraceWriter(f"sqlite:///{database}", software="a test")
    writer.open()
    press = writer.press("main")
    clock = ClockState.UNSET
    press.keep_effect(
        RunOpened(run=RUN, boot="a", started_mono_s=0.0, started=None, clock=clock, by="a test")
    )
    for second in range(120):
        row = TraceRow(
            boot="a", mono_s=float(second), time=None, clock=clock, elapsed_s=float(second), outlet_c=84.0,
            outlet_standing=Standing.GOOD, line_kpa=240.0, line_high_kpa=None, line_standing=Standing.GOOD,
            strokes=1,
            flow_l_min=None, volume_l=1.0, pan_c=None, filler_c=None, phase=RunPhase.BOTTLING, flags=(),
        )  # fmt: skip
        press.keep_effect(RowDue(row))
    press.keep_effect(
        RunClosed(
            run=RUN, boot="a", ended_mono_s=120.0, ended=None, elapsed_s=120.0, volume_l=4.0, by="a test"
        )
    )
    writer.close()
