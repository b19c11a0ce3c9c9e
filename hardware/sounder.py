"""What makes sound and light at the press: four backends of one narrow protocol.

A board drives a sounder and a lamp by its pins, or a sound card; a file takes what would be
heard; a record takes what was asked for. A browser tab is never the only sounder.
"""

from __future__ import annotations

import asyncio
import wave
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from hardware import waveform
from hardware.sound_patterns import Pattern, Step
from monitor.contract.errors import SounderFailed
from monitor.contract.names import Signal
from monitor.runtime.clock import Clock
from monitor.runtime.settings import SounderSection

if TYPE_CHECKING:
    from hardware.pins import LampPin, TonePin

CARD_PATIENCE_S = 5.0
"""How much longer than the sound the sound card's player may take before it counts as hung."""


class Sounder(Protocol):
    """Sounds patterns and lights a lamp."""

    async def play(self, pattern: Pattern) -> None:
        """Sound ``pattern`` once; silent when it returns or is cancelled. Raises :class:`SounderFailed`."""

    def light(self, *, lit: bool) -> None:
        """Switch the lamp. Raises :class:`SounderFailed`."""

    def close(self) -> None:
        """Fall silent, put the lamp out, let go."""


class PinSounder:
    """A sounder and a lamp on the board's pins; either may be missing."""

    def __init__(self, *, pin: int | None, lamp_pin: int | None, clock: Clock, factory: Any = None) -> None:
        self._clock = clock
        self._tone = _tone_on(pin, factory=factory)
        self._lamp = _lamp_on(lamp_pin, factory=factory)

    async def play(self, pattern: Pattern) -> None:
        """Sound ``pattern`` once through the pin."""
        try:
            for step in pattern.steps:
                self._sound(step.frequency_hz)
                await self._clock.sleep(step.seconds)
        finally:
            self._sound(None)

    def light(self, *, lit: bool) -> None:
        """Switch the lamp, where there is one."""
        if self._lamp is not None:
            self._lamp.light(lit=lit)

    def close(self) -> None:
        """Give the pins back."""
        for device in (self._tone, self._lamp):
            if device is not None:
                device.close()

    def _sound(self, frequency_hz: float | None) -> None:
        if self._tone is not None:
            self._tone.sound(frequency_hz)


class CardSounder:
    """A sound card through ALSA's ``aplay``; the lamp, if any, on a pin."""

    def __init__(self, device: str, *, lamp_pin: int | None = None, factory: Any = None) -> None:
        self._device = device
        self._lamp = _lamp_on(lamp_pin, factory=factory)

    async def play(self, pattern: Pattern) -> None:
        """Sound ``pattern`` once; a card that is not there is a failure, never silence."""
        try:
            player = await asyncio.create_subprocess_exec(
                "aplay", "-q", "-D", self._device, "-",
                stdin=asyncio.subprocess.PIPE,
                stdout=asyncio.subprocess.DEVNULL,
                stderr=asyncio.subprocess.PIPE,
            )  # fmt: skip
        except OSError as error:
            raise SounderFailed(f"alarm output failed: aplay cannot be started: {error.strerror}") from None
        try:
            async with asyncio.timeout(pattern.seconds + CARD_PATIENCE_S):
                _, complaint = await player.communicate(waveform.wav(pattern.steps))
        except TimeoutError:
            raise SounderFailed(f"alarm output failed: sound card {self._device!r} hangs") from None
        finally:
            if player.returncode is None:
                player.kill()
                await player.wait()
        if player.returncode != 0:
            why = " ".join(complaint.decode(errors="replace").split())[:120] or f"status {player.returncode}"
            raise SounderFailed(f"alarm output failed: sound card {self._device!r}: {why}")

    def light(self, *, lit: bool) -> None:
        """Switch the lamp, where there is one."""
        if self._lamp is not None:
            self._lamp.light(lit=lit)

    def close(self) -> None:
        """Give the lamp's pin back."""
        if self._lamp is not None:
            self._lamp.close()


class WaveSounder:
    """Writes to a WAV file what would be heard, silences included, in the clock's time."""

    def __init__(self, file: Path, *, clock: Clock) -> None:
        self._clock = clock
        self._sound = wave.open(str(file), "wb")  # noqa: SIM115 - held until close()
        waveform.begin(self._sound)
        self._written_until_s = clock.monotonic()

    async def play(self, pattern: Pattern) -> None:
        """Write ``pattern`` while its time passes."""
        self._be_silent_until(self._clock.monotonic())
        for step in pattern.steps:
            began_s = self._clock.monotonic()
            try:
                await self._clock.sleep(step.seconds)
            finally:
                self._write(step, seconds=self._clock.monotonic() - began_s)

    def light(self, *, lit: bool) -> None:
        """Do nothing: a file has no lamp."""

    def close(self) -> None:
        """Finish the file, silence up to now included."""
        self._be_silent_until(self._clock.monotonic())
        self._sound.close()

    def _be_silent_until(self, moment_s: float) -> None:
        gap_s = moment_s - self._written_until_s
        if gap_s > 0.0:
            self._write(Step(None, gap_s), seconds=gap_s)

    def _write(self, step: Step, *, seconds: float) -> None:
        self._sound.writeframes(waveform.frames(waveform.samples(step, seconds=seconds)))
        self._written_until_s += min(seconds, step.seconds)


@dataclass(frozen=True, slots=True)
class Played:
    """One sounding: which signal, from when to when, and whether it was heard to its end."""

    signal: Signal
    began_s: float
    ended_s: float
    whole: bool


class RecordingSounder:
    """Makes no sound and keeps what it was asked for; also the sounder of a press without one."""

    KEPT = 1000
    """Entries kept of each kind; older ones go."""

    def __init__(self, *, clock: Clock) -> None:
        self._clock = clock
        self.played: list[Played] = []
        self.lamp: list[tuple[float, bool]] = []

    async def play(self, pattern: Pattern) -> None:
        """Let the time of ``pattern`` pass."""
        began_s, whole = self._clock.monotonic(), False
        try:
            await self._clock.sleep(pattern.seconds)
            whole = True
        finally:
            self.played.append(Played(pattern.signal, began_s, self._clock.monotonic(), whole))
            del self.played[: -self.KEPT]

    def light(self, *, lit: bool) -> None:
        """Keep when the lamp changed."""
        if not self.lamp or self.lamp[-1][1] != lit:
            self.lamp.append((self._clock.monotonic(), lit))
            del self.lamp[: -self.KEPT]

    def close(self) -> None:
        """Do nothing: nothing is held."""


def sounder_for(section: SounderSection, *, clock: Clock) -> Sounder | None:
    """Return the sounder that the settings describe, None where none is fitted.

    Raises :class:`SounderFailed` where it is fitted and cannot be driven.
    """
    if section.card is not None:
        return CardSounder(section.card, lamp_pin=section.lamp_pin)
    if section.pin is None and section.lamp_pin is None:
        return None
    return PinSounder(pin=section.pin, lamp_pin=section.lamp_pin, clock=clock)


def _tone_on(pin: int | None, *, factory: Any) -> TonePin | None:
    if pin is None:
        return None
    from hardware.pins import TonePin  # a board that uses no pin does without their library: 2 MiB

    return TonePin(pin, factory=factory)


def _lamp_on(pin: int | None, *, factory: Any) -> LampPin | None:
    if pin is None:
        return None
    from hardware.pins import LampPin  # likewise

    return LampPin(pin, factory=factory)
