"""The four sounds and their light, as data. Common to every sounder.

After MIL-STD-1472E 5.3: at most four signals, told apart within their first half second,
each at least half a second long, 500-1500 Hz. The lamp never flashes more than twice a
second (WCAG 2.3.1 allows three).
"""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.names import Signal


@dataclass(frozen=True, slots=True)
class Step:
    """A tone, or silence where ``frequency_hz`` is null, for ``seconds``."""

    frequency_hz: float | None
    seconds: float


@dataclass(frozen=True, slots=True)
class Flash:
    """How the lamp goes while a signal is in force: lit, dark, again [s]."""

    lit_s: float
    dark_s: float


@dataclass(frozen=True, slots=True)
class Pattern:
    """One signal: its steps, how often it begins anew (null: it sounds once), and its light."""

    signal: Signal
    steps: tuple[Step, ...]
    period_s: float | None
    flash: Flash

    @property
    def seconds(self) -> float:
        """Length of one sounding [s]."""
        return sum(step.seconds for step in self.steps)


_GAP = Step(None, 0.1)

PATTERNS: dict[Signal, Pattern] = {
    pattern.signal: pattern
    for pattern in (
        Pattern(
            Signal.HIGH,
            (
                Step(800.0, 0.15),
                _GAP,
                Step(1000.0, 0.15),
                _GAP,
                Step(800.0, 0.15),
                _GAP,
                Step(1000.0, 0.15),
                _GAP,
                Step(800.0, 0.15),
            ),
            period_s=5.0,
            flash=Flash(0.3, 0.3),
        ),
        Pattern(
            Signal.MEDIUM,
            (Step(650.0, 0.2), Step(None, 0.2), Step(650.0, 0.2), Step(None, 0.2), Step(650.0, 0.2)),
            period_s=15.0,
            flash=Flash(0.5, 0.5),
        ),
        Pattern(Signal.PROMPT, (Step(500.0, 0.8),), period_s=None, flash=Flash(0.8, 0.2)),
        Pattern(
            # Two joined notes that fall: no gap, so it cannot be taken for a pulse of the others.
            Signal.MONITOR_SILENT,
            (Step(1300.0, 0.4), Step(700.0, 0.6)),
            period_s=4.0,
            flash=Flash(1.0, 1.0),
        ),
    )
}
"""Every signal's pattern. Rhythms of HIGH, MEDIUM and PROMPT: requirement of this project."""
