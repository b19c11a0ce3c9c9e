"""Readings of one point, numbered and dated as they are made."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

from monitor.contract.readings import RANGE_OF, UNIT_OF, Point, Quality, Reading, Reason
from monitor.runtime.clock import Clock

DECIMALS = 4
"""A DS18B20 step is 0.0625 degC; nothing measured here is finer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulsation:
    """What a second of line pressure showed beside its mean; fields as in :class:`Reading`."""

    low: float
    high: float
    strokes: int | None = None
    strokes_per_min: float | None = None
    stroke_regularity: float | None = None
    stroke_confidence: float | None = None


class Stamp:
    """Makes the readings of ``point``: ``seq`` counts from 0, ``mono_ms`` is the moment of measurement."""

    def __init__(self, point: Point, *, clock: Clock) -> None:
        self.point = point
        self._unit = UNIT_OF[point]
        self._clock = clock
        self._seq = 0

    def bad(self, reason: Reason, *, mono_s: float) -> Reading:
        """Return a reading that carries no number but why there is none."""
        return self._reading(mono_s, quality=Quality.BAD, reason=reason)

    def value(
        self,
        value: float,
        *,
        mono_s: float,
        tolerance: float,
        doubt: Reason | None = None,
        pulsation: Pulsation | None = None,
    ) -> Reading:
        """Return a reading of ``value``: uncertain with a ``doubt``, bad if no such value exists."""
        bottom, top = RANGE_OF[self._unit]
        if not bottom <= value <= top:
            return self.bad(Reason.OUT_OF_RANGE, mono_s=mono_s)
        facts = asdict(pulsation) if pulsation else {}
        return self._reading(
            mono_s,
            quality=Quality.GOOD if doubt is None else Quality.UNCERTAIN,
            reason=doubt,
            value=round(value, DECIMALS),
            tolerance=round(tolerance, DECIMALS),
            **{name: round(fact, DECIMALS) for name, fact in facts.items() if fact is not None},
        )

    def _reading(self, mono_s: float, **fields: Any) -> Reading:
        wall = self._clock.wall()
        seq, self._seq = self._seq, self._seq + 1
        return Reading(
            seq=seq,
            boot=self._clock.boot,
            mono_ms=max(0, round(mono_s * 1000)),
            time=wall.time,
            clock=wall.state,
            unit=self._unit,
            **fields,
        )
