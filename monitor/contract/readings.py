"""A reading: one value of one point at one moment, or the reason there is none."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Annotated, Self

from pydantic import Field, model_validator

from monitor.contract.wire import Milliseconds, Sequence, ShortText, WireModel


class Point(StrEnum):
    """Where a value is taken: the press outlet, the line before the press, and so on."""

    OUTLET = "outlet"
    LINE = "line"
    PAN = "pan"
    FILLER = "filler"
    FLOW = "flow"


class Quality(StrEnum):
    """How far a published value can be trusted (after OPC 10000-8)."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    BAD = "bad"


class Reason(StrEnum):
    """Why a reading is not good."""

    NO_ANSWER = "no-answer"
    CRC = "crc"
    POWER_ON_VALUE = "power-on-value"
    WIRE_FAULT = "wire-fault"
    OUT_OF_RANGE = "out-of-range"
    FROZEN = "frozen"


class ClockState(StrEnum):
    """What the board knows of the time of day."""

    UNSET = "unset"
    SAVED = "saved"
    SYNCHRONISED = "synchronised"
    PHONE = "phone"


class UnitCode(StrEnum):
    """UCUM codes used on the wire."""

    CELSIUS = "Cel"
    KILOPASCAL = "kPa"
    LITRE_PER_MINUTE = "L/min"


UNIT_OF: dict[Point, UnitCode] = {
    Point.OUTLET: UnitCode.CELSIUS,
    Point.PAN: UnitCode.CELSIUS,
    Point.FILLER: UnitCode.CELSIUS,
    Point.LINE: UnitCode.KILOPASCAL,
    Point.FLOW: UnitCode.LITRE_PER_MINUTE,
}

RANGE_OF: dict[UnitCode, tuple[float, float]] = {
    UnitCode.CELSIUS: (-55.0, 150.0),
    UnitCode.KILOPASCAL: (-120.0, 5000.0),
    UnitCode.LITRE_PER_MINUTE: (0.0, 1000.0),
}
"""Values outside are refused whatever the sensor: no such probe, press or pump exists."""

# Asked of its enum, a member takes 0.1 us each time.
_BAD = Quality.BAD


class Reading(WireModel):
    """One second of one point.

    ``mono_ms`` is the sender's monotonic clock at the moment of measurement and ``boot``
    the boot it counts from; ``seq`` grows by one a reading and starts anew with the
    process. ``low``, ``high``, ``strokes`` cover the second of a line reading;
    ``strokes_per_min``, ``stroke_regularity`` (0-1) and ``stroke_confidence`` (0-1) say
    what the pulsation shows of the pump, null where it cannot be counted.
    """

    seq: Sequence
    boot: ShortText
    mono_ms: Milliseconds
    time: datetime | None = None
    clock: ClockState
    value: float | None = None
    unit: UnitCode
    tolerance: Annotated[float, Field(ge=0)] | None = None
    quality: Quality
    reason: Reason | None = None
    low: float | None = None
    high: float | None = None
    strokes: Annotated[int, Field(ge=0, le=100)] | None = None
    strokes_per_min: Annotated[float, Field(ge=0, le=600)] | None = None
    stroke_regularity: Annotated[float, Field(ge=0, le=1)] | None = None
    stroke_confidence: Annotated[float, Field(ge=0, le=1)] | None = None

    @model_validator(mode="after")
    def _number_and_quality_agree(self) -> Self:
        numbers = self.value, self.low, self.high
        if self.quality is _BAD:
            if numbers != (None, None, None):
                raise ValueError("a bad reading carries no number")
            if self.reason is None:
                raise ValueError("a bad reading says why")
            return self
        if self.value is None:
            raise ValueError(f"a {self.quality} reading carries a value")
        bottom, top = RANGE_OF[self.unit]
        for number in numbers:
            if number is not None and not bottom <= number <= top:
                raise ValueError(f"{number} {self.unit} is no value this point can have")
        return self


ACCURACY_C: tuple[tuple[float, float, float], ...] = (
    (-10.0, 85.0, 0.5),
    (-30.0, 100.0, 1.0),
    (-55.0, 125.0, 2.0),
)
"""From, to, and largest error there [degC] (DS18B20 data sheet, current edition)."""


def data_sheet_tolerance_c(temperature_c: float) -> float:
    """Return the largest error the data sheet allows at ``temperature_c`` [degC].

    >>> [data_sheet_tolerance_c(t) for t in (85.0, 85.0625, 100.5)]
    [0.5, 1.0, 2.0]
    """
    for low_c, high_c, error_c in ACCURACY_C:
        if low_c <= temperature_c <= high_c:
            return error_c
    return ACCURACY_C[-1][2]
