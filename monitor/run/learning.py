"""What the runs of this press have taught of its sand and its cake, with how surely.

Four numbers are learned, as logarithms taken as normal: the sugar sand s, the resistance of that
sand alone, the density of the cake, and how fast filter aid opens the sand (n of
:mod:`monitor.run.cake_law`). A run tells two things of them: how much cake its syrup left
(volume, dose and the opened cakes) and how the resistance grew (the trace). Between runs
sand and its resistance may wander. Each run is one step of an extended Kalman filter (Welch
and Bishop, *An Introduction to the Kalman Filter*, TR 95-041, from memory), worked out anew
from all entries each time, so that a corrected entry leaves no trace.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median

from monitor.contract.entries import Sand
from monitor.rules.charging import PlanRules
from monitor.run.cake_law import CakeLaw, aid_alpha_m_kg, growth_per_m2
from monitor.run.press_record import RunEntry

SAND, RESISTANCE, DENSITY, OPENING = range(4)
"""Places of the four numbers."""

SAND_ALPHA_M_KG = 2.0e12
"""Sand alone at 100 kPa [m/kg]: puts the best dose for usual sand inside the trade's half to one
cup a gallon on a small press (judgement)."""

SAND_ERROR, RESISTANCE_ERROR, DENSITY_ERROR, OPENING_ERROR = 0.4, 0.5, 0.15, 0.4
"""Errors before the first run, as shares: an owner's word on the sand, the range that a guess at
its resistance has, 250-350 kg/m3 of cake (design sheets), and a law that is an assumption."""

SAND_WANDER, RESISTANCE_WANDER = 0.2, 0.15
"""Change from one run to the next, as a share (judgement: a season goes from little to much)."""

DOSE_ERROR = 0.06
"""Error of a charge measured in cups, as a share (judgement)."""

UNKNOWN_DOSE_ERROR = 0.3
"""Error of a charge that nobody noted, taken as the usual three quarters of a cup a gallon."""

VOLUME_ERROR = 0.04
"""Error of a run's volume, as a share (judgement)."""

GROWTH_ERROR = 0.15
"""Error of a growth of resistance read from the trace, as a share (judgement)."""

STRANGE = 3.0
"""An entry this many errors from what was expected is weighed down and named."""

RECENT = 5
"""Runs whose pace and clean papers are taken."""

USUAL_DOSE_KG_M3 = 0.75 * 0.045 / 3.785411784e-3
"""Three quarters of a cup of 45 g a US gallon [kg/m3] (common practice, no source)."""

STEP = 1e-4
"""Step of the derivatives, in logarithms."""

Numbers = tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What is known now: logarithms of the four numbers, and what the last runs showed.

    ``spread`` is their covariance; ``doubted`` names the runs whose entries did not fit.
    """

    middle: Numbers
    spread: tuple[Numbers, ...]
    aid_alpha_m_kg: float
    runs: int = 0
    doubted: tuple[str, ...] = ()
    pace_l_min: float | None = None
    clean_per_m: float | None = None

    @property
    def law(self) -> CakeLaw:
        """The cake by what is known."""
        return _law(self.middle, self.aid_alpha_m_kg)

    @property
    def sand_error(self) -> float:
        """Error of the sand, as a share."""
        return math.sqrt(self.spread[SAND][SAND])

    @property
    def opening_error(self) -> float:
        """Error of n, as a share."""
        return math.sqrt(self.spread[OPENING][OPENING])

    def guess(self, quantity: Callable[[CakeLaw], float]) -> tuple[float, float]:
        """Return what ``quantity`` of the cake is likely to be and its error as a share."""

        def logarithm(numbers: Numbers) -> float:
            return math.log(quantity(_law(numbers, self.aid_alpha_m_kg)))

        slope = _slope(logarithm, self.middle)
        variance = _dot(slope, _times(self.spread, slope))
        return math.exp(logarithm(self.middle)), math.sqrt(max(variance, 0.0))


def unlearned(owner: PlanRules, *, sand: Sand) -> Learned:
    """Return what is known before any run: the owner's word and the defaults."""
    middle = (
        math.log(owner.sand_kg_m3(sand)),
        math.log(SAND_ALPHA_M_KG),
        math.log(owner.cake_kg_m3),
        0.0,
    )
    errors = (SAND_ERROR, RESISTANCE_ERROR, DENSITY_ERROR, OPENING_ERROR)
    return Learned(
        middle=middle,
        spread=_diagonal(errors),
        aid_alpha_m_kg=aid_alpha_m_kg(owner.aid_darcy, cake_kg_m3=owner.cake_kg_m3),
    )


def learned(entries: Sequence[RunEntry], *, owner: PlanRules) -> Learned:
    """Return what ``entries``, oldest first, have taught for the run after them.

    The first word on the sand is the owner's usual one; with no entries it is all there is.
    """
    known = unlearned(owner, sand=Sand.USUAL)
    for entry in entries:
        known = _wandered(_taught(known, entry))
    paces = [entry.hot_flow_l_min for entry in entries if entry.hot_flow_l_min][-RECENT:]
    cleans = [entry.clean_per_m for entry in entries if entry.clean_per_m][-RECENT:]
    return replace(
        known,
        pace_l_min=median(paces) if paces else None,
        clean_per_m=median(cleans) if cleans else None,
    )


def expecting(known: Learned, *, sand: Sand, owner: PlanRules) -> Learned:
    """Return ``known`` with the owner's word on this batch's sand in place of the learned one."""
    if sand is Sand.LEARNED:
        return known
    middle = (math.log(owner.sand_kg_m3(sand)), *known.middle[1:])
    alone = tuple(
        tuple(
            SAND_ERROR**2 if row == column == SAND else 0.0 if SAND in (row, column) else value
            for column, value in enumerate(line)
        )
        for row, line in enumerate(known.spread)
    )
    return replace(known, middle=middle, spread=alone)


def _taught(known: Learned, entry: RunEntry) -> Learned:
    """Return ``known`` after the run of ``entry``: first its cakes, then its trace."""
    dose = entry.dose_kg_m3 if entry.dose_kg_m3 is not None else USUAL_DOSE_KG_M3
    dose_error = DOSE_ERROR if entry.dose_kg_m3 is not None else UNKNOWN_DOSE_ERROR
    after, strange, told = known, False, False
    fill = entry.cake.full_share if entry.cake is not None else None
    if entry.cake is not None and fill and entry.volume_l:
        # Cake left by a litre of syrup: fill x room / V = (d + s) / rho.
        cake_l_l = fill * entry.room_l / entry.volume_l
        error = math.hypot(entry.cake.full_share_error, VOLUME_ERROR, dose_error)
        after, odd = _seen(after, _cake_per_litre(dose), math.log(cake_l_l), error=error)
        strange, told = strange or odd, True
    if entry.growth_per_m2 and entry.growth_per_m2 > 0.0:
        error = math.hypot(GROWTH_ERROR, dose_error)
        after, odd = _seen(after, _growth(dose, known), math.log(entry.growth_per_m2), error=error)
        strange, told = strange or odd, True
    doubted = (*after.doubted, entry.run) if strange else after.doubted
    return replace(after, runs=known.runs + told, doubted=doubted)


def _cake_per_litre(dose: float) -> Callable[[Numbers], float]:
    def logarithm(numbers: Numbers) -> float:
        return math.log(dose + math.exp(numbers[SAND])) - numbers[DENSITY]

    return logarithm


def _growth(dose: float, known: Learned) -> Callable[[Numbers], float]:
    def logarithm(numbers: Numbers) -> float:
        return math.log(growth_per_m2(_law(numbers, known.aid_alpha_m_kg), dose_kg_m3=dose))

    return logarithm


def _seen(
    known: Learned, model: Callable[[Numbers], float], seen: float, *, error: float
) -> tuple[Learned, bool]:
    """Return ``known`` after ``model`` was seen to be ``seen``, and whether that was strange."""
    slope = _slope(model, known.middle)
    along = _times(known.spread, slope)
    expected = _dot(slope, along)
    surprise = seen - model(known.middle)
    strange = surprise * surprise > STRANGE**2 * (expected + error * error)
    # A strange entry gets the error that makes it just not strange: it pulls, but not far.
    noise = surprise * surprise / STRANGE**2 - expected if strange else error * error
    gain = tuple(value / (expected + noise) for value in along)
    middle = tuple(value + weight * surprise for value, weight in zip(known.middle, gain, strict=True))
    spread = tuple(
        tuple(known.spread[row][column] - gain[row] * along[column] for column in range(len(gain)))
        for row in range(len(gain))
    )
    return replace(known, middle=middle, spread=spread), strange


def _wandered(known: Learned) -> Learned:
    wander = _diagonal((SAND_WANDER, RESISTANCE_WANDER, 0.0, 0.0))
    spread = tuple(
        tuple(a + b for a, b in zip(line, more, strict=True))
        for line, more in zip(known.spread, wander, strict=True)
    )
    return replace(known, spread=spread)


def _law(numbers: Numbers, aid_alpha: float) -> CakeLaw:
    sand, resistance, density, opening = (math.exp(number) for number in numbers)
    return CakeLaw(
        sand_kg_m3=sand,
        sand_alpha_m_kg=resistance,
        aid_alpha_m_kg=aid_alpha,
        cake_kg_m3=density,
        opening=opening,
    )


def _slope(model: Callable[[Numbers], float], at: Numbers) -> Numbers:
    def moved(place: int, by: float) -> Numbers:
        return tuple(value + by if index == place else value for index, value in enumerate(at))

    return tuple((model(moved(i, STEP)) - model(moved(i, -STEP))) / (2.0 * STEP) for i in range(len(at)))


def _diagonal(errors: Numbers) -> tuple[Numbers, ...]:
    size = range(len(errors))
    return tuple(tuple(errors[i] ** 2 if i == j else 0.0 for j in size) for i in size)


def _times(matrix: tuple[Numbers, ...], vector: Numbers) -> Numbers:
    return tuple(_dot(line, vector) for line in matrix)


def _dot(first: Iterable[float], second: Iterable[float]) -> float:
    return math.fsum(a * b for a, b in zip(first, second, strict=True))
