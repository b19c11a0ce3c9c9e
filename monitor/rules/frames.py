"""What fills the frames: how much syrup until the cakes of both papers meet, and how surely.

Two witnesses are weighed by their errors: the last cake reading (``full_volume``), and the
usual dose of filter aid, which the trade's own bounds confine (half a cup to a cup a gallon,
45 g a cup, 250-350 kg of dry cake a cubic metre: common practice and design sheets). Their
logarithms are taken as normal, so the weighed mean is the mean of logarithms by precision.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from monitor.rules.thresholds import Press

READING_ERROR = 0.13
"""Error of a last cake reading, as a share: cakes are judged by eye and doses vary."""

USUAL_SYRUP_PER_ROOM = 33.0
"""Litres of syrup that fill a litre of frame: 300 kg/m3 of cake / 9 kg of dry solids per m3
of syrup (three quarters of a cup of 45 g a gallon)."""

USUAL_ERROR = 0.27
"""Error of that, as a share: a cup may weigh 35-60 g and the dose is half a cup to a cup."""

END_FILL = 0.96
"""Fill at which a run ends: the cakes meet in some frames before others (judgement)."""


@dataclass(frozen=True, slots=True)
class FullVolume:
    """Syrup that fills the frames: middle [L] and its error as a share."""

    middle_l: float
    error: float
    by_reading: bool


def full_volume(press: Press) -> FullVolume:
    """Return how much syrup fills the frames of ``press``."""
    usual_l = USUAL_SYRUP_PER_ROOM * press.frame_volume_l
    reading_l = press.full_volume_l
    if reading_l is None or not math.isfinite(reading_l) or reading_l <= 0.0:
        return FullVolume(usual_l, USUAL_ERROR, by_reading=False)
    by_reading, by_usage = READING_ERROR**-2, USUAL_ERROR**-2
    trust = by_reading / (by_reading + by_usage)
    # A reading far from any usual dose is a press that the usual dose does not describe.
    strange = math.log(reading_l / usual_l) / math.hypot(READING_ERROR, USUAL_ERROR)
    if abs(strange) > 3.0:
        return FullVolume(reading_l, READING_ERROR, by_reading=True)
    middle = trust * math.log(reading_l) + (1.0 - trust) * math.log(usual_l)
    return FullVolume(math.exp(middle), (by_reading + by_usage) ** -0.5, by_reading=True)
