"""Telling a true 85.0 degC from a DS18B20's power-on value. Pure; one judge per chip.

A power-on reset loads 85 degC, which is 185 degF and the middle of the bottling window.
Two signs tell them apart:

- byte 6 of a genuine chip is 0x10 after a true 85.0 and 0x0C after a reset; common clones
  always show 0x0C (from published comparisons of chips; not tried on a chip by us);
- a marker written into the alarm registers TH and TL, which live in RAM: a reset puts the
  stored values back, and the same line that shows 85.0 shows that the marker is gone.

Where the alarm registers have proved closed, a clone's 85.0 is believed only beside another
value within 2 degC in the last 3 s. One 85.0 never vouches for the next.
"""

from __future__ import annotations

from typing import Final

from hardware.scratchpad import POWER_ON_COUNT, Scratchpad, range_complaint

GENUINE_TRUE_85: Final = 0x10
"""Byte 6 of a genuine chip that measured 85.0: 0x10 less the register's low nibble."""
NEIGHBOUR_C = 2.0
"""How near the last other value must be (requirement; 2 degC in 3 s outruns any real ramp)."""
NEIGHBOUR_AGE_S = 3.0
"""How old that value may be (requirement)."""
MARKERS: Final = ((124, -54), (123, -53))
"""TH and TL [degC] to choose from: inside the driver's -55 to 125, far from any stored pair met."""
MARKER_TRIES = 5
"""Writes without effect after which the alarm registers count as closed to us."""


class PowerOnJudge:
    """Decides for each 85.0 whether it was measured."""

    def __init__(self) -> None:
        self._marker: tuple[int, int] | None = None
        self._tries = 0
        self._tried_on: int | None = None
        """Temperature register that was there when the marker was last written."""
        self._shown = False
        self._proven = False
        self._neighbour: tuple[float, float] | None = None

    def marker_due(self, pad: Scratchpad) -> tuple[int, int] | None:
        """Return (TH, TL) to write now because ``pad`` lacks the marker, or None."""
        present = (pad.high_alarm_c, pad.low_alarm_c)
        if self._marker is None:
            # Whatever the chip holds now may be what a reset would bring back.
            self._marker = next(marker for marker in MARKERS if marker != present)
        if present == self._marker or (self._tries >= MARKER_TRIES and not self._shown):
            return None
        # A power-on value may just have wiped what was written, and a value that never moves may be
        # a stuck bus: neither proves that writes are in vain.
        self._tries += pad.count not in (POWER_ON_COUNT, self._tried_on)
        self._tried_on = pad.count
        return self._marker

    def believes(self, pad: Scratchpad, *, now_s: float) -> bool:
        """Return whether the temperature of ``pad`` was measured; to be asked for every reading."""
        marked = (pad.high_alarm_c, pad.low_alarm_c) == self._marker
        self._shown = self._shown or marked
        self._proven = self._proven and marked
        if pad.count != POWER_ON_COUNT:
            if range_complaint(pad) is None:
                self._proven = marked
                self._neighbour = (pad.temperature_c, now_s)
            return True
        if pad.reserved == GENUINE_TRUE_85:
            return True
        # Before the marker was seen or given up, a reset cannot be told: a neighbour is no proof then.
        closed = self._tries >= MARKER_TRIES and not self._shown
        return self._has_neighbour(pad, now_s=now_s) if closed else self._proven

    def _has_neighbour(self, pad: Scratchpad, *, now_s: float) -> bool:
        if self._neighbour is None:
            return False
        temperature_c, read_s = self._neighbour
        near = abs(temperature_c - pad.temperature_c) <= NEIGHBOUR_C
        return near and now_s - read_s <= NEIGHBOUR_AGE_S
