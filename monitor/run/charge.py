"""How much filter aid: both limits of a set of papers against the dose, and where they cross.

Too little and the sand closes the papers (pressure limit), too much and the filter aid itself
fills the frames (frame limit). The syrup that one set passes has a maximum between.

Worked example. Five frames of 0.165 m x 0.165 m x 25.4 mm: papers A = 10 x 0.165^2 = 0.27225 m2,
room 5 x 0.165^2 x 0.0254 m3 = 3.4576 L. Three quarters of a 45 g cup a US gallon is
d = 33.75 g / 3.78541 L = 8.916 kg/m3; usual sand s = 3 kg/m3; papers Rm = 2e10 1/m; cake of
300 kg/m3; syrup of 66.9 Brix at 85 degC, mu = 9.561 mPa s; pace 14 L/min m2 x A = 3.8115 L/min.

1. Frames: V = 3.4576 L x 300 / (8.916 + 3) = 87.05 L; they end a set when 96 % full: 83.57 L.
2. Filter aid: alpha = 1/(9.869e-13 m2 x 300 kg/m3) = 3.378e9 m/kg; sand alone 2e12 m/kg.
3. Growth at 100 kPa: (8.916 sqrt(3.378e9) + 3 sqrt(2e12))^2 / 11.916 = 1.9028e12 1/m2.
4. At the cut-off, 80 psi = 551.58 kPa: x 5.5158^0.3 = x 1.6692, so 3.1761e12 1/m2.
5. Least flow: 1.5 x 15 % of the pace, 0.85759 L/min = 1.42931e-5 m3/s.
6. Resistance at which the cut-off drives only that: A dP/(mu Q) = 1.0989e12 1/m.
7. Pressure: V = (1.0989e12 - 2e10) x 0.27225 / 3.1761e12 = 0.09248 m3 = 92.5 L.
8. The frames are nearer: the middle of this set is 83.6 L (22 US gal) before errors are weighed.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from monitor.contract.errors import EntryRefused
from monitor.contract.names import Limit
from monitor.physics.filtration import Filtration, time_at_pressure, volume_at_flow
from monitor.physics.filtration import cake_factor as cake_factor_of
from monitor.physics.filtration import medium_factor as medium_factor_of
from monitor.rules.ending import HIGH_CHANCE, LOW_CHANCE, MIDDLE_CHANCE, Guess
from monitor.rules.frames import END_FILL
from monitor.run.cake_law import CakeLaw, full_volume_l, growth_per_m2
from monitor.run.learning import Learned

LEAST_DOSE_KG_M3, MOST_DOSE_KG_M3 = 0.6, 36.0
"""Doses that are looked at [kg/m3]: a twentieth of a cup to three cups a gallon."""

POINTS = 49
"""Doses of the drawn curve, evenly spaced in their logarithm."""

MARGIN = 1.25
"""A set gets its share through "with margin" when it is likely to pass this many times as much
(judgement: a quarter in hand)."""

MOST_SETS = 50
"""More sets than this is no batch for this press."""

COVER_KG_M2 = 0.5
"""Filter aid that covers the papers before it keeps sand open [kg/m2]: precoats are 0.5-1
(filter-aid practice, from memory)."""

SCATTER = 0.08
"""Change from batch to batch that no learning foretells, as a share (judgement)."""

NEARLY = 0.02
"""Chances of getting through that differ by less are alike, and the smaller dose is taken."""

SLOWEST = 1.5
"""A dose whose set takes this many times as long as the pump's pace would is too small, if another
gets through: hot syrup does not wait (judgement)."""

SEARCH = 60
"""Steps of a search in the dose: they leave less than 1e-6 of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PressNow:
    """The press before the run: papers, room, pressure, pace.

    Attributes:
        area_m2: papers [m2].
        room_l: window frames [L].
        clean_per_m: resistance of papers and fittings [1/m].
        start_pa: pressure at the start [Pa].
        cutoff_pa: pressure at which a set ends [Pa].
        viscosity_pa_s: of the syrup as it is filtered [Pa s].
        pace_m3_s: flow on clean hot papers [m3/s].
        least_m3_s: flow under which it is no use going on [m3/s].
    """

    area_m2: float
    room_l: float
    clean_per_m: float
    start_pa: float
    cutoff_pa: float
    viscosity_pa_s: float
    pace_m3_s: float
    least_m3_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DosePoint:
    """One dose [kg/m3] and the syrup that one set passes with it [L]."""

    dose_kg_m3: float
    pressure_l: float
    """Where the pressure limit lies."""
    frames_l: float
    """Where the frame limit lies."""
    capacity_l: float
    """The nearer of the two with their errors weighed: as likely more as less."""
    low_l: float
    """Nine chances in ten of more."""
    high_l: float
    """One chance in ten of more."""
    limit: Limit
    chance: float
    """Chance that this set's share gets through."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Charge:
    """The charge of a batch: how many sets, how much a set, and the curve it was read from."""

    sets: int
    share_l: float
    """Syrup for each set."""
    taken: DosePoint
    """The dose to take."""
    best: DosePoint
    """The dose at which one set passes the most syrup."""
    through_from_kg_m3: float
    """Least dose that gets the share through with margin."""
    through_to_kg_m3: float
    """Most dose that does."""
    covers: bool
    """True where covering the papers asked for more than getting through."""
    curve: tuple[DosePoint, ...]

    @property
    def aid_per_set_kg(self) -> float:
        """Filter aid of each set [kg]."""
        return self.taken.dose_kg_m3 * self.share_l / 1000.0

    @property
    def aid_kg(self) -> float:
        """Filter aid of the batch [kg]."""
        return self.sets * self.aid_per_set_kg


def dose_point(dose_kg_m3: float, *, press: PressNow, known: Learned, share_l: float) -> DosePoint:
    """Return both limits at a dose and the chance that ``share_l`` gets through."""

    def frames(law: CakeLaw) -> float:
        return END_FILL * full_volume_l(law, dose_kg_m3=dose_kg_m3, room_l=press.room_l)

    def pressure(law: CakeLaw) -> float:
        return max(_pressure_limit_l(law, dose_kg_m3, press), 1e-9)

    frames_guess, pressure_guess = (_guess(known, limit) for limit in (frames, pressure))
    low_l, middle_l, high_l = (
        _passed_l(chance, frames_guess, pressure_guess) for chance in (LOW_CHANCE, MIDDLE_CHANCE, HIGH_CHANCE)
    )
    return DosePoint(
        dose_kg_m3=dose_kg_m3,
        pressure_l=pressure_guess.middle_l,
        frames_l=frames_guess.middle_l,
        capacity_l=middle_l,
        low_l=low_l,
        high_l=high_l,
        limit=Limit.PRESSURE if pressure_guess.middle_l < frames_guess.middle_l else Limit.FRAMES,
        chance=frames_guess.beyond(share_l) * pressure_guess.beyond(share_l),
    )


def charge_of(batch_l: float, *, press: PressNow, known: Learned) -> Charge:
    """Return the charge for a batch; raise :class:`EntryRefused` where no number of sets would do.

    Args:
        batch_l: syrup of the batch [L].
        press: the press before the run.
        known: what is known of sand and cake.
    """
    best = dose_point(_best_dose(press, known), press=press, known=known, share_l=batch_l)
    sets = _sets(batch_l, best.capacity_l)
    share_l = batch_l / sets

    def point(dose: float) -> DosePoint:
        return dose_point(dose, press=press, known=known, share_l=share_l)

    best = point(best.dose_kg_m3)
    low, high = _through(point, best, wanted_l=MARGIN * share_l)

    def slow(dose: float) -> bool:
        time_s = passing_s(share_l, dose_kg_m3=dose, law=known.law, press=press)
        return time_s > SLOWEST * share_l / 1000.0 / press.pace_m3_s

    taken = _surest([point(dose) for dose in _doses(low, high)], slow=slow)
    cover = point(1000.0 * COVER_KG_M2 * press.area_m2 / share_l)
    covers = cover.dose_kg_m3 > taken.dose_kg_m3 and cover.capacity_l >= MARGIN * share_l
    return Charge(
        sets=sets,
        share_l=share_l,
        taken=cover if covers else taken,
        best=best,
        through_from_kg_m3=low,
        through_to_kg_m3=high,
        covers=covers,
        curve=tuple(point(dose) for dose in _doses(LEAST_DOSE_KG_M3, MOST_DOSE_KG_M3)),
    )


def end_pressure_pa(volume_l: float, *, growth: Callable[[float], float], press: PressNow) -> float:
    """Return the pressure that keeps the pump's pace after ``volume_l`` [Pa], at most the cut-off.

    ``growth`` gives alpha c at a pressure; the pressure is where dP = mu Q / A (Rm + alpha c V / A).
    """
    per_m = press.viscosity_pa_s * press.pace_m3_s / press.area_m2

    def needed(pressure_pa: float) -> float:
        return per_m * (press.clean_per_m + growth(pressure_pa) * volume_l / 1000.0 / press.area_m2)

    low, high = press.start_pa, press.cutoff_pa
    if needed(low) <= low:
        return low
    if needed(high) >= high:
        return high
    for _ in range(SEARCH):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if needed(middle) > middle else (low, middle)
    return 0.5 * (low + high)


def passing_s(volume_l: float, *, dose_kg_m3: float, law: CakeLaw, press: PressNow) -> float:
    """Return how long ``volume_l`` takes: at the pump's pace, from the cut-off on at that pressure [s]."""
    filtration = _filtration(law, dose_kg_m3, press)
    volume_m3 = volume_l / 1000.0
    switch_m3 = volume_at_flow(filtration, pressure_pa=press.cutoff_pa, flow_m3_s=press.pace_m3_s)
    if volume_m3 <= switch_m3:
        return volume_m3 / press.pace_m3_s
    return time_at_pressure(
        volume_m3,
        kp_s_m6=cake_factor_of(filtration, pressure_pa=press.cutoff_pa),
        b_s_m3=medium_factor_of(filtration, pressure_pa=press.cutoff_pa),
        switch_volume_m3=switch_m3,
        switch_time_s=switch_m3 / press.pace_m3_s,
    )


def _pressure_limit_l(law: CakeLaw, dose_kg_m3: float, press: PressNow) -> float:
    filtration = _filtration(law, dose_kg_m3, press)
    return 1000.0 * volume_at_flow(filtration, pressure_pa=press.cutoff_pa, flow_m3_s=press.least_m3_s)


def _filtration(law: CakeLaw, dose_kg_m3: float, press: PressNow) -> Filtration:
    """Return the cake at the cut-off pressure."""
    solids = dose_kg_m3 + law.sand_kg_m3
    growth = growth_per_m2(law, dose_kg_m3=dose_kg_m3, pressure_pa=press.cutoff_pa)
    return Filtration(
        area_m2=press.area_m2,
        viscosity_pa_s=press.viscosity_pa_s,
        alpha_m_kg=growth / solids,
        solids_kg_m3=solids,
        medium_per_m=press.clean_per_m,
    )


def _guess(known: Learned, limit: Callable[[CakeLaw], float]) -> Guess:
    middle_l, error = known.guess(limit)
    return Guess(middle_l, math.hypot(error, SCATTER))


def _passed_l(chance: float, frames: Guess, pressure: Guess) -> float:
    """Return the volume that both limits lie beyond with this chance [L].

    It lies under the nearer middle times e^(3 errors), where one chance alone is under one in a
    hundred, and over it divided by e^(6 errors).
    """
    nearer_l = min(frames.middle_l, pressure.middle_l)
    error = max(frames.error, pressure.error)
    low_l, high_l = nearer_l * math.exp(-6.0 * error), nearer_l * math.exp(3.0 * error)
    for _ in range(SEARCH // 2):
        middle_l = math.sqrt(low_l * high_l)
        going = frames.beyond(middle_l) * pressure.beyond(middle_l) > chance
        low_l, high_l = (middle_l, high_l) if going else (low_l, middle_l)
    return math.sqrt(low_l * high_l)


def _sets(batch_l: float, capacity_l: float) -> int:
    needed = MARGIN * batch_l / capacity_l if capacity_l > 0.0 else math.inf
    if needed > MOST_SETS:
        raise EntryRefused(
            f"this batch would need over {MOST_SETS} sets of papers: "
            "check batch, frames, pump's pace and cut-off pressure"
        )
    return max(1, math.ceil(needed - 1e-9))


def _doses(low: float, high: float) -> tuple[float, ...]:
    ratio = math.log(high / low) / (POINTS - 1)
    return tuple(low * math.exp(ratio * place) for place in range(POINTS))


def _best_dose(press: PressNow, known: Learned) -> float:
    """Return the dose of the most syrup: the best of the drawn ones, then sought between its neighbours."""

    def capacity(dose: float) -> float:
        return dose_point(dose, press=press, known=known, share_l=1.0).capacity_l

    doses = _doses(LEAST_DOSE_KG_M3, MOST_DOSE_KG_M3)
    place = max(range(POINTS), key=lambda index: capacity(doses[index]))
    low, high = doses[max(0, place - 1)], doses[min(POINTS - 1, place + 1)]
    for _ in range(SEARCH // 2):
        third = (high / low) ** (1.0 / 3.0)
        low, high = (
            (low * third, high) if capacity(low * third) < capacity(high / third) else (low, high / third)
        )
    return math.sqrt(low * high)


def _through(point: Callable[[float], DosePoint], best: DosePoint, *, wanted_l: float) -> tuple[float, float]:
    """Return the least and the most dose whose set is likely to pass ``wanted_l``."""

    def edge(outer: float) -> float:
        inner = best.dose_kg_m3
        if point(outer).capacity_l >= wanted_l:
            return outer
        for _ in range(SEARCH // 2):
            middle = math.sqrt(inner * outer)
            inner, outer = (middle, outer) if point(middle).capacity_l >= wanted_l else (inner, middle)
        return inner

    return edge(LEAST_DOSE_KG_M3), edge(MOST_DOSE_KG_M3)


def _surest(points: list[DosePoint], *, slow: Callable[[float], bool]) -> DosePoint:
    """Return the least dose that is nearly as sure as any, among those that are not slow if there are any."""
    brisk = [candidate for candidate in points if not slow(candidate.dose_kg_m3)] or points
    surest = max(candidate.chance for candidate in brisk)
    return next(candidate for candidate in brisk if candidate.chance >= surest - NEARLY)
