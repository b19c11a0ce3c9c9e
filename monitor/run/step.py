"""One step under way: the state so far and what it wants done.

Made and dropped inside one call of :func:`monitor.run.engine.step`; the state it carries is
immutable and replaced, never changed.
"""

from __future__ import annotations

from typing import Any, TypeVar

from monitor.contract.events import AlarmMove, FlagChange, Mark, PhaseMove
from monitor.contract.names import Phase
from monitor.rules.thresholds import RunRules
from monitor.run.effects import Effect, Happened
from monitor.run.inputs import Stamp
from monitor.run.phases import Turn, turned
from monitor.run.press_memory import in_force
from monitor.run.state import State

Kind = TypeVar("Kind", AlarmMove, FlagChange, Mark, PhaseMove)


class Step:
    """The state, the moment, the rules, and the effects gathered so far."""

    __slots__ = ("effects", "now_s", "rules", "set_rules", "stamp", "state")

    def __init__(self, state: State, *, stamp: Stamp, rules: RunRules) -> None:
        now_s = max(state.now_s, stamp.mono_s - state.origin_s)
        self.state = state if now_s == state.now_s else state.changed(now_s=now_s)
        self.now_s = now_s
        """Engine time of this step [s]."""
        self.stamp = stamp
        self.set_rules = rules
        """As the settings say, before anything learned."""
        self.rules = in_force(rules, state.memory)
        self.effects: list[Effect] = []

    @property
    def elapsed_s(self) -> float | None:
        """Time since the open run began [s]."""
        run = self.state.run
        return None if run is None else self.now_s - run.started_s

    def put(self, **changes: Any) -> None:
        """Replace fields of the state."""
        self.state = self.state.changed(**changes)

    def happened(self, kind: type[Kind], **fields: Any) -> Kind:
        """Record an event of ``kind`` at this moment and return it."""
        run = self.state.run
        elapsed_s = self.elapsed_s
        moment = {
            "press": self.rules.press.name,
            "run": run.id if run else None,
            "seq": self.state.events,
            "boot": self.stamp.boot,
            "mono_ms": max(0, round(self.stamp.mono_s * 1000)),
            "time": self.stamp.time,
            "clock": self.stamp.clock,
            "elapsed_s": None if elapsed_s is None else round(elapsed_s, 3),
        }
        event = kind(**(moment | fields))
        self.effects.append(Happened(event))
        self.put(events=self.state.events + 1)
        return event

    def turn(self, turn: Turn, *, cause: str | None = None) -> Phase:
        """Move the run's phase and record it."""
        before = self.state.phase
        after = turned(before, turn)
        self.put(phase=after, phase_since_s=self.now_s)
        self.happened(PhaseMove, before=before, state=after, cause=cause or turn.value)
        return after
