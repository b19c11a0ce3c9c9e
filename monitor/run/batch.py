"""The batch as it stands in the pan: how much, how dense, how hot, how much sand."""

from __future__ import annotations

from dataclasses import dataclass

from monitor.contract.entries import Sand
from monitor.contract.errors import EntryRefused

LEAST_SUGAR, MOST_SUGAR = 0.50, 0.75
"""Sugar that a finished syrup can have [mass fraction]: thinner is not finished, thicker sets."""

COLDEST_C, HOTTEST_C = 0.0, 110.0
"""Temperatures of a pan of syrup [degC]: it boils near 104."""

MOST_L = 100_000.0
"""Largest batch that is taken [L], as for every volume in the settings."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """A batch; refuses what cannot be. Null is not said.

    Attributes:
        volume_l: syrup to be filtered, hot [L].
        sugar: true sugar [mass fraction], by a refractometer or corrected already.
        hydrometer: what the hydrometer shows in the pan at ``pan_c`` [mass fraction].
        pan_c: syrup in the pan [degC].
        plates_c: plates before the run [degC].
        sand: the owner's word on its sand.
    """

    volume_l: float
    sugar: float | None = None
    hydrometer: float | None = None
    pan_c: float | None = None
    plates_c: float | None = None
    sand: Sand | None = None

    def __post_init__(self) -> None:
        if not 0.0 < self.volume_l <= MOST_L:
            raise EntryRefused(f"a batch of {self.volume_l:g} L cannot be: give the syrup to be filtered")
        if self.sugar is not None and self.hydrometer is not None:
            raise EntryRefused("density and hydrometer are given both: give the one that was read")
        if self.sugar is not None and not LEAST_SUGAR <= self.sugar <= MOST_SUGAR:
            raise EntryRefused(f"{100.0 * self.sugar:g} Brix is no finished syrup: 50 to 75 Brix are taken")
        if self.hydrometer is not None and not 0.40 <= self.hydrometer <= MOST_SUGAR:
            raise EntryRefused(
                f"a hydrometer at {100.0 * self.hydrometer:g} Brix is in no syrup: 40 to 75 Brix are taken"
            )
        for name, celsius in (("pan", self.pan_c), ("plates", self.plates_c)):
            if celsius is not None and not COLDEST_C <= celsius <= HOTTEST_C:
                raise EntryRefused(
                    f"{name} at {celsius:.1f} degC cannot be: give 0 to 110 degC (32 to 230 degF)"
                )
        if self.hydrometer is not None and self.pan_c is None:
            raise EntryRefused("a hydrometer reading needs the temperature it was read at: give the pan's")
