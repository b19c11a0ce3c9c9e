"""What a transducer's signal means: its range, its fault limits, and for how long a fault must last.

Current loop 4-20 mA: NAMUR NE 43 (limits from a secondary source): 3.8-20.5 mA carries a
measurement, 3.6 mA and less or 21 mA and more for 4 s is a fault of the loop.
Ratiometric 0.5-4.5 V of a 5 V supply: under 0.25 V or over 4.75 V is a wire fault (common
practice, from memory). Pure.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.runtime.settings import LinePointSection

FAULT_DWELL_S = 4.0
"""A signal beyond the fault limits for this long is a wire fault (NE 43); before that it is
only no measurement."""
NOMINAL_SUPPLY_V = 5.0
SUPPLY_RANGE_V = (4.5, 5.5)
"""A supply outside makes the ratio worthless (5 V +- 10 %, usual for such transducers; from memory)."""

HEADROOM = 1.05
"""The converter's range must reach beyond the upper fault limit, or a short looks like full scale."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalRange:
    """Limits of a signal in its own unit (mA, or share of the supply)."""

    zero: float
    full: float
    valid_low: float
    valid_high: float
    fault_low: float
    fault_high: float
    fault_inclusive: bool
    """Whether the fault limits themselves are faults."""

    def pressure_kpa(self, amount: float, *, span_kpa: float) -> float:
        """Return the pressure at ``amount`` for a transducer of ``span_kpa`` at full signal.

        >>> CURRENT_LOOP_MA.pressure_kpa(12.0, span_kpa=100.0)
        50.0
        """
        return (amount - self.zero) / (self.full - self.zero) * span_kpa

    def measures(self, amount: float) -> bool:
        """Return whether ``amount`` carries a measurement."""
        return self.valid_low <= amount <= self.valid_high

    def is_fault_low(self, amount: float) -> bool:
        """Return whether ``amount`` is so low that the wire must be broken."""
        return amount < self.fault_low or (self.fault_inclusive and amount == self.fault_low)

    def is_fault_high(self, amount: float) -> bool:
        """Return whether ``amount`` is so high that the wire must be shorted."""
        return amount > self.fault_high or (self.fault_inclusive and amount == self.fault_high)


CURRENT_LOOP_MA = SignalRange(
    zero=4.0, full=20.0, valid_low=3.8, valid_high=20.5, fault_low=3.6, fault_high=21.0, fault_inclusive=True
)
RATIOMETRIC_SHARE = SignalRange(
    zero=0.5 / NOMINAL_SUPPLY_V,
    full=4.5 / NOMINAL_SUPPLY_V,
    valid_low=0.25 / NOMINAL_SUPPLY_V,
    valid_high=4.75 / NOMINAL_SUPPLY_V,
    fault_low=0.25 / NOMINAL_SUPPLY_V,
    fault_high=4.75 / NOMINAL_SUPPLY_V,
    fault_inclusive=False,
)


class Signal:
    """From the converter's millivolts to the transducer's signal and the pressure it stands for."""

    def __init__(self, section: LinePointSection) -> None:
        self._section = section
        self.is_loop = section.signal == "4-20 mA"
        self.range: SignalRange = CURRENT_LOOP_MA if self.is_loop else RATIOMETRIC_SHARE
        self.supply_v = NOMINAL_SUPPLY_V

    @property
    def needed_mv(self) -> float:
        """The largest input that the converter must show [mV]."""
        limit = self.range.fault_high
        volts = limit * self._section.shunt / 1000.0 if self.is_loop else limit * SUPPLY_RANGE_V[1]
        return HEADROOM * 1000.0 * volts / self._section.divider

    def amount(self, millivolts: float) -> float:
        """Return the signal in its own unit: mA through the shunt, or share of the supply."""
        volts = millivolts * self._section.divider / 1000.0
        return 1000.0 * volts / self._section.shunt if self.is_loop else volts / self.supply_v

    def see_supply(self, millivolts: float) -> None:
        """Take the supply's voltage; it passes the same divider as the signal."""
        self.supply_v = max(millivolts * self._section.divider / 1000.0, 1e-3)

    @property
    def supply_fails(self) -> bool:
        """Whether the supply is outside what the transducer's ratio holds for."""
        return not self.is_loop and not SUPPLY_RANGE_V[0] <= self.supply_v <= SUPPLY_RANGE_V[1]

    def pressure_kpa(self, amount: float) -> float:
        """Return the calibrated pressure at ``amount``; beyond the upper fault limit that of the limit."""
        section = self._section
        within = min(amount, self.range.fault_high)
        return self.range.pressure_kpa(within, span_kpa=section.span) * section.scale + section.offset


class FaultTimer:
    """Remembers since when a signal has been beyond its fault limits."""

    def __init__(self) -> None:
        self._since_s: float | None = None

    def see(self, *, fault: bool, now_s: float) -> None:
        """Note a sample."""
        if not fault:
            self._since_s = None
        elif self._since_s is None:
            self._since_s = now_s

    def is_wire_fault(self, *, now_s: float) -> bool:
        """Return whether the fault has lasted :data:`FAULT_DWELL_S`."""
        return self._since_s is not None and now_s - self._since_s >= FAULT_DWELL_S
