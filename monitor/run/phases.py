"""The phases of a run as a table; a move that is not listed is refused."""

from __future__ import annotations

from enum import StrEnum

from monitor.contract.errors import IllegalMove
from monitor.contract.names import Phase


class Turn(StrEnum):
    """What makes a run go from one phase to another."""

    OPENED = "opened"
    READY = "ready to bottle"
    NOT_READY = "no longer ready"
    FLOW_STOPPED = "flow stopped"
    FLOW_BACK = "flow is back"
    LONG_PAUSE = "no pressure for ten minutes"
    CLOSED = "closed"


P, T = Phase, Turn

TURNS: dict[tuple[Phase, Turn], Phase] = {
    (P.IDLE, T.OPENED): P.RECIRCULATING,
    (P.RECIRCULATING, T.READY): P.BOTTLING,
    (P.RECIRCULATING, T.FLOW_STOPPED): P.PAUSED,
    (P.RECIRCULATING, T.CLOSED): P.IDLE,
    (P.BOTTLING, T.NOT_READY): P.RECIRCULATING,
    (P.BOTTLING, T.FLOW_STOPPED): P.PAUSED,
    (P.BOTTLING, T.CLOSED): P.IDLE,
    (P.PAUSED, T.FLOW_BACK): P.RECIRCULATING,
    (P.PAUSED, T.LONG_PAUSE): P.END_PROPOSED,
    (P.PAUSED, T.CLOSED): P.IDLE,
    (P.END_PROPOSED, T.CLOSED): P.IDLE,
}
"""(phase, turn) to the phase after it."""


def turned(phase: Phase, turn: Turn) -> Phase:
    """Return the phase after ``turn``; raise :class:`IllegalMove` if the table has no such turn."""
    after = TURNS.get((phase, turn))
    if after is None:
        raise IllegalMove(f"a run that is {phase} cannot take the turn {turn!r}")
    return after
