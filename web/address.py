"""Where a phone in the room finds the page."""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass

from monitor.runtime.settings import WebSection

DOCUMENTATION_HOST = "192.0.2.1"
"""An address that is nobody's (RFC 5737); asking for the way there sends nothing."""
EVERY_INTERFACE = frozenset({"0.0.0.0", "::"})  # noqa: S104 - compared with, not bound


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """The page's address in numbers, and by the board's name where phones may know it (RFC 6762)."""

    address: str
    name: str | None
    lonely: bool
    """Only this machine itself finds the page there."""


def way(section: WebSection) -> Way:
    """Return the ways to the page on the local network."""
    host = own_address() if section.host in EVERY_INTERFACE else section.host
    lonely = _is_loopback(host)
    named = section.host in EVERY_INTERFACE and not lonely
    return Way(
        address=_url(host, section.port),
        name=_url(local_name(), section.port) if named else None,
        lonely=lonely,
    )


def address(section: WebSection) -> str:
    """Return the page's address on the local network, on this machine alone where there is none."""
    return way(section).address


def local_name() -> str:
    """Return the name by which multicast DNS knows this board."""
    return f"{socket.gethostname().lower().partition('.')[0]}.local"


def own_address() -> str:
    """Return this board's address on its network, the loopback's where it has none."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as road:
        try:
            road.connect((DOCUMENTATION_HOST, 9))
            return str(road.getsockname()[0])
        except OSError:
            return "127.0.0.1"


def _url(host: str, port: int) -> str:
    return f"http://{f'[{host}]' if ':' in host else host}:{port}/"


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
