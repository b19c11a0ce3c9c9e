"""What a DS18B20's memory says: raw ``w1_slave`` text to a scratchpad, or a complaint. Pure.

The kernel prints the nine scratchpad bytes twice, with its CRC verdict on the first line
and ``t=`` on the second. Only the first line's bytes are believed: after a CRC fault the
second repeats older ones while ``t=`` comes from the bad ones (Linux, w1_therm.c).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum

from monitor.contract.readings import Reason

POWER_ON_COUNT = 0x0550
"""Register after a power-on reset: 85 degC (DS18B20 data sheet)."""
LOW_POWER_COUNT = 0x07FF
"""Register of a chip that had too little power to convert: 127.9375 degC."""
COUNTS_PER_KELVIN = 16
"""Register steps in one degC (data sheet)."""
FULL_RESOLUTION_BIT = 12
LOWEST_C, HIGHEST_C = -55.0, 125.0
"""Operating range (data sheet)."""


_TEXT = re.compile(
    rb"((?:[0-9a-f]{2} ){9}): crc=([0-9a-f]{2}) (YES|NO)\n(?:((?:[0-9a-f]{2} ){9})t=-?[0-9]{1,7}\n?)?",
    re.IGNORECASE,
)


class Complaint(Enum):
    """Why a raw text gives no temperature: the reason on the wire and the words for the log."""

    NOT_THERE = (Reason.NO_ANSWER, "no probe answers: check its plug and the 1-wire overlay")
    UNREADABLE = (Reason.NO_ANSWER, "the driver's file cannot be read: check the plug and who may read it")
    EMPTY = (Reason.NO_ANSWER, "the driver got no answer: check the probe's wires and the pull-up")
    CUT_SHORT = (Reason.NO_ANSWER, "the driver's answer breaks off after its first line")
    GARBLED = (Reason.NO_ANSWER, "the driver's answer is not that of a DS18B20")
    SHORTED = (Reason.NO_ANSWER, "all bytes are zero: the data wire lies on ground")
    NOBODY = (Reason.NO_ANSWER, "all bytes are ones: nobody pulls the data wire; check the probe's plug")
    CRC = (Reason.CRC, "checksum fault: check the cable's length, its screen and the pull-up")
    LOW_POWER = (Reason.WIRE_FAULT, "127.94 degC: the probe gets too little power; wire all three leads")
    OUT_OF_RANGE = (Reason.OUT_OF_RANGE, "the value lies outside -55 to 125 degC")
    POWER_ON = (Reason.POWER_ON_VALUE, "85.0 degC is the power-on value here: the probe's supply fails")
    FROZEN = (Reason.FROZEN, "the value has not moved for too long to be a hot outlet's")

    @property
    def reason(self) -> Reason:
        """The reason that a bad reading carries."""
        return self.value[0]

    @property
    def words(self) -> str:
        """What is wrong and what to check, in one line."""
        return self.value[1]


@dataclass(frozen=True, slots=True)
class Scratchpad:
    """The bytes that matter: temperature register, alarm registers, configuration, byte 6."""

    count: int
    """Temperature register as a signed number, 1/16 degC."""
    high_alarm_c: int
    low_alarm_c: int
    configuration: int
    reserved: int

    @property
    def resolution_bit(self) -> int:
        """Resolution in force, 9 to 12 bit."""
        return 9 + (self.configuration >> 5 & 0b11)

    @property
    def step_c(self) -> float:
        """Smallest step of the temperature [degC]."""
        return float(1 << (FULL_RESOLUTION_BIT - self.resolution_bit)) / COUNTS_PER_KELVIN

    @property
    def temperature_c(self) -> float:
        """Temperature [degC]; the register's lowest bits are undefined under 12 bit and left out."""
        unused = FULL_RESOLUTION_BIT - self.resolution_bit
        return (self.count >> unused << unused) / COUNTS_PER_KELVIN


def parse(raw: bytes) -> Scratchpad | Complaint:
    r"""Return the scratchpad that ``raw`` (the whole of ``w1_slave``) shows, or what is wrong with it.

    >>> parse(b"").name
    'EMPTY'
    >>> parse(b"91 01 4b 46 7f ff 0f 10 25 : crc=25 YES\n91 01 4b 46 7f ff 0f 10 25 t=25062\n").temperature_c
    25.0625
    """
    if not raw.strip():
        return Complaint.EMPTY
    match = _TEXT.fullmatch(raw)
    if match is None:
        return Complaint.GARBLED
    data = bytes.fromhex(match[1].decode())
    if data == b"\xff" * 9:
        return Complaint.NOBODY
    if match[3].upper() != b"YES" or int(match[2], 16) != data[8] or not _checksum_fits(data):
        return Complaint.CRC
    if not any(data):
        return Complaint.SHORTED
    if match[4] is None:
        return Complaint.CUT_SHORT
    if bytes.fromhex(match[4].decode()) != data:
        return Complaint.GARBLED
    return _scratchpad(data)


def range_complaint(pad: Scratchpad) -> Complaint | None:
    """Return what is wrong with the temperature of ``pad`` by itself, or None."""
    if pad.count == LOW_POWER_COUNT:
        return Complaint.LOW_POWER
    if not LOWEST_C <= pad.temperature_c <= HIGHEST_C:
        return Complaint.OUT_OF_RANGE
    return None


def _scratchpad(data: bytes) -> Scratchpad:
    return Scratchpad(
        count=int.from_bytes(data[0:2], "little", signed=True),
        high_alarm_c=int.from_bytes(data[2:3], signed=True),
        low_alarm_c=int.from_bytes(data[3:4], signed=True),
        configuration=data[4],
        reserved=data[6],
    )


def _checksum_fits(data: bytes) -> bool:
    """Return whether the CRC over all nine bytes is zero (1-wire CRC, Maxim application note 27)."""
    remainder = 0
    for byte in data:
        remainder ^= byte
        for _ in range(8):
            remainder = remainder >> 1 ^ 0x8C if remainder & 1 else remainder >> 1
    return remainder == 0
