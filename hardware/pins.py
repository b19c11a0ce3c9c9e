"""The board's pins: a sounder's tone and a lamp. The only importer of ``gpiozero``."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from typing import Any

from gpiozero import LED, TonalBuzzer  # type: ignore[import-untyped]  # ships no types
from gpiozero.tones import Tone  # type: ignore[import-untyped]  # ships no types

from monitor.contract.errors import SounderFailed

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


def _opened(make: Callable[[], Any], *, pin: int) -> Any:
    """Return the device; every way to the pins raises errors of its own kind, so all are caught."""
    try:
        with warnings.catch_warnings():
            # Off the board gpiozero warns once for each way to the pins that is not there.
            warnings.simplefilter("ignore")
            return make()
    except Exception as error:
        raise _failure(pin, error) from None


def _failure(pin: int, error: Exception) -> SounderFailed:
    why = " ".join(str(error).split()) or type(error).__name__
    return SounderFailed(f"alarm output failed: pin {pin}: {why}; check [sounder] and who may use the pins")
