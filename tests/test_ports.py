"""The ports that programs under test are told: free, never twice, none that the kernel hands out itself."""

from __future__ import annotations

import socket
from concurrent.futures import ThreadPoolExecutor

import pytest

from tests import ports
from tests.ports import FEWEST, FIRST, LAST, LOOPBACK, ours, unused_port


def test_no_port_is_given_twice_to_threads_side_by_side() -> None:
    with ThreadPoolExecutor(8) as threads:
        given = list(threads.map(lambda _: unused_port(), range(64)))
    assert len(set(given)) == len(given)


def test_it_is_none_that_the_kernel_gives_to_an_outgoing_connection() -> None:
    """The port of a program that is still starting must not become somebody's own end of a connection."""
    with (
        socket.create_server((LOOPBACK, 0)) as server,
        socket.create_connection(server.getsockname()) as caller,
    ):
        handed_out = min(server.getsockname()[1], caller.getsockname()[1])
    if handed_out < FIRST + FEWEST:
        pytest.skip("this kernel hands out nearly every port itself")
    assert unused_port() < handed_out


def test_one_that_is_listened_on_is_passed_over(monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.create_server((LOOPBACK, 0)) as server:
        taken = server.getsockname()[1]
        monkeypatch.setattr(ports, "_ports", iter([taken, unused_port()]))
        assert unused_port() != taken


@pytest.mark.parametrize("kernel_first", [32_768, 49_152, 16_000, 1_024])
def test_workers_share_no_port_and_leave_the_kernels_own_alone(kernel_first: int) -> None:
    shares = [set(ours(kernel_first=kernel_first, worker=worker, workers=3)) for worker in range(3)]
    assert sum(map(len, shares)) == len(set.union(*shares)) >= FEWEST
    assert all(FIRST <= port <= LAST for port in set.union(*shares))
    if kernel_first > FIRST:
        assert max(set.union(*shares)) < kernel_first
