"""The four sounds as a table that the page's script plays; served as JSON.

Times in seconds, frequencies in hertz. The same signals as the board's sounder gives, so that
one ear learns four sounds (at most four, 500-1500 Hz, told apart in the first half second:
MIL-STD-1472E 5.3). MONITOR SILENT is played when the status stops during a run.
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.names import Signal


@dataclass(frozen=True, slots=True)
class Pulse:
    """One tone and the pause after it."""

    hz: float
    on_s: float
    off_s: float


@dataclass(frozen=True, slots=True)
class Pattern:
    """Pulses in order; played again every ``every_s``, null for once."""

    pulses: tuple[Pulse, ...]
    every_s: float | None


PATTERNS: dict[Signal, Pattern] = {
    Signal.HIGH: Pattern(tuple(Pulse(hz, 0.150, 0.100) for hz in (800, 1000, 800, 1000, 800)), 5.0),
    Signal.MEDIUM: Pattern(tuple(Pulse(650, 0.200, 0.200) for _ in range(3)), 15.0),
    Signal.PROMPT: Pattern((Pulse(500, 0.800, 0.0),), None),
    # Two joined notes that fall, as the board's own sounder has them.
    Signal.MONITOR_SILENT: Pattern((Pulse(1300, 0.4, 0.0), Pulse(700, 0.6, 0.0)), 4.0),
}
