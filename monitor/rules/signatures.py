"""What flow, pressure and temperature together give away: torn paper, stalled pump, and their kin.

Each signature is one question put to the state of the forecast. None of them controls
anything, and none is a safeguard: a regulator or a relief valve must protect the press.
"""

from __future__ import annotations

from itertools import compress

from monitor.contract.names import Flag
from monitor.rules import cake as cakes
from monitor.rules.flow import NO_STROKE_PERIODS, NO_STROKE_S
from monitor.rules.forecast import ForecastState
from monitor.rules.thresholds import RunRules

DEAD_END_S = 60.0
"""Pressure for this long without a first stroke or any flow: a closed valve or a full press."""

FLAT_SHARE = 0.08
"""A line within this share of its recent level is flat; a pulsating one is not."""

FAR_TOO_LOW = 0.5
"""Under this share of the papers' own resistance at earlier clean starts, syrup passes beside them."""

CLOGGED_SHARE = 0.6
"""Cold plates are worth telling once they take this share of the cut-off pressure."""

COLD_FACTOR = 1.5
"""And once the syrup is this much thicker than at the ready temperature."""

SETTLING_SHARE = 0.35
"""Resistance that grows at less than this share of its pace before: the filter aid stays in the pan."""

SETTLING_BLOCKS = 24
"""Fewest warm blocks before a pace is judged."""

SIGNATURES = (
    Flag.PRESSURE_DROP,
    Flag.PUMP_STALLED,
    Flag.DEAD_END,
    Flag.LOW_RESISTANCE,
    Flag.COLD_PLATES,
    Flag.DE_SETTLING,
    Flag.CHANGE_SOON,
)
"""In the order in which :func:`signatures` asks for them."""


def signatures(state: ForecastState, *, rules: RunRules) -> frozenset[Flag]:
    """Return the signatures that hold now."""
    holds = (
        state.line.torn,
        _stalled(state),
        _dead_end(state),
        _low_resistance(state, rules),
        _cold_plates(state, rules),
        _settling(state),
        state.change_soon,
    )
    return frozenset(compress(SIGNATURES, holds))


def clean_resistance_per_m(state: ForecastState) -> float | None:
    """Return the resistance of papers and fittings alone in this run [1/m], null while unknown.

    It is brought to the cut-off pressure; compare it with other runs of the same press only.
    """
    clean = state.cake.clean
    return 1e11 * clean if clean is not None and clean > 0.0 else None


def _flat(state: ForecastState) -> bool:
    level_kpa, recent = state.cake.pressure_kpa, state.line.recent_kpa
    if not recent or level_kpa is None:
        return False
    return abs(recent[-1] - level_kpa) <= FLAT_SHARE * level_kpa


def _stalled(state: ForecastState) -> bool:
    line = state.line
    if line.quiet_s < NO_STROKE_S or not line.heard or line.on_strokes == 0 or not _flat(state):
        return False
    tally = state.tally
    per_stroke_l = tally.stroked_l / tally.strokes if tally.strokes else 0.0
    period_s = tally.recent_s / tally.recent_l * per_stroke_l if tally.recent_l > 1e-9 else 0.0
    return line.quiet_s >= NO_STROKE_PERIODS * min(period_s, NO_STROKE_S)


def _dead_end(state: ForecastState) -> bool:
    line = state.line
    return line.heard and line.on_strokes == 0 and line.quiet_s >= DEAD_END_S and _flat(state)


def _low_resistance(state: ForecastState, rules: RunRules) -> bool:
    usual, now = rules.press.clean_resistance_per_m, state.cake.resistance
    if usual is None or now is None or state.cake.warm_blocks < 2:
        return False
    return 1e11 * now < FAR_TOO_LOW * usual


def _cold_plates(state: ForecastState, rules: RunRules) -> bool:
    cake, limits = state.cake, rules.thresholds
    if cake.outlet_c is None or cake.pressure_kpa is None or cake.outlet_c >= limits.ready_c:
        return False
    thicker = cakes.viscosity(cake.outlet_c, rules=rules) / cakes.viscosity(limits.ready_c, rules=rules)
    clogged_kpa = CLOGGED_SHARE * limits.cutoff_kpa
    return thicker >= COLD_FACTOR and cake.pressure_kpa >= clogged_kpa > cake.pressure_kpa / thicker


def _settling(state: ForecastState) -> bool:
    cake = state.cake
    if cake.warm_blocks < SETTLING_BLOCKS or state.line.torn:
        return False
    before, lately = cake.long.slope(), cake.middle.slope()
    return before is not None and lately is not None and before > 0.0 and lately < SETTLING_SHARE * before
