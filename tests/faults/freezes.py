"""Family 14: the engine stands still. The page and the sounder say so; the watchdog restarts it.

``SIGSTOP`` freezes the monitor. A thread of the harness stands in for systemd: it hears the
datagrams of sd_notify(3) and, when WATCHDOG=1 stays out, kills and restarts the service.
"""

from __future__ import annotations

import signal
import socket
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from tests.faults.counts import Counts
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric
from tests.faults.plant import LIVE_DEADLINE_S, RESTART_S, Plant, plant
from tests.integration.services import Program

WATCHDOG_S = 10.0
"""WatchdogSec of the monitor's unit."""
SILENT_LIMIT_S = 10.0
SOUND_LIMIT_S = 12.0
"""The sounder's own watch of 10 s, and what is left of the second of the last status."""
THAWED_LIMIT_S = 5.0
LIVE_LIMIT_S = WATCHDOG_S + 10.0
"""A restarted service has ten seconds (family 1)."""


class ServiceWatch:
    """systemd's part for one service: hears its datagrams, restarts it when they stay out."""

    def __init__(self, path: Path) -> None:
        self.restarts = 0
        self.looks = True
        """False while nobody watches."""
        self._path = path
        self._program: Program | None = None
        self._heard_s: float | None = None
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._listen, name="service watch", daemon=True)
        self._line = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._line.bind(str(path))
        self._line.settimeout(0.05)

    @property
    def environment(self) -> dict[str, str]:
        """What systemd would set for the service."""
        return {"NOTIFY_SOCKET": str(self._path), "WATCHDOG_USEC": f"{WATCHDOG_S * 1e6:.0f}"}

    def over(self, program: Program) -> None:
        """Begin to watch ``program``, once it has said that it is ready."""
        self._program = program
        self._thread.start()

    def close(self) -> None:
        """Stop watching."""
        self._stop.set()
        if self._thread.is_alive():
            self._thread.join()
        self._line.close()

    def _listen(self) -> None:
        while not self._stop.is_set():
            try:
                words = self._line.recv(4096).decode().splitlines()
            except TimeoutError:
                words = []
            if {"READY=1", "WATCHDOG=1"} & set(words) or not self.looks:
                self._heard_s = time.monotonic()
            if self._heard_s is not None and time.monotonic() - self._heard_s > WATCHDOG_S:
                self._restart()

    def _restart(self) -> None:
        assert self._program is not None
        self._heard_s = None  # the watchdog starts with READY=1
        self.restarts += 1
        self._program.kill()
        time.sleep(RESTART_S)
        self._program.start()


@dataclass
class Tally:
    """How long each answer to a freeze took [s], and the runs that were seen."""

    page_s: list[float] = field(default_factory=list)
    sound_s: list[float] = field(default_factory=list)
    thawed_s: list[float] = field(default_factory=list)
    live_s: list[float] = field(default_factory=list)
    runs: set[str] = field(default_factory=set)


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Freeze the monitor in a run: left alone, and under the watchdog's eyes."""
    directory.mkdir(parents=True, exist_ok=True)
    watch = ServiceWatch(directory / "notify")
    tally = Tally()
    with plant(directory) as press:
        services = press.services
        monitor = services.programs["monitor"] = Program(
            [sys.executable, "-m", "monitor.cli", "monitor", "--settings", str(services.settings_file)],
            log=services.new_log("monitor"),
            environment=services.environment | watch.environment,
        )
        press.start()
        watch.over(monitor)
        try:
            for _ in range(counts.freezes):
                press.open_run()
                _left_alone(press, watch, tally)
                _watched(press, watch, tally)
        finally:
            watch.close()
    limits = (
        ("the page says silent", tally.page_s, SILENT_LIMIT_S),
        ("the sounder says it", tally.sound_s, SOUND_LIMIT_S),
        ("live again after a freeze that passes", tally.thawed_s, THAWED_LIMIT_S),
        (f"watchdog of {WATCHDOG_S:.0f} s: live again", tally.live_s, LIVE_LIMIT_S),
    )
    for what, seconds, limit in limits:
        yield Metric(family=14, what=f"{what}, slowest", measured=max(seconds), limit=limit, unit="s")
    wrong = abs(watch.restarts - counts.freezes)
    yield Metric(family=14, what="restarts but one a watched freeze", measured=wrong, limit=0)
    yield Metric(family=14, what="runs split", measured=len(tally.runs) - 1, limit=0)


def _left_alone(press: Plant, watch: ServiceWatch, tally: Tally) -> None:
    """Freeze the monitor until the page and the sounder have said so, then let it go on."""
    watch.looks = False
    monitor = press.program("monitor")
    tally.runs |= _run_of(press)
    quiet_ns = _recorded(press)
    began_s = time.monotonic()
    monitor.signal(signal.SIGSTOP)
    tally.page_s.append(_until_silent(press))
    seconds_until(lambda: _recorded(press) > quiet_ns, deadline_s=SOUND_LIMIT_S)
    heard = _recorded(press) > quiet_ns
    tally.sound_s.append(time.monotonic() - began_s if heard else float("inf"))
    thawed_s = time.monotonic()
    monitor.signal(signal.SIGCONT)
    tally.thawed_s.append(
        seconds_until(lambda: press.live("monitor", since_s=thawed_s), deadline_s=LIVE_DEADLINE_S)
    )
    watch.looks = True


def _watched(press: Plant, watch: ServiceWatch, tally: Tally) -> None:
    """Freeze the monitor until it is killed and there again."""
    restarts = watch.restarts
    began_s = time.monotonic()
    press.program("monitor").signal(signal.SIGSTOP)
    seconds_until(lambda: watch.restarts > restarts, deadline_s=LIVE_DEADLINE_S)
    ended_s = time.monotonic()
    back = seconds_until(lambda: press.live("monitor", since_s=ended_s), deadline_s=LIVE_DEADLINE_S)
    tally.live_s.append(ended_s - began_s + back)
    tally.runs |= _run_of(press)


def _until_silent(press: Plant) -> float:
    """Return the seconds until the page's own stream says that nothing is live."""
    began_s = time.monotonic()
    for told in press.told():
        if not told["live"]:
            return time.monotonic() - began_s
        if time.monotonic() - began_s > LIVE_DEADLINE_S:
            break
    return float("inf")


def _recorded(press: Plant) -> int:
    """Return when ALSA's own file player last wrote [ns]: silence writes nothing.

    Its size would not do: every sound begins the file anew, and two may be of one length.
    """
    return press.sound.stat().st_mtime_ns if press.sound.exists() else 0


def _run_of(press: Plant) -> set[str]:
    status = press.listener.status()
    return {status.run.id} if status and status.run else set()
