"""Measures one hop over the broker: the bare client library against our line, in the same run.

    python tests/bench/hop.py [--count 2000] [--broker mosquitto|embedded]

A hop is from the call that publishes to the moment the reader has the message, at QoS 1.
Times are of this machine; the ratio is what carries over.
"""

from __future__ import annotations

import argparse
import asyncio
import random
import sys
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Iterable
from contextlib import asynccontextmanager
from dataclasses import dataclass
from pathlib import Path
from statistics import median, quantiles

import aiomqtt

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from monitor.contract.presence import Service  # noqa: E402 - the path comes first
from monitor.contract.readings import Point  # noqa: E402
from monitor.contract.topics import Topics  # noqa: E402
from monitor.runtime.broker import BrokerLink  # noqa: E402
from monitor.runtime.clock import SystemClock  # noqa: E402
from monitor.runtime.settings import BrokerSection  # noqa: E402
from tests.bench.table import Row  # noqa: E402
from tests.integration import services  # noqa: E402

TOPICS = Topics("bench")
OUTLET = TOPICS.reading(Point.OUTLET)
PAYLOAD = b"x" * 250
"""About as long as a reading."""
WARM_UP = 100
COUNT = 2000


@dataclass(frozen=True, slots=True)
class Spread:
    """The middle and the tail of many hops [ms]."""

    p50_ms: float
    p99_ms: float


def spread(hops_s: list[float]) -> Spread:
    """Return the middle and the tail of ``hops_s``."""
    return Spread(1000 * median(hops_s), 1000 * quantiles(hops_s, n=100, method="inclusive")[98])


async def bare_hops(section: BrokerSection, *, count: int, apart_s: float | None = None) -> list[float]:
    """Return hops [s] between two clients of the library alone.

    One after the other, or ``apart_s`` apart, give or take a half: readings come singly, and a process
    that has slept in between is slower to wake than one that never rests.
    """
    async with (
        aiomqtt.Client(section.host, section.port) as writer,
        aiomqtt.Client(section.host, section.port) as reader,
    ):
        await reader.subscribe(OUTLET, qos=1)
        arrivals = reader.messages
        hops = []
        for _ in range(WARM_UP + count):
            began_s = time.perf_counter()
            publishing = asyncio.create_task(writer.publish(OUTLET, PAYLOAD, qos=1))
            await anext(aiter(arrivals))
            hops.append(time.perf_counter() - began_s)
            await publishing
            if apart_s is not None and len(hops) > WARM_UP:
                await asyncio.sleep(apart_s * random.uniform(0.5, 1.5))  # noqa: S311 - no secret
        return hops[WARM_UP:]


@asynccontextmanager
async def linked(section: BrokerSection, service: Service, *topics: str) -> AsyncIterator[BrokerLink]:
    """Run a link of ours, connected."""
    link = BrokerLink(section, topics=TOPICS, service=service, clock=SystemClock(), subscriptions=topics)
    task = asyncio.create_task(link.run())
    await asyncio.wait_for(link.connected_once.wait(), 10)
    try:
        yield link
    finally:
        task.cancel()
        await asyncio.wait({task})


async def our_hops(section: BrokerSection, *, count: int) -> list[float]:
    """Return hops [s] between two links of ours."""
    async with (
        linked(section, Service.HARDWARE) as writer,
        linked(section, Service.MONITOR, OUTLET) as reader,
    ):
        arrivals = aiter(reader.messages())
        hops = []
        for _ in range(WARM_UP + count):
            began_s = time.perf_counter()
            writer.publish(OUTLET, PAYLOAD)
            await anext(arrivals)
            hops.append(time.perf_counter() - began_s)
        return hops[WARM_UP:]


async def measure(section: BrokerSection, *, count: int, rounds: int = 4) -> tuple[Spread, Spread]:
    """Return (bare, ours), taken in turns so that a busy moment falls on both."""
    bare: list[float] = []
    ours: list[float] = []
    for _ in range(rounds):
        bare += await bare_hops(section, count=count // rounds)
        ours += await our_hops(section, count=count // rounds)
    return spread(bare), spread(ours)


def program(name: str, directory: Path) -> services.BrokerProgram:
    """Return the broker called ``name``, not yet started."""
    log = directory / "broker.log"
    make: dict[str, Callable[[], services.BrokerProgram]] = {
        "mosquitto": lambda: services.mosquitto(directory, log=log),
        "embedded": lambda: services.embedded(log=log),
    }
    return make[name]()


def rows() -> Iterable[Row]:
    """Measure the hop over both brokers."""
    for name in ("mosquitto", "embedded"):
        with tempfile.TemporaryDirectory() as directory, program(name, Path(directory)) as broker:
            bare, ours = asyncio.run(measure(broker.section, count=COUNT))
        for part, measured, plain in (
            ("p50", ours.p50_ms, bare.p50_ms),
            ("p99", ours.p99_ms, bare.p99_ms),
        ):
            yield Row(
                what=f"hop over {name}, {part}",
                measured=measured,
                unit="ms",
                bare=plain,
                bare_way="aiomqtt alone",
            )


def main() -> None:
    """Print one line per broker."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    options.add_argument("--count", type=int, default=COUNT)
    options.add_argument("--broker", choices=["mosquitto", "embedded"], action="append")
    chosen = options.parse_args()
    for name in chosen.broker or ["mosquitto", "embedded"]:
        with tempfile.TemporaryDirectory() as directory, program(name, Path(directory)) as broker:
            bare, ours = asyncio.run(measure(broker.section, count=chosen.count))
        sys.stdout.write(
            f"{name}: bare p50 {bare.p50_ms:.2f} ms p99 {bare.p99_ms:.2f} ms, "
            f"ours p50 {ours.p50_ms:.2f} ms p99 {ours.p99_ms:.2f} ms, "
            f"ratio p50 {ours.p50_ms / bare.p50_ms:.2f} p99 {ours.p99_ms / bare.p99_ms:.2f}\n"
        )


if __name__ == "__main__":
    main()
