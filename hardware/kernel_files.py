"""A faked tree of the kernel's 1-wire and IIO files, for running the real readers anywhere.

What a file says follows the Linux drivers ``w1_therm`` (drivers/w1/slaves/w1_therm.c and
Documentation/ABI/testing/sysfs-driver-w1_therm) and ``ti-ads1015``
(drivers/iio/adc/ti-ads1015.c, which serves the ADS1115 too and names it "ads1015").
Differences that plain files cannot hide: a read costs no conversion time, an act written
to a file is carried out at the next ``show``, and a file is replaced whole, so a reader
opens it anew for each value.
"""

from __future__ import annotations

import os
import shutil
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum
from pathlib import Path

MEMORY_FILE_SYSTEM = Path("/dev/shm")  # noqa: S108 - a private folder is made inside it
"""Where a tree is kept when it can be: 50 replaced files a second would wear a card."""

POWER_ON_COUNT = 0x0550
"""Temperature register after a power-on reset, 85 degC (DS18B20 data sheet, table 1)."""
UNDERPOWERED_COUNT = 0x07FF
"""What a chip shows that got too little power to convert (named in w1_therm's ``features``)."""
COUNTS_PER_KELVIN = 16
"""Register steps per degC at 12 bit (data sheet)."""
FACTORY_ALARMS = (0x4B, 0x46)
"""TH and TL as delivered, 75 and 70 degC (power-on scratchpad, from memory)."""
ALARM_RANGE_C = (-55, 125)
"""The driver trims what is written to ``alarms`` to this (MIN_TEMP, MAX_TEMP)."""
CONVERSION_MS = {9: 95, 10: 190, 11: 375, 12: 750}
"""Conversion time by resolution, as the driver waits."""


class ChipKind(Enum):
    """Whose silicon the probe is: they differ in scratchpad byte 6 (from memory)."""

    GENUINE = "genuine"
    """Byte 6 is 0x10 less the low nibble of the temperature; 0x0C after power-on."""
    CLONE = "clone"
    """Byte 6 is always 0x0C."""


class ProbeFault(Enum):
    """What is wrong with a probe."""

    UNPLUGGED = "unplugged"
    """Its folder is gone, as after the bus master's searches have missed it."""
    NO_ANSWER = "no answer"
    """The files read empty: the driver's answer to an error, and to a bad CRC since Linux 5.8."""
    CRC = "crc"
    """Bad bytes with ``crc=.. NO``, as older drivers show them: t= comes from the bad bytes."""
    POWER_ON = "power-on"
    """The supply fails again and again between conversion and read: 85 degC, alarms wiped."""
    UNDERPOWERED = "underpowered"
    """127.9375 degC: not enough current to convert."""
    SHORTED = "shorted"
    """The data line lies on ground: nine zeros, which pass the CRC."""
    FROZEN = "frozen"
    """The same bytes for ever."""


class LineFault(Enum):
    """What is wrong with the pressure transducer or its converter."""

    LOOP_OPEN = "loop open"
    """A broken wire: no current."""
    LOOP_SHORTED = "loop shorted"
    """The signal lies on the supply: the converter reads its full scale."""
    NO_ANSWER = "no answer"
    """Opening the raw file fails, as when the converter does not acknowledge."""
    FROZEN = "frozen"
    """The same count for ever."""


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


@dataclass(frozen=True, slots=True)
class KernelTree:
    """The two roots that settings call ``kernel.w1`` and ``kernel.iio``."""

    w1: Path
    iio: Path

    @classmethod
    def at(cls, root: Path) -> KernelTree:
        """Return the tree under ``root``, made if it is not there."""
        tree = cls(w1=root / "w1" / "devices", iio=root / "iio" / "devices")
        tree.w1.mkdir(parents=True, exist_ok=True)
        tree.iio.mkdir(parents=True, exist_ok=True)
        return tree

    @classmethod
    @contextmanager
    def temporary(cls) -> Iterator[KernelTree]:
        """Give a tree in memory where the system has such a place; it is removed afterwards."""
        memory = MEMORY_FILE_SYSTEM
        place = memory if memory.is_dir() and os.access(memory, os.W_OK | os.X_OK) else None
        with tempfile.TemporaryDirectory(prefix="niterwatch-", dir=place) as root:
            yield cls.at(Path(root))


class ProbeFiles:
    """One DS18B20 on the bus: ``w1_slave`` and its company, kept by :meth:`show`.

    ``sensor_id`` is the 12 hex digits after ``28-``. Written files are obeyed as the driver
    does: ``alarms`` (the lower value becomes TL), ``resolution``, ``w1_slave`` (9 to 12 sets
    the resolution, 0 saves) and ``eeprom`` (save, restore).
    """

    def __init__(
        self,
        root: Path,
        *,
        sensor_id: str,
        chip: ChipKind = ChipKind.GENUINE,
        externally_powered: bool = True,
    ) -> None:
        digits = sensor_id.lower().removeprefix("28-")
        if len(digits) != 12 or set(digits) - set("0123456789abcdef"):
            raise ValueError(f"{sensor_id!r} is no 1-wire id: 12 hex digits are wanted")
        self.name = f"28-{digits}"
        self.folder = root / self.name
        self.chip = chip
        self.externally_powered = externally_powered
        self._root = root
        self._fault: ProbeFault | None = None
        self._eeprom = (*FACTORY_ALARMS, _configuration(12))
        self._high, self._low, self._config = self._eeprom
        self._count = POWER_ON_COUNT
        self._converted = False
        self._last_good = bytes(9)
        self._shown: dict[str, str] = {}
        # A fault is set from one thread while another converts.
        self._turn = threading.RLock()
        self._plug_in()

    @property
    def alarms(self) -> tuple[int, int]:
        """TH and TL as the chip holds them [degC]."""
        return _signed(self._high), _signed(self._low)

    @property
    def resolution_bit(self) -> int:
        """Resolution in force [bit]."""
        return 9 + (self._config >> 5)

    @property
    def fault(self) -> ProbeFault | None:
        """What is wrong with the probe; null when it is well."""
        return self._fault

    @fault.setter
    def fault(self, fault: ProbeFault | None) -> None:
        with self._turn:
            was_out, is_out = (each is ProbeFault.UNPLUGGED for each in (self._fault, fault))
            self._fault = fault
            if was_out and not is_out:
                self._reset()
                self._plug_in()
            elif is_out and not was_out:
                self._pull_out()

    def show(self, temperature_c: float) -> None:
        """Convert ``temperature_c`` [degC] and write what a read would give now."""
        with self._turn:
            if self._fault is not ProbeFault.UNPLUGGED:
                self._obey()
                self._convert(temperature_c)

    def lose_power(self) -> None:
        """Cut the supply for a moment after a conversion: the power-on value, alarms wiped."""
        with self._turn:
            if self._fault is not ProbeFault.UNPLUGGED:
                self._reset()
                self._write()

    def scratchpad(self) -> bytes:
        """Return the chip's nine bytes, the CRC last."""
        low, high = self._count & 0xFF, self._count >> 8 & 0xFF
        genuine = self.chip is ChipKind.GENUINE and self._converted
        sixth = 0x10 - (low & 0x0F) if genuine else 0x0C
        eight = bytes((low, high, self._high, self._low, self._config, 0xFF, sixth, 0x10))
        return eight + bytes((crc8(eight),))

    def _convert(self, temperature_c: float) -> None:
        fault = self._fault
        if fault is ProbeFault.FROZEN:
            return
        if fault is ProbeFault.POWER_ON:
            self._reset()
        elif fault is ProbeFault.UNDERPOWERED:
            self._count, self._converted = UNDERPOWERED_COUNT, False
        else:
            self._count, self._converted = self._register(temperature_c), True
        self._write()

    def _register(self, temperature_c: float) -> int:
        bottom, top = ALARM_RANGE_C
        count = round(min(max(temperature_c, bottom), top) * COUNTS_PER_KELVIN)
        unused = 12 - self.resolution_bit
        return (count >> unused << unused) & 0xFFFF

    def _reset(self) -> None:
        self._high, self._low, self._config = self._eeprom
        self._count, self._converted = POWER_ON_COUNT, False

    def _plug_in(self) -> None:
        self.folder.mkdir(parents=True, exist_ok=True)
        self._shown.clear()
        self._put("name", f"{self.name}\n")
        self._put("features", "0\n")
        self._put("eeprom", "")
        self._write()
        _list_slaves(self._root)

    def _pull_out(self) -> None:
        # A rename takes the whole folder away at one instant, as the kernel does.
        grave = self._root.parent / f".{self.name}"
        shutil.rmtree(grave, ignore_errors=True)
        self.folder.rename(grave)
        shutil.rmtree(grave, ignore_errors=True)
        _list_slaves(self._root)

    def _write(self) -> None:
        self._put("alarms", f"{_signed(self._low)} {_signed(self._high)}\n")
        self._put("resolution", f"{self.resolution_bit}\n")
        self._put("ext_power", f"{int(self.externally_powered)}\n")
        self._put("conv_time", f"{CONVERSION_MS[self.resolution_bit]}\n")
        answer = self._answer()
        self._put("w1_slave", answer)
        self._put("temperature", answer.rpartition("t=")[2])

    def _answer(self) -> str:
        """Return the two lines of ``w1_slave``, or nothing where the driver gives up."""
        if self._fault is ProbeFault.NO_ANSWER:
            return ""
        data = self.scratchpad()
        if self._fault is ProbeFault.SHORTED:
            data = bytes(9)
        elif self._fault is ProbeFault.CRC:
            # One bit lost in the high byte of the temperature, the CRC byte as sent.
            data = bytes((data[0], data[1] ^ 0x02)) + data[2:]
        crc = crc8(data[:8])
        if crc == data[8]:
            self._last_good = data
        verdict = "YES" if crc == data[8] else "NO"
        millidegrees = int(_signed16(data[0] | data[1] << 8) * 1000 / COUNTS_PER_KELVIN)
        return f"{data.hex(' ')} : crc={crc:02x} {verdict}\n{self._last_good.hex(' ')} t={millidegrees}\n"

    def _obey(self) -> None:
        """Carry out what was written to the files since they were last shown."""
        alarms = _integers(self._written("alarms"))
        if len(alarms) >= 2:
            bottom, top = ALARM_RANGE_C
            low, high = sorted(min(max(value, bottom), top) for value in alarms[:2])
            self._low, self._high = low & 0xFF, high & 0xFF
        for name in ("resolution", "w1_slave"):
            act = _integers(self._written(name))
            if len(act) == 1 and act[0] in CONVERSION_MS:
                self._config = _configuration(act[0])
            elif act == [0] and name == "w1_slave":
                self._save()
        act_on_eeprom = self._written("eeprom").strip()
        if act_on_eeprom == "save":
            self._save()
        elif act_on_eeprom == "restore":
            self._high, self._low, self._config = self._eeprom
        if act_on_eeprom:
            self._put("eeprom", "")

    def _save(self) -> None:
        self._eeprom = (self._high, self._low, self._config)

    def _written(self, name: str) -> str:
        """Return what somebody else wrote to ``name``, empty if nobody did."""
        try:
            text = (self.folder / name).read_text(encoding="ascii", errors="replace")
        except OSError:
            text = ""
        if text == self._shown.get(name):
            return ""
        self._shown.pop(name, None)
        return text

    def _put(self, name: str, text: str) -> None:
        if self._shown.get(name) != text or name in ("w1_slave", "temperature"):
            replace_text(self.folder / name, text)
            self._shown[name] = text


class LineFiles:
    """One channel of an ADS1115 as the IIO driver shows it, kept by :meth:`show`.

    ``scale_mv`` is the worth of a count [mV]; the default is the converter's 4.096 V range,
    in which a 4-20 mA loop over 100 ohm stays readable beyond its 21 mA fault limit.
    """

    FULL_COUNT = 32767

    def __init__(
        self,
        root: Path,
        *,
        channel: int = 0,
        device: int = 0,
        name: str = "ads1015",
        scale_mv: float = 0.125,
        sampling_hz: int = 128,
    ) -> None:
        self.folder = root / f"iio:device{device}"
        self.fault: LineFault | None = None
        self._scale_mv = scale_mv
        self._raw = str(self.folder / f"in_voltage{channel}_raw")
        self._scratch = str(self.folder / f".in_voltage{channel}_raw")
        self.folder.mkdir(parents=True, exist_ok=True)
        replace_text(self.folder / "name", f"{name}\n")
        replace_text(self.folder / f"in_voltage{channel}_scale", f"{scale_mv:.9f}\n")
        replace_text(self.folder / f"in_voltage{channel}_sampling_frequency", f"{sampling_hz}\n")
        replace_text(self.folder / "sampling_frequency_available", "8 16 32 64 128 250 475 860\n")
        replace_text(self.folder / "scale_available", "0.1875 0.125 0.0625 0.03125 0.015625 0.007813\n")
        self.show(0.0)

    def show(self, signal_mv: float) -> None:
        """Convert ``signal_mv`` at the converter's input [mV] and write the count."""
        if self.fault is LineFault.FROZEN:
            return
        if self.fault is LineFault.NO_ANSWER:
            # A link to itself cannot be opened: an OSError other than "no such file".
            Path(self._scratch).unlink(missing_ok=True)
            Path(self._scratch).symlink_to(Path(self._raw).name)
            os.replace(self._scratch, self._raw)  # noqa: PTH105 - fifty times a second
            return
        if self.fault is LineFault.LOOP_OPEN:
            signal_mv = 0.0
        elif self.fault is LineFault.LOOP_SHORTED:
            signal_mv = self.FULL_COUNT * self._scale_mv
        count = min(max(round(signal_mv / self._scale_mv), -self.FULL_COUNT - 1), self.FULL_COUNT)
        _replace(self._raw, self._scratch, b"%d\n" % count)


def replace_text(path: Path, text: str) -> None:
    """Put ``text`` into ``path`` at one instant: a reader sees the old text or the new."""
    _replace(str(path), str(path.with_name(f".{path.name}")), text.encode("ascii"))


def _replace(path: str, scratch: str, data: bytes) -> None:
    handle = os.open(scratch, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o666)
    try:
        os.write(handle, data)
    finally:
        os.close(handle)
    os.replace(scratch, path)  # noqa: PTH105 - fifty times a second


def _list_slaves(root: Path) -> None:
    """Write the bus master's list of what is on its bus."""
    names = sorted(folder.name for folder in root.glob("28-*"))
    master = root / "w1_bus_master1"
    master.mkdir(exist_ok=True)
    replace_text(master / "w1_master_slaves", "".join(f"{name}\n" for name in names) or "not found.\n")
    replace_text(master / "w1_master_slave_count", f"{len(names)}\n")


def _configuration(resolution_bit: int) -> int:
    """Return the configuration byte of a resolution: 0x1F at 9 bit to 0x7F at 12 (data sheet)."""
    return (resolution_bit - 9) << 5 | 0x1F


def _signed(byte: int) -> int:
    return byte - 0x100 if byte & 0x80 else byte


def _signed16(word: int) -> int:
    return word - 0x10000 if word & 0x8000 else word


def _integers(text: str) -> list[int]:
    try:
        return [int(word) for word in text.split()]
    except ValueError:
        return []
