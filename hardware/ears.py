"""Several finders that hear one line together: which is surest, and what the others saw."""

from __future__ import annotations

from hardware.pulsation import LAGS_S, SHARP_WIDTHS_S, WIDTHS_S, DipFinder
from hardware.pulse import SURE, Pulse

STAY = 1.3
"""How much better another finder must be to take over the counting, unless its dips are as
sure as can be: a broad smoothing that was first must not keep a hand's short strokes hidden."""
DEEPER = 1.15
"""How much deeper dips must be to overrule the pace of others."""
SAME_PACE = (0.75, 1.33)
"""Ratio of two periods that are one pace."""
OTHER_PACE = (0.67, 1.5)
"""Ratio of two periods outside which they are two paces."""
BETWEEN = 0.6
"""Share of a period that a stroke seen by another finder keeps from its neighbours."""
GAP = 1.6
"""Periods without a stroke that make another finder be asked."""
SHALLOW = 0.5
"""Share of the deepest dips that even ones must have: less, and they are details of a dip."""
LOOKS = 10
"""How often at least a smoothing is looked at within its width."""
EVEN_WIDTH = 0.6
"""Width of an even smoothing in lags: broad against noise, and a sine still passes at 86 %."""


class Ears:
    """The finders of every smoothing that ``sample_hz`` can tell apart."""

    def __init__(self, *, sample_hz: float) -> None:
        plain = {(max(1, round(sample_hz * width)), 0) for width in WIDTHS_S}
        lags = {max(1, round(sample_hz * lag)) for lag in LAGS_S}
        even = {(max(1, round(EVEN_WIDTH * lag)), lag) for lag in lags}
        sharp = sorted({max(1, round(sample_hz * width)) for width in SHARP_WIDTHS_S})
        self.finders = [DipFinder(width, lag=lag) for width, lag in sorted(plain | even)]
        self.finders += [DipFinder(width, strict=True) for width in sharp]
        self.reach = max(finder.width + 2 * finder.lag for finder in self.finders)

    def turns(self) -> list[tuple[int, list[tuple[DipFinder, int, float, int]]]]:
        """Return the finders with width, its inverse and lag, by how many samples apart they look."""
        groups: dict[int, list[tuple[DipFinder, int, float, int]]] = {}
        for finder in self.finders:
            every = 1 << max(0, (finder.width // LOOKS).bit_length() - 1)
            groups.setdefault(every, []).append((finder, finder.width, 1.0 / finder.width, finder.lag))
        return sorted(groups.items())

    def best(self, *, active: DipFinder | None) -> DipFinder | None:
        """Return the finder whose dips are surest; where paces differ, the deepest dips are right."""
        deepest_kpa = max((finder.deepest_kpa for finder in self.finders if not finder.lag), default=0.0)
        able = [
            (finder, finder.pulse)
            for finder in self.finders
            if finder.trusted
            and finder.pulse
            and (not finder.lag or finder.pulse.line_kpa > SHALLOW * deepest_kpa)
        ]
        if not able:
            return None
        deepest = max((pulse for _, pulse in able), key=lambda pulse: pulse.line_kpa)
        best, most = None, 0.0
        for finder, pulse in able:
            score = min(SURE, pulse.quality * (STAY if finder is active else 1.0))
            if score > most and not _overruled(pulse, by=deepest):
                best, most = finder, score
        return best

    def of_one_pace(self, pulse: Pulse) -> list[DipFinder]:
        """Return the trusted finders that hear strokes as often as ``pulse`` says."""
        low, high = SAME_PACE
        return [
            finder
            for finder in self.finders
            if finder.trusted and finder.pulse and low < finder.pulse.period / pulse.period < high
        ]

    def missed(self, pulse: Pulse, *, after: float, before: float) -> int:
        """Return how many strokes another finder saw where the counting one saw none, as on a ramp."""
        apart, most = BETWEEN * pulse.period, 0
        for finder in self.of_one_pace(pulse):
            last, found = after, 0
            for bottom in finder.bottoms:
                middle = finder.middle(bottom)
                if middle - last > apart and before - middle > apart:
                    last, found = middle, found + 1
            most = max(most, found)
        return most


def _overruled(pulse: Pulse, *, by: Pulse) -> bool:
    """Tell whether deeper dips at another pace make these a part, or a beat, of them."""
    if by.line_kpa < DEEPER * pulse.line_kpa:
        return False
    often, rarely = OTHER_PACE
    pace = pulse.period / by.period
    return pace > rarely or (pulse.lag > 0 and pace < often)
