"""Hears a press over the broker by a library of its own, not by the line under test."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

from paho.mqtt.client import Client, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion

from monitor.contract.errors import PayloadRefused
from monitor.contract.names import Flag
from monitor.contract.payloads import decode
from monitor.contract.readings import Point, Reading
from monitor.contract.status import PointStatus, RunStatus, Standing
from monitor.contract.topics import Topics
from monitor.runtime.settings import BrokerSection

LOOK_EVERY_S = 0.01
KEEPALIVE_S = 10
QUICK_RETRY_S = 0.05


@dataclass(frozen=True, slots=True)
class Heard:
    """The newest message of a topic and when it came [s, monotonic]."""

    payload: bytes
    at_s: float


Tap = Callable[[str, bytes, float], None]


class Listener:
    """The newest message of each topic, kept copies of the broker left out."""

    def __init__(self, broker: BrokerSection, *, press: str = "main") -> None:
        self.topics = Topics(press)
        self.newest: dict[str, Heard] = {}
        self.taps: list[Tap] = []
        """Called with topic, payload and moment of every message, in the client's thread."""
        self._broker = broker
        self._client = Client(CallbackAPIVersion.VERSION2)
        self._client.reconnect_delay_set(QUICK_RETRY_S, QUICK_RETRY_S)
        self._client.on_connect = lambda client, *_: client.subscribe("niterwatch/#", qos=1)
        self._client.on_message = self._hear

    def __enter__(self) -> Listener:
        self._client.connect(self._broker.host, self._broker.port, KEEPALIVE_S)
        self._client.loop_start()
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def say(self, topic: str, payload: bytes) -> None:
        """Publish something."""
        self._client.publish(topic, payload, qos=1)

    def status(self, *, since_s: float = 0.0) -> RunStatus | None:
        """Return the newest status that came after ``since_s``."""
        heard = self.newest.get(self.topics.status)
        if heard is None or heard.at_s < since_s:
            return None
        try:
            return decode(heard.payload, RunStatus)
        except PayloadRefused:
            return None

    def reading(self, point: Point, *, since_s: float = 0.0) -> Reading | None:
        """Return the newest reading of ``point`` that came after ``since_s``."""
        heard = self.newest.get(self.topics.reading(point))
        if heard is None or heard.at_s < since_s:
            return None
        try:
            return decode(heard.payload, Reading)
        except PayloadRefused:
            return None

    def says(self, flag: Flag, *, since_s: float = 0.0) -> bool:
        """Tell whether the newest status, if it came after ``since_s``, raises ``flag``."""
        status = self.status(since_s=since_s)
        return status is not None and flag in flags_of(status)

    def standing(self, point: Point, *, since_s: float = 0.0) -> Standing | None:
        """Return how the newest status sees ``point``."""
        status = self.status(since_s=since_s)
        seen: PointStatus | None = status.points.get(point) if status else None
        return seen.standing if seen else None

    def _hear(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        now_s = time.monotonic()
        if message.retain:
            return
        self.newest[message.topic] = Heard(message.payload, now_s)
        for tap in tuple(self.taps):
            tap(message.topic, message.payload, now_s)


def flags_of(status: RunStatus) -> set[Flag]:
    """Return the flags that ``status`` raises."""
    return {flag.name for flag in status.flags}


def seconds_until(condition: Callable[[], object], *, deadline_s: float) -> float:
    """Return how long it took until ``condition`` held [s], infinity if longer than ``deadline_s``."""
    began_s = time.monotonic()
    while not condition():
        if time.monotonic() - began_s > deadline_s:
            return float("inf")
        time.sleep(LOOK_EVERY_S)
    return time.monotonic() - began_s
