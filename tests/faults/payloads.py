"""Family 13, messages: payloads that nobody sane would send, through the real decoding and engine.

Half is bent from true messages (bytes flipped, fields swapped for extremes), half is noise. In
process, many; over the broker to the running services, some. Nothing may raise, a refused
payload changes nothing, and a true reading must still be heard afterwards.
"""

from __future__ import annotations

import copy
import json
import logging
import random
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor import intake
from monitor.contract.commands import Verb
from monitor.contract.errors import PayloadRefused
from monitor.contract.names import Flag
from monitor.contract.payloads import decode, encode
from monitor.contract.presence import Presence
from monitor.contract.readings import UNIT_OF, ClockState, Point, Quality, Reading
from monitor.contract.status import RunStatus, Standing
from monitor.contract.topics import Topics
from monitor.run.engine import step
from monitor.run.inputs import Input, ReadingArrived, Stamp, Tick
from monitor.run.records import Records
from monitor.run.report import Signature, status_of
from monitor.run.seconds import raised
from monitor.run.state import State, fresh, restored, stored
from monitor.runtime.broker import Message
from monitor.runtime.clock import ManualClock
from monitor.runtime.settings import load
from tests.faults.counts import Counts, workers_of
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric
from tests.faults.plant import Plant, plant
from web.live import Hub

CHUNK = 5_000
PAYLOADS_A_SECOND = 25
"""Payloads between two ticks of the engine's clock."""
ROUND_TRIP_EVERY = 500
OVER_THE_BROKER = 2_000
PACKET_LIMIT = 16_000
SOUND_COMMANDS: tuple[dict[str, Any], ...] = (
    {"verb": "start"},
    {"verb": "end"},
    {"verb": "mark", "mark": "container filled", "volume_l": 3.8},
    {"verb": "acknowledge", "alarm": "over precipitation threshold", "activation": 1},
    {"verb": "silence"},
    {"verb": "shelve", "alarm": "input lost", "seconds": 60},
    {"verb": "note", "text": "dark syrup"},
    {"verb": "correct", "run": "main-1", "text": "lighter"},
)
EXTREMES: tuple[object, ...] = (
    None, True, -1, 0, 1, 2**31, 2**53 - 1, 2**53, 2**64, 10**400, -0.0, 1e-308, 1e308, 85.0, "", "good",
    "bad",
    "\0", "x" * 64, "x" * 65, "\u202e", "=1+1", [], [[]], {}, {"a": {}}, "outlet", "2026-03-20T12:00:00Z",
    "0001-01-01T00:00:00Z", "9999-12-31T23:59:59Z", "2026-03-20T12:00:00+14:00", "Cel", "kPa", "stale",
)  # fmt: skip
RAW_NUMBERS = (b"NaN", b"Infinity", b"-Infinity", b"1e999", b"00", b"0x10")


@dataclass
class Result:
    """What came of a chunk."""

    raised: list[str] = field(default_factory=list)
    accepted: int = 0
    deaf: int = 0
    wrongly_ready: int = 0


class Fuzz:
    """Bends true messages."""

    def __init__(self, seed: int, *, press: str = "main") -> None:
        self._chance = random.Random(seed)  # noqa: S311 - a test's repeatable dice
        self._topics = Topics(press)

    def next(self, *, boot: str, mono_s: float) -> tuple[str, bytes]:
        """Return a topic and a payload; about one in ten is sound."""
        chance = self._chance
        kind = chance.random()
        if kind < 0.1:
            return self._topic(), chance.randbytes(chance.choice((0, 1, 5, 50, 500, 5_000)))
        if kind < 0.6:
            topic, message = self._reading(boot=boot, mono_s=mono_s)
        else:
            topic, message = self._command()
        for _ in range(chance.choice((0, 1, 1, 2, 4))):
            self._bend(message)
        payload = json.dumps(message).encode()
        if chance.random() < 0.2:
            payload = self._cut(payload)
        return (topic if chance.random() < 0.95 else self._topic()), payload

    def _topic(self) -> str:
        leaves = (*Point, *Verb, "", "x", "\u00e9" * 20, "no such")
        channel = self._chance.choice(("reading", "command", "status", "event", "presence", "x"))
        return f"niterwatch/main/{channel}/{self._chance.choice(leaves)}"

    def _reading(self, *, boot: str, mono_s: float) -> tuple[str, dict[str, Any]]:
        point = self._chance.choice(list(Point))
        message: dict[str, Any] = {
            "seq": self._chance.randrange(1000),
            "boot": boot,
            "mono_ms": round(mono_s * 1000) + self._chance.choice((-10_000, -10, 0, 0, 10_000)),
            "clock": self._chance.choice(list(ClockState)),
            "value": self._chance.uniform(-60.0, 200.0),
            "unit": UNIT_OF[point],
            "quality": self._chance.choice(list(Quality)),
            "low": 10.0,
            "high": 90.0,
            "strokes": 1,
            "tolerance": 0.5,
        }
        return self._topics.reading(point), message

    def _command(self) -> tuple[str, dict[str, Any]]:
        args = dict(self._chance.choice(SOUND_COMMANDS))
        verb = Verb(args["verb"])
        message: dict[str, Any] = {
            "id": f"{self._chance.getrandbits(64):016x}",
            "who": "somebody",
            "args": args,
        }
        return self._topics.command(verb), message

    def _bend(self, message: dict[str, Any]) -> None:
        inner = message.get("args")
        target = inner if isinstance(inner, dict) and self._chance.random() < 0.5 else message
        name = self._chance.choice([*target, "unknown"])
        if self._chance.random() < 0.2:
            target.pop(name, None)
        else:
            # A copy: what was put in may be bent again.
            target[name] = copy.deepcopy(self._chance.choice(EXTREMES))

    def _cut(self, payload: bytes) -> bytes:
        chance = self._chance
        data = bytearray(payload)
        match chance.randrange(4):
            case 0:
                del data[chance.randrange(len(data)) :]
            case 1:
                data[chance.randrange(len(data))] ^= 1 << chance.randrange(8)
            case 2:
                at = data.find(b":") + 1
                data[at : at + 2] = chance.choice(RAW_NUMBERS)
            case _:
                data *= 40
        return bytes(data)


class Engine:
    """The engine fed as the service feeds it."""

    def __init__(self) -> None:
        self.clock = ManualClock()
        self.rules = load().rules()
        self.state: State = fresh(boot=self.clock.boot, mono_s=self.clock.now_s, rules=self.rules)
        self.hub = Hub(clock=self.clock)

    def stamp(self) -> Stamp:
        wall = self.clock.wall()
        return Stamp(boot=self.clock.boot, mono_s=self.clock.now_s, time=wall.time, clock=wall.state)

    def take(self, topic: str, payload: bytes) -> bool:
        """Take a message as the monitor does; return whether it was accepted."""
        try:
            message = Message(topic, payload, retain=False)
            entered = intake.read(message, stamp=self.stamp(), records=Records().at)
        except PayloadRefused:
            return False
        if entered is None:
            return False
        self.enter(entered)
        return True

    def enter(self, entered: Input) -> None:
        """Step, and make the status that would be published."""
        self.state, _ = step(self.state, entered, rules=self.rules)

    def publish(self) -> None:
        """Make a status of the state, and take it in as the page does."""
        signed = Signature(seq=1, software="a test", invented=False, refused=0)
        status = status_of(self.state, stamp=self.stamp(), rules=self.rules, signed=signed)
        self.hub.hear("niterwatch/main/status", encode(status), retain=False)

    def hears_truth(self) -> bool:
        """Tell whether true readings, once a second, still count."""
        for number in range(8):
            self.clock.advance(1.0)
            for point, value in ((Point.OUTLET, 60.0), (Point.LINE, 200.0)):
                reading = Reading(
                    seq=number, boot=self.clock.boot, mono_ms=round(self.clock.now_s * 1000),
                    clock=ClockState.SAVED, value=value, unit=UNIT_OF[point], quality=Quality.GOOD,
                )  # fmt: skip
                self.enter(ReadingArrived(stamp=self.stamp(), point=point, reading=reading))
            self.enter(Tick(stamp=self.stamp()))
        track = self.state.points.get(Point.OUTLET)
        return (
            track is not None
            and track.reading.value == 60.0
            and track.standing(self.state.now_s) is Standing.GOOD
        )


def chunk(seeds: range) -> Result:
    """Feed an engine as many payloads as there are ``seeds``."""
    logging.disable(logging.ERROR)
    result, engine, fuzz = Result(), Engine(), Fuzz(seeds.start)
    for number in seeds:
        topic, payload = fuzz.next(boot=engine.clock.boot, mono_s=engine.clock.now_s)
        try:
            result.accepted += engine.take(topic, payload)
            engine.hub.hear(topic, payload, retain=number % 2 == 0)
            for model in (RunStatus, Presence):
                _decoded(payload, model)
            if number % PAYLOADS_A_SECOND == 0:
                engine.clock.advance(1.0)
                engine.enter(Tick(stamp=engine.stamp()))
                engine.publish()
            if number % ROUND_TRIP_EVERY == 0:
                restored(stored(engine.state), boot=engine.clock.boot, mono_s=engine.clock.now_s)
        except Exception as error:
            result.raised.append(f"{type(error).__name__} at {number}: {error}"[:200])
    result.deaf += not engine.hears_truth()
    result.wrongly_ready += Flag.READY_TO_BOTTLE in raised(engine.state)
    return result


def _decoded(payload: bytes, model: type[RunStatus] | type[Presence]) -> None:
    try:
        decode(payload, model)
    except PayloadRefused:
        return


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Fuzz in a few processes, then the running services."""
    starts = range(0, counts.payloads, CHUNK)
    chunks = [range(start, min(start + CHUNK, counts.payloads)) for start in starts]
    with workers_of(counts) as workers:
        results = list(workers.map(chunk, chunks))
    errors = [error for result in results for error in result.raised]
    example = f" ({errors[0]})" if errors else ""
    accepted = 100.0 * sum(result.accepted for result in results) / counts.payloads
    yield Metric(
        family=13, what=f"exceptions in {counts.payloads} payloads{example}", measured=len(errors), limit=0
    )
    yield Metric(
        family=13,
        what="engines that then hear no true reading",
        measured=sum(r.deaf for r in results),
        limit=0,
    )
    yield Metric(
        family=13,
        what="engines that then say ready at 140 degF",
        measured=sum(r.wrongly_ready for r in results),
        limit=0,
    )
    yield Metric(family=13, what="payloads accepted", measured=accepted, limit=3, unit="%", at_least=True)
    yield from over_the_broker(directory)


def over_the_broker(directory: Path) -> Iterator[Metric]:
    """Publish fuzz to the running services, statuses among it, and see that they live on."""
    with plant(directory) as press:
        press.start()
        press.open_run()
        _publish(press)
        began_s = time.monotonic()
        hears = seconds_until(lambda: _outlet_is_true(press, since_s=began_s), deadline_s=15.0)
        press.page_lives()
        died = sum(not program.alive for program in press.services.programs.values())
        tracebacks = sum("Traceback" in program.text() for program in press.services.programs.values())
    yield Metric(family=13, what=f"services ended by {OVER_THE_BROKER} payloads", measured=died, limit=0)
    yield Metric(family=13, what="services whose log has a traceback", measured=tracebacks, limit=0)
    yield Metric(family=13, what="a true reading counts again", measured=hears, limit=5.0, unit="s")


def _publish(press: Plant) -> None:
    fuzz = Fuzz(13)
    boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    for number in range(OVER_THE_BROKER):
        topic, payload = fuzz.next(boot=boot, mono_s=time.monotonic())
        topic = press.listener.topics.status if number % 10 == 0 else topic
        # The broker hangs up on a sender of more, which is tried with the floods.
        press.listener.say(topic, payload[:PACKET_LIMIT])
        if number % 100 == 0:
            time.sleep(0.05)


def _outlet_is_true(press: Plant, *, since_s: float) -> bool:
    return press.listener.standing(Point.OUTLET, since_s=since_s) is Standing.GOOD
