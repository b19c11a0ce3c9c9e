"""What earlier runs, cakes and probe checks put into the rules in force; the owner's word comes first.

A figure of the settings file stands wherever it is given: ``press.full_volume`` and a point's
``tolerance``. Only in its absence does what was learned count.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from monitor.contract.entries import ChargeArgs, ProbeFound, Sand
from monitor.contract.readings import Point
from monitor.rules.charging import PlanRules
from monitor.rules.thresholds import PointTuning, Press, RunRules
from monitor.run.cake_law import full_volume_l
from monitor.run.learning import USUAL_DOSE_KG_M3, Learned, expecting, learned
from monitor.run.press_record import RunEntry
from monitor.run.probe_check import tolerance_now_c


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """All that the records teach: the runs, what follows from them, the newest check of each point."""

    known: Learned
    dose_kg_m3: float | None = None
    """Of the last run whose charge was noted."""
    checks: Mapping[Point, ProbeFound] = field(default_factory=dict)


def lesson_of(runs: tuple[RunEntry, ...], *, owner: PlanRules, checks: Mapping[Point, ProbeFound]) -> Lesson:
    """Return what ``runs``, oldest first, and the newest probe ``checks`` teach."""
    doses = [entry.dose_kg_m3 for entry in runs if entry.dose_kg_m3 is not None]
    return Lesson(
        known=learned(runs, owner=owner), dose_kg_m3=doses[-1] if doses else None, checks=dict(checks)
    )


def taught(rules: RunRules, *, lesson: Lesson, owner: PlanRules, charge: ChargeArgs | None) -> RunRules:
    """Return ``rules`` of the settings with what was learned for the run that is open or comes next.

    Args:
        rules: as the settings say.
        lesson: what the records teach.
        owner: what the owner says of filter aid and sand.
        charge: of the open or the next run; null where nobody entered it: then the last noted dose
            counts, else three quarters of a cup a gallon.
    """
    points = {point: _tuned(tuning, lesson.checks.get(point)) for point, tuning in rules.points.items()}
    return replace(
        rules, press=_taught_press(rules.press, lesson=lesson, owner=owner, charge=charge), points=points
    )


def dose_of(charge: ChargeArgs) -> float | None:
    """Return the filter aid per volume of syrup [kg/m3]; null where it was not weighed, or cannot be so."""
    if charge.aid_kg is None or charge.aid_kg < 0.0 or charge.volume_l <= 0.0:
        return None
    return 1000.0 * charge.aid_kg / charge.volume_l


def _taught_press(press: Press, *, lesson: Lesson, owner: PlanRules, charge: ChargeArgs | None) -> Press:
    known = lesson.known
    press = replace(press, clean_resistance_per_m=known.clean_per_m or press.clean_resistance_per_m)
    if press.full_volume_l is not None or known.runs == 0:
        return press
    sand = owner.sand if charge is None or charge.sand is None else charge.sand
    law = expecting(known, sand=sand or Sand.LEARNED, owner=owner).law
    dose = lesson.dose_kg_m3 if charge is None else dose_of(charge)
    full_l = full_volume_l(
        law, dose_kg_m3=USUAL_DOSE_KG_M3 if dose is None else dose, room_l=press.frame_volume_l
    )
    return replace(press, full_volume_l=full_l)


def _tuned(tuning: PointTuning, found: ProbeFound | None) -> PointTuning:
    if tuning.tolerance is not None or found is None:
        return tuning
    return replace(tuning, tolerance=tolerance_now_c(found, tuning=tuning))
