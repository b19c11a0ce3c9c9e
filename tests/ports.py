"""Ports of the loopback for programs under test that are told theirs before they listen."""

from __future__ import annotations

import itertools
import os
import random
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

LOOPBACK = "127.0.0.1"
FIRST = 10_100
"""Lower ones are often served already, and a browser refuses a few of them."""
LAST = 32_767
HANDED_OUT_BY_THE_KERNEL = Path("/proc/sys/net/ipv4/ip_local_port_range")
FEWEST = 2_000
"""Ports left below the kernel's own for them to be worth keeping to."""

_one_at_a_time = threading.Lock()


def unused_port() -> int:
    """Return a port of the loopback that nothing listens on, and never the same one twice.

    Not one of those that the kernel gives to outgoing connections: while a program starts, some
    test's connection would now and then be given the very port it is about to listen on. Tests that
    run side by side, in threads or in workers, each get others.
    """
    with _one_at_a_time:
        return next(port for port in _ports if _can_be_listened_on(port))


def ours(*, kernel_first: int, worker: int, workers: int) -> range:
    """Return the ports of worker number ``worker`` of ``workers``: below the kernel's, if enough are."""
    last = kernel_first - 1 if FIRST + FEWEST <= kernel_first <= LAST else LAST
    return range(FIRST + worker, last + 1, workers)


def _each_once() -> Iterator[int]:
    worker = int(os.environ.get("PYTEST_XDIST_WORKER", "gw0").removeprefix("gw"))
    workers = int(os.environ.get("PYTEST_XDIST_WORKER_COUNT", "1"))
    try:
        kernel_first = int(HANDED_OUT_BY_THE_KERNEL.read_text().split()[0])
    except FileNotFoundError:
        kernel_first = LAST + 1
    ports = ours(kernel_first=kernel_first, worker=worker, workers=workers)
    # Not from its beginning: another run of the tests on this machine may have begun there.
    begin = random.randrange(len(ports))  # noqa: S311 - not a secret
    return itertools.chain(ports[begin:], ports[:begin])


def _can_be_listened_on(port: int) -> bool:
    with socket.socket() as probe:
        # As servers do: a port whose last connections still linger can be listened on.
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((LOOPBACK, port))
        except OSError:
            return False
        return True


_ports = _each_once()
