"""The analogue-to-digital converter as the kernel's IIO driver shows it.

Reading raw and converting raw are two functions. A value is (raw + offset) x scale in
millivolts (Linux, Documentation/ABI/testing/sysfs-bus-iio). Every value is a file opened
anew: the driver converts at each read, and a replaced file is seen.
"""

from __future__ import annotations

import logging
import math
import os
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from hardware.driver_file import said, told
from monitor.contract.errors import SensorAmbiguous, SensorNotFound

log = logging.getLogger(__name__)

DRIVER_NAMES = {"ads1115": "ads1015"}
"""Chips that the driver shows under another name (ti-ads1015.c names both "ads1015")."""
WIDEST_MV = {"ads1015": 6144.0}
"""Full scale at the largest entry of ``scale_available`` [mV] (data sheets of both chips)."""
SATURATION_SHARE = 0.9999
"""From this share of full scale on the converter may be clipping: less than 4 steps of 16 bit away."""


@dataclass(frozen=True, slots=True)
class Converter:
    """One IIO device."""

    folder: Path
    name: str

    def channel(self, number: int) -> Channel:
        """Return channel ``number``; raise :class:`SensorNotFound` where the device has none."""
        channel = Channel(self, number)
        if not channel.raw_file.exists():
            raise SensorNotFound(f"{self.name} has no channel {number}: check channel under [point.line]")
        return channel


@dataclass(frozen=True)
class Channel:
    """One single-ended input of a converter."""

    converter: Converter
    number: int

    @property
    def raw_file(self) -> Path:
        """The file whose reading converts once."""
        return self._file("raw")

    @cached_property
    def _raw_name(self) -> str:
        return str(self.raw_file)

    def read_raw(self) -> int:
        """Return the count of a new conversion; raises OSError or ValueError."""
        # Fifty times a second, each time after a sleep: the fewest calls are the cheapest.
        handle = os.open(self._raw_name, os.O_RDONLY)
        try:
            return int(os.read(handle, 32))
        finally:
            os.close(handle)

    def scale(self) -> Scale:
        """Return what a count is worth now; raise :class:`SensorNotFound` where the driver does not say."""
        folder, stem = self.converter.folder, f"in_voltage{self.number}"
        own = self._number(said(folder / f"{stem}_scale") or said(folder / "in_voltage_scale"), what="scale")
        offset = said(folder / f"{stem}_offset") or said(folder / "in_voltage_offset") or "0"
        return Scale(
            mv_per_count=own,
            offset_counts=self._number(offset, what="offset"),
            full_mv=self._full_mv(own),
        )

    def widen(self, needed_mv: float) -> None:
        """Choose the narrowest range that shows ``needed_mv``, if the one in force would clip it."""
        full_mv = self.scale().full_mv
        if full_mv is None or full_mv >= needed_mv:
            return
        for scale in sorted(self._scales()):
            if (self._full_mv(scale) or 0.0) >= needed_mv:
                log.info("%s: input range widened for %.0f mV", self.converter.name, needed_mv)
                self._tell("scale", f"{scale:g}")
                return
        log.warning("%s: no input range shows %.0f mV: fit a divider", self.converter.name, needed_mv)

    def hasten(self, needed_hz: float) -> None:
        """Choose the slowest conversion rate of at least ``needed_hz``, if the one in force is slower."""
        rate = said(self._file("sampling_frequency"))
        available = said(self.converter.folder / "sampling_frequency_available").split()
        if not rate or self._number(rate, what="sampling frequency") >= needed_hz:
            return
        for wanted in sorted(available, key=float):
            if float(wanted) >= needed_hz:
                self._tell("sampling_frequency", wanted)
                return

    def _file(self, what: str) -> Path:
        return self.converter.folder / f"in_voltage{self.number}_{what}"

    def _number(self, text: str, *, what: str) -> float:
        try:
            number = float(text)
        except ValueError:
            number = math.nan
        if not math.isfinite(number):
            raise SensorNotFound(
                f"{self.converter.name} channel {self.number} says {text[:20]!r} for its {what}: "
                "check the driver"
            )
        return number

    def _tell(self, what: str, text: str) -> None:
        if not told(self._file(what), text):
            log.warning("%s cannot be written: set it in the device-tree overlay", self._file(what))

    def _scales(self) -> list[float]:
        folder = self.converter.folder
        for stem in ("", "in_voltage_", f"in_voltage{self.number}_"):
            text = said(folder / f"{stem}scale_available")
            if text:
                return [self._number(word, what="choice of scales") for word in text.split()]
        return []

    def _full_mv(self, scale: float) -> float | None:
        widest_mv, scales = WIDEST_MV.get(self.converter.name), self._scales()
        return widest_mv * scale / max(scales) if widest_mv and scales else None


@dataclass(frozen=True, slots=True)
class Scale:
    """What a count is worth, and the full scale [mV] where it is known."""

    mv_per_count: float
    offset_counts: float = 0.0
    full_mv: float | None = None

    def millivolts(self, raw: int) -> float:
        """Return ``raw`` in millivolts.

        >>> Scale(mv_per_count=0.125).millivolts(8000)
        1000.0
        """
        return (raw + self.offset_counts) * self.mv_per_count

    def clips(self, millivolts: float) -> bool:
        """Return whether the converter may be at its end: the true voltage is this or more."""
        return self.full_mv is not None and millivolts >= SATURATION_SHARE * self.full_mv


def find_converter(root: Path, *, sensor: str | None, channel: int) -> Converter:
    """Return the converter called ``sensor``, or the only one with ``channel`` where none is named.

    ``sensor`` is what the device's ``name`` file says, the chip's usual name, or the folder's
    own ("iio:device0"). Raises :class:`SensorNotFound` or :class:`SensorAmbiguous`.
    """
    found = _converters(root)
    if sensor is not None:
        names = {sensor, DRIVER_NAMES.get(sensor, sensor)}
        fitting = [each for each in found if {each.name, each.folder.name} & names]
    else:
        fitting = [each for each in found if Channel(each, channel).raw_file.exists()]
    if len(fitting) == 1:
        return fitting[0]
    if fitting:
        folders = ", ".join(f"{each.folder.name} ({each.name})" for each in fitting)
        raise SensorAmbiguous(
            f"converters {folders} fit: "
            f'write sensor = "{fitting[0].folder.name}" or another under [point.line]'
        )
    there = ", ".join(f"{each.folder.name} ({each.name})" for each in found) or "none"
    what = f"converter {sensor!r}" if sensor else f"converter with a channel {channel}"
    raise SensorNotFound(f"no {what}; there: {there}; check its wires and the device-tree overlay")


def _converters(root: Path) -> list[Converter]:
    try:
        folders = sorted(folder for folder in root.iterdir() if folder.name.startswith("iio:device"))
    except OSError:
        return []
    return [Converter(folder, said(folder / "name") or folder.name) for folder in folders]
