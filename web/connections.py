"""A phone's connection to the page: one that asks nothing is not held open, and nobody takes them all.

The server beneath waits for ever for the rest of a request, so that a few hundred idle connections from
one machine would shut everybody out.
"""

from __future__ import annotations

import asyncio

from uvicorn.protocols.http.h11_impl import H11Protocol, RequestResponseCycle

REQUEST_S = 10.0
"""Longest a request's head may take to arrive [s]; a phone's comes in one piece."""
ONE_ADDRESS = 64
"""Connections of one address at once; a phone holds two, a browser six to a site at most."""


class Connection(H11Protocol):
    """A connection that is closed when no request comes in time, or its address holds too many."""

    _deadline: asyncio.TimerHandle | None = None

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """Begin to wait for a request."""
        super().connection_made(transport)
        if self._is_one_of_too_many():
            transport.abort()
            return
        self._arm()

    def data_received(self, data: bytes) -> None:
        """Take in what came; a head that is still not whole has the time it had."""
        super().data_received(data)
        if self._waits():
            self._arm()
        else:
            self._disarm()

    def connection_lost(self, exc: Exception | None) -> None:
        """Wait no more."""
        self._disarm()
        super().connection_lost(exc)

    @property
    def address(self) -> str:
        """The other end's address, without its port."""
        return self.client[0] if self.client else ""

    def _is_one_of_too_many(self) -> bool:
        every = [each for each in self.connections if isinstance(each, Connection)]
        return sum(each.address == self.address for each in every) > ONE_ADDRESS

    def _waits(self) -> bool:
        """Tell whether no request is under way."""
        # It is declared as never null, and is null until the first request.
        cycle: RequestResponseCycle | None = self.cycle
        return cycle is None or cycle.response_complete

    def _arm(self) -> None:
        if self._deadline is None:
            self._deadline = asyncio.get_running_loop().call_later(REQUEST_S, self._late)

    def _disarm(self) -> None:
        if self._deadline is not None:
            self._deadline.cancel()
            self._deadline = None

    def _late(self) -> None:
        self._deadline = None
        if self._waits() and not self.transport.is_closing():
            self.transport.close()
