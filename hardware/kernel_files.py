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

from hardware.simulated_chip import COUNTS_PER_KELVIN, ChipKind, SimulatedChip, crc8

MEMORY_FILE_SYSTEM = Path("/dev/shm")  # noqa: S108 - a private folder is made inside it
"""Where a tree is kept when it can be: 50 replaced files a second would wear a card."""

SCALES_MV = tuple(full_mv / 2**15 for full_mv in (6144, 4096, 2048, 1024, 512, 256))
"""Worth of a count in each range of the ADS1115 [mV] (data sheet)."""
CONVERSION_MS = {9: 95, 10: 190, 11: 375, 12: 750}
"""Conversion time by resolution, as the driver waits."""


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
        self.chip = SimulatedChip(chip)
        self.externally_powered = externally_powered
        self._root = root
        self._fault: ProbeFault | None = None
        self._last_good = bytes(9)
        self._shown: dict[str, str] = {}
        # A fault is set from one thread while another converts.
        self._turn = threading.RLock()
        self._plug_in()

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
                self.chip.reset()
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
                self.chip.reset()
                self._write()

    def _convert(self, temperature_c: float) -> None:
        if self._fault is ProbeFault.FROZEN:
            return
        if self._fault is ProbeFault.POWER_ON:
            self.chip.reset()
        elif self._fault is ProbeFault.UNDERPOWERED:
            self.chip.starve()
        else:
            self.chip.convert(temperature_c)
        self._write()

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
        high_c, low_c = self.chip.alarms_c
        self._put("alarms", f"{low_c} {high_c}\n")
        self._put("resolution", f"{self.chip.resolution_bit}\n")
        self._put("ext_power", f"{int(self.externally_powered)}\n")
        self._put("conv_time", f"{CONVERSION_MS[self.chip.resolution_bit]}\n")
        answer = self._answer()
        self._put("w1_slave", answer)
        self._put("temperature", answer.rpartition("t=")[2])

    def _answer(self) -> str:
        """Return the two lines of ``w1_slave``, or nothing where the driver gives up."""
        if self._fault is ProbeFault.NO_ANSWER:
            return ""
        data = self.chip.scratchpad()
        if self._fault is ProbeFault.SHORTED:
            data = bytes(9)
        elif self._fault is ProbeFault.CRC:
            # One bit lost in the high byte of the temperature, the CRC byte as sent.
            data = bytes((data[0], data[1] ^ 0x02)) + data[2:]
        crc = crc8(data[:8])
        if crc == data[8]:
            self._last_good = data
        verdict = "YES" if crc == data[8] else "NO"
        millidegrees = int(int.from_bytes(data[:2], "little", signed=True) * 1000 / COUNTS_PER_KELVIN)
        return f"{data.hex(' ')} : crc={crc:02x} {verdict}\n{self._last_good.hex(' ')} t={millidegrees}\n"

    def _obey(self) -> None:
        """Carry out what was written to the files since they were last shown."""
        alarms = _integers(self._written("alarms"))
        if len(alarms) >= 2:
            self.chip.set_alarms(*alarms[:2])
        for name in ("resolution", "w1_slave"):
            act = _integers(self._written(name))
            if len(act) == 1 and act[0] in CONVERSION_MS:
                self.chip.resolution_bit = act[0]
            elif act == [0] and name == "w1_slave":
                self.chip.save()
        act_on_eeprom = self._written("eeprom").strip()
        if act_on_eeprom == "save":
            self.chip.save()
        elif act_on_eeprom == "restore":
            self.chip.recall()
        if act_on_eeprom:
            self._put("eeprom", "")

    def _written(self, name: str) -> str:
        """Return what somebody else wrote to ``name``, empty if nobody did."""
        try:
            text = (self.folder / name).read_text(encoding="ascii", errors="replace")
        except OSError:
            text = ""
        # Empty: somebody has cut the file and is about to write.
        if not text or text == self._shown.get(name):
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
    in which a 4-20 mA loop over 100 ohm stays readable beyond its 21 mA fault limit. Another
    range may be written to the scale file; it is in force from the next ``show``.
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
        self._scale_mv = 0.0
        self._scale_file = self.folder / f"in_voltage{channel}_scale"
        self._scale_written_ns = 0
        self._raw = str(self.folder / f"in_voltage{channel}_raw")
        self._scratch = str(self.folder / f".in_voltage{channel}_raw")
        self.folder.mkdir(parents=True, exist_ok=True)
        replace_text(self.folder / "name", f"{name}\n")
        self._set_scale(scale_mv)
        replace_text(self.folder / f"in_voltage{channel}_sampling_frequency", f"{sampling_hz}\n")
        replace_text(self.folder / "sampling_frequency_available", "8 16 32 64 128 250 475 860\n")
        replace_text(self.folder / "scale_available", "0.1875 0.125 0.0625 0.03125 0.015625 0.007813\n")
        self.show(0.0)

    def show(self, signal_mv: float) -> None:
        """Convert ``signal_mv`` at the converter's input [mV] and write the count."""
        if self._scale_file.stat().st_mtime_ns != self._scale_written_ns:
            self._obey_scale()
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

    def _obey_scale(self) -> None:
        """Take over a range that somebody wrote to the scale file, if the chip has it."""
        try:
            wanted_mv = float(self._scale_file.read_text(encoding="ascii"))
        except ValueError:
            wanted_mv = self._scale_mv
        # The driver compares full scales; its list of scales is rounded to six decimals.
        fitting = [scale for scale in SCALES_MV if abs(scale - wanted_mv) < 1e-6]
        self._set_scale(fitting[0] if fitting else self._scale_mv)

    def _set_scale(self, scale_mv: float) -> None:
        self._scale_mv = scale_mv
        replace_text(self._scale_file, f"{scale_mv:.9f}\n")
        self._scale_written_ns = self._scale_file.stat().st_mtime_ns


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


def _integers(text: str) -> list[int]:
    try:
        return [int(word) for word in text.split()]
    except ValueError:
        return []
