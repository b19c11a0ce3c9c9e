"""A season of one invented press: sand that drifts, charges by the plan, truth by an independent press.

The press is :mod:`tests.rules.press_runs`, which shares no formula with the program. The law by
which filter aid opens the sand is this module's own: the sand's resistance falls as
exp(-k x) with the share x of filter aid, where the program supposes a straight line.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from monitor.contract.names import Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.rules.thresholds import RunRules
from monitor.run.row import TraceRow
from monitor.runtime.settings import Settings, load
from tests.rules.press_runs import PressRun, Row, Setup, simulate

RUNS = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Season:
    """What chance made of a season; kg/m3, m/kg."""

    seed: int
    first_sand: float
    last_sand: float
    sand_alpha: float
    aid_alpha: float
    fall: float
    """k of exp(-k x)."""
    cake_kg_m3: float
    paper_per_m: float
    pace_l_min: float

    def sand(self, number: int) -> float:
        """Sand of run ``number``: rising through the season, with a scatter of its own."""
        chance = random.Random(f"{self.seed} {number}")  # noqa: S311 - an invented season
        along = number / (RUNS - 1)
        middle = self.first_sand * (self.last_sand / self.first_sand) ** along
        return middle * math.exp(chance.gauss(0.0, 0.1))

    def setup(self, number: int, *, dose: float) -> Setup:
        """Return run ``number`` with ``dose`` of filter aid."""
        sand = self.sand(number)
        share = dose / (dose + sand)
        alpha = self.aid_alpha * share + self.sand_alpha * math.exp(-self.fall * share) * (1.0 - share)
        return Setup(
            seed=1000 * self.seed + number,
            side_m=0.165,
            cake_kg_m3=self.cake_kg_m3,
            solids_kg_m3=dose + sand,
            alpha=alpha,
            paper_per_m=self.paper_per_m,
            top_flow_l_min=self.pace_l_min,
            start_kpa=210.0,
            top_kpa=552.0,
        )


def invent_season(seed: int) -> Season:
    """Return a random season."""
    chance = random.Random(f"season {seed}")  # noqa: S311 - an invented season
    return Season(
        seed=seed,
        first_sand=chance.uniform(0.8, 2.5),
        last_sand=chance.uniform(3.0, 7.0),
        sand_alpha=10 ** chance.uniform(12.0, 12.7),
        aid_alpha=10 ** chance.uniform(9.3, 9.8),
        fall=chance.uniform(2.5, 4.5),
        cake_kg_m3=chance.uniform(260.0, 340.0),
        paper_per_m=10 ** chance.uniform(10.0, 10.4),
        pace_l_min=chance.uniform(3.0, 4.5),
    )


def settings_of(season: Season) -> Settings:
    """Return what the owner of the press would set."""
    return load(overrides=["press.frame_side=165 mm", "press.frames=5", "pump.displacement=70 mL"])


def run_of(season: Season, number: int, *, dose: float) -> PressRun:
    """Return run ``number`` to its end, as the independent press makes it."""
    return simulate(season.setup(number, dose=dose))


def trace_rows(rows: Iterable[Row], *, displacement_l: float = 0.07) -> Iterator[TraceRow]:
    """Give the seconds of an invented run as the trace keeps them."""
    volume_l = 0.0
    for row in rows:
        volume_l += (row.strokes or 0) * displacement_l
        yield TraceRow(
            boot="b",
            mono_s=row.elapsed_s,
            time=None,
            clock=ClockState.UNSET,
            elapsed_s=row.elapsed_s,
            outlet_c=row.outlet_c,
            outlet_standing=Standing.GOOD,
            line_kpa=row.line_kpa,
            line_high_kpa=row.line_high_kpa,
            line_standing=Standing.GOOD,
            strokes=row.strokes,
            flow_l_min=None,
            volume_l=volume_l,
            pan_c=None,
            filler_c=None,
            phase=Phase.BOTTLING,
            flags=(),
        )


def rules_of(season: Season) -> RunRules:
    """Return the rules of the season's press."""
    return settings_of(season).rules()
