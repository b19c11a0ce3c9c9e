"""The board's pins: a sounder's tone, a lamp, a meter's pulses. The only importer of ``gpiozero``."""

from __future__ import annotations

import itertools
import warnings
from collections.abc import Callable
from typing import Any

from gpiozero import LED, DigitalInputDevice, TonalBuzzer  # type: ignore[import-untyped]  # ships no types
from gpiozero.tones import Tone  # type: ignore[import-untyped]  # ships no types

from monitor.contract.errors import NiterwatchError, SensorNotFound, SounderFailed

MIDDLE_HZ = 880.0
OCTAVES = 1
"""440-1760 Hz: all that the sound patterns use."""


class TonePin:
    """A passive sounder on pin ``pin``; ``factory`` is gpiozero's way to the pins, its default if null."""

    def __init__(self, pin: int, *, factory: Any = None) -> None:
        self._pin = pin
        self._buzzer = _opened(
            lambda: TonalBuzzer(
                pin, mid_tone=Tone(frequency=MIDDLE_HZ), octaves=OCTAVES, pin_factory=factory
            ),
            pin=pin,
        )

    def sound(self, frequency_hz: float | None) -> None:
        """Sound ``frequency_hz`` until told otherwise; null is silence."""
        try:
            if frequency_hz is None:
                self._buzzer.stop()
            else:
                self._buzzer.play(Tone(frequency=frequency_hz))
        except Exception as error:
            raise _failure(self._pin, error) from None

    def close(self) -> None:
        """Fall silent and give the pin back."""
        self._buzzer.close()


class LampPin:
    """A lamp on pin ``pin``."""

    def __init__(self, pin: int, *, factory: Any = None) -> None:
        self._pin = pin
        self._led = _opened(lambda: LED(pin, pin_factory=factory), pin=pin)

    def light(self, *, lit: bool) -> None:
        """Switch the lamp."""
        try:
            self._led.value = lit
        except Exception as error:
            raise _failure(self._pin, error) from None

    def close(self) -> None:
        """Put the lamp out and give the pin back."""
        self._led.close()


class PulsePin:
    """Counts the pulses of an open-collector output on pin ``pin``, pulled up inside the board."""

    def __init__(self, pin: int, *, factory: Any = None) -> None:
        self._count = itertools.count(1)
        self.pulses = 0
        """Pulses since the start."""
        self._input = _opened(
            lambda: DigitalInputDevice(pin, pull_up=True, pin_factory=factory),
            pin=pin,
            error=_sensor_failure,
        )
        self._input.when_activated = self._take

    def close(self) -> None:
        """Stop counting and give the pin back."""
        self._input.close()

    def _take(self) -> None:
        # One step of a C iterator: gpiozero may call from several threads.
        self.pulses = next(self._count)


def _opened(
    make: Callable[[], Any], *, pin: int, error: Callable[[int, Exception], NiterwatchError] | None = None
) -> Any:
    """Return the device; every way to the pins raises errors of its own kind, so all are caught."""
    try:
        with warnings.catch_warnings():
            # Off the board gpiozero warns once for each way to the pins that is not there.
            warnings.simplefilter("ignore")
            return make()
    except Exception as cause:
        raise (error or _failure)(pin, cause) from None


def _sensor_failure(pin: int, error: Exception) -> SensorNotFound:
    return SensorNotFound(f"pin {pin}: {_why(error)}; check [point.flow] and who may use the pins")


def _failure(pin: int, error: Exception) -> SounderFailed:
    return SounderFailed(
        f"alarm output failed: pin {pin}: {_why(error)}; check [sounder] and who may use the pins"
    )


def _why(error: Exception) -> str:
    return " ".join(str(error).split()) or type(error).__name__
