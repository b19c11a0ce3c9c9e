"""All that the engine remembers between two steps. Stored as JSON, so it survives a restart.

Times are engine seconds: the monotonic clock less ``origin_s``. After a restart in another
boot only the origin changes, and every delay, shelving and age goes on from where it was.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Self

from pydantic import TypeAdapter, ValidationError

from monitor.contract.commands import Reply
from monitor.contract.errors import StoreUnreadable
from monitor.contract.events import Mark
from monitor.contract.names import Alarm, AlarmState, Flag, Phase
from monitor.contract.readings import Point
from monitor.contract.status import ForecastStatus
from monitor.rules.alarms import AlarmRecord
from monitor.rules.flags import Watch
from monitor.rules.flow import FlowTrack
from monitor.rules.forecast import ForecastState
from monitor.rules.freshness import PointTrack
from monitor.rules.second import Second
from monitor.rules.thresholds import RunRules
from monitor.rules.verdict import Verdict
from monitor.run.press_memory import PressMemory

FILLER_ALARMS = frozenset({Alarm.FILLER_TOO_HOT, Alarm.FILLER_TOO_COLD})
"""Alarms of a probe that many presses do not have."""


class Changeable:
    """A dataclass without slots, that is copied in one go: a step does so several times."""

    def changed(self, **changes: Any) -> Self:
        """Return this with ``changes``, as :func:`dataclasses.replace` would."""
        before = self.__dict__
        fields = before | changes
        if len(fields) != len(before):
            raise TypeError(f"{type(self).__name__} has no {', '.join(set(changes) - set(before))}")
        after = object.__new__(type(self))
        object.__setattr__(after, "__dict__", fields)  # past the frozen class, which is not made yet
        return after


@dataclass(frozen=True, kw_only=True)
class OpenRun(Changeable):
    """The run that is open."""

    id: str
    by: str
    started_s: float
    forecast: ForecastState
    outlook: ForecastStatus = ForecastStatus()
    """What the forecast said at the last whole second."""
    seen: tuple[Flag, ...] = ()
    """Signatures seen then."""
    containers: int = 0
    containers_l: float = 0.0
    over_s: float = 0.0
    over_l: float = 0.0
    bottled: bool = False
    stirred_s: float
    """When the tank was last stirred, or stirring was last asked for."""


@dataclass(frozen=True, kw_only=True)
class State(Changeable):
    """The engine's memory; :func:`fresh` makes the first one."""

    boot: str
    origin_s: float
    now_s: float = 0.0
    points: dict[Point, PointTrack] = field(default_factory=dict)
    flow: FlowTrack = FlowTrack()
    phase: Phase = Phase.IDLE
    phase_since_s: float = 0.0
    run: OpenRun | None = None
    last_run: str = ""
    """Name of the run opened last, so that the next is called otherwise."""
    may_open: bool = True
    """Pressure may open a run: false after a run was ended with the line still under pressure."""
    verdict: Verdict = Verdict()
    verdict_since_s: float = 0.0
    watches: dict[Flag, Watch] = field(default_factory=dict)
    alarms: dict[Alarm, AlarmRecord] = field(default_factory=dict)
    waiting: tuple[Second, ...] = ()
    """Seconds under pressure before a run opens: it is back-dated to the first."""
    second_s: float = 0.0
    """Engine time of the last whole second handed to the forecast and the trace."""
    strokes: int | None = None
    """Strokes heard since then."""
    trouble: str | None = None
    memory: PressMemory = PressMemory()
    charge: Mark | None = None
    """What was entered for the next run."""
    events: int = 0
    prompts: int = 0
    answered: tuple[Reply, ...] = ()


def fresh(*, boot: str, mono_s: float, rules: RunRules) -> State:
    """Return the state of a monitor that has heard nothing yet."""
    filler = AlarmState.SUPPRESSED if Point.FILLER in rules.points else AlarmState.OUT_OF_SERVICE
    return State(
        boot=boot,
        origin_s=mono_s,
        alarms={
            alarm: AlarmRecord(state=filler if alarm in FILLER_ALARMS else AlarmState.NORMAL)
            for alarm in Alarm
            if alarm is not Alarm.MONITOR_SILENT
        },
    )


_STATE = TypeAdapter(State)


def stored(state: State) -> bytes:
    """Return ``state`` as JSON."""
    return _STATE.dump_json(state)


def restored(snapshot: bytes, *, boot: str, mono_s: float) -> State:
    """Return the state in ``snapshot``, ready to go on at ``mono_s`` of ``boot``.

    In the same boot engine time simply goes on. After a reboot it goes on from the moment of
    the snapshot: how long the board was off is not known for sure, so no delay counts it. No
    reading of before is taken along. Raises :class:`StoreUnreadable` on a snapshot of another
    version or a damaged one.
    """
    try:
        state = _STATE.validate_json(snapshot)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        why = first["msg"][:80]
        raise StoreUnreadable(f"the stored state cannot be used ({why}); starting anew") from None
    state = state.changed(points={}, strokes=None)
    if boot == state.boot:
        return state
    return state.changed(boot=boot, origin_s=mono_s - state.now_s)
