"""Checks what people enter before and after a run, and keeps it as marks; refuses what cannot be.

A refusal is one line and saves nothing. An entry is kept under its command's id, so a command
that is delivered twice, even across a restart, is one entry.
"""

from __future__ import annotations

from datetime import date
from typing import assert_never

from monitor.contract.commands import Command, CorrectArgs
from monitor.contract.entries import (
    CakeArgs,
    ChargeArgs,
    CheckArgs,
    EntryArgs,
    FilledContainers,
    LotArgs,
    NoteArgs,
)
from monitor.contract.errors import CommandRefused, EntryRefused
from monitor.contract.events import Mark
from monitor.run.batch import Batch
from monitor.run.cake import CakeReading
from monitor.run.charge import MOST_SETS
from monitor.run.lot import MeasuredDensity, checked_initials
from monitor.run.lot_code import checked_code, lot_code
from monitor.run.plain_text import plain_text
from monitor.run.probe_check import found_by
from monitor.run.records import TAKEN_BACK, KeptRun, Records
from monitor.run.step import Step

Entering = NoteArgs | ChargeArgs | CakeArgs | LotArgs | CheckArgs
"""What can be corrected and taken back."""

THICKEST_DOSE_KG_M3 = 150.0
"""Filter aid in syrup [kg/m3] that no pump moves: half of what a packed cake holds (judgement)."""
LARGEST_CONTAINER_L, MOST_CONTAINERS = 1_500.0, 100_000
"""Larger than a tank on a pallet, more than a season fills."""


def enter(step: Step, command: Command, args: Entering, *, records: Records) -> None:
    """Keep the entry ``args``; raise :class:`EntryRefused` or :class:`CommandRefused` otherwise."""
    if command.id in records.entries:
        return
    run = _run_of(step, args)
    match args:
        case NoteArgs():
            _note(step, command, args, run=run, records=records)
        case ChargeArgs():
            _charge(step, command, args, run=run, records=records)
        case CakeArgs():
            _cake(step, command, args, records=records)
        case LotArgs():
            _lot(step, command, args, records=records)
        case CheckArgs():
            _check(step, command, args, records=records)
        case _:
            assert_never(args)


def correct(step: Step, command: Command, args: CorrectArgs, *, records: Records) -> None:
    """Take an entry back, or keep a later word on a run."""
    if command.id in records.entries:
        return
    text = plain_text(args.text, name="reason")
    if args.entry is None:
        if not text or args.run is None:
            raise CommandRefused("a correction needs the entry it takes back, or a run and words")
        _known_run(step, args.run, records)
        _keep(step, command, "correction", run=args.run, text=text)
        return
    old = records.entry(args.entry)
    waiting = step.state.charge
    if waiting is not None and waiting.entry == args.entry:
        step.put(charge=None)
    _keep(step, command, TAKEN_BACK, run=old.run, text=text, corrects=args.entry)


def charge_of_run(step: Step) -> None:
    """Hand the charge that was entered before to the run that has just been opened."""
    waiting = step.state.charge
    if waiting is None:
        return
    step.put(charge=None)
    step.happened(
        Mark,
        name="charge",
        who=waiting.who,
        text=waiting.text,
        entry=waiting.entry,
        corrects=waiting.corrects,
        given=waiting.given,
    )


def cake_reading(args: CakeArgs, *, note: str = "") -> CakeReading:
    """Return the cake reading in ``args``; refuse one that cannot be."""
    return CakeReading(
        thickness_m=args.thickness_m,
        frame_thickness_m=args.frame_thickness_m,
        fill=args.fill,
        amount=args.amount,
        firmness=args.firmness,
        colour=args.colour,
        wet_spots=args.wet_spots,
        thicker_below=args.thicker_below,
        torn_papers=args.torn_papers,
        note=note,
    )


def _run_of(step: Step, args: Entering) -> str | None:
    if isinstance(args, CheckArgs):
        return None
    if args.run is not None:
        return args.run
    return None if step.state.run is None else step.state.run.id


def _note(step: Step, command: Command, args: NoteArgs, *, run: str | None, records: Records) -> None:
    text = plain_text(args.text, name="note")
    if not text:
        raise EntryRefused("the note is empty")
    if run is not None:
        _known_run(step, run, records)
    _corrected(args, name="note", run=run, records=records)
    _keep(step, command, "note", run=run, text=text, args=args)


def _charge(step: Step, command: Command, args: ChargeArgs, *, run: str | None, records: Records) -> None:
    text = plain_text(args.text, name="note")
    Batch(volume_l=args.volume_l)
    MeasuredDensity(sugar=args.sugar, method=args.method)
    if not 1 <= args.sets <= MOST_SETS:
        raise EntryRefused(f"{args.sets} sets of papers cannot be: give 1 to {MOST_SETS}")
    aid_kg = _aid_kg(args, cup_kg=records.cup_kg)
    if not 0.0 <= aid_kg <= THICKEST_DOSE_KG_M3 * args.volume_l / 1000.0:
        raise EntryRefused(
            f"{aid_kg:.3g} kg of filter aid in {args.volume_l:.3g} L of syrup cannot be: check both units"
        )
    if run is not None:
        _known_run(step, run, records)
    _corrected(args, name="charge", run=run, records=records)
    kept = args.model_copy(update={"aid_kg": aid_kg})
    mark = _keep(step, command, "charge", run=run, text=text, args=kept)
    if run is None:
        step.put(charge=mark)


def _aid_kg(args: ChargeArgs, *, cup_kg: float) -> float:
    if args.aid_kg is not None:
        return args.aid_kg
    if args.aid_cups is not None:
        return args.aid_cups * cup_kg
    raise EntryRefused("a charge needs its filter aid, weighed or in cups")


def _cake(step: Step, command: Command, args: CakeArgs, *, records: Records) -> None:
    text = plain_text(args.text, name="note")
    kept_run = _known_run(step, args.run, records)
    if args.thickness_m and args.frame_thickness_m is None:
        frame_m = kept_run.frame_thickness_m or step.rules.press.frame_thickness_m
        args = args.model_copy(update={"frame_thickness_m": round(frame_m, 5)})
    reading = cake_reading(args, note=text)
    frames = kept_run.frames or step.rules.press.frames
    if len(reading.thickness_m) > frames:
        raise EntryRefused(f"{len(reading.thickness_m)} thicknesses cannot be of {frames} frames")
    if not text and not _anything_seen(args):
        raise EntryRefused("nothing was said of the cakes: give at least how full the frames were")
    _corrected(args, name="cake", run=args.run, records=records)
    share = reading.full_share
    _keep(
        step,
        command,
        "cake",
        run=args.run,
        text=text,
        args=args,
        fill=None if share is None else round(share, 4),
    )


def _anything_seen(args: CakeArgs) -> bool:
    left_out = {"verb", "run", "corrects", "text", "frame_thickness_m"}
    seen = args.model_dump(exclude=left_out, exclude_none=True, exclude_defaults=True)
    return bool(seen)


def _lot(step: Step, command: Command, args: LotArgs, *, records: Records) -> None:
    text = plain_text(args.text, name="note")
    kept_run = _known_run(step, args.run, records)
    packed = _packed(args, kept_run, today=records.today)
    MeasuredDensity(sugar=args.sugar, method=args.method)
    for kind in args.containers:
        _fit_container(kind)
    if len({kind.size_l for kind in args.containers}) < len(args.containers):
        raise EntryRefused("a size of container is given twice: give each size once with its count")
    _corrected(args, name="lot", run=args.run, records=records)
    others = [mark for mark in records.lots() if mark.entry != args.corrects]
    old = records.entries.get(args.corrects or "")
    number, code = _lot_name(step, args, packed, others, old=old, scheme=records.lot_scheme)
    kept = args.model_copy(
        update={
            "packed": packed,
            "number": number,
            "code": code,
            "initials": checked_initials(args.initials),
        }
    )
    _keep(step, command, "lot", run=args.run, text=text, args=kept)


def _packed(args: LotArgs, kept_run: KeptRun, *, today: date | None) -> date:
    packed = args.packed or kept_run.day or today
    if packed is None:
        raise EntryRefused("the clock is not set: give the day the lot was packed")
    if today is not None and packed > today:
        raise EntryRefused(f"a lot packed on {packed} lies in the future: today is {today}")
    if kept_run.day is not None and packed < kept_run.day:
        raise EntryRefused(f"a lot packed on {packed} is older than its run of {kept_run.day}")
    return packed


def _lot_name(
    step: Step, args: LotArgs, packed: date, others: list[Mark], *, old: Mark | None, scheme: str
) -> tuple[int, str]:
    """Return the lot's number of its day and its code, which no other lot has.

    A correction keeps the number unless it moves the lot to another day.
    """
    lots = [mark.given for mark in others if isinstance(mark.given, LotArgs)]
    before = max((lot.number or 0 for lot in lots if lot.packed == packed), default=0)
    number = before + 1 if args.number is None else args.number
    if args.number is None and old is not None and isinstance(old.given, LotArgs):
        number = old.given.number or number if old.given.packed == packed else number
    made = lot_code(scheme, packed=packed, press=step.rules.press.name, number=number)
    code = made if args.code is None else checked_code(args.code)
    if code in {lot.code for lot in lots}:
        raise EntryRefused(f"lot {code} is there already: give another number or code")
    return number, code


def _fit_container(kind: FilledContainers) -> None:
    if not 0.0 < kind.size_l <= LARGEST_CONTAINER_L:
        raise EntryRefused(f"a container of {kind.size_l:g} L cannot be")
    if not 1 <= kind.count <= MOST_CONTAINERS:
        raise EntryRefused(f"{kind.count} containers cannot be: count those that were filled")


def _check(step: Step, command: Command, args: CheckArgs, *, records: Records) -> None:
    text = plain_text(args.text, name="note")
    found = found_by(args, tuning=step.rules.tuning(args.point))
    _corrected(args, name="probe check", run=None, records=records)
    _keep(step, command, "probe check", run=None, text=text, args=args, found=found)


def _known_run(step: Step, run: str, records: Records) -> KeptRun:
    if run in records.runs:
        return records.runs[run]
    if step.state.run is not None and step.state.run.id == run:
        return KeptRun()
    raise CommandRefused(f"no run is called {run}: look at the list of runs")


def _corrected(args: EntryArgs, *, name: str, run: str | None, records: Records) -> None:
    """Refuse a correction of an entry that is of another kind or run, or counts no more."""
    if args.corrects is None:
        return
    old = records.entry(args.corrects)
    if old.name != name or old.run != run:
        raise CommandRefused(f"that entry is no {name} of this run: correct it where it stands")


def _keep(
    step: Step,
    command: Command,
    name: str,
    *,
    run: str | None,
    text: str,
    args: Entering | None = None,
    corrects: str | None = None,
    **more: object,
) -> Mark:
    """Record the entry as an event; its words and what it corrects stand in the event itself."""
    open_run = step.state.run
    in_open_run = open_run is not None and open_run.id == run
    given = None if args is None else args.model_copy(update={"text": "", "corrects": None})
    return step.happened(
        Mark,
        name=name,
        run=run,
        **({} if in_open_run else {"elapsed_s": None}),
        who=command.who,
        text=text,
        entry=command.id,
        corrects=corrects if args is None else args.corrects,
        given=given,
        **more,
    )
