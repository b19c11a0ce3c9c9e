"""The density check: what the hydrometer says, against the owner's limits, and what would mend it.

The limits are the owner's settings and no legal advice: the law where the syrup is sold sets its own.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from monitor.contract.errors import EntryRefused
from monitor.physics.hydrometer import HYDROMETER_C, hydrometer_reading, sugar_read
from monitor.physics.syrup import density, water_density
from monitor.rules.charging import DensityLimits
from monitor.run.batch import LEAST_SUGAR, MOST_SUGAR


class Standing(StrEnum):
    """Where the batch stands from the owner's limits."""

    THIN = "too thin"
    WITHIN = "within the limits"
    THICK = "too thick"


@dataclass(frozen=True, slots=True, kw_only=True)
class DensityCheck:
    """The density of a batch and what would bring it to the target.

    Sugar as a mass fraction; ``lower_shown`` and ``upper_shown`` are what the hydrometer shows
    in the pan at the limits. ``water_l`` is cold water to stir in, ``boil_off_l`` water to boil
    away; both are zero within the limits.
    """

    sugar: float
    shown: float
    lower_shown: float
    target_shown: float
    upper_shown: float
    standing: Standing
    water_l: float = 0.0
    boil_off_l: float = 0.0


def sugar_of_reading(reading: float, *, pan_c: float) -> float:
    """Return the sugar behind a hydrometer reading in hot syrup [mass fraction]; refuse an impossible one."""
    try:
        sugar = sugar_read(reading, temperature_c=pan_c)
    except ValueError:
        sugar = 1.0
    if not LEAST_SUGAR <= sugar <= MOST_SUGAR:
        raise EntryRefused(
            f"a hydrometer at {100.0 * reading:.1f} Brix in syrup of {pan_c:.0f} degC "
            f"({1.8 * pan_c + 32.0:.0f} degF) means no finished syrup: read both again"
        )
    return sugar


def check_density(sugar: float, *, volume_l: float, pan_c: float, limits: DensityLimits) -> DensityCheck:
    """Return where ``sugar`` stands and what ``volume_l`` of it at ``pan_c`` needs.

    The sugar stays when water goes in or out, so from w to the target w' a mass m of syrup takes
    m (w / w' - 1) of water, or gives it off.

    Args:
        sugar: w of the batch [mass fraction].
        volume_l: batch at ``pan_c`` [L].
        pan_c: temperature of the pan [degC].
        limits: the owner's limits and target.
    """
    mass_kg = volume_l / 1000.0 * density(sugar, temperature_c=pan_c)
    water_kg = mass_kg * (sugar / limits.target - 1.0)
    water_l = 1000.0 * water_kg / water_density(HYDROMETER_C)
    standing = _standing(sugar, limits)

    def shown(fraction: float) -> float:
        return hydrometer_reading(fraction, temperature_c=pan_c)

    return DensityCheck(
        sugar=sugar,
        shown=shown(sugar),
        lower_shown=shown(limits.lower),
        target_shown=shown(limits.target),
        upper_shown=shown(limits.upper),
        standing=standing,
        water_l=water_l if standing is Standing.THICK else 0.0,
        boil_off_l=-water_l if standing is Standing.THIN else 0.0,
    )


def _standing(sugar: float, limits: DensityLimits) -> Standing:
    if sugar < limits.lower:
        return Standing.THIN
    return Standing.THICK if sugar > limits.upper else Standing.WITHIN
