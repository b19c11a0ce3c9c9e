"""Where a phone in the room finds the page."""

from __future__ import annotations

import socket

from monitor.runtime.settings import WebSection

DOCUMENTATION_HOST = "192.0.2.1"
"""An address that is nobody's (RFC 5737); asking for the way there sends nothing."""
EVERY_INTERFACE = frozenset({"0.0.0.0", "::"})  # noqa: S104 - compared with, not bound


def address(section: WebSection) -> str:
    """Return the page's address on the local network, on this machine alone where there is none."""
    host = _own_address() if section.host in EVERY_INTERFACE else section.host
    return f"http://{host}:{section.port}/"


def _own_address() -> str:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as way:
        try:
            way.connect((DOCUMENTATION_HOST, 9))
            return str(way.getsockname()[0])
        except OSError:
            return "127.0.0.1"
