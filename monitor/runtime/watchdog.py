"""Tells systemd that a service is ready, alive and what it is doing.

The protocol is sd_notify(3): datagrams of ``KEY=value`` lines to the socket named by
``NOTIFY_SOCKET``, a path or, after "@", an abstract name. Without that variable nothing
is sent, so every service runs without systemd too.
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping

from monitor.runtime.clock import Clock

_log = logging.getLogger(__name__)


class Watchdog:
    """A service's word to systemd; pet it only from a loop that has just done its work."""

    def __init__(self, *, clock: Clock, environment: Mapping[str, str] = os.environ) -> None:
        self._clock = clock
        self._address = _address(environment.get("NOTIFY_SOCKET", ""))
        self._interval_s = _half_of(environment)
        self._petted_s: float | None = None
        self._status = ""

    @property
    def interval_s(self) -> float | None:
        """Least time between two pets that are sent [s]; null when systemd does not watch."""
        return self._interval_s

    def ready(self, status: str = "") -> None:
        """Say that the service is up."""
        self._send("READY=1", *_status_line(status))
        self._status = status

    def starting(self, *, within_s: float) -> None:
        """Ask for ``within_s`` more until :meth:`ready`, counted from now, over what the unit allows."""
        self._send(f"EXTEND_TIMEOUT_USEC={round(within_s * 1e6)}")

    def status(self, text: str) -> None:
        """Show ``text`` in ``systemctl status``; the same text twice is sent once."""
        if text != self._status:
            self._send(*_status_line(text))
            self._status = text

    def stopping(self) -> None:
        """Say that the service is on its way down."""
        self._send("STOPPING=1")

    def pet(self) -> None:
        """Say that the service is alive, at most twice in the time systemd allows."""
        if self._interval_s is None:
            return
        now_s = self._clock.monotonic()
        if self._petted_s is None or now_s - self._petted_s >= self._interval_s:
            self._petted_s = now_s
            self._send("WATCHDOG=1")

    def _send(self, *lines: str) -> None:
        if self._address is None:
            return
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
            line.setblocking(False)
            try:
                line.sendto("\n".join(lines).encode(), self._address)
            except OSError as error:
                # systemd is not reading; it will restart us if it stays so.
                _log.warning("systemd was not told %s: %s", lines[0], error.strerror)


def _address(name: str) -> str | None:
    if not name or name[0] not in "/@":
        return None
    return "\0" + name[1:] if name[0] == "@" else name


def _half_of(environment: Mapping[str, str]) -> float | None:
    """Return half the watchdog's time [s] if it is meant for this process, else None."""
    allowed_us = environment.get("WATCHDOG_USEC", "")
    meant_for = environment.get("WATCHDOG_PID", "")
    if not allowed_us.isdecimal() or int(allowed_us) == 0 or meant_for not in ("", str(os.getpid())):
        return None
    return int(allowed_us) / 2e6


def _status_line(text: str) -> tuple[str, ...]:
    return (f"STATUS={' '.join(text.split())}",) if text else ()
