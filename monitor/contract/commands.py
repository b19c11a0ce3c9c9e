"""What people ask of the monitor, and its answer. One model per verb."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated, Literal

from pydantic import Field, TypeAdapter

from monitor.contract.entries import CakeArgs, ChargeArgs, CheckArgs, EntryId, LotArgs, NoteArgs
from monitor.contract.names import Alarm, Verb
from monitor.contract.wire import LARGEST_INTEGER, NoteText, ShortText, WireModel

__all__ = [
    "COMMAND_ARGS",
    "SHELVE_LIMIT_S",
    "AcknowledgeArgs",
    "CakeArgs",
    "ChargeArgs",
    "CheckArgs",
    "Command",
    "CommandArgs",
    "CorrectArgs",
    "EndArgs",
    "LotArgs",
    "MarkArgs",
    "MarkKind",
    "NoteArgs",
    "Reply",
    "ShelveArgs",
    "SilenceArgs",
    "StartArgs",
    "Verb",
]

SHELVE_LIMIT_S = 600.0
"""Longest shelving of an alarm (requirement: 10 min)."""


class MarkKind(StrEnum):
    """Things a person taps in while the run goes on."""

    CONTAINER_FILLED = "container filled"
    STIRRED = "stirred"
    REGULATOR_RAISED = "regulator raised"
    TOTAL_VOLUME = "total volume"


class StartArgs(WireModel):
    """Open a run now."""

    verb: Literal[Verb.START] = Verb.START


class EndArgs(WireModel):
    """Close the open run."""

    verb: Literal[Verb.END] = Verb.END


class MarkArgs(WireModel):
    """Something done or seen. ``volume_l`` is the size of a container or a total."""

    verb: Literal[Verb.MARK] = Verb.MARK
    mark: MarkKind
    volume_l: Annotated[float, Field(gt=0, le=10_000)] | None = None


class AcknowledgeArgs(WireModel):
    """Answer one activation of one alarm, never a later one."""

    verb: Literal[Verb.ACKNOWLEDGE] = Verb.ACKNOWLEDGE
    alarm: Alarm
    activation: Annotated[int, Field(ge=1, le=LARGEST_INTEGER)]


class SilenceArgs(WireModel):
    """Stop the sound for two minutes; the alarms stay."""

    verb: Literal[Verb.SILENCE] = Verb.SILENCE


class ShelveArgs(WireModel):
    """Set one alarm aside for a while, always shown."""

    verb: Literal[Verb.SHELVE] = Verb.SHELVE
    alarm: Alarm
    seconds: Annotated[float, Field(gt=0, le=SHELVE_LIMIT_S)]


class CorrectArgs(WireModel):
    """Take ``entry`` back, with the reason; without one, a later word on ``run``. Nothing is erased.

    To put something right, send an entry of the same kind that ``corrects`` the old one.
    """

    verb: Literal[Verb.CORRECT] = Verb.CORRECT
    entry: EntryId | None = None
    run: ShortText | None = None
    text: NoteText = ""


CommandArgs = Annotated[
    StartArgs
    | EndArgs
    | MarkArgs
    | AcknowledgeArgs
    | SilenceArgs
    | ShelveArgs
    | NoteArgs
    | ChargeArgs
    | CakeArgs
    | LotArgs
    | CheckArgs
    | CorrectArgs,
    Field(discriminator="verb"),
]

COMMAND_ARGS: TypeAdapter[CommandArgs] = TypeAdapter(CommandArgs)


class Command(WireModel):
    """An act on its way to the monitor; ``id`` pairs it with its reply."""

    id: EntryId
    who: ShortText
    args: CommandArgs

    @property
    def verb(self) -> Verb:
        """The act, as the topic spells it."""
        return self.args.verb


class Reply(WireModel):
    """The monitor's answer: done, or refused with the reason a person reads."""

    id: ShortText
    done: bool
    reason: Annotated[str, Field(max_length=200)] | None = None
