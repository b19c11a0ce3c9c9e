"""The DS18B20 of a faked bus: its RAM, its EEPROM and what a power cut leaves of them.

Registers after the DS18B20 data sheet; what a clone does otherwise is from memory.
"""

from __future__ import annotations

from enum import Enum

POWER_ON_COUNT = 0x0550
"""Temperature register after a power-on reset, 85 degC (data sheet, table 1)."""
UNDERPOWERED_COUNT = 0x07FF
"""What a chip shows that got too little power to convert (named in w1_therm's ``features``)."""
COUNTS_PER_KELVIN = 16
"""Register steps per degC at 12 bit (data sheet)."""
LOWEST_C, HIGHEST_C = -55, 125
"""Range of the chip, to which the driver trims alarms too (MIN_TEMP, MAX_TEMP)."""
FACTORY_ALARMS_C = (75, 70)
"""TH and TL as delivered (power-on scratchpad, from memory)."""
FULL_RESOLUTION_BIT = 12


class ChipKind(Enum):
    """Whose silicon the probe is: they differ in scratchpad byte 6 (from memory)."""

    GENUINE = "genuine"
    """Byte 6 is 0x10 less the low nibble of the temperature; 0x0C after power-on."""
    CLONE = "clone"
    """Byte 6 is always 0x0C."""


def crc8(data: bytes) -> int:
    """Return the 1-wire CRC of ``data``: x8 + x5 + x4 + 1, least bit first (Maxim AN27).

    >>> hex(crc8(bytes.fromhex("50 05 4b 46 7f ff 0c 10")))
    '0x1c'
    """
    crc = 0
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0x8C if crc & 1 else 0)
    return crc


class SimulatedChip:
    """One chip. Alarms and resolution live in RAM until they are saved."""

    def __init__(self, kind: ChipKind) -> None:
        self.kind = kind
        self.alarms_c = FACTORY_ALARMS_C
        """TH and TL [degC]."""
        self.resolution_bit = FULL_RESOLUTION_BIT
        self._saved = (self.alarms_c, self.resolution_bit)
        self._count = POWER_ON_COUNT
        self._converted = False

    def convert(self, temperature_c: float) -> None:
        """Put ``temperature_c`` [degC] into the register, cut to the resolution."""
        count = round(min(max(temperature_c, LOWEST_C), HIGHEST_C) * COUNTS_PER_KELVIN)
        unused = FULL_RESOLUTION_BIT - self.resolution_bit
        self._count, self._converted = count >> unused << unused, True

    def starve(self) -> None:
        """Fail to convert for want of current."""
        self._count, self._converted = UNDERPOWERED_COUNT, False

    def reset(self) -> None:
        """Lose power for a moment: RAM is what was saved, the register 85 degC."""
        self.recall()
        self._count, self._converted = POWER_ON_COUNT, False

    def save(self) -> None:
        """Copy alarms and resolution to the EEPROM."""
        self._saved = (self.alarms_c, self.resolution_bit)

    def recall(self) -> None:
        """Copy alarms and resolution back from the EEPROM."""
        self.alarms_c, self.resolution_bit = self._saved

    def set_alarms(self, one_c: int, other_c: int) -> None:
        """Set TH and TL [degC] as the driver does: trimmed, the lower one into TL."""
        low_c, high_c = sorted(min(max(value, LOWEST_C), HIGHEST_C) for value in (one_c, other_c))
        self.alarms_c = (high_c, low_c)

    def scratchpad(self) -> bytes:
        """Return the nine bytes, the CRC last."""
        register = (self._count & 0xFFFF).to_bytes(2, "little")
        alarms = bytes(value & 0xFF for value in self.alarms_c)
        configuration = (self.resolution_bit - 9) << 5 | 0x1F
        genuine = self.kind is ChipKind.GENUINE and self._converted
        sixth = 0x10 - (register[0] & 0x0F) if genuine else 0x0C
        eight = register + alarms + bytes((configuration, 0xFF, sixth, 0x10))
        return eight + bytes((crc8(eight),))
