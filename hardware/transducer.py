"""The line pressure: a transducer sampled fifty times a second, reduced to one reading a second."""

from __future__ import annotations

import logging
import threading
from dataclasses import dataclass
from enum import Enum
from pathlib import Path
from typing import Protocol

from hardware.adc import Channel, Scale, find_converter
from hardware.sampling import Sink, wait_until
from hardware.signal_range import SUPPLY_RANGE_V, FaultTimer, Signal
from hardware.stamp import Pulsation, Stamp
from monitor.contract.errors import SensorError
from monitor.contract.readings import Point, Reading, Reason
from monitor.runtime.clock import Clock
from monitor.runtime.settings import LinePointSection

log = logging.getLogger(__name__)

SAMPLE_HZ = 50
"""Samples a second: sixteen a stroke at 3 Hz, about the fastest air pump (common practice, no source)."""
READING_INTERVAL_S = 1.0
SUPPLY_EVERY = 10
"""Samples between two looks at the supply: each costs the converter a change of input."""
CONVERSIONS_A_SAMPLE = 2.5
"""Conversion rate over sampling rate; changing the input throws one conversion away."""
TOLERANCE_SHARE = 0.01
"""Error of a plain transducer as a share of its span (common practice, no source)."""
FAULTY_SHARE = 0.1
"""Share of a second's samples from which the second counts as faulty, or as doubtful: one
disturbed sample in fifty is left out and costs nothing."""
MISSED_SHARE = 0.5
"""Share of samples that came too late from which strokes cannot be told."""
MOST_STROKES = 100
FASTEST_PER_MIN = 600.0
"""The most that a reading carries (contract)."""
FROZEN_AFTER_S = 60.0
"""Three thousand samples of one and the same count: the converter is stuck (this project's judgement)."""
FROZEN_ABOVE_KPA = 34.5
"""From 5 psi on a line is pumped and never still; an idle one may be."""


class Gap(Enum):
    """Why a sample has no count."""

    MISSED = "it came too late"
    FAILED = "the converter did not answer"


Sample = tuple[float, int | Gap]
"""When it was due [s], and the converter's count."""


class Strokes(Protocol):
    """Counts pump strokes in a pressure sampled :data:`SAMPLE_HZ` times a second."""

    def add(self, pressure_kpa: float) -> bool:
        """Take the next sample; return True when it completed a stroke."""

    @property
    def strokes_per_min(self) -> float | None:
        """Rate now, None while unknown."""

    @property
    def regularity(self) -> float | None:
        """How even the strokes come, 0-1."""

    @property
    def confidence(self) -> float | None:
        """How sure the count is, 0-1; None while it is not known or cannot be."""


@dataclass(slots=True)
class Second:
    """The samples of one second: sum, extremes, strokes, and what was wrong with some."""

    count: int = 0
    total_kpa: float = 0.0
    low_kpa: float = float("inf")
    high_kpa: float = float("-inf")
    strokes: int = 0
    faulty: int = 0
    beyond: int = 0
    failed: int = 0
    missed: int = 0

    def take(self, pressure_kpa: float) -> None:
        """Add one sample."""
        self.count += 1
        self.total_kpa += pressure_kpa
        self.low_kpa = min(self.low_kpa, pressure_kpa)
        self.high_kpa = max(self.high_kpa, pressure_kpa)

    @property
    def mean_kpa(self) -> float:
        """Mean of the samples."""
        return self.total_kpa / self.count


class Transducer:
    """The transducer in the line: found again after every loss."""

    def __init__(
        self, section: LinePointSection, *, root: Path, clock: Clock, strokes: Strokes | None = None
    ) -> None:
        self._section = section
        self._root = root
        self._clock = clock
        self._strokes = strokes
        self._stamp = Stamp(Point.LINE, clock=clock)
        self._signal = Signal(section)
        self._fault = FaultTimer()
        self._channel: Channel | None = None
        self._supply: Channel | None = None
        self._scale = Scale(mv_per_count=1.0)
        self._held_kpa = 0.0
        self._still_since: tuple[int, float] | None = None
        self._said: str | None = None

    @property
    def trouble(self) -> str | None:
        """What is wrong by the last reading, in one line; null when the transducer is well."""
        return self._said

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Give ``sink`` a reading a second until ``stop`` is set; blocks."""
        begin_s = self._clock.monotonic()
        while True:
            reading = self.read_second(begin_s, stop=stop)
            if reading is None:
                return
            sink(reading)
            begin_s += READING_INTERVAL_S
            if self._clock.monotonic() - begin_s > READING_INTERVAL_S:
                begin_s = self._clock.monotonic()

    def read_second(self, begin_s: float, *, stop: threading.Event) -> Reading | None:
        """Return the reading of the second that begins at ``begin_s``, None when stopped; blocks."""
        words = self._prepare()
        second = Second()
        samples: list[Sample] = []
        for slot in range(SAMPLE_HZ):
            due_s = begin_s + (slot + 1) * READING_INTERVAL_S / SAMPLE_HZ
            if not wait_until(due_s, clock=self._clock, stop=stop):
                return None
            if words is not None:
                continue
            late_s = self._clock.monotonic() - due_s
            if late_s > READING_INTERVAL_S / SAMPLE_HZ and slot < SAMPLE_HZ - 1:
                samples.append((due_s, Gap.MISSED))
                continue
            if self._supply is not None and slot % SUPPLY_EVERY == 0:
                # What was sampled before belongs to the supply of before.
                self._work_off(second, samples)
            samples.append((due_s, self._sampled(slot)))
        self._work_off(second, samples)
        end_s = begin_s + READING_INTERVAL_S
        if words is not None:
            return self._refuse(Reason.NO_ANSWER, words, mono_s=end_s)
        return self._reduce(second, mono_s=end_s)

    def _prepare(self) -> str | None:
        """Find the transducer and what a count is worth; return what is wrong, or None."""
        try:
            if self._channel is None:
                self._open()
            assert self._channel is not None  # noqa: S101 - opened above
            self._scale = self._channel.scale()
            return None
        except (SensorError, ValueError) as error:
            self._channel = None
            return str(error)
        except OSError as error:
            self._channel = None
            return f"the converter cannot be read: {error.strerror}"

    def _open(self) -> None:
        section = self._section
        converter = find_converter(self._root, sensor=section.sensor, channel=section.channel)
        channel = converter.channel(section.channel)
        channel.widen(self._signal.needed_mv)
        inputs = 1 if section.supply_channel is None else 2
        channel.hasten(CONVERSIONS_A_SAMPLE * SAMPLE_HZ * inputs)
        self._supply = None
        if section.supply_channel is not None and not self._signal.is_loop:
            self._supply = converter.channel(section.supply_channel)
            self._supply.widen(1000.0 * SUPPLY_RANGE_V[1] / section.divider)
        self._channel = channel
        log.info("line: converter %s channel %d", converter.name, section.channel)

    def _sampled(self, slot: int) -> int | Gap:
        """Return a new count; the work on it waits, for after a sleep it costs ten times as much."""
        assert self._channel is not None  # noqa: S101 - _prepare found it
        try:
            if self._supply is not None and slot % SUPPLY_EVERY == 0:
                self._signal.see_supply(self._supply.scale().millivolts(self._supply.read_raw()))
            return self._channel.read_raw()
        except (OSError, ValueError):
            return Gap.FAILED

    def _work_off(self, second: Second, samples: list[Sample]) -> None:
        """Add ``samples`` to the second, in their order, and clear them."""
        for at_s, raw in samples:
            if isinstance(raw, Gap):
                second.missed += raw is Gap.MISSED
                second.failed += raw is Gap.FAILED
            else:
                if self._still_since is None or self._still_since[0] != raw:
                    self._still_since = (raw, at_s)
                self._judge(second, self._scale.millivolts(raw), at_s=at_s)
            # A gap keeps the stroke counter's time.
            if self._strokes is not None:
                second.strokes += self._strokes.add(self._held_kpa)
        samples.clear()

    def _judge(self, second: Second, millivolts: float, *, at_s: float) -> None:
        signal = self._signal
        amount = signal.amount(millivolts)
        low = signal.range.is_fault_low(amount)
        high = signal.range.is_fault_high(amount) or self._scale.clips(millivolts)
        self._fault.see(fault=low or high, now_s=at_s)
        second.faulty += low or high
        second.beyond += not signal.range.measures(amount)
        if not low:
            # A peak over the range is kept at the limit: it is the danger, not noise.
            self._held_kpa = signal.pressure_kpa(amount)
            second.take(self._held_kpa)

    def _reduce(self, second: Second, *, mono_s: float) -> Reading:
        if second.failed > FAULTY_SHARE * SAMPLE_HZ or (second.count == 0 and not second.faulty):
            self._channel = None
            words = "the converter stopped answering: check its wires and the device-tree overlay"
            return self._refuse(Reason.NO_ANSWER, words, mono_s=mono_s)
        if self._fault.is_wire_fault(now_s=mono_s) or self._signal.supply_fails:
            return self._refuse(Reason.WIRE_FAULT, self._wire_words(), mono_s=mono_s)
        if second.faulty > FAULTY_SHARE * (SAMPLE_HZ - second.missed):
            return self._refuse(
                Reason.OUT_OF_RANGE, "the signal is beyond its fault limits: check the wires", mono_s=mono_s
            )
        if self._is_frozen(second, mono_s=mono_s):
            words = "the converter has given one and the same count for a minute: check its wires"
            return self._refuse(Reason.FROZEN, words, mono_s=mono_s)
        self._say(None)
        doubt = Reason.OUT_OF_RANGE if second.beyond > FAULTY_SHARE * second.count else None
        tolerance_kpa = self._section.tolerance
        if tolerance_kpa is None:
            tolerance_kpa = TOLERANCE_SHARE * self._section.span
        return self._stamp.value(
            second.mean_kpa,
            mono_s=mono_s,
            tolerance=abs(tolerance_kpa),
            doubt=doubt,
            pulsation=self._pulsation(second),
        )

    def _is_frozen(self, second: Second, *, mono_s: float) -> bool:
        still_s = 0.0 if self._still_since is None else mono_s - self._still_since[1]
        return still_s > FROZEN_AFTER_S and second.mean_kpa > FROZEN_ABOVE_KPA

    def _pulsation(self, second: Second) -> Pulsation:
        counter = self._strokes
        if counter is None or second.missed > MISSED_SHARE * SAMPLE_HZ:
            return Pulsation(low=second.low_kpa, high=second.high_kpa)
        return Pulsation(
            low=second.low_kpa,
            high=second.high_kpa,
            strokes=min(second.strokes, MOST_STROKES),
            strokes_per_min=_at_most(counter.strokes_per_min, FASTEST_PER_MIN),
            stroke_regularity=_at_most(counter.regularity, 1.0),
            stroke_confidence=_at_most(counter.confidence, 1.0),
        )

    def _wire_words(self) -> str:
        if self._signal.supply_fails:
            return f"the transducer's supply is {self._signal.supply_v:.2f} V instead of 5 V: check it"
        what = "current loop" if self._signal.is_loop else "signal"
        return f"wire fault: the {what} is beyond its limits; check the transducer's plug and cable"

    def _refuse(self, reason: Reason, words: str, *, mono_s: float) -> Reading:
        self._say(words)
        return self._stamp.bad(reason, mono_s=mono_s)

    def _say(self, words: str | None) -> None:
        """Log a change of state in one line; null means the transducer is well."""
        if words == self._said:
            return
        if words is not None:
            log.warning("line: %s", words)
        elif self._said is not None:
            log.info("line: the transducer is well again")
        self._said = words


def _at_most(number: float | None, top: float) -> float | None:
    return None if number is None else min(max(number, 0.0), top)
