"""Plays what is due: keeps the sounder and the lamp in step with the monitor's status."""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable

from hardware.sound_duty import SoundDuty
from hardware.sound_patterns import PATTERNS
from hardware.sounder import Sounder
from monitor.contract.errors import SounderFailed
from monitor.contract.names import Signal
from monitor.contract.status import RunStatus
from monitor.runtime.clock import Clock

log = logging.getLogger(__name__)

LOOK_S = 1.0
"""Longest time to the next look at what comes due without a word from the monitor: the next round of an
alarm, or its silence. Both are farther off when they are first known, so each is met to the moment."""


class Player:
    """Follows the status with sound and light until cancelled.

    ``sounding`` is what is heard just now, ``trouble`` why nothing can be; ``complain`` is
    told whenever the latter changes.
    """

    def __init__(
        self, sounder: Sounder, *, clock: Clock, complain: Callable[[str | None], None] | None = None
    ) -> None:
        self._sounder = sounder
        self._complain = complain
        self._clock = clock
        self._duty = SoundDuty()
        self._to_sound, self._to_shine = asyncio.Event(), asyncio.Event()
        """Something may be due: a status came, a sound began or has ended, or its moment is here."""
        self.sounding: Signal | None = None
        self.trouble: str | None = None

    def hear(self, status: RunStatus, *, retained: bool) -> None:
        """Take a status as it arrives."""
        self._duty.hear(status, now_s=self._clock.monotonic(), retained=retained)
        self._stir()

    async def run(self) -> None:
        """Play for ever; silent and dark when cancelled."""
        try:
            async with asyncio.TaskGroup() as tasks:
                tasks.create_task(self._sound(), name="sound")
                tasks.create_task(self._shine(), name="lamp")
                tasks.create_task(self._look(), name="look")
        finally:
            self._light(lit=False)

    def _stir(self) -> None:
        self._to_sound.set()
        self._to_shine.set()

    async def _look(self) -> None:
        while True:
            now_s = self._clock.monotonic()
            await self._clock.sleep(min(self._duty.next_s(now_s) - now_s, LOOK_S))
            self._stir()

    async def _sound(self) -> None:
        while True:
            self._to_sound.clear()
            now_s = self._clock.monotonic()
            signal = self._duty.due(now_s)
            if signal is None:
                await self._to_sound.wait()
                continue
            self._duty.begin(signal, now_s=now_s)
            await self._play(signal)

    async def _play(self, signal: Signal) -> None:
        """Sound ``signal`` once, or until it must give way."""
        self.sounding = signal
        playing = asyncio.create_task(self._sounder.play(PATTERNS[signal]), name=f"{signal} sound")
        playing.add_done_callback(lambda _: self._stir())
        self._to_shine.set()
        try:
            while not playing.done():
                await self._to_sound.wait()
                self._to_sound.clear()
                if self._duty.must_stop(signal, now_s=self._clock.monotonic()):
                    playing.cancel()
        finally:
            playing.cancel()
            await asyncio.wait((playing,))
            self.sounding = None
        if not playing.cancelled():
            self._note(playing.exception())

    async def _shine(self) -> None:
        """Flash while something sounds or is in force; a flash begun is finished, so none is too fast."""
        while True:
            self._to_shine.clear()
            now_s = self._clock.monotonic()
            signal = self._duty.alarm(now_s) or self.sounding
            if signal is None:
                self._light(lit=self._duty.lamp_steady(now_s))
                await self._to_shine.wait()
                continue
            flash = PATTERNS[signal].flash
            self._light(lit=True)
            await self._clock.sleep(flash.lit_s)
            self._light(lit=False)
            await self._clock.sleep(flash.dark_s)

    def _light(self, *, lit: bool) -> None:
        try:
            self._sounder.light(lit=lit)
        except SounderFailed as error:
            self._note(error)

    def _note(self, error: BaseException | None) -> None:
        """Keep and log what the sounder's output says of itself, once per change."""
        if error is not None and not isinstance(error, SounderFailed):
            raise error
        trouble = None if error is None else str(error)
        if trouble is not None and trouble != self.trouble:
            log.error("%s", trouble)
        elif trouble is None and self.trouble is not None:
            log.warning("the alarm output works again")
        if trouble != self.trouble and self._complain is not None:
            self._complain(trouble)
        self.trouble = trouble
