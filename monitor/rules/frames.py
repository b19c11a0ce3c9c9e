"""What fills the frames: how much syrup until the cakes of both papers meet, and how surely.

Three witnesses are weighed by their errors, logarithms taken as normal: the last cake reading
(``full_volume``); the usual dose of filter aid, which the trade's own bounds confine (half a
cup to a cup a gallon, 45 g a cup, 250-350 kg of dry cake a cubic metre: common practice and
design sheets); and, weakly, how fast the resistance grows, since sand both tightens the cake
and fills it.
"""

from __future__ import annotations

import math

from monitor.contract.record import record
from monitor.rules.thresholds import Press

READING_ERROR = 0.14
"""Error of a last cake reading, as a share: cakes are judged by eye and doses vary."""

USUAL_SYRUP_PER_ROOM = 32.0
"""Litres of syrup that fill a litre of frame: 300 kg/m3 of cake / 9.4 kg of dry solids per m3
of syrup (three quarters of a cup of 45 g a gallon, and some sand)."""

USUAL_ERROR = 0.24
"""Error of that, as a share: the dose is half a cup to a cup, and what is usual at one place is
not at another."""

USUAL_GROWTH_PER_M2 = 1.3e12
"""alpha c that goes with the usual dose and some sand (from invented runs, so a judgement)."""

GROWTH_EXPONENT = 0.1
"""Solids go with this power of alpha c: most of its spread is how tight the cake is, not how
much of it there is (0.04, 0.12 and 0.14 fitted to invented runs of three simulations)."""

GROWTH_REACH = 0.2
"""Largest change of the usual solids by the growth, as a share: a sevenfold growth either way."""

STRANGE = 3.0
"""A reading this many errors from any usual dose is a press the usual dose does not describe."""

END_FILL = 0.96
"""Fill at which a run ends: the cakes meet in some frames before others (judgement)."""

_BY_READING, _BY_USAGE = READING_ERROR**-2, USUAL_ERROR**-2
_TRUST = _BY_READING / (_BY_READING + _BY_USAGE)
"""Weights of the two witnesses, and the share of a reading's."""


@record(frozen=True, slots=True)
class FullVolume:
    """Syrup that fills the frames: middle [L] and its error as a share."""

    middle_l: float
    error: float
    by_reading: bool


def full_volume(press: Press, *, growth_per_m2: float | None = None) -> FullVolume:
    """Return how much syrup fills the frames of ``press``.

    ``growth_per_m2`` is alpha c of the run so far [1/m2] at the cut-off pressure, null while
    it is unknown.
    """
    usual = math.log(USUAL_SYRUP_PER_ROOM * press.frame_volume_l) - _more_solids(growth_per_m2)
    reading_l = press.full_volume_l
    if reading_l is None or not math.isfinite(reading_l) or reading_l <= 0.0:
        return FullVolume(math.exp(usual), USUAL_ERROR, by_reading=False)
    reading = math.log(reading_l)
    if abs(reading - usual) > STRANGE * math.hypot(READING_ERROR, USUAL_ERROR):
        return FullVolume(reading_l, READING_ERROR, by_reading=True)
    middle = _TRUST * reading + (1.0 - _TRUST) * usual
    return FullVolume(math.exp(middle), (_BY_READING + _BY_USAGE) ** -0.5, by_reading=True)


def _more_solids(growth_per_m2: float | None) -> float:
    if growth_per_m2 is None or not growth_per_m2 > 0.0:
        return 0.0
    change = GROWTH_EXPONENT * math.log(growth_per_m2 / USUAL_GROWTH_PER_M2)
    return min(max(change, -GROWTH_REACH), GROWTH_REACH)
