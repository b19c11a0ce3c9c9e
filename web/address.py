"""Where a phone in the room finds the page."""

from __future__ import annotations

import ipaddress
import socket
from dataclasses import dataclass

from monitor.runtime.settings import WebSection

DOCUMENTATION_HOST = "192.0.2.1"
"""An address that is nobody's (RFC 5737); asking for the way there sends nothing."""
EVERY_INTERFACE = frozenset({"0.0.0.0", "::"})  # noqa: S104 - compared with, not bound

LOOPBACK = ("127.0.0.1", "::1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Way:
    """The page's address in numbers, and by the board's name where phones may know it (RFC 6762)."""

    address: str
    name: str | None
    lonely: bool
    """Only this machine itself finds the page there."""
    secure: str | None
    """The address by https, by the name where there is one; null if it is not served so."""


def way(section: WebSection) -> Way:
    """Return the ways to the page on the local network."""
    host = own_address() if section.host in EVERY_INTERFACE else section.host
    lonely = _is_loopback(host)
    named = section.host in EVERY_INTERFACE and not lonely
    by_name = local_name() if named else host
    return Way(
        address=_url("http", host, section.port),
        name=_url("http", by_name, section.port) if named else None,
        lonely=lonely,
        secure=_url("https", by_name, section.secure_port) if section.certificate else None,
    )


def address(section: WebSection) -> str:
    """Return the page's address on the local network, on this machine alone where there is none."""
    return way(section).address


def names_of(section: WebSection) -> list[str]:
    """Return every name and address the page may be asked by, the one phones know best first."""
    named = section.host if section.host not in EVERY_INTERFACE else own_address()
    return [local_name(), *sorted(own_names() - {local_name()}), *section.allowed_hosts, named, *LOOPBACK]


def own_names() -> frozenset[str]:
    """Return the names by which this board may be asked, addresses apart."""
    name = socket.gethostname().lower()
    return frozenset({name, name.partition(".")[0], local_name(), "localhost"})


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


def _url(scheme: str, host: str, port: int) -> str:
    return f"{scheme}://{f'[{host}]' if ':' in host else host}:{port}/"


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
