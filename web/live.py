"""The hub: the newest status of each press, and the viewers who wait for the next.

A status counts as live only while new ones keep arriving: the first after a start may be a
copy that the broker kept for hours, and a repeated sequence number is no news.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from monitor.contract.errors import PayloadRefused
from monitor.contract.payloads import decode
from monitor.contract.presence import Presence, Service
from monitor.contract.status import RunStatus
from monitor.contract.topics import Topics, levels
from monitor.runtime.clock import Clock
from monitor.runtime.repeats import Repeats, and_before
from web.heard import SILENT_S, Heard

PRESS_LIMIT = 500
"""More presses than one monitor may have; beyond it a new name on the broker is refused."""
WAITING_LIMIT = 2
"""Statuses that may wait for one viewer; a slow phone skips to the newest."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _Arrival:
    status: RunStatus
    at_s: float
    proven: bool
    """It, or one after it, came fresh from a monitor and not from the broker's memory."""


@dataclass(frozen=True, slots=True)
class Beat:
    """A heartbeat and when it arrived [s, monotonic]."""

    presence: Presence
    at_s: float


class Viewer:
    """One open stream: a bounded queue of "something new", the oldest dropped."""

    def __init__(self, press: str | None) -> None:
        self.press = press
        self._queue: asyncio.Queue[bool] = asyncio.Queue(maxsize=WAITING_LIMIT)

    def tell(self, *, open_: bool = True) -> None:
        """Wake the viewer; ``open_`` false ends its stream."""
        if self._queue.full():
            self._queue.get_nowait()
        self._queue.put_nowait(open_)

    async def news(self, timeout_s: float) -> bool | None:
        """Return true for news, false at the end, null if nothing came in ``timeout_s``."""
        try:
            return await asyncio.wait_for(self._queue.get(), timeout_s)
        except TimeoutError:
            return None


class Hub:
    """What the page knows. Used from the event loop's own thread only.

    ``silent_s`` is the age at which a status stops being live, in seconds of ``clock``.
    """

    def __init__(self, *, clock: Clock, silent_s: float = SILENT_S) -> None:
        self._clock = clock
        self._silent_s = silent_s
        self._arrivals: dict[str, _Arrival] = {}
        self._beats: dict[tuple[str, Service], Beat] = {}
        self._viewers: set[Viewer] = set()
        self._complaints = Repeats()
        self._closed = False
        self.refused = 0
        self.on_reply: Callable[[bytes], None] | None = None

    @property
    def presses(self) -> list[str]:
        """Names of the presses heard, in order."""
        return sorted(self._arrivals)

    @property
    def viewers(self) -> int:
        """Open streams."""
        return len(self._viewers)

    def heard(self, press: str) -> Heard | None:
        """Return the newest status of ``press`` with its age, null if there is none."""
        arrival = self._arrivals.get(press)
        if arrival is None:
            return None
        age_s = max(0.0, self._clock.monotonic() - arrival.at_s, self._true_age_s(arrival.status) or 0.0)
        return Heard(status=arrival.status, age_s=age_s, live=arrival.proven and age_s <= self._silent_s)

    def _true_age_s(self, status: RunStatus) -> float | None:
        """Return the age of a status of this very boot, whose clock is ours; null for another's."""
        if status.boot != self._clock.boot:
            return None
        return self._clock.monotonic() - status.mono_ms / 1000.0

    def beats(self, press: str) -> dict[Service, tuple[Presence, float]]:
        """Return each service's last heartbeat on ``press`` and its age [s of the board's own time]."""
        now_s, haste = self._clock.monotonic(), self._silent_s / SILENT_S
        return {
            service: (beat.presence, max(0.0, now_s - beat.at_s) / haste)
            for (name, service), beat in self._beats.items()
            if name == press
        }

    def hear(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Take in one message; what does not fit is counted and changes nothing."""
        try:
            press, channel, leaf = levels(topic)
            Topics(press)
            if channel == "status":
                self._hear_status(press, decode(payload, RunStatus), retain=retain)
            elif channel == "presence":
                self._hear_presence(press, leaf, decode(payload, Presence))
            elif channel == "reply" and self.on_reply is not None:
                self.on_reply(payload)
        except PayloadRefused as error:
            self._refuse(topic, error)

    def _hear_status(self, press: str, status: RunStatus, *, retain: bool) -> None:
        if status.press != press:
            raise PayloadRefused(f"press: {status.press} speaks on the topic of {press}")
        before = self._arrivals.get(press)
        if before is None and len(self._arrivals) >= PRESS_LIMIT:
            raise PayloadRefused(f"press: more than {PRESS_LIMIT} are not shown")
        if before is not None and not _is_news(status, before.status):
            return
        now_s = self._clock.monotonic()
        self._arrivals[press] = _Arrival(status, now_s, not retain or self._counts(status, before, now_s))
        for viewer in self._viewers:
            if viewer.press in (None, press):
                viewer.tell()

    def _counts(self, status: RunStatus, before: _Arrival | None, now_s: float) -> bool:
        """Tell whether a copy the broker kept can be dated all the same.

        It can when it is of this boot, or when it follows a status heard moments ago.
        """
        if self._true_age_s(status) is not None:
            return True
        if before is None or now_s - before.at_s > self._silent_s:
            return False
        return status.boot == before.status.boot and status.seq > before.status.seq

    def _hear_presence(self, press: str, leaf: str, presence: Presence) -> None:
        if press not in self._arrivals and len({p for p, _ in self._beats} | {press}) > PRESS_LIMIT:
            raise PayloadRefused(f"press: more than {PRESS_LIMIT} are not shown")
        try:
            service = Service(leaf)
        except ValueError:
            raise PayloadRefused("presence: no such service") from None
        self._beats[press, service] = Beat(presence, self._clock.monotonic())

    def _refuse(self, topic: str, error: PayloadRefused) -> None:
        self.refused += 1
        left_out = self._complaints.let(topic, now_s=self._clock.monotonic())
        if left_out is not None:
            _log.warning("refused a message on %s: %s%s", topic[:80], error, and_before(left_out))

    @contextmanager
    def viewer(self, press: str | None) -> Iterator[Viewer]:
        """Give a viewer of ``press`` (null: of all) for as long as its stream is open."""
        viewer = Viewer(press)
        self._viewers.add(viewer)
        if self._closed:
            viewer.tell(open_=False)
        try:
            yield viewer
        finally:
            self._viewers.discard(viewer)

    def close(self) -> None:
        """End every stream, so that the server can stop."""
        self._closed = True
        for viewer in self._viewers:
            viewer.tell(open_=False)


def _is_news(status: RunStatus, before: RunStatus) -> bool:
    return (status.boot, status.seq, status.mono_ms) != (before.boot, before.seq, before.mono_ms)
