"""What an invented run starts from: the press, the batch, the weather and what goes wrong.

Every name and number here is made up. A :class:`Scenario` is what the owner knows; a
:class:`Batch` is what chance, from a seed, makes of it.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass
from enum import Enum

from monitor.contract.names import PumpKind
from monitor.runtime.settings import Settings

USUAL_DISPLACEMENT_L = 0.07
PROBE_LOST_S = 60.0


class Mishap(Enum):
    """What goes wrong in a run."""

    NONE = "ordinary"
    HOT_PAN = "hot pan"
    """The fire is left high: the syrup goes over the precipitation threshold."""
    TORN_PAPER = "torn paper"
    """A paper gives way: much flow, little pressure, cloudy syrup."""
    NO_STIRRING = "forgotten stirring"
    """The filter aid sinks in the pan and does not reach the press."""
    DARK_SYRUP = "late dark syrup"
    """A late batch with much more sugar sand is poured in half way."""
    PROBE_LOST = "probe lost"
    """The outlet probe does not answer for a minute."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scenario:
    """The press and the pump [m, L], and what will go wrong."""

    name: str = "an invented batch"
    mishap: Mishap = Mishap.NONE
    frames: int = 5
    frame_side_m: float = 0.165
    frame_thickness_m: float = 0.0254
    pump_kind: PumpKind = PumpKind.AIR_DIAPHRAGM
    displacement_l: float = USUAL_DISPLACEMENT_L

    @property
    def frame_room_l(self) -> float:
        """Room of all frames [L]."""
        return 1000.0 * self.frames * self.frame_side_m**2 * self.frame_thickness_m

    @property
    def paper_area_m2(self) -> float:
        """Area of all papers, two a frame [m2]."""
        return 2.0 * self.frames * self.frame_side_m**2

    @classmethod
    def fitting(cls, settings: Settings, *, name: str, mishap: Mishap) -> Scenario:
        """Return a scenario at the press and pump that ``settings`` describe."""
        return cls(
            name=name,
            mishap=mishap,
            frames=settings.press.frames,
            frame_side_m=settings.press.frame_side,
            frame_thickness_m=settings.press.frame_thickness,
            pump_kind=settings.pump.kind,
            displacement_l=settings.pump.displacement or USUAL_DISPLACEMENT_L,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What chance made of a scenario."""

    plates_c: float
    """Plates at the start [degC]."""
    room_c: float
    feed_c: float
    """Syrup at the pump once the fire is steady [degC]."""
    feed_rise_c: float
    """How much hotter the feed gets as the operator answers the slowing flow [degC]."""
    brix: float
    syrup_l: float
    filter_aid_g_l: float
    sand_g_l: float
    sand_m_kg: float
    paper_per_m: float
    plate_kg: float
    heat_w_k: float
    loss_w_k: float
    mishap_at_s: float
    """When the mishap begins, from the first pressure [s]."""


STANDARD_AREA_M2 = 0.27225
"""Papers of the press that the numbers below are written for (5 frames of 0.165 m)."""


def draw_batch(scenario: Scenario, *, chance: random.Random) -> Batch:
    """Return a batch for ``scenario``: the same for the same state of ``chance``."""
    size = scenario.paper_area_m2 / STANDARD_AREA_M2
    room = scenario.frame_room_l
    return Batch(
        plates_c=chance.uniform(15.0, 20.0),
        room_c=chance.uniform(12.0, 22.0),
        feed_c=chance.uniform(85.7, 86.2),
        feed_rise_c=chance.uniform(0.8, 1.2),
        brix=chance.uniform(66.5, 67.3),
        syrup_l=30.0 * room,
        filter_aid_g_l=chance.uniform(9.5, 12.0),
        sand_g_l=chance.uniform(4.8, 6.4),
        sand_m_kg=chance.uniform(1.5e12, 2.2e12),
        paper_per_m=chance.uniform(1.4e10, 2.2e10),
        plate_kg=chance.uniform(12.0, 14.5) * size,
        heat_w_k=chance.uniform(280.0, 340.0) * size,
        loss_w_k=chance.uniform(3.5, 5.0) * size**0.5,
        mishap_at_s=_mishap_start_s(scenario.mishap, chance=chance),
    )


_STARTS_S = {
    Mishap.NONE: (0.0, 0.0),
    Mishap.HOT_PAN: (320.0, 420.0),
    Mishap.TORN_PAPER: (480.0, 700.0),
    Mishap.NO_STIRRING: (260.0, 380.0),
    Mishap.DARK_SYRUP: (380.0, 520.0),
    Mishap.PROBE_LOST: (300.0, 600.0),
}


def _mishap_start_s(mishap: Mishap, *, chance: random.Random) -> float:
    return chance.uniform(*_STARTS_S[mishap])


_SEASON = (
    ("first amber (invented)", Mishap.NONE),
    ("second amber (invented)", Mishap.PROBE_LOST),
    ("a hot fire (invented)", Mishap.HOT_PAN),
    ("late dark poured in (invented)", Mishap.DARK_SYRUP),
    ("nobody stirred (invented)", Mishap.NO_STIRRING),
    ("an old paper (invented)", Mishap.TORN_PAPER),
    ("last of the season (invented)", Mishap.NONE),
)


def season(settings: Settings) -> Iterator[Scenario]:
    """Yield invented runs at the press of ``settings`` without end, an ordinary one first."""
    while True:
        for name, mishap in _SEASON:
            yield Scenario.fitting(settings, name=name, mishap=mishap)
