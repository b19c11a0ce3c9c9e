"""The one clock that every part shares: monotonic seconds, wall time and how far to trust it.

Durations, ages and delays use :meth:`Clock.monotonic`; wall time is for people only.
"""

from __future__ import annotations

import asyncio
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Protocol

from monitor.contract.readings import ClockState

BOOT_ID_FILE = Path("/proc/sys/kernel/random/boot_id")
SYNCHRONISED_FILE = Path("/run/systemd/timesync/synchronized")
EARLIEST = datetime(2026, 1, 1, tzinfo=UTC)
"""A wall clock before this has never been set: the software is younger."""


@dataclass(frozen=True, slots=True)
class WallTime:
    """Wall time, null while the clock has never been set, and its state."""

    time: datetime | None
    state: ClockState


class Clock(Protocol):
    """Time as the services see it."""

    @property
    def boot(self) -> str:
        """Name of the boot that :meth:`monotonic` counts from."""

    def monotonic(self) -> float:
        """Seconds since some moment of this boot; never steps back."""

    def wall(self) -> WallTime:
        """Wall time now."""

    async def sleep(self, seconds: float) -> None:
        """Wait ``seconds`` of this clock."""

    def pause(self, seconds: float, *, until: threading.Event | None = None) -> None:
        """Block this thread for ``seconds`` of this clock, or until ``until`` is set."""


class SystemClock:
    """The board's own clock; ``speed`` > 1 makes everything that shares it run faster."""

    def __init__(self, *, speed: float = 1.0) -> None:
        if not 0.0 < speed <= 1000.0:
            raise ValueError(f"speed {speed} is outside 0 to 1000")
        self.speed = speed
        self._start = time.monotonic()
        self._wall_start = datetime.now(UTC)
        self.boot = _boot_id() if speed == 1.0 else f"fast-{_boot_id()}"[:40]

    def monotonic(self) -> float:
        """Seconds since boot, or since a moment before the start when sped up."""
        now = time.monotonic()
        return self._start + (now - self._start) * self.speed

    def wall(self) -> WallTime:
        """Wall time now; sped up, it runs ahead from the start."""
        if self.speed != 1.0:
            ahead = timedelta(seconds=self.monotonic() - self._start)
            return WallTime(self._wall_start + ahead, ClockState.SAVED)
        now = datetime.now(UTC)
        if now < EARLIEST:
            return WallTime(None, ClockState.UNSET)
        return WallTime(now, ClockState.SYNCHRONISED if SYNCHRONISED_FILE.exists() else ClockState.SAVED)

    async def sleep(self, seconds: float) -> None:
        """Wait ``seconds`` of this clock."""
        await asyncio.sleep(max(0.0, seconds) / self.speed)

    def pause(self, seconds: float, *, until: threading.Event | None = None) -> None:
        """Block this thread for ``seconds`` of this clock, or until ``until`` is set."""
        if until is None:
            time.sleep(max(0.0, seconds) / self.speed)
        else:
            until.wait(max(0.0, seconds) / self.speed)


@dataclass
class ManualClock:
    """A clock that moves when told: the equal of the board's, for tests and replay."""

    boot: str = "manual"
    now_s: float = 1000.0
    wall_time: WallTime = field(
        default_factory=lambda: WallTime(datetime(2026, 3, 20, 12, 0, tzinfo=UTC), ClockState.SYNCHRONISED)
    )

    def monotonic(self) -> float:
        """Return the time it was last moved to."""
        return self.now_s

    def wall(self) -> WallTime:
        """Return the wall time it was given."""
        return self.wall_time

    def advance(self, seconds: float) -> None:
        """Move on by ``seconds``, wall time too."""
        self.now_s += seconds
        if self.wall_time.time is not None:
            self.wall_time = WallTime(self.wall_time.time + timedelta(seconds=seconds), self.wall_time.state)

    async def sleep(self, seconds: float) -> None:
        """Move on by ``seconds`` and let other tasks run."""
        self.advance(seconds)
        await asyncio.sleep(0)

    def pause(self, seconds: float, *, until: threading.Event | None = None) -> None:
        """Move on by ``seconds``; nothing can set ``until`` meanwhile."""
        self.advance(seconds)


def _boot_id() -> str:
    try:
        return BOOT_ID_FILE.read_text().strip()
    except OSError:
        return "unknown-boot"
