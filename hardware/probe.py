"""The temperature probes: DS18B20 on the kernel's 1-wire bus.

``w1thermsensor`` finds them and sets their resolution; their lines are read and judged here,
because the library refuses every true 85.0 degC (185 degF, the middle of the bottling window).
"""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from hardware.driver_file import said, told
from hardware.power_on import PowerOnJudge
from hardware.sampling import Sink, rounds
from hardware.scratchpad import (
    FULL_RESOLUTION_BIT,
    Complaint,
    Scratchpad,
    parse,
    range_complaint,
)
from hardware.stamp import Stamp
from monitor.contract.errors import SensorAmbiguous, SensorError, SensorNotFound
from monitor.contract.readings import Point, Reading, data_sheet_tolerance_c
from monitor.runtime.clock import Clock
from monitor.runtime.settings import Settings, TemperaturePointSection

# Without this the import loads kernel modules, waits for them and raises off the board.
os.environ.setdefault("W1THERMSENSOR_NO_KERNEL_MODULE", "1")

from w1thermsensor import (  # type: ignore[import-untyped]  # ships no types
    Sensor,
    W1ThermSensor,
    W1ThermSensorError,
)

log = logging.getLogger(__name__)

READING_INTERVAL_S = 1.0
"""One reading a second: 0.75 s of conversion at 12 bit and a rest."""
FROZEN_AFTER_S = 60.0
"""A hot outlet's reading has always moved by a step in this time.

This project's judgement: the longest stand-still of hot outlets in invented runs was 18 s.
A shorter time would call a steady outlet broken.
"""
FROZEN_ABOVE_C = 60.0
"""Only hot syrup cannot keep still; an idle probe in the room may."""


def temperature_points(settings: Settings) -> dict[Point, TemperaturePointSection]:
    """Return the points that the settings fit with a temperature probe."""
    sections = {
        Point.OUTLET: settings.point.outlet,
        Point.PAN: settings.point.pan,
        Point.FILLER: settings.point.filler,
    }
    return {point: section for point, section in sections.items() if section is not None}


def find_probes(root: Path) -> tuple[str, ...]:
    """Return the names ("28-" and 12 hex digits) of the DS18B20 under ``root``, in order."""
    return tuple(sorted(f"28-{sensor.id}" for sensor in _bus(root)))


def assign(wanted: Mapping[Point, str | None], *, found: Sequence[str]) -> dict[Point, str]:
    """Return which probe serves which point; a point whose probe is not there is left out.

    ``wanted`` gives each point's sensor setting. A point without one takes the only probe that
    no setting names. Raises :class:`SensorAmbiguous` where that leaves a choice.
    """
    named = {point: probe_name(sensor) for point, sensor in wanted.items() if sensor}
    unnamed = [point for point in wanted if point not in named]
    free = [name for name in found if name not in named.values()]
    served = {point: name for point, name in named.items() if name in found}
    if unnamed and free:
        if len(unnamed) > 1 or len(free) > 1:
            raise SensorAmbiguous(
                f"probes {', '.join(free)} answer and nothing says which is at the {' and '.join(unnamed)}: "
                f'write sensor = "{free[0]}" or another under [point.{unnamed[0]}]'
            )
        served[unnamed[0]] = free[0]
    return served


def probe_name(sensor: str) -> str:
    """Return the kernel's name of ``sensor``: 12 hex digits, with or without "28-", any case.

    >>> probe_name("0316A279B1FF")
    '28-0316a279b1ff'
    """
    return f"28-{sensor.strip().lower().removeprefix('28-')}"


def read_raw(folder: Path) -> bytes:
    """Return all that ``w1_slave`` in ``folder`` says; blocks while the probe converts (0.75 s)."""
    return (folder / "w1_slave").read_bytes()


class ProbeBus:
    """The 1-wire bus under ``root`` and which of its probes serves which point."""

    def __init__(self, root: Path, *, wanted: Mapping[Point, str | None]) -> None:
        self.root = root
        self._wanted = dict(wanted)

    def folder_of(self, point: Point) -> Path:
        """Return the folder of the probe at ``point``, looked up now.

        Raises :class:`SensorNotFound` or :class:`SensorAmbiguous`.
        """
        found = find_probes(self.root)
        name = assign(self._wanted, found=found).get(point)
        if name is not None:
            return self.root / name
        sensor = self._wanted[point]
        there = f"; on the bus: {', '.join(found)}" if found else "; the bus is empty"
        what = f"probe {probe_name(sensor)}" if sensor else "no probe"
        state = "does not answer" if sensor else "answers"
        raise SensorNotFound(f"{what} {state} at the {point}{there}; check its plug and the 1-wire overlay")

    def check(self) -> None:
        """Raise :class:`SensorAmbiguous` if the settings leave a choice between probes."""
        assign(self._wanted, found=find_probes(self.root))


class TemperatureProbe:
    """The probe at one point: found again after every loss, read once a second."""

    def __init__(
        self, point: Point, *, section: TemperaturePointSection, bus: ProbeBus, clock: Clock
    ) -> None:
        self.point = point
        self._section = section
        self._bus = bus
        self._clock = clock
        self._stamp = Stamp(point, clock=clock)
        self._folder: Path | None = None
        self._judge = PowerOnJudge()
        self._still_since: tuple[int, float] | None = None
        self._said: str | None = None

    @property
    def trouble(self) -> str | None:
        """What is wrong with the probe by the last reading, in one line; null when it is well."""
        return self._said

    def run(self, sink: Sink, stop: threading.Event) -> None:
        """Give ``sink`` a reading a second until ``stop`` is set; blocks."""
        for _ in rounds(READING_INTERVAL_S, begin_s=self._clock.monotonic(), clock=self._clock, stop=stop):
            sink(self.read())

    def read(self) -> Reading:
        """Return one reading; blocks while the probe converts, never raises for a sensor's fault."""
        started_s = self._clock.monotonic()
        try:
            folder = self._folder or self._take(self._bus.folder_of(self.point))
            raw = read_raw(folder)
        except SensorError as error:
            return self._refuse(Complaint.NOT_THERE, str(error), mono_s=started_s)
        except FileNotFoundError:
            self._folder = None
            return self._refuse(Complaint.NOT_THERE, mono_s=started_s)
        except OSError as error:
            words = f"{Complaint.UNREADABLE.words} ({error.strerror})"
            return self._refuse(Complaint.UNREADABLE, words, mono_s=started_s)
        return self._convert(raw, folder=folder, mono_s=started_s)

    def _convert(self, raw: bytes, *, folder: Path, mono_s: float) -> Reading:
        pad = parse(raw)
        if isinstance(pad, Complaint):
            return self._refuse(pad, mono_s=mono_s)
        complaint = self._judged(pad, now_s=mono_s)
        self._keep_marker(pad, folder=folder)
        if complaint is not None:
            return self._refuse(complaint, mono_s=mono_s)
        self._say(None)
        value_c = pad.temperature_c * self._section.scale + self._section.offset
        tolerance_c = self._section.tolerance
        if tolerance_c is None:
            tolerance_c = data_sheet_tolerance_c(pad.temperature_c)
            if pad.resolution_bit < FULL_RESOLUTION_BIT:
                tolerance_c += pad.step_c
        return self._stamp.value(value_c, mono_s=mono_s, tolerance=tolerance_c)

    def _judged(self, pad: Scratchpad, *, now_s: float) -> Complaint | None:
        believed = self._judge.believes(pad, now_s=now_s)
        if self._still_since is None or self._still_since[0] != pad.count:
            self._still_since = (pad.count, now_s)
        still_s = now_s - self._still_since[1]
        if not believed:
            return Complaint.POWER_ON
        if pad.temperature_c > FROZEN_ABOVE_C and still_s > FROZEN_AFTER_S:
            return Complaint.FROZEN
        return range_complaint(pad)

    def _take(self, folder: Path) -> Path:
        log.info("%s: probe %s", self.point, folder.name)
        self._folder = folder
        self._judge = PowerOnJudge()
        self._still_since = None
        if said(folder / "ext_power") == "0":
            log.warning("%s: probe %s has no supply wire: connect its third lead", self.point, folder.name)
        return folder

    def _keep_marker(self, pad: Scratchpad, *, folder: Path) -> None:
        """Put back what a reset wiped: the marker, and full resolution."""
        marker = self._judge.marker_due(pad)
        if marker is not None:
            high_c, low_c = marker
            told(folder / "alarms", f"{low_c} {high_c}")
        if pad.resolution_bit < FULL_RESOLUTION_BIT and os.access(folder / "w1_slave", os.W_OK):
            _set_full_resolution(self._bus.root, folder.name)

    def _refuse(self, complaint: Complaint, words: str | None = None, *, mono_s: float) -> Reading:
        self._say(words or complaint.words)
        return self._stamp.bad(complaint.reason, mono_s=mono_s)

    def _say(self, words: str | None) -> None:
        """Log a change of state in one line; null means the probe is well."""
        if words == self._said:
            return
        if words is not None:
            log.warning("%s: %s", self.point, words)
        elif self._said is not None:
            log.info("%s: the probe is well again", self.point)
        self._said = words


def _bus(root: Path) -> list[W1ThermSensor]:
    # A class of our own, so that two trees in one process do not share the library's global.
    bus: Any = type("Bus", (W1ThermSensor,), {"BASE_DIRECTORY": root})
    try:
        return list(bus.get_available_sensors([Sensor.DS18B20]))
    except (OSError, W1ThermSensorError, ValueError):
        # No 1-wire overlay, or a probe that left between the listing and the look at it.
        return []


def _set_full_resolution(root: Path, name: str) -> None:
    for sensor in _bus(root):
        if f"28-{sensor.id}" == name:
            try:
                sensor.set_resolution(FULL_RESOLUTION_BIT)
            except W1ThermSensorError as error:
                log.warning("%s: %s", name, error)
