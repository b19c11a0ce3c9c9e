"""What ``niterwatch check`` asks of this room: one finding for each probe, the line and the sounder."""

from __future__ import annotations

import asyncio
import os
import threading

from hardware.probe import ProbeBus, TemperatureProbe, temperature_points
from hardware.sound_patterns import PATTERNS
from hardware.sounder import Sounder, sounder_for
from hardware.transducer import Transducer
from monitor.contract.errors import NiterwatchError, SounderFailed
from monitor.contract.names import Signal
from monitor.contract.readings import Point, Quality, Reading
from monitor.contract.units import Dimension, convert
from monitor.runtime.clock import Clock
from monitor.runtime.finding import Finding
from monitor.runtime.settings import Settings

PROBE_TRIES = 3
"""Readings taken before a probe is given up: a clone's first 85.0 is never believed."""


async def inspect(settings: Settings, *, clock: Clock, sounder: Sounder | None = None) -> list[Finding]:
    """Return a finding for each temperature point, the line and the sounder, which sounds once.

    Reads the real sensors (a few seconds); never raises for what it finds.
    """
    probes = [
        await asyncio.to_thread(inspect_probe, settings, point=point, clock=clock)
        for point in temperature_points(settings)
    ]
    line = await asyncio.to_thread(inspect_line, settings, clock=clock)
    return [*probes, line, await inspect_sounder(settings, clock=clock, sounder=sounder)]


def inspect_probe(settings: Settings, *, point: Point, clock: Clock) -> Finding:
    """Read the probe at ``point``; blocks for a second or a few."""
    points = temperature_points(settings)
    bus = ProbeBus(settings.kernel.w1, wanted={each: section.sensor for each, section in points.items()})
    try:
        folder = bus.folder_of(point)
    except NiterwatchError as error:
        return Finding(point, False, str(error))
    probe = TemperatureProbe(point, section=points[point], bus=bus, clock=clock)
    for _ in range(PROBE_TRIES):
        reading = probe.read()
        if reading.quality is not Quality.BAD:
            break
        clock.pause(1.0)
    if reading.value is None:
        return Finding(point, False, f"probe {folder.name}: {probe.trouble}")
    sentence = f"probe {folder.name} reads {_temperature(reading)}"
    if not os.access(folder / "alarms", os.W_OK):
        sentence += f"; {folder / 'alarms'} cannot be written, so a true 85.0 degC may be doubted"
    return Finding(point, True, sentence)


def inspect_line(settings: Settings, *, clock: Clock) -> Finding:
    """Read the line pressure for a second; blocks."""
    transducer = Transducer(settings.point.line, root=settings.kernel.iio, clock=clock)
    reading = transducer.read_second(clock.monotonic(), stop=threading.Event())
    if reading is None or reading.value is None:
        return Finding(Point.LINE, False, transducer.trouble or "the transducer gives no value")
    sentence = f"the line reads {_pressure(reading.value)} over one second"
    if reading.quality is not Quality.GOOD:
        return Finding(Point.LINE, False, f"{sentence}, outside its range: check the transducer's wires")
    return Finding(Point.LINE, True, sentence)


async def inspect_sounder(settings: Settings, *, clock: Clock, sounder: Sounder | None = None) -> Finding:
    """Sound the prompt once with the lamp lit, so that a person can hear and see it."""
    own: Sounder | None = None
    try:
        own = None if sounder else sounder_for(settings.sounder, clock=clock)
        heard = sounder or own
        if heard is None:
            return Finding("sounder", False, "none is fitted: set pin or card under [sounder]")
        heard.light(lit=True)
        await heard.play(PATTERNS[Signal.PROMPT])
        heard.light(lit=False)
    except SounderFailed as error:
        return Finding("sounder", False, str(error))
    finally:
        if own is not None:
            own.close()
    return Finding("sounder", True, "one note was sounded: listen for it at the pan, two metres away")


def _temperature(reading: Reading) -> str:
    value_c, tolerance_c = reading.value or 0.0, reading.tolerance or 0.0
    value_f = convert(value_c, dimension=Dimension.TEMPERATURE, into="degF")
    tolerance_f = convert(tolerance_c, dimension=Dimension.TEMPERATURE_DIFFERENCE, into="degF")
    return f"{value_f:.1f} +- {tolerance_f:.1f} degF ({value_c:.2f} +- {tolerance_c:.2f} degC)"


def _pressure(value_kpa: float) -> str:
    return f"{convert(value_kpa, dimension=Dimension.PRESSURE, into='psi'):.1f} psi ({value_kpa:.1f} kPa)"
