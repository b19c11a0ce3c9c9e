"""Statuses as the monitor sends them, for the sounder's tests."""

from __future__ import annotations

from monitor.contract.names import Alarm, AlarmState, Phase, Signal
from monitor.contract.readings import ClockState
from monitor.contract.status import AlarmStatus, PressShape, RunFacts, RunStatus, ThresholdStatus

LIMITS = ThresholdStatus(
    ready_c=82.2,
    ceiling_c=87.8,
    precipitation_c=89.4,
    start_kpa=206.8,
    near_clog_kpa=496.4,
    cutoff_kpa=551.6,
    paper_limit_kpa=620.5,
)


def status(
    seq: int,
    *,
    sound: Signal | None = None,
    prompts: int = 0,
    running: bool = True,
    alarmed: bool = False,
    boot: str = "boot",
) -> RunStatus:
    """Return a status; ``alarmed`` adds an active alarm, sounding or not."""
    alarm = AlarmStatus(
        name=Alarm.OVER_PRECIPITATION,
        state=AlarmState.UNACKNOWLEDGED,
        activation=1,
        priority=Signal.HIGH,
        active=True,
        for_s=1.0,
    )
    return RunStatus(
        press="main",
        seq=seq,
        boot=boot,
        mono_ms=seq * 1000,
        clock=ClockState.SAVED,
        software="test",
        phase=Phase.BOTTLING if running else Phase.IDLE,
        run=RunFacts(id="run", elapsed_s=1.0, by="pressure") if running else None,
        sound=sound,
        prompts=prompts,
        alarms=(alarm,) if alarmed else (),
        shape=PressShape(frames=5, frame_thickness_m=0.0254),
        thresholds=LIMITS,
    )
