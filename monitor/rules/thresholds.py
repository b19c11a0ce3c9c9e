"""The numbers a run is judged by, in base units. Settings build them; nothing else does."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from monitor.contract.names import AtCutoff, PumpKind
from monitor.contract.readings import Point

HOLDING = frozenset({PumpKind.GEAR, PumpKind.ELECTRIC_DIAPHRAGM})
"""Kinds that hold their flow against a rising pressure."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Thresholds:
    """Limits of temperature [degC], pressure [kPa], flow [share] and time [s]."""

    ready_c: float
    ceiling_c: float
    precipitation_c: float
    start_kpa: float
    near_clog_share: float
    """Share of the cut-off pressure from which the press counts as near clog."""
    near_clog_lead_s: float
    """Forecast time to the cut-off from which it counts as near clog."""
    cutoff_kpa: float
    paper_limit_kpa: float
    useful_flow_share: float
    """Least useful flow as a share of the first hot flow."""
    stir_every_s: float

    @property
    def near_clog_kpa(self) -> float:
        """Pressure from which the press counts as near clog [kPa]."""
        return self.near_clog_share * self.cutoff_kpa


@dataclass(frozen=True, slots=True, kw_only=True)
class Press:
    """The press as its owner describes it."""

    name: str
    frames: int
    frame_side_m: float
    frame_thickness_m: float
    paper_area_m2: float
    """Filtering area of all papers together."""
    full_volume_l: float | None
    """Syrup that filled the frames by the last cake reading; null when none was taken."""
    clean_resistance_per_m: float | None = None
    """Resistance of papers and fittings at this press's earlier clean starts [1/m]."""

    @property
    def frame_volume_l(self) -> float:
        """Room of all window frames together [L]."""
        return 1000.0 * self.frames * self.frame_side_m**2 * self.frame_thickness_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Pump:
    """The pump: how it moves syrup and how much a stroke [L]."""

    kind: PumpKind
    displacement_l: float | None
    at_cutoff: AtCutoff = AtCutoff.STOP
    """Of kinds that hold their flow; the others yield by themselves."""

    @property
    def holds_flow(self) -> bool:
        """Whether it drives the flow it was built for against any pressure, until it is stopped."""
        return self.kind in HOLDING and self.at_cutoff is AtCutoff.STOP


@dataclass(frozen=True, slots=True, kw_only=True)
class PointTuning:
    """How a point's readings are corrected before a decision."""

    tolerance: float | None = None
    """Error bound in the point's unit that overrides the reading's own; null keeps that."""
    time_constant_s: float = 0.0
    """First-order lag of the sensor in its place [s]."""
    scale: float = 1.0
    offset: float = 0.0
    """Correction that the sensor's reader has made already (read x scale + offset), so that a probe
    check, which sees corrected values, can say what the settings should be."""


_NEUTRAL = PointTuning()


@dataclass(frozen=True, slots=True, kw_only=True)
class RunRules:
    """All that the engine needs to know beside the events themselves."""

    thresholds: Thresholds
    press: Press
    pump: Pump
    points: Mapping[Point, PointTuning] = field(default_factory=dict)

    def tuning(self, point: Point) -> PointTuning:
        """Return the tuning of ``point``, the neutral one if none is set."""
        return self.points.get(point, _NEUTRAL)
