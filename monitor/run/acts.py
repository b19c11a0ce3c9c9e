"""Carries out what people ask for, or says why not. Asked twice, an act is done once."""

from __future__ import annotations

from dataclasses import replace
from typing import assert_never

from monitor.contract.commands import (
    AcknowledgeArgs,
    CakeArgs,
    ChargeArgs,
    CheckArgs,
    Command,
    CorrectArgs,
    EndArgs,
    LotArgs,
    MarkArgs,
    MarkKind,
    NoteArgs,
    Reply,
    ShelveArgs,
    SilenceArgs,
    StartArgs,
)
from monitor.contract.errors import CommandRefused, EntryRefused, IllegalMove
from monitor.contract.events import Mark
from monitor.rules.alarms import SILENCE_S, Cause
from monitor.run import entering, opening
from monitor.run.alarming import shift
from monitor.run.effects import Answered
from monitor.run.press_memory import after_total
from monitor.run.records import Records
from monitor.run.state import OpenRun
from monitor.run.step import Step

REMEMBERED = 32
"""Answers kept to recognise a command that the broker delivers twice."""


def carry_out(step: Step, command: Command, *, records: Records) -> None:
    """Do ``command`` and answer it; a refusal changes nothing."""
    earlier = next((reply for reply in step.state.answered if reply.id == command.id), None)
    reply = earlier or _answer(step, command, records)
    if earlier is None:
        step.put(answered=(*step.state.answered, reply)[-REMEMBERED:])
    step.effects.append(Answered(reply))


def _answer(step: Step, command: Command, records: Records) -> Reply:
    before, effects = step.state, len(step.effects)
    try:
        _do(step, command, records)
    except (CommandRefused, EntryRefused, IllegalMove) as refusal:
        step.state = before
        del step.effects[effects:]
        return Reply(id=command.id, done=False, reason=str(refusal)[:200])
    return Reply(id=command.id, done=True)


def _do(step: Step, command: Command, records: Records) -> None:
    who, args = command.who, command.args
    match args:
        case StartArgs():
            if step.state.run is not None:
                raise CommandRefused("a run is open already")
            opening.open_run(step, by=who, started_s=step.now_s)
        case EndArgs():
            _open_run(step)
            opening.close(step, by=who)
        case MarkArgs():
            _mark(step, args, who=who)
        case AcknowledgeArgs():
            _acknowledge(step, args, who=who)
        case SilenceArgs():
            _silence(step)
        case ShelveArgs():
            if args.alarm not in step.state.alarms:
                raise CommandRefused(f"{args.alarm} cannot be shelved")
            shift(step, args.alarm, Cause.SHELVED, who=who, shelve_s=args.seconds)
        case NoteArgs() | ChargeArgs() | CakeArgs() | LotArgs() | CheckArgs():
            entering.enter(step, command, args, records=records)
        case CorrectArgs():
            entering.correct(step, command, args, records=records)
        case _:
            assert_never(args)


def _open_run(step: Step) -> OpenRun:
    if step.state.run is None:
        raise CommandRefused("no run is open")
    return step.state.run


def _mark(step: Step, args: MarkArgs, *, who: str) -> None:
    run = _open_run(step)
    match args.mark:
        case MarkKind.CONTAINER_FILLED | MarkKind.TOTAL_VOLUME if args.volume_l is None:
            raise CommandRefused(f"{args.mark} needs a volume")
        case MarkKind.CONTAINER_FILLED:
            filled_l = run.containers_l + (args.volume_l or 0.0)
            step.put(run=run.changed(containers=run.containers + 1, containers_l=filled_l))
        case MarkKind.STIRRED:
            step.put(run=run.changed(stirred_s=step.now_s))
        case MarkKind.TOTAL_VOLUME:
            _learn_total(step, run, total_l=args.volume_l or 0.0)
        case MarkKind.REGULATOR_RAISED:
            pass
        case _:
            assert_never(args.mark)
    step.happened(Mark, name=args.mark, who=who, volume_l=args.volume_l)


def _learn_total(step: Step, run: OpenRun, *, total_l: float) -> None:
    """Correct the litres a stroke by the run's true total, where its strokes can tell."""
    learned = after_total(step.state.memory, run.forecast, total_l=total_l, rules=step.set_rules)
    if learned is not None:
        step.put(memory=learned)


def _acknowledge(step: Step, args: AcknowledgeArgs, *, who: str) -> None:
    record = step.state.alarms.get(args.alarm)
    if record is None or record.activation == 0:
        raise CommandRefused(f"{args.alarm} has not been raised")
    if record.activation != args.activation:
        raise CommandRefused(f"{args.alarm} has been raised again since: look at the page once more")
    shift(step, args.alarm, Cause.ACKNOWLEDGED, who=who)


def _silence(step: Step) -> None:
    sounding = {alarm: record for alarm, record in step.state.alarms.items() if record.sounding(step.now_s)}
    if not sounding:
        raise CommandRefused("nothing sounds now")
    until_s = step.now_s + SILENCE_S
    quiet = {alarm: replace(record, silenced_until_s=until_s) for alarm, record in sounding.items()}
    step.put(alarms=step.state.alarms | quiet)
