"""Which sound is due now: from the status as it is heard, and from its silence. Pure.

The alarm signal in force repeats at its pattern's period; a prompt sounds once and waits for
alarms. When status stops during an open run, the sounder's own watch says "monitor silent".
"""

from __future__ import annotations

import math
from typing import Final

from hardware.sound_patterns import PATTERNS
from monitor.contract.names import Signal
from monitor.contract.status import RunStatus

SILENT_AFTER_S = 10.0
"""Silence of the monitor during a run after which the sounder speaks for itself (requirement)."""
PROMPT_KEEPS_S = 10.0
"""How long a prompt waits behind an alarm before it is no news any more."""
ALARM_SIGNALS: Final = frozenset({Signal.HIGH, Signal.MEDIUM, Signal.MONITOR_SILENT})


class SoundDuty:
    """What has to sound, judged from the newest status and its age. Times are of one monotonic clock."""

    def __init__(self) -> None:
        self._status: RunStatus | None = None
        self._heard_s = 0.0
        self._fresh = False
        self._prompt_since_s: float | None = None
        self._begun: tuple[Signal, float] | None = None

    def hear(self, status: RunStatus, *, now_s: float, retained: bool) -> None:
        """Take a status. A ``retained`` one may be an hour old: it starts the watch and sounds nothing."""
        before, self._status = self._status, status
        if before is not None and (before.boot, before.seq) == (status.boot, status.seq):
            return
        self._heard_s = now_s
        grown = before is not None and self._fresh and status.prompts > before.prompts
        self._fresh = not retained
        if grown and not retained:
            self._prompt_since_s = now_s

    def alarm(self, now_s: float) -> Signal | None:
        """Return the alarm signal in force, or None."""
        if self._status is None:
            return None
        if now_s >= self._heard_s + SILENT_AFTER_S:
            return Signal.MONITOR_SILENT if self._status.run is not None else None
        return self._status.sound if self._fresh and self._status.sound in ALARM_SIGNALS else None

    def due(self, now_s: float) -> Signal | None:
        """Return the signal that must begin to sound now, or None."""
        alarm = self.alarm(now_s)
        if alarm is None:
            # The next alarm sounds at once, not at the pace of the one that has gone.
            self._begun = None
            return Signal.PROMPT if self._prompt_waits(now_s) else None
        if self._begun is None or self._begun[0] is not alarm:
            return alarm
        return alarm if now_s >= self._next_round_s() else None

    def next_s(self, now_s: float) -> float:
        """Return when, after ``now_s``, something may come due unheard: silence or the next round.

        The moments are the very sums that are compared with, so that none is a rounding early.
        """
        silent_s = math.inf if self._status is None else self._heard_s + SILENT_AFTER_S
        moments = (silent_s, self._next_round_s())
        return min((moment for moment in moments if moment > now_s), default=math.inf)

    def _next_round_s(self) -> float:
        """Return when the signal that sounded last begins its next round; infinite where it has none."""
        if self._begun is None:
            return math.inf
        signal, begun_s = self._begun
        return begun_s + (PATTERNS[signal].period_s or math.inf)

    def begin(self, signal: Signal, *, now_s: float) -> None:
        """Note that ``signal`` begins to sound."""
        if signal is Signal.PROMPT:
            self._prompt_since_s = None
        else:
            self._begun = (signal, now_s)

    def must_stop(self, signal: Signal, *, now_s: float) -> bool:
        """Return whether ``signal``, sounding, must give way: silenced, over, or outranked."""
        return self.alarm(now_s) is not (None if signal is Signal.PROMPT else signal)

    def lamp_steady(self, now_s: float) -> bool:
        """Return whether the lamp stays lit in silence: an alarm is there, silenced or not yet due."""
        status = self._status
        known = status is not None and self._fresh and now_s < self._heard_s + SILENT_AFTER_S
        return known and status is not None and any(alarm.active for alarm in status.alarms)

    def _prompt_waits(self, now_s: float) -> bool:
        return self._prompt_since_s is not None and now_s - self._prompt_since_s <= PROMPT_KEEPS_S
