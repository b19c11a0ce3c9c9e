"""The commands before and after a run: what is written down, and the season read back.

An entry goes to the running monitor as a command, as a phone's does; reading needs no monitor.
"""

from __future__ import annotations

import asyncio
import getpass
import json
import secrets
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from monitor.command_options import AsJson, Overrides, SettingsFile, load_settings
from monitor.contract.errors import EntryRefused

if TYPE_CHECKING:
    from monitor.contract.commands import CommandArgs
    from monitor.contract.entries import EntryGiven
    from monitor.runtime.settings import Settings
    from monitor.trace.season import Season, SeasonRun

app = typer.Typer()

RunName = Annotated[str, typer.Argument(metavar="RUN", help="A run, as `niterwatch runs` names it.")]
Note = Annotated[str, typer.Option(metavar="WORDS", help="Words to keep with it.")]
Who = Annotated[str | None, typer.Option(metavar="NAME", help="Who enters it; the user of this computer.")]
Corrects = Annotated[
    str | None, typer.Option(metavar="ENTRY", help="The entry that this one corrects; the old one is kept.")
]
Density = Annotated[str | None, typer.Option(metavar="BRIX", help='True density, such as "66.9 Brix".')]
HowDense = Annotated[
    str | None,
    typer.Option(metavar="WORD", help="How it was measured: hot, cold (hydrometer), refractometer."),
]


@app.command()
def charge(
    batch: Annotated[str, typer.Option(metavar="VOLUME", help='Syrup for this set, such as "15 gal".')],
    aid: Annotated[str, typer.Option(metavar="AMOUNT", help='Its filter aid, "11 cup" or "500 g".')],
    settings: SettingsFile = None,
    overrides: Overrides = None,
    run: Annotated[str | None, typer.Option(metavar="RUN", help="The open run or the next one.")] = None,
    density: Density = None,
    method: HowDense = None,
    sand: Annotated[str | None, typer.Option(metavar="WORD", help="light, usual or heavy.")] = None,
    sets: Annotated[int, typer.Option(help="Sets of papers for the whole batch.")] = 1,
    note: Note = "",
    who: Who = None,
    corrects: Corrects = None,
) -> None:
    """Write down the charge of the next run."""
    from monitor import entry_forms

    args = entry_forms.charge_args(
        batch=batch, aid=aid, run=run, density=density, method=method, sand=sand, sets=sets
    )
    _enter(load_settings(settings, overrides), args, note=note, who=who, corrects=corrects)


@app.command()
def cake(
    run: RunName,
    settings: SettingsFile = None,
    overrides: Overrides = None,
    fill: Annotated[
        str | None,
        typer.Option(metavar="SHARE", help="How full the frames were: 0.8, 80 %, light, half, full."),
    ] = None,
    thickness: Annotated[
        list[str] | None,
        typer.Option(metavar="LENGTH", help='Both cakes of a frame together, such as "0.9 in"; repeat it.'),
    ] = None,
    frame: Annotated[
        str | None, typer.Option(metavar="LENGTH", help="Thickness of a frame; the settings' if not given.")
    ] = None,
    firmness: Annotated[str | None, typer.Option(metavar="WORD", help="firm, soft or runny.")] = None,
    colour: Annotated[str | None, typer.Option(metavar="WORD", help="pale, tan or dark.")] = None,
    wet: Annotated[bool | None, typer.Option("--wet/--dry", help="Wet spots or none.")] = None,
    thicker_below: Annotated[
        bool | None, typer.Option("--thicker-below/--even", help="Thicker at the bottom, or even.")
    ] = None,
    torn: Annotated[int | None, typer.Option(metavar="NUMBER", help="Torn or folded papers.")] = None,
    note: Note = "",
    who: Who = None,
    corrects: Corrects = None,
) -> None:
    """Write down what the opened cakes show."""
    from monitor import entry_forms

    args = entry_forms.cake_args(
        run,
        fill=fill,
        thickness=thickness or [],
        frame=frame,
        firmness=firmness,
        colour=colour,
        wet=wet,
        thicker_below=thicker_below,
        torn=torn,
    )
    _enter(load_settings(settings, overrides), args, note=note, who=who, corrects=corrects)


@app.command()
def lot(
    run: RunName,
    settings: SettingsFile = None,
    overrides: Overrides = None,
    packed: Annotated[str | None, typer.Option(metavar="DATE", help="2026-03-09; the run's day.")] = None,
    number: Annotated[int | None, typer.Option(help="Which lot of that day; the next one.")] = None,
    code: Annotated[str | None, typer.Option(help="Its code; by the scheme of the settings.")] = None,
    density: Density = None,
    method: HowDense = None,
    container: Annotated[
        list[str] | None,
        typer.Option(
            metavar="SIZE=COUNT", help='Such as "1 gal=12"; those tapped in the run if none is given.'
        ),
    ] = None,
    initials: Annotated[str, typer.Option(help="Who packed it.")] = "",
    note: Note = "",
    who: Who = None,
    corrects: Corrects = None,
) -> None:
    """Write down a lot packed from a run.

    The record helps to find it again; it proves no compliance.
    """
    from monitor import entry_forms

    args = entry_forms.lot_args(
        run,
        packed=packed,
        number=number,
        code=code,
        density=density,
        method=method,
        containers=container or [],
        initials=initials,
    )
    _enter(load_settings(settings, overrides), args, note=note, who=who, corrects=corrects)


@app.command()
def note(
    text: Annotated[str, typer.Argument(metavar="WORDS")],
    settings: SettingsFile = None,
    overrides: Overrides = None,
    run: Annotated[str | None, typer.Option(metavar="RUN", help="The open run if not given.")] = None,
    who: Who = None,
    corrects: Corrects = None,
) -> None:
    """Write down words."""
    from monitor import entry_forms

    args = entry_forms.note_args(run, text=text)
    _enter(load_settings(settings, overrides), args, note=text, who=who, corrects=corrects)


@app.command()
def probe(
    point: Annotated[str, typer.Argument(metavar="POINT", help="outlet, pan or filler.")],
    settings: SettingsFile = None,
    overrides: Overrides = None,
    ice: Annotated[
        str | None, typer.Option(metavar="TEMPERATURE", help='Shown in ice slush, such as "32.4 degF".')
    ] = None,
    boiling: Annotated[
        str | None, typer.Option(metavar="TEMPERATURE", help="Shown in boiling water.")
    ] = None,
    pressure: Annotated[
        str | None,
        typer.Option(metavar="PRESSURE", help="The station's own, not sea level's, such as \"29.1 inHg\"."),
    ] = None,
    altitude: Annotated[
        str | None, typer.Option(metavar="LENGTH", help='Where there is no barometer, such as "1200 ft".')
    ] = None,
    note: Note = "",
    who: Who = None,
    corrects: Corrects = None,
) -> None:
    """Write down a probe check.

    In ice, in boiling water or in both; it says the settings that the check asks for.
    """
    from monitor import entry_forms, season_table
    from monitor.run.probe_check import found_by
    from monitor.trace.season import ProbeCheck

    chosen = load_settings(settings, overrides)
    args = entry_forms.check_args(point, ice=ice, boiling=boiling, pressure=pressure, altitude=altitude)
    entry = _enter(chosen, args, note=note, who=who, corrects=corrects)
    found = found_by(args, tuning=chosen.rules().tuning(args.point))
    check = ProbeCheck(entry=entry, time=datetime.now(UTC), who="", args=args, found=found, note=note)
    for line in season_table.check_lines(check):
        typer.echo(line)


@app.command()
def correct(
    entry: Annotated[str, typer.Argument(metavar="ENTRY", help="As `niterwatch entries` names it.")],
    settings: SettingsFile = None,
    overrides: Overrides = None,
    reason: Annotated[str, typer.Option(metavar="WORDS", help="Why.")] = "",
    who: Who = None,
) -> None:
    """Take an entry back.

    It is kept, and counts no more.
    """
    from monitor import entry_forms

    args = entry_forms.taking_back(entry, reason=reason)
    _send(load_settings(settings, overrides), args, who=who)


@app.command()
def entries(run: RunName, settings: SettingsFile = None, overrides: Overrides = None) -> None:
    """List what was written down about a run.

    With the names to correct it by.
    """
    from monitor import season_table
    from monitor.run.records import standing

    chosen = load_settings(settings, overrides)
    found = _season(chosen).entries(run)
    counting = standing(found)
    if not found:
        typer.echo("nothing was written down about this run")
    for mark in found:
        typer.echo(season_table.entry_line(mark, counts=mark in counting))


@app.command()
def lots(
    settings: SettingsFile = None,
    overrides: Overrides = None,
    search: Annotated[str, typer.Option(metavar="WORDS", help="Part of a code, run, day or note.")] = "",
    as_json: AsJson = False,
) -> None:
    """List lots, newest first."""
    from monitor import season_table

    found = _season(load_settings(settings, overrides)).lots(search)
    if not found and not as_json:
        typer.echo("no lots found" if search else "no lots yet")
    for each in found:
        typer.echo(json.dumps(season_table.lot_facts(each)) if as_json else season_table.lot_line(each))


@app.command()
def season(
    settings: SettingsFile = None,
    overrides: Overrides = None,
    as_csv: Annotated[bool, typer.Option("--csv", help="Print CSV.")] = False,
) -> None:
    """Compare the runs, oldest first.

    Their charge, cakes and resistance.
    """
    from monitor import season_table

    chosen = load_settings(settings, overrides)
    runs = _season(chosen).runs()
    if as_csv:
        typer.echo(_season_file(chosen, runs), nl=False)
        return
    if not runs:
        typer.echo("no runs yet")
    for line in season_table.season_lines(runs, units=chosen.display.units):
        typer.echo(line)


@app.command("import")
def import_(
    package: Annotated[
        Path | None, typer.Argument(metavar="PACKAGE", help="Folder or zip archive of an exported run.")
    ] = None,
    settings: SettingsFile = None,
    overrides: Overrides = None,
    notes: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Earlier runs from a notebook.")
    ] = None,
) -> None:
    """Take runs into the store.

    An exported one, or those of a notebook. The monitor must be stopped.
    """
    if (package is None) == (notes is None):
        raise EntryRefused("give the package of a run, or --notes with a file")
    chosen = load_settings(settings, overrides)
    if package is not None:
        from monitor.trace.archive import import_run
        from monitor.trace.package import read_package

        whole = read_package(package)
        import_run(chosen.store.url, whole)
        typer.echo(f"{whole.file.run}: {len(whole.rows)} seconds and {len(whole.events)} events")
    if notes is not None:
        typer.echo(_import_notes(chosen, notes))


@app.command()
def forget(
    run: RunName,
    yes: Annotated[bool, typer.Option("--yes", help="Yes, delete it.")] = False,
    settings: SettingsFile = None,
    overrides: Overrides = None,
) -> None:
    """Delete a run for good.

    With its seconds, events and entries. Export it first: the package brings it back. The monitor
    must be stopped.
    """
    if not yes:
        raise EntryRefused(f"forget deletes {run} for good: export it first, then say --yes")
    from monitor.trace.archive import forget_run

    forget_run(load_settings(settings, overrides).store.url, run)
    typer.echo(f"{run} is forgotten")


def _enter(settings: Settings, args: EntryGiven, *, note: str, who: str | None, corrects: str | None) -> str:
    """Send ``args`` with the words and the correction of the options; return the entry's id."""
    from monitor import entry_forms

    whole = entry_forms.with_words(args, text=note, corrects=corrects)
    return _send(settings, whole, who=who)


def _send(settings: Settings, args: CommandArgs, *, who: str | None) -> str:
    from monitor import entry_forms
    from monitor.contract.topics import Topics
    from monitor.runtime.broker import ask

    command = entry_forms.command(args, command_id=secrets.token_hex(8), who=who or _user())
    reply = asyncio.run(ask(settings.broker, topics=Topics(settings.press.name), command=command))
    if not reply.done:
        raise EntryRefused(reply.reason or "the monitor refused it")
    typer.echo(f"kept as {command.id}")
    return command.id


def _user() -> str:
    try:
        return getpass.getuser()[:64]
    except (KeyError, OSError):
        return "command line"


def _season(settings: Settings) -> Season:
    from monitor.trace.reader import TraceReader
    from monitor.trace.season import Season

    return Season(TraceReader(settings.store.url), rules=settings.rules(), owner=settings.plan_rules())


def _season_file(settings: Settings, runs: Sequence[SeasonRun]) -> str:
    """Return the file that the page hands out too."""
    from monitor.trace.reader import TraceReader
    from web import season as seasons
    from web.figures import Units

    reader = TraceReader(settings.store.url)
    figures = seasons.run_figures(
        runs, events=lambda run: seasons.happened(reader.events(run)), owner=settings.plan_rules()
    )
    return seasons.table(figures, units=Units(settings.display.units)).decode()


def _import_notes(settings: Settings, file: Path) -> str:
    from monitor.plan_table import runs_of
    from monitor.run.inputs import Stamp
    from monitor.runtime.clock import SystemClock
    from monitor.trace.archive import import_notes

    clock = SystemClock()
    wall = clock.wall()
    stamp = Stamp(boot=clock.boot, mono_s=clock.monotonic(), time=wall.time, clock=wall.state)
    today = datetime.now(UTC).astimezone().date()
    runs = runs_of(file, rules=settings.rules(), owner=settings.plan_rules(), today=today)
    new = import_notes(settings.store.url, runs, press=settings.press.name, who=_user(), stamp=stamp)
    return f"{new} of {len(runs)} runs are new"
