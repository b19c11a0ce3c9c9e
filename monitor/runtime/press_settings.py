"""What is set for one press: its own sections of the settings file.

:meth:`PressSettings.rules` turns them into what the engine needs. Threshold defaults are common
practice of the trade (no published source) unless a field says otherwise.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, field_validator, model_validator

from monitor.contract.entries import Sand
from monitor.contract.errors import UnitError
from monitor.contract.names import AtCutoff, PumpKind
from monitor.contract.readings import Point
from monitor.contract.units import Dimension, quantity
from monitor.contract.wire import PressName
from monitor.rules import charging
from monitor.rules.charging import DensityLimits, PlanRules
from monitor.rules.thresholds import PointTuning, Press, Pump, RunRules, Thresholds


def _reads(dimension: Dimension) -> BeforeValidator:
    def parse(value: object) -> float:
        if not isinstance(value, str):
            raise UnitError(
                f'{value!r} has no unit: write it as text, such as "1 {dimension.value.split()[0]}"'
            )
        return quantity(value, dimension=dimension)

    return BeforeValidator(parse)


Temperature = Annotated[float, _reads(Dimension.TEMPERATURE), Field(ge=-55, le=150)]
TemperatureDifference = Annotated[float, _reads(Dimension.TEMPERATURE_DIFFERENCE), Field(ge=-20, le=20)]
Tolerance = Annotated[float, _reads(Dimension.TEMPERATURE_DIFFERENCE), Field(ge=0, le=20)]
Pressure = Annotated[float, _reads(Dimension.PRESSURE), Field(ge=0, le=2000)]
PressureDifference = Annotated[float, _reads(Dimension.PRESSURE), Field(ge=-200, le=200)]
Volume = Annotated[float, _reads(Dimension.VOLUME), Field(gt=0, le=100_000)]
Length = Annotated[float, _reads(Dimension.LENGTH), Field(gt=0, le=5)]
Area = Annotated[float, _reads(Dimension.AREA), Field(gt=0, le=100)]
Duration = Annotated[float, _reads(Dimension.TIME), Field(ge=0, le=86_400)]
Share = Annotated[float, _reads(Dimension.RATIO), Field(gt=0, le=1)]
Flow = Annotated[float, _reads(Dimension.FLOW), Field(gt=0, le=1000)]
Mass = Annotated[float, _reads(Dimension.MASS), Field(gt=0, le=10_000)]
Sugar = Annotated[float, _reads(Dimension.SUGAR), Field(ge=50, le=75)]
Concentration = Annotated[float, _reads(Dimension.CONCENTRATION), Field(gt=0, le=2000)]
Permeability = Annotated[float, _reads(Dimension.PERMEABILITY), Field(gt=0, le=100)]
Voltage = Annotated[float, _reads(Dimension.VOLTAGE), Field(gt=0, le=30)]
Resistance = Annotated[float, _reads(Dimension.RESISTANCE), Field(gt=0, le=100_000)]


class Section(BaseModel):
    """A table of the settings file; unknown keys are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)

    @field_validator("*", mode="before")
    @classmethod
    def _is_no_truth_value(cls, value: object) -> object:
        """Refuse what would otherwise pass as the number 0 or 1."""
        if isinstance(value, bool):
            raise ValueError("true and false are no values here")
        return value


class PressSection(Section):
    """``[press]``: the press as it stands."""

    name: PressName = "main"
    frames: Annotated[int, Field(ge=1, le=200)] = 5
    papers: Annotated[int, Field(ge=1, le=800)] | None = None
    """Papers in the stack; two a frame when not given."""
    frame_side: Length = 0.165
    frame_thickness: Length = 0.0254
    paper_area: Area | None = None
    """Filtering area of all papers; frame side squared times papers when not given."""
    full_volume: Volume | None = None
    """Syrup that fills the frames; learned from cakes and traces when not given."""
    plate_mass: Mass | None = None
    """Metal of all plates and frames; by the frames' size when not given."""
    plates: Annotated[float, _reads(Dimension.TEMPERATURE), Field(ge=-40, le=60)] = charging.PLATES_C
    """Temperature of the plates before a run."""


class PumpSection(Section):
    """``[pump]``: kind and litres a stroke."""

    kind: PumpKind = PumpKind.AIR_DIAPHRAGM
    displacement: Volume | None = 0.07
    at_cutoff: AtCutoff = AtCutoff.STOP
    """Of a gear or electric pump: whether it is stopped at the cut-off or goes on by a bypass."""
    pace: Flow | None = None
    """Flow on clean hot papers, for plans; learned from runs, or by the papers' area when not given."""


class TemperaturePointSection(Section):
    """``[point.outlet]``, ``[point.pan]``, ``[point.filler]``: a DS18B20 on the 1-wire bus."""

    sensor: str | None = None
    """Sensor id (12 hex digits, with or without ``28-``); may be left out while only one is there."""
    tolerance: Tolerance | None = None
    """Error after calibration; the newest probe check's, else the data sheet's, when not given."""
    offset: TemperatureDifference = 0.0
    """Added to every value, from the ice check."""
    scale: Annotated[float, Field(ge=0.9, le=1.1)] = 1.0
    """Slope of the two-point check, applied before the offset."""
    time_constant: Duration = 12.0


class LinePointSection(Section):
    """``[point.line]``: a pressure transducer on an ADC behind the kernel's IIO driver."""

    sensor: str | None = None
    """``name`` of the IIO device, such as "ads1115"."""
    channel: Annotated[int, Field(ge=0, le=7)] = 0
    supply_channel: Annotated[int, Field(ge=0, le=7)] | None = None
    """Channel that measures the transducer's supply; the ratio is used when given."""
    signal: Literal["4-20 mA", "0.5-4.5 V"] = "4-20 mA"
    shunt: Resistance = 100.0
    divider: Annotated[float, Field(ge=1, le=10)] = 1.0
    """How many times larger the signal is than what the ADC sees."""
    span: Pressure = 689.4757293168361
    """Pressure at full signal; zero signal is zero pressure."""
    tolerance: PressureDifference | None = None
    offset: PressureDifference = 0.0
    scale: Annotated[float, Field(ge=0.9, le=1.1)] = 1.0
    time_constant: Duration = 0.0


class FlowPointSection(Section):
    """``[point.flow]``: a pulse flow meter on a pin."""

    pin: Annotated[int, Field(ge=0, le=27)] | None = None
    scale: Volume | None = None
    """Volume of one pulse."""


class PointSections(Section):
    """``[point.*]``: what is measured where. A point without a table but the first two is not fitted."""

    outlet: TemperaturePointSection = TemperaturePointSection()
    line: LinePointSection = LinePointSection()
    pan: TemperaturePointSection | None = None
    filler: TemperaturePointSection | None = None
    flow: FlowPointSection | None = None


class ThresholdSection(Section):
    """``[thresholds]``: the owner's limits."""

    ready: Temperature = quantity("180 degF", dimension=Dimension.TEMPERATURE)
    ceiling: Temperature = quantity("190 degF", dimension=Dimension.TEMPERATURE)
    precipitation: Temperature = quantity("193 degF", dimension=Dimension.TEMPERATURE)
    start: Pressure = quantity("30 psi", dimension=Dimension.PRESSURE)
    near_clog: Share = 0.9
    near_clog_lead: Duration = 180.0
    cutoff: Pressure = quantity("80 psi", dimension=Dimension.PRESSURE)
    paper_limit: Pressure = quantity("90 psi", dimension=Dimension.PRESSURE)
    useful_flow: Share = 0.15
    stir_every: Duration = 300.0

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.ready < self.ceiling < self.precipitation:
            raise ValueError("ready, ceiling and precipitation must rise in this order")
        if not self.start < self.cutoff < self.paper_limit:
            raise ValueError("start, cutoff and paper_limit must rise in this order")
        return self


class ChargeSection(Section):
    """``[charge]``: the filter aid in the bag."""

    cup: Mass = charging.CUP_KG
    """What a level cup of it weighs."""
    permeability: Permeability = charging.AID_DARCY
    cake_density: Concentration = charging.CAKE_KG_M3
    """Dry solids in the cake."""


class SandSection(Section):
    """``[sand]``: sugar sand in the syrup, by the owner's words."""

    expect: Sand = Sand.LEARNED
    """Until runs have taught it, learned is taken as usual."""
    light: Concentration = charging.LIGHT_SAND_KG_M3
    usual: Concentration = charging.USUAL_SAND_KG_M3
    heavy: Concentration = charging.HEAVY_SAND_KG_M3

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.light < self.usual < self.heavy:
            raise ValueError("light, usual and heavy must rise in this order")
        return self


class DensitySection(Section):
    """``[density]``: the owner's limits; the law where syrup is sold sets its own, so look it up."""

    lower: Sugar = 66.0
    target: Sugar = 66.9
    upper: Sugar = 68.9

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.lower <= self.target <= self.upper or self.lower == self.upper:
            raise ValueError("lower, target and upper must rise in this order")
        return self


class LotSection(Section):
    """``[lot]``: how lots are called and what is filled."""

    code: Annotated[str, Field(max_length=64)] = "{year}-{day}-{number}"
    """Fields: year, yy, month, mday, day (of the year), press, number."""
    containers: tuple[Volume, ...] = (3.785411784, 1.892705892, 0.5)
    """Sizes, as the label declares them at 68 degF."""


class PressSettings(Section):
    """What presses of one monitor may differ in."""

    press: PressSection = PressSection()
    pump: PumpSection = PumpSection()
    point: PointSections = PointSections()
    thresholds: ThresholdSection = ThresholdSection()
    charge: ChargeSection = ChargeSection()
    sand: SandSection = SandSection()
    density: DensitySection = DensitySection()
    lot: LotSection = LotSection()

    def rules(self) -> RunRules:
        """Return what the engine judges by, in base units."""
        papers = self.press.papers or 2 * self.press.frames
        limits = self.thresholds
        return RunRules(
            thresholds=Thresholds(
                ready_c=limits.ready,
                ceiling_c=limits.ceiling,
                precipitation_c=limits.precipitation,
                start_kpa=limits.start,
                near_clog_share=limits.near_clog,
                near_clog_lead_s=limits.near_clog_lead,
                cutoff_kpa=limits.cutoff,
                paper_limit_kpa=limits.paper_limit,
                useful_flow_share=limits.useful_flow,
                stir_every_s=limits.stir_every,
            ),
            press=Press(
                name=self.press.name,
                frames=self.press.frames,
                frame_side_m=self.press.frame_side,
                frame_thickness_m=self.press.frame_thickness,
                paper_area_m2=self.press.paper_area or papers * self.press.frame_side**2,
                full_volume_l=self.press.full_volume,
            ),
            pump=Pump(
                kind=self.pump.kind,
                displacement_l=self.pump.displacement,
                at_cutoff=self.pump.at_cutoff,
            ),
            points=self._tunings(),
        )

    def plan_rules(self) -> PlanRules:
        """Return what a charge is planned by, in base units."""
        density, sand, charge = self.density, self.sand, self.charge
        return PlanRules(
            density=DensityLimits(
                lower=density.lower / 100.0, target=density.target / 100.0, upper=density.upper / 100.0
            ),
            containers_l=self.lot.containers,
            sand=sand.expect,
            cup_kg=charge.cup,
            aid_darcy=charge.permeability,
            cake_kg_m3=charge.cake_density,
            light_kg_m3=sand.light,
            usual_kg_m3=sand.usual,
            heavy_kg_m3=sand.heavy,
            pace_l_min=self.pump.pace,
            plate_kg=self.press.plate_mass,
            plates_c=self.press.plates,
        )

    def _tunings(self) -> dict[Point, PointTuning]:
        sections = {
            Point.OUTLET: self.point.outlet,
            Point.LINE: self.point.line,
            Point.PAN: self.point.pan,
            Point.FILLER: self.point.filler,
        }
        tunings = {
            point: PointTuning(
                tolerance=section.tolerance,
                time_constant_s=section.time_constant,
                scale=section.scale,
                offset=section.offset,
            )
            for point, section in sections.items()
            if section is not None
        }
        if self.point.flow is not None:
            tunings[Point.FLOW] = PointTuning()
        return tunings
