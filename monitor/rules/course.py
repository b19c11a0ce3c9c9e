"""The course of a warm-up: outlet, litres, pressure and pan in short blocks, oldest first.

A few thousand bytes carry half an hour; when there are too many blocks, each two become one.
"""

from __future__ import annotations

from monitor.contract.record import record
from monitor.rules.second import Second, known

BLOCK_S = 5.0
"""Length of a block at first: half of a quick probe's lag."""

MOST_BLOCKS = 96
"""More blocks are joined two by two."""

LONGEST_S = 1800.0
"""A warm-up is followed this long: no press that is fed hot syrup takes half an hour."""


@record(frozen=True, slots=True)
class Block:
    """What is being gathered: the last outlet and pan [degC], litres, sum and count of kPa."""

    passed_s: float = 0.0
    moved_l: float = 0.0
    outlet_c: float | None = None
    pan_c: float | None = None
    line_sum_kpa: float = 0.0
    line_count: int = 0


@record(frozen=True, slots=True)
class Course:
    """Columns of the blocks: s, L, degC at the end, mean kPa, pan degC at the end."""

    spans_s: tuple[float, ...] = ()
    moved_l: tuple[float, ...] = ()
    outlet_c: tuple[float | None, ...] = ()
    line_kpa: tuple[float | None, ...] = ()
    pan_c: tuple[float | None, ...] = ()
    start_c: float | None = None
    """First reading of the outlet."""
    block_s: float = BLOCK_S
    open: Block = Block()

    @property
    def span_s(self) -> float:
        """Time that the closed blocks cover [s]."""
        return sum(self.spans_s)

    @property
    def has_pan(self) -> bool:
        """Tell whether a pan probe spoke in the latest blocks."""
        return any(pan_c is not None for pan_c in self.pan_c[-6:])


def followed(before: Course, second: Second, *, step_s: float, moved_l: float) -> Course:
    """Return ``before`` with ``second``, which lasted ``step_s`` and moved ``moved_l``, added."""
    outlet_c, pan_c, line_kpa = known(second.outlet_c), known(second.pan_c), known(second.line_kpa)
    now = before.open
    block = Block(
        now.passed_s + step_s,
        now.moved_l + max(moved_l, 0.0),
        now.outlet_c if outlet_c is None else outlet_c,
        now.pan_c if pan_c is None else pan_c,
        now.line_sum_kpa + (line_kpa or 0.0),
        now.line_count + (line_kpa is not None),
    )
    start_c = outlet_c if before.start_c is None else before.start_c
    if block.passed_s < before.block_s:
        columns = before.spans_s, before.moved_l, before.outlet_c, before.line_kpa, before.pan_c
        return Course(*columns, start_c, before.block_s, block)
    mean_kpa = round(block.line_sum_kpa / block.line_count, 1) if block.line_count else None
    closed = Course(
        (*before.spans_s, round(block.passed_s, 2)),
        (*before.moved_l, round(block.moved_l, 4)),
        (*before.outlet_c, None if block.outlet_c is None else round(block.outlet_c, 3)),
        (*before.line_kpa, mean_kpa),
        (*before.pan_c, None if block.pan_c is None else round(block.pan_c, 2)),
        start_c,
        before.block_s,
    )
    return closed if len(closed.spans_s) < MOST_BLOCKS else _joined(closed)


def _joined(course: Course) -> Course:
    """Return ``course`` with each two blocks made one."""
    pairs = range(0, len(course.spans_s) - 1, 2)
    rest = slice(len(course.spans_s) // 2 * 2, None)
    return Course(
        (*(round(sum(course.spans_s[i : i + 2]), 2) for i in pairs), *course.spans_s[rest]),
        (*(round(sum(course.moved_l[i : i + 2]), 4) for i in pairs), *course.moved_l[rest]),
        (*(course.outlet_c[i + 1] for i in pairs), *course.outlet_c[rest]),
        (*(_either(course.line_kpa[i + 1], course.line_kpa[i]) for i in pairs), *course.line_kpa[rest]),
        (*(course.pan_c[i + 1] for i in pairs), *course.pan_c[rest]),
        course.start_c,
        2.0 * course.block_s,
    )


def _either(one: float | None, other: float | None) -> float | None:
    if one is None or other is None:
        return other if one is None else one
    return round(0.5 * (one + other), 1)
