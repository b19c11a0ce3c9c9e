"""What this press's own runs have taught the monitor, and how it bears on the rules.

Two figures only: litres a stroke, from a run whose true total a person entered, and the
resistance of clean papers and fittings, from how earlier runs began.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from monitor.rules.forecast import ForecastState
from monitor.rules.signatures import clean_resistance_per_m
from monitor.rules.thresholds import RunRules
from monitor.rules.volume import calibrated_displacement

LONGEST_MEMORY = 5
"""A clean start counts as one of this many at the least, so that old runs fade."""


@dataclass(frozen=True, slots=True, kw_only=True)
class PressMemory:
    """Figures of this press; null is not learned yet."""

    displacement_l: float | None = None
    set_displacement_l: float | None = None
    """The settings' figure that the learned one started from; another one makes it void."""
    clean_resistance_per_m: float | None = None
    clean_starts: int = 0


def in_force(rules: RunRules, memory: PressMemory) -> RunRules:
    """Return ``rules`` with what was learned in the place of what was set.

    A clean resistance that the rules have already was learned from the records, where a run that
    was taken out of them counts no more: it goes before the one remembered here.
    """
    if memory.displacement_l is not None and memory.set_displacement_l == rules.pump.displacement_l:
        rules = replace(rules, pump=replace(rules.pump, displacement_l=memory.displacement_l))
    if memory.clean_resistance_per_m is not None and rules.press.clean_resistance_per_m is None:
        press = replace(rules.press, clean_resistance_per_m=memory.clean_resistance_per_m)
        rules = replace(rules, press=press)
    return rules


def after_total(
    memory: PressMemory, track: ForecastState, *, total_l: float, rules: RunRules
) -> PressMemory | None:
    """Return what is known after a person gave the run's true total [L]; null if it teaches nothing."""
    known_l = in_force(rules, memory).pump.displacement_l
    found_l = calibrated_displacement(track.tally.strokes, total_l=total_l, displacement_l=known_l)
    if found_l is None:
        return None
    return replace(memory, displacement_l=found_l, set_displacement_l=rules.pump.displacement_l)


def after_run(memory: PressMemory, track: ForecastState) -> PressMemory:
    """Return what is known after a run, whose start adds to the press's clean resistance."""
    found = clean_resistance_per_m(track)
    if found is None:
        return memory
    starts = memory.clean_starts + 1
    before = memory.clean_resistance_per_m
    mean = found if before is None else before + (found - before) / min(starts, LONGEST_MEMORY)
    return replace(memory, clean_resistance_per_m=mean, clean_starts=starts)
