"""The syrup of an invented batch and the pan it comes from.

Its formulas and constants are the simulation's own: the forecast never sees them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

HOT_DENSITY_KG_M3 = 1290.0
"""Finished syrup near 85 degC (handbook sucrose tables)."""
HEAT_J_KG_K = 2930.0
"""Heat capacity of finished syrup, taken as constant so that heat can be counted."""


def viscosity_pa_s(temperature_c: float, *, brix: float) -> float:
    """Return the viscosity [Pa s] of syrup of ``brix`` [% w/w] at ``temperature_c`` [degC].

    Vogel's equation, its three constants laid through 225, 23.4 and 9.56 mPa s at 20, 60 and
    85 degC for 66.9 Brix, with 11 % more for each Brix; 10-100 degC, 62-70 Brix.

    >>> round(1000 * viscosity_pa_s(85.0, brix=66.9), 2)
    9.57
    """
    return 1e-3 * math.exp(-3.183 + 963.1 / (temperature_c + 92.0) + 0.11 * (brix - 66.9))


@dataclass(slots=True, kw_only=True)
class Pan:
    """What stands in the pan: syrup [L] with filter aid and sugar sand [g] in it.

    ``stirred`` is the share of the solids that is in suspension and so reaches the pump.
    """

    syrup_l: float
    filter_aid_g: float
    sand_g: float
    stirred: float = 1.0

    SETTLED_SHARE = 0.3
    """What still floats when nobody has stirred for long."""
    SETTLING_S = 200.0
    STIRRING_S = 15.0

    def settle(self, dt_s: float, *, stirring: bool) -> None:
        """Let the solids sink for ``dt_s``, or rise again where somebody is stirring."""
        end, tau_s = (1.0, self.STIRRING_S) if stirring else (self.SETTLED_SHARE, self.SETTLING_S)
        self.stirred += (end - self.stirred) * -math.expm1(-dt_s / tau_s)

    def draw(self, volume_l: float, *, returned: bool) -> tuple[float, float]:
        """Take ``volume_l`` [L] to the pump and return the filter aid and sand [g] in it.

        ``returned`` says that the clear syrup comes back into the pan.
        """
        if self.syrup_l <= 0.0:
            return 0.0, 0.0
        share = min(1.0, volume_l * self.stirred / self.syrup_l)
        filter_aid_g, sand_g = share * self.filter_aid_g, share * self.sand_g
        self.filter_aid_g -= filter_aid_g
        self.sand_g -= sand_g
        if not returned:
            self.syrup_l = max(0.0, self.syrup_l - volume_l)
        return filter_aid_g, sand_g

    def pour_in(self, volume_l: float, *, sand_g_l: float, filter_aid_g_l: float = 0.0) -> None:
        """Add another batch."""
        self.syrup_l += volume_l
        self.sand_g += volume_l * sand_g_l
        self.filter_aid_g += volume_l * filter_aid_g_l
