"""The optional flow meter: pulses on a pin, counted over each second.

A meter that has lost its wire gives no pulses, like one without flow: it can not be told.
"""

from __future__ import annotations

import logging
import threading
from typing import TYPE_CHECKING, Any

from hardware.sampling import Sink, rounds
from hardware.stamp import Stamp
from monitor.contract.errors import SensorNotFound, SettingsError
from monitor.contract.readings import Point, Reading, Reason
from monitor.runtime.clock import Clock
from monitor.runtime.settings import FlowPointSection

if TYPE_CHECKING:
    from hardware.pins import PulsePin

log = logging.getLogger(__name__)

READING_INTERVAL_S = 1.0
SECONDS_A_MINUTE = 60.0
METER_ERROR_SHARE = 0.03
"""Error of a plain turbine or gear meter as a share of the flow (common practice, no source)."""


class FlowMeter:
    """A pulse meter on a pin; raises :class:`SettingsError` where pin or scale is missing."""

    def __init__(self, section: FlowPointSection, *, clock: Clock, factory: Any = None) -> None:
        if section.pin is None or section.scale is None:
            raise SettingsError('[point.flow] needs pin and scale, the volume of a pulse, such as "2.2 mL"')
        self._pin, self._pulse_l = section.pin, section.scale
        self._clock = clock
        self._factory = factory
        self._stamp = Stamp(Point.FLOW, clock=clock)
        self._input: PulsePin | None = None
        self._counted = 0
        self._since_s = 0.0
        self.trouble: str | None = None

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Give ``sink`` a reading a second until ``stop`` is set; blocks."""
        self.open()
        begin_s = self._clock.monotonic() + READING_INTERVAL_S
        try:
            for _ in rounds(READING_INTERVAL_S, begin_s=begin_s, clock=self._clock, stop=stop):
                sink(self.read())
        finally:
            self.close()

    def open(self) -> None:
        """Begin to count, or keep and log why that cannot be."""
        from hardware.pins import PulsePin  # a board that uses no pin does without their library: 2 MiB

        try:
            self._input = PulsePin(self._pin, factory=self._factory)
        except SensorNotFound as error:
            self.trouble = str(error)
            log.warning("flow: %s", error)
        self._counted, self._since_s = 0, self._clock.monotonic()

    def read(self) -> Reading:
        """Return the flow [L/min] since the last reading."""
        now_s = self._clock.monotonic()
        if self._input is None:
            return self._stamp.bad(Reason.NO_ANSWER, mono_s=now_s)
        pulses = self._input.pulses
        minutes = max(now_s - self._since_s, 1e-3) / SECONDS_A_MINUTE
        flow_l_min = (pulses - self._counted) * self._pulse_l / minutes
        self._counted, self._since_s = pulses, now_s
        # Between two pulses lies one that may or may not have fallen into this second.
        tolerance_l_min = self._pulse_l / minutes + METER_ERROR_SHARE * flow_l_min
        return self._stamp.value(flow_l_min, mono_s=now_s, tolerance=tolerance_l_min)

    def close(self) -> None:
        """Give the pin back."""
        if self._input is not None:
            self._input.close()
            self._input = None
