"""What happened: one flag change, alarm move, phase move or mark per message.

``state`` of a flag change is "raised" or "cleared"; of an alarm move the state it went
to; of a phase move the phase it went to.
"""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal, get_args

from pydantic import Field, TypeAdapter

from monitor.contract.commands import MarkKind
from monitor.contract.entries import EarlierRun, EntryGiven, EntryId, ProbeFound
from monitor.contract.names import Alarm, AlarmState, Flag, Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.contract.wire import Milliseconds, NoteText, PressName, Sequence, ShortText, WireModel

EntryName = Literal["note", "charge", "cake", "lot", "probe check", "earlier run", "correction", "taken back"]
ENTRY_NAMES: tuple[str, ...] = get_args(EntryName)
"""Marks that are entries: what people write down before and after a run."""


class Moment(WireModel):
    """When and in which run an event happened."""

    press: PressName
    run: ShortText | None = None
    seq: Sequence
    boot: ShortText
    mono_ms: Milliseconds
    time: datetime | None = None
    clock: ClockState
    elapsed_s: float | None = None


class FlagChange(Moment):
    """A flag was raised or cleared."""

    kind: Literal["flag"] = "flag"
    name: Flag
    state: Literal["raised", "cleared"]


class AlarmMove(Moment):
    """An alarm went from one state to another."""

    kind: Literal["alarm"] = "alarm"
    name: Alarm
    activation: int
    before: AlarmState
    state: AlarmState
    cause: ShortText
    who: ShortText | None = None
    value: float | None = None
    standing: Standing | None = None
    threshold: float | None = None


class PhaseMove(Moment):
    """The run went from one phase to another."""

    kind: Literal["phase"] = "phase"
    name: Literal["run"] = "run"
    before: Phase
    state: Phase
    cause: ShortText


class Mark(Moment):
    """A person noted something done or seen.

    ``entry`` names what was entered before or after a run, ``given`` is all of it, ``corrects`` the
    earlier entry that it replaces or takes back.
    """

    kind: Literal["mark"] = "mark"
    name: MarkKind | EntryName
    state: Literal["noted"] = "noted"
    who: ShortText
    volume_l: float | None = None
    fill: float | None = None
    text: NoteText = ""
    entry: EntryId | None = None
    corrects: EntryId | None = None
    given: EntryGiven | None = None
    found: ProbeFound | None = None
    """What a probe check found."""
    earlier: EarlierRun | None = None


Event = Annotated[FlagChange | AlarmMove | PhaseMove | Mark, Field(discriminator="kind")]
EVENT: TypeAdapter[Event] = TypeAdapter(Event)
