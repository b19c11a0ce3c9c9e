"""Family 6, real processes: every fault of a probe, of the line, and of the hardware service itself."""

from __future__ import annotations

import signal
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

from hardware.kernel_files import LineFault, ProbeFault
from monitor.contract.errors import PayloadRefused
from monitor.contract.names import Flag
from monitor.contract.payloads import decode
from monitor.contract.readings import Point, Quality, Reading
from monitor.contract.status import RunStatus, Standing
from tests.faults.counts import Counts
from tests.faults.listener import flags_of, seconds_until
from tests.faults.metric import Metric
from tests.faults.plant import Plant, plant

SEEN_LIMIT_S = 5.0
AT_ONCE_LIMIT_S = 0.5
"""From the bad reading on the broker to the last status that still says ready: one hop, no tick."""
FROZEN_LIMIT_S = 65.0
"""One and the same value is only strange after a minute: the readers wait 60 s for it."""
READY_F, READY_PSI = 185.0, 40.0
READY_DEADLINE_S = 25.0
QUICK_PROBE = tuple(fault for fault in ProbeFault if fault is not ProbeFault.FROZEN)
QUICK_LINE = tuple(fault for fault in LineFault if fault is not LineFault.FROZEN)


@dataclass
class Watch:
    """The last moment that ready was said, and the first that a reading was bad [s, monotonic]."""

    ready_s: float = 0.0
    bad_s: dict[Point, float] = field(default_factory=dict)

    def hear(self, topic: str, payload: bytes, at_s: float) -> None:
        """Note what a message says."""
        try:
            if topic.endswith("/status"):
                if Flag.READY_TO_BOTTLE in flags_of(decode(payload, RunStatus)):
                    self.ready_s = at_s
            elif "/reading/" in topic and decode(payload, Reading).quality is Quality.BAD:
                self.bad_s.setdefault(Point(topic.rpartition("/")[2]), at_s)
        except PayloadRefused:
            return


@dataclass
class Tally:
    """What the faults showed."""

    seen_s: dict[str, float] = field(default_factory=dict)
    still_s: dict[str, float] = field(default_factory=dict)
    not_ready_again: int = 0


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Inject every fault while the press is ready to bottle."""
    tally = Tally()
    with plant(directory) as press:
        press.outlet_f, press.psi = READY_F, READY_PSI
        press.start("monitor", "hardware")
        for fault in QUICK_PROBE:
            _inject(press, tally, f"probe {fault.value}", Point.OUTLET, *_probe(press, fault))
        for line in QUICK_LINE:
            _inject(press, tally, f"line {line.value}", Point.LINE, *_line(press, line))
        _inject(press, tally, "hardware frozen", Point.OUTLET, *_hardware(press))
        frozen = _frozen(press) if counts.frozen_value else {}
    slowest = max(tally.seen_s, key=lambda name: tally.seen_s[name])
    longest = max(tally.still_s, key=lambda name: tally.still_s[name])
    yield Metric(
        family=6,
        what=f"bad or stale, slowest of {len(tally.seen_s)} faults ({slowest})",
        measured=tally.seen_s[slowest],
        limit=SEEN_LIMIT_S,
        unit="s",
    )
    yield Metric(
        family=6,
        what=f"ready after the bad reading, longest ({longest})",
        measured=tally.still_s[longest],
        limit=AT_ONCE_LIMIT_S,
        unit="s",
    )
    yield Metric(
        family=6, what="faults that are not over when they end", measured=tally.not_ready_again, limit=0
    )
    for name, seconds in frozen.items():
        yield Metric(family=6, what=f"{name} is bad", measured=seconds, limit=FROZEN_LIMIT_S, unit="s")


Act = Callable[[], None]


def _inject(press: Plant, tally: Tally, name: str, point: Point, begin: Act, end: Act) -> None:
    if press.await_flag(Flag.READY_TO_BOTTLE, deadline_s=READY_DEADLINE_S) > READY_DEADLINE_S:
        tally.not_ready_again += 1
    watch = Watch()
    press.listener.taps.append(watch.hear)
    began_s = time.monotonic()
    begin()

    def doubted() -> bool:
        standing = press.listener.standing(point, since_s=began_s)
        return standing is not None and standing is not Standing.GOOD and not _ready(press)

    tally.seen_s[name] = seconds_until(doubted, deadline_s=2 * SEEN_LIMIT_S)
    time.sleep(1.0)
    press.listener.taps.remove(watch.hear)
    if point in watch.bad_s:
        tally.still_s[name] = max(0.0, watch.ready_s - watch.bad_s[point])
    end()


def _ready(press: Plant) -> bool:
    return press.listener.says(Flag.READY_TO_BOTTLE)


def _probe(press: Plant, fault: ProbeFault | None) -> tuple[Act, Act]:
    def become(what: ProbeFault | None) -> None:
        press.probe.fault = what

    return lambda: become(fault), lambda: become(None)


def _line(press: Plant, fault: LineFault | None) -> tuple[Act, Act]:
    def become(what: LineFault | None) -> None:
        press.line.fault = what

    return lambda: become(fault), lambda: become(None)


def _hardware(press: Plant) -> tuple[Act, Act]:
    program = press.program("hardware")
    return lambda: program.signal(signal.SIGSTOP), lambda: program.signal(signal.SIGCONT)


def _frozen(press: Plant) -> dict[str, float]:
    """Freeze the values of both points; return how long each took to be bad [s]."""
    press.await_flag(Flag.READY_TO_BOTTLE, deadline_s=READY_DEADLINE_S)
    press.probe.fault, press.line.fault = ProbeFault.FROZEN, LineFault.FROZEN
    began_s = time.monotonic()
    found: dict[str, float] = {}

    def all_bad() -> bool:
        for point, name in ((Point.OUTLET, "a frozen probe"), (Point.LINE, "a frozen line")):
            if name not in found and press.listener.standing(point) is Standing.BAD:
                found[name] = time.monotonic() - began_s
        return len(found) == 2

    seconds_until(all_bad, deadline_s=FROZEN_LIMIT_S + 10.0)
    return {"a frozen probe": float("inf"), "a frozen line": float("inf")} | found
