"""Why was it cloudy? What the trace, the marks and the cakes of a run hold against it.

Each finding has its reason and the time it speaks of. None is proof: clear syrup can cloud later,
when what stayed dissolved comes out, and no trace shows that.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum

from monitor.contract.commands import MarkKind
from monitor.contract.events import Event, Mark
from monitor.contract.names import Flag, Phase
from monitor.rules.thresholds import Thresholds
from monitor.run.cake import CakeReading, SetEnd, Verdict, what_it_says
from monitor.run.row import TraceRow

JOINED_S = 10.0
"""Spans of one kind closer than this are one."""

STOP_S = 5.0
"""Shorter gaps in the pressure are strokes, no stops."""

NO_PRESSURE_KPA = 20.68
"""Under this the pump does not feed: 3 psi, as the monitor judges flow."""

UNKNOWN_END = SetEnd()
"""A set of which nobody noted how it ended."""

NOTHING = "nothing in the trace explains it"
"""What is said when there is no finding."""


class Kind(StrEnum):
    """What a finding is about; in the order they are told."""

    OVER_THRESHOLD = "over the precipitation threshold"
    REHEATED = "too hot at the filler"
    BOTTLED_EARLY = "bottled before ready"
    TORN = "sudden pressure drop"
    LOW_RESISTANCE = "resistance too low"
    FLOW_STOPPED = "flow stopped"
    SETTLING = "filter aid settling"
    CAKES = "cakes"
    NOT_SEEN = "not seen"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing that can make syrup cloudy: when it was [s since the start], and why it matters.

    The times are null for what the cakes say; ``volume_l`` is the syrup that passed then, null
    where it is unknown.
    """

    kind: Kind
    reason: str
    from_s: float | None = None
    to_s: float | None = None
    volume_l: float | None = None


@dataclass(frozen=True, slots=True)
class Span:
    """Rows in a row: from and to [s], and the syrup that passed [L]."""

    from_s: float
    to_s: float
    volume_l: float | None


def evidence(
    rows: Iterable[TraceRow],
    *,
    events: Iterable[Event] = (),
    cake: CakeReading | None = None,
    end: SetEnd = UNKNOWN_END,
    thresholds: Thresholds,
) -> tuple[Finding, ...]:
    """Return what speaks against the run, most telling kind first; empty when nothing does.

    Args:
        rows: seconds of the run, in order.
        events: its events; filled containers are looked at.
        cake: what the opened cakes showed.
        end: how the set ended, for the cakes.
        thresholds: limits in force in the run.
    """
    seconds = [row for row in rows if row.elapsed_s is not None]
    found = [
        *_over(seconds, thresholds),
        *_reheated(seconds),
        *_early(seconds, events),
        *_flagged(seconds),
        *_stops(seconds),
        *_cakes(cake, end),
        *_unseen(seconds),
    ]
    order = list(Kind)
    return tuple(sorted(found, key=lambda finding: (order.index(finding.kind), finding.from_s or 0.0)))


def spans(rows: Sequence[TraceRow], *, holds: Callable[[TraceRow], bool]) -> list[Span]:
    """Return the stretches of ``rows`` in which ``holds`` is true, near ones joined."""
    found: list[Span] = []
    before: TraceRow | None = None
    for row in rows:
        if holds(row):
            at_s = row.elapsed_s or 0.0
            passed_l = _passed(before, row)
            last = found[-1] if found else None
            if last is not None and at_s - last.to_s <= JOINED_S:
                total_l = None if last.volume_l is None or passed_l is None else last.volume_l + passed_l
                found[-1] = Span(last.from_s, at_s, total_l)
            else:
                found.append(Span(at_s, at_s, passed_l))
        before = row
    return found


def _passed(before: TraceRow | None, row: TraceRow) -> float | None:
    if row.volume_l is None:
        return None
    if before is None or before.volume_l is None:
        return 0.0
    return max(0.0, row.volume_l - before.volume_l)


def _over(rows: Sequence[TraceRow], thresholds: Thresholds) -> Iterator[Finding]:
    def over(row: TraceRow) -> bool:
        hot = row.outlet_c is not None and row.outlet_c >= thresholds.precipitation_c
        return (hot or Flag.OVER_PRECIPITATION in row.flags) and row.phase is not Phase.PAUSED

    for span in spans(rows, holds=over):
        yield _found(
            Kind.OVER_THRESHOLD,
            span,
            "the outlet was, or by the probe's error may have been, over it: new sugar sand comes out of "
            "solution behind the papers, and that syrup wants another filtering",
        )


def _reheated(rows: Sequence[TraceRow]) -> Iterator[Finding]:
    for span in spans(rows, holds=lambda row: Flag.FILLER_TOO_HOT in row.flags):
        yield _found(Kind.REHEATED, span, "syrup reheated after the press throws new sugar sand")


def _early(rows: Sequence[TraceRow], events: Iterable[Event]) -> Iterator[Finding]:
    first_s = next((row.elapsed_s for row in rows if Flag.READY_TO_BOTTLE in row.flags), None)
    for event in events:
        if not isinstance(event, Mark) or event.name is not MarkKind.CONTAINER_FILLED:
            continue
        if event.elapsed_s is None or (first_s is not None and event.elapsed_s >= first_s):
            continue
        yield Finding(
            kind=Kind.BOTTLED_EARLY,
            reason="a container was filled before the outlet was first ready: the first syrup carries "
            "filter aid that had not settled on the papers",
            from_s=event.elapsed_s,
            to_s=event.elapsed_s,
            volume_l=event.volume_l,
        )


def _flagged(rows: Sequence[TraceRow]) -> Iterator[Finding]:
    reasons = {
        Flag.PRESSURE_DROP: (
            Kind.TORN,
            "pressure fell at once: a paper tore, a hose came off or the feed ran empty",
        ),
        Flag.LOW_RESISTANCE: (
            Kind.LOW_RESISTANCE,
            "less resistance than this press's clean papers: syrup went past a paper or a plate in wrong",
        ),
        Flag.DE_SETTLING: (Kind.SETTLING, "filter aid stayed in the pan, so sand met the papers alone"),
    }
    for flag, (kind, reason) in reasons.items():
        for span in spans(rows, holds=lambda row, flag=flag: flag in row.flags):  # type: ignore[misc]
            yield _found(kind, span, reason)


def _stops(rows: Sequence[TraceRow]) -> Iterator[Finding]:
    """Give the stops between two stretches of flow: at the next stroke the slumped cake goes along."""

    def still(row: TraceRow) -> bool:
        gone = row.line_kpa is not None and row.line_kpa < NO_PRESSURE_KPA
        return gone or row.phase is Phase.PAUSED

    if not rows:
        return
    first_s, last_s = rows[0].elapsed_s or 0.0, rows[-1].elapsed_s or 0.0
    for span in spans(rows, holds=still):
        if span.to_s - span.from_s >= STOP_S and span.from_s > first_s and span.to_s < last_s:
            yield _found(Kind.FLOW_STOPPED, span, "the cake slumps off the papers when the flow stops")


def _cakes(cake: CakeReading | None, end: SetEnd) -> Iterator[Finding]:
    telling = {Verdict.BYPASSED, Verdict.SETTLED, Verdict.BLINDED}
    for saying in what_it_says(cake, end=end) if cake is not None else ():
        if saying.verdict in telling:
            yield Finding(kind=Kind.CAKES, reason=f"{saying.verdict}: {saying.reason}")


def _unseen(rows: Sequence[TraceRow]) -> Iterator[Finding]:
    for span in spans(rows, holds=lambda row: row.outlet_c is None and row.phase is not Phase.PAUSED):
        if span.to_s - span.from_s >= STOP_S:
            yield _found(Kind.NOT_SEEN, span, "the outlet was not read: the trace cannot say how hot it was")


def _found(kind: Kind, span: Span, reason: str) -> Finding:
    return Finding(kind=kind, reason=reason, from_s=span.from_s, to_s=span.to_s, volume_l=span.volume_l)
