"""The resistance of the cake as the run builds it: a straight line against filtered volume.

Darcy's law over a growing cake, R = A dP / (mu Q) = Rm + alpha c V / A, brought to the
cut-off pressure with alpha ~ dP^s and to the viscosity of the syrup as it is. The run is
cut into blocks of several strokes; a block's mean resistance is the time integral of
pressure over the volume moved, so that steps of the regulator, a pulsating pump and a
slow one all weigh right. Blocks enter fading least-squares sums: nothing is refitted.
"""

from __future__ import annotations

import math
from dataclasses import field
from functools import lru_cache

from monitor.contract.record import record
from monitor.physics import filtration, syrup
from monitor.rules.flow import PRESSURE_ON_KPA
from monitor.rules.second import Second, known
from monitor.rules.thresholds import RunRules

COMPRESSIBILITY = 0.3
"""s in alpha ~ dP^s: 0.26 for precipitated chalk (McCabe, Smith and Harriott), taken a little
higher for filter aid that carries slimy sand (judgement)."""

SUGAR_FRACTION = 0.669
"""Syrup at the state hydrometer line; a ratio of viscosities hardly depends on it."""

VISCOSITY_LOW_C = 20.0
VISCOSITY_HIGH_C = 99.0
"""Where the viscosity is trusted; colder or hotter readings count as the bound."""

BLOCK_S = 20.0
"""Shortest block: several strokes of a quick pump."""

BLOCK_STROKES = 6.0
"""Fewest strokes in a block: the part of a stroke at its ends is then a few per cent."""

SLOW_FADING = 2.5
"""The long line weighs a block by (its volume / volume now)^2.5: its memory grows with the run."""

MIDDLE_FADING = 8.0
"""The middle line remembers an eighth of the run: a change of dose shows."""

QUICK_FADING = 25.0
"""The short line remembers about a twenty-fifth of the run: a bend shows at once."""

LONGEST_STEP_S = 5.0
"""A longer silence breaks the block: nobody knows what the pressure was."""

PRESSURE_MEMORY_S = 15.0
"""How far back the smoothed line pressure looks."""

COLD_SHARE = 0.1
"""Weight of blocks from the warm-up: inlet and outlet are too far apart for one viscosity."""

COLD_MARGIN_C = 8.0
"""Farther under the ready temperature than this, a block belongs to the warm-up."""

LEAST_BLOCKS = 5
"""Fewest blocks that carry a line."""

COLD_BLOCKS = 25
"""Blocks that carry a line although the press never gets warm."""

TORN_SHARE = 0.7
"""A block under this share of the line is no noise: a paper tore or the cake fell, and the line
begins anew."""

BENT_SLOPE = 2.2
"""The frames begin to fill where the short line is so many times steeper than the long one."""

BENT_LEVEL = 1.03
"""And the short line has risen by this factor over the long one, so that it is not noise."""

STRAIGHT_SLOPE = 1.4
"""Under this the bend was none."""

BENT_BLOCKS = 12
"""Fewest blocks before a bend is believed."""

CLEAN_BLOCKS = 8
"""Warm blocks after which the line tells the resistance of the papers alone."""

OUTLET_UNKNOWN_S = 600.0
"""With no outlet temperature the stack counts as warm after this long."""


@record(frozen=True, slots=True)
class Line:
    """Fading sums of resistance [1e11/m] against volume [L] and what they are read as."""

    weight: float = 0.0
    v: float = 0.0
    vv: float = 0.0
    r: float = 0.0
    vr: float = 0.0

    def slope(self) -> float | None:
        """Resistance gained per litre [1e11/m/L]; null while the volumes are too alike."""
        spread = self.weight * self.vv - self.v * self.v
        if self.weight <= 0.0 or spread <= 1e-7 * self.weight * self.vv:
            return None
        return (self.weight * self.vr - self.v * self.r) / spread

    def at(self, volume_l: float) -> float | None:
        """Resistance on the line at ``volume_l`` [1e11/m]."""
        return self.level(volume_l, slope=self.slope())

    def level(self, volume_l: float, *, slope: float | None) -> float | None:
        """Resistance at ``volume_l`` [1e11/m] on this line, whose ``slope`` is known already."""
        if slope is None:
            return self.r / self.weight if self.weight > 0.0 else None
        return self.r / self.weight + slope * (volume_l - self.v / self.weight)

    def with_block(self, volume_l: float, resistance: float, *, weight: float, keep: float) -> Line:
        """Return the line after a block, older ones kept with the share ``keep``."""
        return Line(
            self.weight * keep + weight,
            self.v * keep + weight * volume_l,
            self.vv * keep + weight * volume_l * volume_l,
            self.r * keep + weight * resistance,
            self.vr * keep + weight * volume_l * resistance,
        )


@record(frozen=True, slots=True)
class Block:
    """The open block: what has been pushed since a moment at which volume was certain."""

    from_l: float | None = None
    """Null until a stroke, a meter or a container makes the volume certain."""
    push_kpa_s: float = 0.0
    """Time integral of the line pressure, brought to the cut-off pressure."""
    time_s: float = 0.0
    heat_c_s: float = 0.0
    heat_s: float = 0.0


@record(frozen=True, slots=True)
class Cake:
    """What the run has shown of its cake."""

    block: Block = field(default_factory=Block)
    blocks: int = 0
    warm_blocks: int = 0
    """Of them, those with the outlet near the ready temperature."""
    long: Line = field(default_factory=Line)
    middle: Line = field(default_factory=Line)
    short: Line = field(default_factory=Line)
    last_l: float = 0.0
    """Volume at the middle of the last block."""
    resistance: float | None = None
    """Of the last block, at the cut-off pressure [1e11/m]."""
    outlet_c: float | None = None
    """Mean outlet temperature of the last block that knew one."""
    flow_l_min: float | None = None
    """Mean flow of the last block."""
    pressure_kpa: float | None = None
    """Line pressure of the recent past, smoothed."""
    first_hot_l_min: float | None = None
    """Flow when the outlet was first hot."""
    best_warm_l_min: float | None = None
    """Largest flow of a warm block: stands in until the outlet is hot."""
    bent_l: float | None = None
    """Volume at which the resistance began to leave its line upwards."""
    clean: float | None = None
    """Resistance of papers and fittings alone [1e11/m]."""
    pushed_s: float = 0.0
    """Time under pressure."""


def viscosity(outlet_c: float | None, *, rules: RunRules) -> float:
    """Return the viscosity of the syrup in the press [Pa s]; of ready syrup while unknown."""
    celsius = rules.thresholds.ready_c if outlet_c is None else outlet_c
    return _viscosity(celsius)


@lru_cache(maxsize=256)
def _viscosity(celsius: float) -> float:
    # Asked several times a second of a temperature that changes with a block only.
    trusted_c = min(max(celsius, VISCOSITY_LOW_C), VISCOSITY_HIGH_C)
    return float(syrup.viscosity(SUGAR_FRACTION, temperature_c=trusted_c))


def at_cutoff(pressure_kpa: float, *, rules: RunRules) -> float:
    """Return ``pressure_kpa`` times the factor that brings resistance to the cut-off pressure."""
    return pressure_kpa * math.pow(rules.thresholds.cutoff_kpa / pressure_kpa, COMPRESSIBILITY)


def growth_per_m2(cake: Cake, *, rules: RunRules) -> float | None:
    """Return alpha c at the cut-off pressure [1/m2]; null while the line is not known."""
    slope = cake.long.slope() if cake.warm_blocks >= LEAST_BLOCKS else None
    return None if slope is None else 1e14 * slope * rules.press.paper_area_m2


def grown(
    before: Cake,
    second: Second,
    *,
    step_s: float,
    volume_l: float | None,
    moved_l: float,
    flow_l_min: float | None,
    rules: RunRules,
) -> Cake:
    """Return the cake after ``second``: ``moved_l`` more of ``volume_l`` in ``step_s``."""
    line_kpa = known(second.line_kpa)
    pushing = line_kpa is not None and line_kpa >= PRESSURE_ON_KPA and step_s <= LONGEST_STEP_S
    pressure_kpa = before.pressure_kpa
    if line_kpa is not None:
        kept = math.exp(-step_s / PRESSURE_MEMORY_S) if pressure_kpa is not None else 0.0
        pressure_kpa = line_kpa + kept * ((pressure_kpa or 0.0) - line_kpa)
    outlet_c = known(second.outlet_corrected_c)
    if outlet_c is None:
        outlet_c = known(second.outlet_c)
    first_hot = before.first_hot_l_min
    if first_hot is None and flow_l_min and outlet_c is not None and outlet_c >= rules.thresholds.ready_c:
        first_hot = flow_l_min
    block, done = Block(), False
    if pushing and line_kpa is not None and volume_l is not None:
        block, done = _pushed(before.block, line_kpa, outlet_c, step_s, volume_l, moved_l, rules)
    cake = Cake(
        block,
        before.blocks,
        before.warm_blocks,
        before.long,
        before.middle,
        before.short,
        before.last_l,
        before.resistance,
        before.outlet_c,
        before.flow_l_min,
        pressure_kpa,
        first_hot,
        before.best_warm_l_min,
        before.bent_l,
        before.clean,
        before.pushed_s + (step_s if pushing else 0.0),
    )
    return _closed(cake, volume_l or 0.0, rules=rules) if done else cake


def _pushed(
    block: Block,
    line_kpa: float,
    outlet_c: float | None,
    step_s: float,
    volume_l: float,
    moved_l: float,
    rules: RunRules,
) -> tuple[Block, bool]:
    if block.from_l is None:
        return (Block(volume_l) if moved_l > 0.0 else block), False
    heat_s = step_s if outlet_c is not None else 0.0
    grown_block = Block(
        block.from_l,
        block.push_kpa_s + at_cutoff(line_kpa, rules=rules) * step_s,
        block.time_s + step_s,
        block.heat_c_s + (outlet_c or 0.0) * heat_s,
        block.heat_s + heat_s,
    )
    stroke_l = rules.pump.displacement_l or 0.0
    enough = volume_l - block.from_l >= BLOCK_STROKES * stroke_l and grown_block.time_s >= BLOCK_S
    return grown_block, enough and moved_l > 0.0


def _closed(cake: Cake, volume_l: float, *, rules: RunRules) -> Cake:
    block = cake.block
    from_l = block.from_l if block.from_l is not None else volume_l
    outlet_c = block.heat_c_s / block.heat_s if block.heat_s > 0.0 else cake.outlet_c
    moved_l = volume_l - from_l
    resistance = 1e-11 * filtration.resistance_per_m(
        pressure_pa=1e3 * block.push_kpa_s / block.time_s,
        viscosity_pa_s=viscosity(outlet_c, rules=rules),
        flow_m3_s=1e-3 * moved_l / block.time_s,
        area_m2=rules.press.paper_area_m2,
    )
    middle_l = 0.5 * (from_l + volume_l)
    if outlet_c is None:
        warm = cake.pushed_s >= OUTLET_UNKNOWN_S
    else:
        warm = outlet_c >= rules.thresholds.ready_c - COLD_MARGIN_C
    flow_l_min = 60.0 * moved_l / block.time_s
    best = max(cake.best_warm_l_min or 0.0, flow_l_min) if warm else cake.best_warm_l_min
    expected = cake.long.at(middle_l)
    torn = cake.warm_blocks >= LEAST_BLOCKS and expected is not None and resistance < TORN_SHARE * expected
    weight = moved_l * (1.0 if warm else COLD_SHARE)
    ratio = cake.last_l / middle_l if cake.blocks and not torn else 0.0
    long, middle, short = (
        line.with_block(middle_l, resistance, weight=weight, keep=math.pow(ratio, fading))
        for line, fading in (
            (cake.long, SLOW_FADING),
            (cake.middle, MIDDLE_FADING),
            (cake.short, QUICK_FADING),
        )
    )
    warm_blocks = (0 if torn else cake.warm_blocks) + warm
    clean = cake.clean
    if clean is None and warm_blocks >= CLEAN_BLOCKS:
        clean = max(long.at(0.0) or 0.0, 0.0)
    return Cake(
        Block(volume_l),
        cake.blocks + 1,
        warm_blocks,
        long,
        middle,
        short,
        middle_l,
        resistance,
        outlet_c,
        flow_l_min,
        cake.pressure_kpa,
        cake.first_hot_l_min,
        best,
        None if torn else _bend(cake.bent_l, warm_blocks, long, short, middle_l),
        clean,
        cake.pushed_s,
    )


def _bend(before_l: float | None, blocks: int, long: Line, short: Line, volume_l: float) -> float | None:
    """Return the volume at which the resistance left its line, null while it keeps to it."""
    slow, quick = long.slope(), short.slope()
    if blocks < BENT_BLOCKS or slow is None or quick is None or slow <= 0.0:
        return None
    if before_l is not None:
        return before_l if quick > STRAIGHT_SLOPE * slow else None
    level, straight = short.at(volume_l), long.at(volume_l)
    if level is None or straight is None or quick < BENT_SLOPE * slow or level < BENT_LEVEL * straight:
        return None
    return volume_l * (1.0 - 1.0 / QUICK_FADING)
