"""RunStatus: all that a page, a sounder or a lamp needs to know, whole in every message."""

from __future__ import annotations

from datetime import datetime
from enum import StrEnum
from typing import Annotated, ClassVar

from pydantic import Field

from monitor.contract.names import Alarm, AlarmState, Flag, Limit, Phase, Signal, VolumeSource
from monitor.contract.readings import ClockState, Point, Reason
from monitor.contract.wire import STATUS_LIMIT, Milliseconds, PressName, Sequence, ShortText, WireModel


class Standing(StrEnum):
    """How the monitor sees a point now; a wire quality, or what silence makes of it."""

    GOOD = "good"
    UNCERTAIN = "uncertain"
    STALE = "stale"
    BAD = "bad"
    ABSENT = "absent"
    """No reading of this point has ever arrived."""


class PointStatus(WireModel):
    """One point as last heard. ``value`` is null unless the standing is good or uncertain."""

    standing: Standing
    reason: Reason | None = None
    age_s: float | None = None
    value: float | None = None
    tolerance: float | None = None
    corrected: float | None = None
    """Value with the probe's lag taken out, same unit."""
    per_min: float | None = None
    """Slope of the value per minute, same unit."""
    low: float | None = None
    high: float | None = None
    strokes_per_min: float | None = None


class FlagStatus(WireModel):
    """A raised flag and for how long it has been."""

    name: Flag
    for_s: float


class AlarmStatus(WireModel):
    """An alarm that is not in its normal state."""

    name: Alarm
    state: AlarmState
    activation: int
    priority: Signal
    active: bool
    for_s: float
    silenced_s: float = 0.0
    """Seconds of silence left."""
    shelved_s: float = 0.0
    """Seconds of shelving left."""
    value: float | None = None
    threshold: float | None = None
    point: Point | None = None


class ForecastStatus(WireModel):
    """What is to come; every unknown is null, and ``waiting_for`` says what is missing."""

    ready_in_s: float | None = None
    precipitation_in_s: float | None = None
    volume_left_l: float | None = None
    volume_left_low_l: float | None = None
    volume_left_high_l: float | None = None
    time_left_s: float | None = None
    time_left_low_s: float | None = None
    time_left_high_s: float | None = None
    limit: Limit = Limit.UNKNOWN
    fill: Annotated[float, Field(ge=0, le=1)] | None = None
    """Share of the window frames taken by cake."""
    assumption: ShortText | None = None
    waiting_for: ShortText | None = None


class VolumeStatus(WireModel):
    """Syrup passed since the run began."""

    source: VolumeSource = VolumeSource.NONE
    filtered_l: float | None = None
    uncertainty_l: float | None = None
    flow_l_min: float | None = None
    containers: int = 0
    containers_l: float = 0.0
    over_s: float = 0.0
    """Time of flow over the precipitation threshold."""
    over_l: float = 0.0


class RunFacts(WireModel):
    """The open run."""

    id: ShortText
    started: datetime | None = None
    elapsed_s: float
    by: ShortText
    """Who or what opened it: a person's name, or "pressure"."""


class PressShape(WireModel):
    """What the press picture is drawn from."""

    frames: Annotated[int, Field(ge=1, le=200)]
    frame_thickness_m: float
    full_volume_l: float | None = None


class ThresholdStatus(WireModel):
    """Thresholds in force, base units."""

    ready_c: float
    ceiling_c: float
    precipitation_c: float
    start_kpa: float
    near_clog_kpa: float
    cutoff_kpa: float
    paper_limit_kpa: float


class RunStatus(WireModel):
    """The retained status of one press, published at every change and every second.

    ``prompts`` counts the prompts raised since the monitor started: a listener that sees
    it grow plays the prompt once. ``sound`` is the alarm signal due now, null for silence.
    """

    payload_limit: ClassVar[int] = STATUS_LIMIT

    press: PressName
    seq: Sequence
    boot: ShortText
    mono_ms: Milliseconds
    time: datetime | None = None
    clock: ClockState
    software: ShortText
    invented: bool = False
    """True for the demo's made-up press."""
    phase: Phase
    run: RunFacts | None = None
    points: dict[Point, PointStatus] = Field(default_factory=dict)
    flags: tuple[FlagStatus, ...] = ()
    alarms: tuple[AlarmStatus, ...] = ()
    sound: Signal | None = None
    prompts: Sequence = 0
    forecast: ForecastStatus = ForecastStatus()
    volume: VolumeStatus = VolumeStatus()
    shape: PressShape
    thresholds: ThresholdStatus
    recording: bool = True
    trouble: Annotated[str, Field(max_length=200)] | None = None
    """Why nothing is recorded, in one line."""
    refused: Sequence = 0
    """Payloads that did not fit since the monitor started."""
