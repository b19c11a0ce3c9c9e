"""Family 8: five thousand messages a second and oversized ones, while an alarm comes due."""

from __future__ import annotations

import json
import os
import threading
import time
from collections.abc import Iterator
from pathlib import Path

from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion

from monitor.contract.names import Flag
from monitor.contract.payloads import decode, encode
from monitor.contract.readings import ClockState, Point, Quality, Reading, UnitCode
from tests.faults.counts import Counts
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric, tail
from tests.faults.plant import Plant, deg_c, plant

RATE_HZ = 5_000
BATCH_S = 0.02
PACKET_LIMIT = 16_384
"""Of the broker's configuration; a larger packet costs its sender the connection."""
ON_DELAY_S = 5.0
LATENCY_LIMIT_S = 1.0
MEMORY_LIMIT_MB = 64.0
HOT_F, WARM_F = 197.0, 150.0
ALARM_DEADLINE_S = 30.0


class Flood:
    """Publishes at :data:`RATE_HZ` in a thread until stopped; what it sends goes round a list."""

    def __init__(self, press: Plant, messages: list[tuple[str, bytes]]) -> None:
        self.sent = 0
        self._messages = messages
        self._section = press.broker.section
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._send, name="flood", daemon=True)

    def __enter__(self) -> Flood:
        self._began_s = time.monotonic()
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._stop.set()
        self._thread.join()

    @property
    def rate_hz(self) -> float:
        """Messages a second so far."""
        return self.sent / (time.monotonic() - self._began_s)

    def _send(self) -> None:
        client = Client(CallbackAPIVersion.VERSION2)
        client.max_queued_messages_set(RATE_HZ)
        client.connect(self._section.host, self._section.port)
        client.loop_start()
        due_s = time.monotonic()
        while not self._stop.is_set():
            for _ in range(round(RATE_HZ * BATCH_S)):
                client.publish(*self._messages[self.sent % len(self._messages)], qos=0)
                self.sent += 1
            due_s = max(due_s + BATCH_S, time.monotonic() - 1.0)
            time.sleep(max(0.0, due_s - time.monotonic()))
        client.disconnect()
        client.loop_stop()


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Flood the monitor's own topics and time an alarm, again and again."""
    late_s: list[float] = []
    with plant(directory) as press:
        press.start()
        press.open_run()
        before_mb = _memory_mb(press)
        _send_oversized(press)
        with Flood(press, _mixture(press)) as flood:
            ends_s = time.monotonic() + counts.flood_s
            while not late_s or time.monotonic() < ends_s:
                late_s.append(_alarm_late_s(press))
            rate_hz = flood.rate_hz
        grown_mb = max(now - then for now, then in zip(_memory_mb(press), before_mb, strict=True))
        lives = seconds_until(press.page_lives, deadline_s=10.0)
        died = sum(not program.alive for program in press.services.programs.values())
        refused = press.listener.status()
    counted = refused.refused if refused else 0
    yield Metric(
        family=8, what="flood reached", measured=rate_hz, limit=0.9 * RATE_HZ, unit="/s", at_least=True
    )
    yield Metric(
        family=8,
        what=f"alarm later than 5 s after the hot reading, p99 of {len(late_s)}",
        measured=tail(late_s),
        limit=LATENCY_LIMIT_S,
        unit="s",
    )
    yield Metric(
        family=8, what="memory grown, worst service", measured=grown_mb, limit=MEMORY_LIMIT_MB, unit="MB"
    )
    yield Metric(family=8, what="services ended", measured=died, limit=0)
    yield Metric(family=8, what="refused messages counted", measured=counted, limit=1, at_least=True)
    yield Metric(family=8, what="page lives after the flood", measured=lives, limit=5.0, unit="s")


def _mixture(press: Plant) -> list[tuple[str, bytes]]:
    """Return valid readings of another point, unknown topics, broken ones and the largest."""
    topics = press.listener.topics
    reading = Reading(
        seq=0,
        boot="another",
        mono_ms=0,
        clock=ClockState.UNSET,
        value=20.0,
        unit=UnitCode.CELSIUS,
        quality=Quality.GOOD,
    )
    valid = [
        (topics.reading(Point.PAN), encode(reading.model_copy(update={"mono_ms": n}))) for n in range(40)
    ]
    large = json.dumps({"id": "x" * (PACKET_LIMIT - 1_000)}).encode()
    return [
        *valid,
        *((f"niterwatch/main/reading/no-such-{n % 7}", b"{}") for n in range(40)),
        *(
            (f"niterwatch/main/command/{verb}", b"\x00\xff{")
            for verb in ("note", "end", "x")
            for _ in range(6)
        ),
        (topics.reading(Point.FLOW), large),
        (topics.reading(Point.FILLER), b""),
    ]


def _send_oversized(press: Plant) -> None:
    """Publish more than the broker lets through; it may hang up on this client, and on no other."""
    client = Client(CallbackAPIVersion.VERSION2)
    section = press.broker.section
    client.connect(section.host, section.port)
    client.loop_start()
    for size in (PACKET_LIMIT + 1, 10 * PACKET_LIMIT, 1_000_000):
        client.publish(press.listener.topics.reading(Point.OUTLET), bytes(size), qos=0)
    time.sleep(0.5)
    client.disconnect()
    client.loop_stop()


def _alarm_late_s(press: Plant) -> float:
    """Raise the temperature alarm; return how late after its delay it was seen, and let it return."""
    hot: list[float] = []

    def note(topic: str, payload: bytes, at_s: float) -> None:
        if topic == press.listener.topics.reading(Point.OUTLET):
            value = decode(payload, Reading).value
            if value is not None and value > deg_c(HOT_F) - 1.0:
                hot.append(at_s)

    press.listener.taps.append(note)
    began_s = time.monotonic()
    press.outlet_f = HOT_F
    seconds_until(
        lambda: press.listener.says(Flag.OVER_PRECIPITATION, since_s=began_s), deadline_s=ALARM_DEADLINE_S
    )
    seen_s = time.monotonic()
    press.listener.taps.remove(note)
    raised = press.listener.says(Flag.OVER_PRECIPITATION, since_s=began_s)
    press.outlet_f = WARM_F
    seconds_until(lambda: not press.listener.says(Flag.OVER_PRECIPITATION), deadline_s=ALARM_DEADLINE_S)
    return max(0.0, seen_s - hot[0] - ON_DELAY_S) if raised and hot else float("inf")


def _memory_mb(press: Plant) -> list[float]:
    """Return what each service keeps in memory now (resident pages of /proc/PID/statm)."""
    page_bytes = os.sysconf("SC_PAGE_SIZE")
    found = []
    for program in press.services.programs.values():
        assert program.process is not None
        statm = Path(f"/proc/{program.process.pid}/statm").read_text()
        found.append(int(statm.split()[1]) * page_bytes / 1e6)
    return found
