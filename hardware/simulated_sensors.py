"""The instruments of an invented press: what a probe and a transducer make of the truth."""

from __future__ import annotations

import math
import random

from monitor.runtime.settings import LinePointSection


class SimulatedProbe:
    """A thermometer in its well: a first-order lag, a bias and a little noise [degC, s]."""

    NOISE_C = 0.02

    def __init__(self, *, start_c: float, time_constant_s: float, chance: random.Random) -> None:
        self._reads_c = start_c
        self._time_constant_s = time_constant_s
        self._chance = chance
        self.bias_c = chance.gauss(0.0, 0.12)

    def follow(self, true_c: float, *, dt_s: float) -> None:
        """Let ``dt_s`` pass beside syrup of ``true_c`` [degC]."""
        if self._time_constant_s <= 0.0:
            self._reads_c = true_c
        else:
            self._reads_c += (true_c - self._reads_c) * -math.expm1(-dt_s / self._time_constant_s)

    @property
    def steady_c(self) -> float:
        """What it reads without its noise [degC]."""
        return self._reads_c + self.bias_c

    def convert(self) -> float:
        """Return what the chip would convert now [degC], before its steps of 1/16."""
        return self.steady_c + self._chance.gauss(0.0, self.NOISE_C)


class SimulatedTransducer:
    """A pressure transducer wired as ``section`` says, and the converter's input [kPa, mV]."""

    NOISE_KPA = 1.4
    """About 0.2 psi rms."""
    LOW_MA, HIGH_MA = 4.0, 20.0
    LOW_MV, HIGH_MV, SUPPLY_MV = 500.0, 4500.0, 5000.0

    def __init__(self, section: LinePointSection, *, chance: random.Random) -> None:
        self._chance = chance
        if section.signal == "4-20 mA":
            low, high = (ma * section.shunt for ma in (self.LOW_MA, self.HIGH_MA))
        else:
            low, high = self.LOW_MV, self.HIGH_MV
        self._low_mv = low / section.divider
        self._mv_per_kpa = (high - low) / section.span / section.divider
        self.supply_mv = self.SUPPLY_MV / section.divider

    def sense(self, true_kpa: float) -> float:
        """Return ``true_kpa`` with the transducer's noise [kPa]."""
        return true_kpa + self._chance.gauss(0.0, self.NOISE_KPA)

    def signal_mv(self, sensed_kpa: float) -> float:
        """Return the voltage [mV] at the converter for ``sensed_kpa``."""
        return self._low_mv + self._mv_per_kpa * sensed_kpa
