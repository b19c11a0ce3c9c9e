"""What 1 to 200 presses cost one monitor: ``python -m tests.bench.many_presses [--presses 1 10 50 200]``.

A real mosquitto with the configuration we ship, the real monitor process over a real database, and
publishers in processes of their own: each press sends an outlet and a line reading a second, every
press at a moment of its own, as boards do. From a reading's publish to the moment a reader of the
press's status has it is what is timed, beside a bare hop in the same run.
"""

from __future__ import annotations

import argparse
import asyncio
import json
import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import sqlalchemy as sa
from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from monitor.contract.payloads import encode
from monitor.contract.presence import Service
from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode
from monitor.contract.topics import Topics
from tests.bench.hop import bare_hops
from tests.bench.table import Row, lines
from tests.integration import services
from tests.integration.services import BrokerProgram, Program, until

PRESSES = (1, 10, 50, 200)
FOR_S = 30.0
WARM_UP_S = 6.0
PUBLISHERS = 4
"""Processes that the presses are shared among."""
P99_LIMIT_MS = 100.0
COST_RATIO_LIMIT = 1.5
"""What a press costs among 200 against one among 10."""
HOPS = 1_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Cost:
    """What so many presses cost and how long their statuses took."""

    presses: int
    p50_ms: float
    p99_ms: float
    bare_hop_p99_ms: float
    cpu_share: float
    """Processor seconds of the monitor a second."""
    cpu_share_of_a_press: float
    broker_cpu_share: float
    rss_mb: float
    sent: int
    kept: int
    """Readings in the store of those sent."""
    unanswered: int
    """Readings that no status of their press showed."""


def press_name(number: int) -> str:
    """Return the name of the press with ``number``."""
    return f"press-{number:03d}"


def settings_of(count: int) -> Iterator[str]:
    """Yield lines that set ``count`` presses."""
    for number in range(count):
        yield f"[presses.{press_name(number)}]"


class Publisher:
    """Sends the readings of some presses and times when their statuses show them; a process of its own."""

    def __init__(self, port: int, numbers: range, *, seconds: float, out_of: int) -> None:
        self._numbers = numbers
        self._seconds = seconds
        self._out_of = out_of
        self._sent: dict[str, tuple[float, float]] = {}
        self.took_s: list[float] = []
        self.sent = 0
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.max_inflight_messages_set(1000)
        self._client.on_message = self._hear
        self._client.connect(services.LOOPBACK, port)
        for number in numbers:
            self._client.subscribe(Topics(press_name(number)).status, qos=1)
        self._client.loop_start()

    def run(self) -> dict[str, object]:
        """Send for the given time; return what was timed, without the first seconds."""
        began_s = time.monotonic()
        counted_s = began_s + WARM_UP_S
        beats = 0
        while time.monotonic() < began_s + self._seconds:
            for number in self._numbers:
                due_s = began_s + beats + number / self._out_of
                time.sleep(max(0.0, due_s - time.monotonic()))
                self._send(press_name(number), beats, counts=time.monotonic() > counted_s)
            beats += 1
        time.sleep(2.0)
        self._client.disconnect()
        self._client.loop_stop()
        return {"took_s": self.took_s, "sent": self.sent, "unanswered": len(self._sent)}

    def _send(self, press: str, beat: int, *, counts: bool) -> None:
        topics = Topics(press)
        line_kpa = 240.0 + math.sin(beat)
        self._publish(topics.reading(Point.LINE), line_kpa, UnitCode.KILOPASCAL, beat)
        # No two in a row are alike, so that a status tells which of them it has seen.
        outlet_c = 60.0 + (beat % 200) * 0.0625
        if counts:
            self._sent[press] = (outlet_c, time.monotonic())
        self._publish(topics.reading(Point.OUTLET), outlet_c, UnitCode.CELSIUS, beat)

    def _publish(self, topic: str, value: float, unit: UnitCode, beat: int) -> None:
        line = unit is UnitCode.KILOPASCAL
        reading = Reading(
            seq=beat, boot="a board far off", mono_ms=1_000 * beat + 1, clock=ClockState.UNSET,
            value=value, unit=unit, tolerance=None, quality=Quality.GOOD,
            low=value - 5.0 if line else None, high=value + 5.0 if line else None,
            strokes=1 if line else None,
        )  # fmt: skip
        self._client.publish(topic, encode(reading), qos=1)
        self.sent += 1

    def _hear(self, client: Client, userdata: object, message: MQTTMessage) -> None:
        del client, userdata
        at_s = time.monotonic()
        press = message.topic.split("/")[1]
        wanted = self._sent.get(press)
        if wanted is None:
            return
        outlet = json.loads(message.payload)["points"].get("outlet")
        if outlet is not None and outlet["value"] == wanted[0]:
            self.took_s.append(at_s - wanted[1])
            del self._sent[press]


def measure(count: int, folder: Path, *, seconds: float) -> Cost:
    """Run one monitor over ``count`` presses."""
    folder.mkdir()
    with services.mosquitto(folder, log=folder / "broker.log", max_connections="100") as broker:
        monitor = _monitor(folder, broker, count)
        try:
            _start(monitor, broker, count)
            return _cost(count, folder, broker=broker, monitor=monitor, seconds=seconds)
        finally:
            monitor.stop()


def _monitor(folder: Path, broker: BrokerProgram, count: int) -> Program:
    file = folder / "niterwatch.toml"
    lines = [
        "[broker]", f'host = "{services.LOOPBACK}"', f"port = {broker.port}",
        "[store]", f'url = "sqlite:///{folder / "niterwatch.db"}"', *settings_of(count),
    ]  # fmt: skip
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    command = [sys.executable, "-m", "monitor.cli", "monitor", "--settings", str(file)]
    return Program(command, log=folder / "monitor.log")


def _start(monitor: Program, broker: BrokerProgram, count: int) -> None:
    last = Topics(press_name(count - 1))
    with services.Ear(broker.section, topics=(last.presence(Service.MONITOR),)) as ear:
        monitor.start()
        until(lambda: ear.heard or not monitor.alive, what="the monitor is there", deadline_s=60.0)
    assert monitor.alive, monitor.text()


def _cost(count: int, folder: Path, *, broker: BrokerProgram, monitor: Program, seconds: float) -> Cost:
    shares = [range(first, count, PUBLISHERS) for first in range(min(PUBLISHERS, count))]
    publishers = [
        subprocess.Popen(
            [sys.executable, "-m", "tests.bench.many_presses", "--publish", json.dumps(
                {"port": broker.port, "first": share.start, "step": share.step, "out_of": count,
                 "seconds": seconds + WARM_UP_S}
            )],
            stdout=subprocess.PIPE, cwd=services.ROOM,
        )
        for share in shares
    ]  # fmt: skip
    time.sleep(WARM_UP_S)
    pids = monitor.process.pid, broker.process.pid
    began_s, before = time.monotonic(), [_cpu_s(pid) for pid in pids]
    time.sleep(seconds - 1.0)
    passed_s = time.monotonic() - began_s
    used = [(_cpu_s(pid) - then) / passed_s for pid, then in zip(pids, before, strict=True)]
    rss_mb = _rss_mb(pids[0])
    hops_s = asyncio.run(bare_hops(broker.section, count=HOPS))
    said = [json.loads(publisher.communicate()[0]) for publisher in publishers]
    took_s = sorted(value for each in said for value in each["took_s"])
    time.sleep(1.5)
    return Cost(
        presses=count,
        p50_ms=1000 * took_s[len(took_s) // 2],
        p99_ms=1000 * took_s[int(0.99 * len(took_s))],
        bare_hop_p99_ms=1000 * sorted(hops_s)[int(0.99 * len(hops_s))],
        cpu_share=used[0],
        cpu_share_of_a_press=used[0] / count,
        broker_cpu_share=used[1],
        rss_mb=rss_mb,
        sent=sum(each["sent"] for each in said),
        kept=_kept(folder / "niterwatch.db"),
        unanswered=sum(each["unanswered"] for each in said),
    )


def _kept(database: Path) -> int:
    with sa.create_engine(f"sqlite:///{database}").connect() as connection:
        return int(connection.scalar(sa.text("SELECT count(*) FROM reading")) or 0)


def _cpu_s(pid: int) -> float:
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _rss_mb(pid: int) -> float:
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / 1e6


def rows(presses: Sequence[int] = PRESSES, *, seconds: float = FOR_S) -> Iterator[Row]:
    """Measure each number of presses; give the rows of the table."""
    costs: list[Cost] = []
    with tempfile.TemporaryDirectory() as directory:
        for count in presses:
            costs.append(measure(count, Path(directory) / str(count), seconds=seconds))
            yield from _rows_of(costs[-1])
    few, many = (next((c for c in costs if c.presses == count), None) for count in (10, 200))
    if few is not None and many is not None:
        yield Row(
            what="a press among 200, processor", measured=1000 * many.cpu_share_of_a_press, unit="ms/s",
            bare=1000 * few.cpu_share_of_a_press, bare_way="a press among 10",
            limit=COST_RATIO_LIMIT * 1000 * few.cpu_share_of_a_press, limit_words=f"{COST_RATIO_LIMIT:g}x",
        )  # fmt: skip


def _rows_of(cost: Cost) -> Iterator[Row]:
    name = f"{cost.presses} press{'es' if cost.presses > 1 else ''}"
    hop = {"bare": cost.bare_hop_p99_ms, "bare_way": "bare hop p99"}
    yield Row(what=f"{name}: reading to status p50", measured=cost.p50_ms, unit="ms")
    yield Row(
        what=f"{name}: reading to status p99", measured=cost.p99_ms, unit="ms", limit=P99_LIMIT_MS, **hop
    )
    yield Row(what=f"{name}: monitor, processor", measured=100 * cost.cpu_share, unit="%")
    yield Row(what=f"{name}: broker, processor", measured=100 * cost.broker_cpu_share, unit="%")
    yield Row(what=f"{name}: monitor, memory", measured=cost.rss_mb, unit="MB")
    lost = cost.sent - cost.kept
    yield Row(what=f"{name}: readings lost of {cost.sent}", measured=lost, unit="", limit=0)
    yield Row(what=f"{name}: readings no status showed", measured=cost.unanswered, unit="", limit=0)


def main() -> int:
    """Print the table; 1 when a limit is passed."""
    options = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    options.add_argument("--presses", type=int, nargs="+", default=PRESSES)
    options.add_argument("--seconds", type=float, default=FOR_S)
    options.add_argument("--publish", help=argparse.SUPPRESS)
    chosen = options.parse_args()
    if chosen.publish:
        given = json.loads(chosen.publish)
        numbers = range(given["first"], given["out_of"], given["step"])
        publisher = Publisher(given["port"], numbers, seconds=given["seconds"], out_of=given["out_of"])
        sys.stdout.write(json.dumps(publisher.run()))
        return 0
    measured = list(rows(chosen.presses, seconds=chosen.seconds))
    sys.stdout.write("\n".join(lines(measured)) + "\n")
    return int(any(row.kept is False for row in measured))


if __name__ == "__main__":
    sys.exit(main())
