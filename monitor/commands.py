"""The commands, as their library reads and explains them.

Every command imports what it runs only when it runs, so that ``--help`` stays quick.
"""

from __future__ import annotations

import asyncio
import json
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from monitor import care_commands, record_commands, report_command
from monitor.command_options import AsJson, Overrides, SettingsFile, load_settings
from monitor.contract.errors import CertificateFailed

FAULT = 1
"""Exit status of a command that found one."""

app = typer.Typer(
    help="Live run monitor for a maple-syrup filter press. It is not a safety device and controls nothing.",
    add_completion=False,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.add_typer(record_commands.app)
app.add_typer(care_commands.app)
app.add_typer(report_command.app)


Root = Annotated[Path, typer.Option(metavar="DIR", help="Root of the file system to work on.")]
DryRun = Annotated[bool, typer.Option("--dry-run", help="Say what would be done, and do nothing.")]


@app.command()
def demo(
    settings: SettingsFile = None,
    overrides: Overrides = None,
    speed: Annotated[float, typer.Option(help="How many times faster than life.", min=0.1, max=50)] = 10.0,
    port: Annotated[
        int | None, typer.Option(help="Port of the page; 8080 unless set.", min=0, max=65535)
    ] = None,
    keep: Annotated[
        Path | None, typer.Option(metavar="DIR", help="Folder to keep the demo's runs in.")
    ] = None,
    seed: Annotated[int, typer.Option(help="Which invented season.")] = 2,
) -> None:
    """Run everything on an invented press.

    Broker, sensors, monitor and page in one process; nothing needs installing or wiring.
    """
    from monitor import demo as demonstration
    from monitor.service_start import run_to_end

    changes = [*(overrides or []), *([] if port is None else [f"web.port={port}"])]
    run_to_end(
        demonstration.serve(load_settings(settings, changes), speed=speed, keep=keep, seed=seed), quiet=True
    )


@app.command()
def monitor(settings: SettingsFile = None, overrides: Overrides = None) -> None:
    """Run the monitor service.

    It judges the readings, publishes the status and keeps the trace.
    """
    from monitor.service_start import ServiceAsked, start

    start(ServiceAsked(service="monitor", settings=settings, overrides=overrides or []))


@app.command()
def hardware(settings: SettingsFile = None, overrides: Overrides = None) -> None:
    """Run the sensors and the sounder.

    It reads the probes and the transducer and sounds the alarms.
    """
    from monitor.service_start import ServiceAsked, start

    start(ServiceAsked(service="hardware", settings=settings, overrides=overrides or []))


@app.command()
def web(settings: SettingsFile = None, overrides: Overrides = None) -> None:
    """Run the page on the local network."""
    from monitor.service_start import ServiceAsked, start

    start(ServiceAsked(service="web", settings=settings, overrides=overrides or []))


@app.command()
def code(settings: SettingsFile = None, overrides: Overrides = None) -> None:
    """Make a new code for this device's acts.

    It is printed once; the old one ends at once.
    """
    from web.security import new_code

    file = load_settings(settings, overrides).web.code_file
    text = new_code(file)
    typer.echo(f"{text}\nThis is the only time it is shown: only its hash is kept, in {file}.")


@app.command()
def card(
    settings: SettingsFile = None,
    overrides: Overrides = None,
    to: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write the card into.")] = Path(),
) -> None:
    """Write the door card, to be printed.

    One sheet of HTML: the page's address and its QR code, a line for the code, sounds, safety.
    """
    from web import door_card

    for line in door_card.lay(load_settings(settings, overrides), to):
        typer.echo(line)


@app.command()
def certificate(
    to: Annotated[
        Path, typer.Option(metavar="DIR", help="Folder of the certificate, its key and the authority.")
    ],
    settings: SettingsFile = None,
    overrides: Overrides = None,
    also: Annotated[
        list[str] | None,
        typer.Option(metavar="NAME", help="Another name or address that phones ask this page by."),
    ] = None,
) -> None:
    """Make the certificate of a page by https, or renew it.

    A private authority of this board signs it; each phone installs that authority once.
    """
    from monitor.runtime.clock import SystemClock
    from web import authority
    from web.address import names_of

    now = SystemClock().wall().time
    if now is None:
        raise CertificateFailed("the time of day is not set: connect a network or set it by hand first")
    names = authority.Names.of([*names_of(load_settings(settings, overrides).web), *(also or [])])
    for line in authority.issue(to.absolute(), names=names, now=now).lines():
        typer.echo(line)


@app.command()
def check(settings: SettingsFile = None, overrides: Overrides = None) -> None:
    """Test each part, one line each.

    Probes, transducer, sounder, broker, store and clock; exit status 1 on a fault.
    """
    from hardware import inspection
    from monitor import checkup
    from monitor.runtime.clock import SystemClock

    loaded, clock = load_settings(settings, overrides), SystemClock()
    findings = asyncio.run(inspection.inspect(loaded, clock=clock))
    findings += asyncio.run(checkup.inspect(loaded, clock=clock))
    for finding in findings:
        typer.echo(f"{'ok   ' if finding.ok else 'FAULT'} {finding.name}: {finding.sentence}")
    if not all(finding.ok for finding in findings):
        sys.exit(FAULT)


@app.command()
def install(
    root: Root = Path("/"),
    dry_run: DryRun = False,
    lan: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help='The broker\'s own address, for services on several boards; "off" for this board only.',
        ),
    ] = None,
    program: Annotated[
        Path | None, typer.Option(metavar="FILE", help="The niterwatch that the services run; this one.")
    ] = None,
) -> None:
    """Lay the services on this board.

    Units, broker configuration, accounts, example settings and the device's code; says every file
    it writes. A file that was edited is left alone.
    """
    from monitor import installation
    from web.security import new_code

    # The image of a board has its own; on a live one it is the one that runs.
    running = Path(sys.prefix) / "bin" / "niterwatch" if root == Path("/") else installation.PROGRAM
    board = installation.Board(root=root, program=program or running, lan=lan, dry=dry_run)
    for line in installation.install(board, new_code=new_code):
        typer.echo(line)


@app.command()
def uninstall(
    root: Root = Path("/"),
    dry_run: DryRun = False,
    everything: Annotated[
        bool, typer.Option("--all", help="Remove settings, passwords and every run too.")
    ] = False,
) -> None:
    """Take the services off this board.

    Settings and runs are kept unless --all is given.
    """
    from monitor import installation

    board = installation.Board(root=root, dry=dry_run)
    for line in installation.uninstall(board, everything=everything):
        typer.echo(line)


@app.command()
def plan(
    batch: Annotated[str, typer.Option(metavar="VOLUME", help='Syrup to be filtered, such as "15 gal".')],
    settings: SettingsFile = None,
    overrides: Overrides = None,
    density: Annotated[
        str | None, typer.Option(metavar="BRIX", help='Its true density, such as "66.9 Brix".')
    ] = None,
    hydrometer: Annotated[
        str | None, typer.Option(metavar="BRIX", help="What the hydrometer shows in the hot pan.")
    ] = None,
    sand: Annotated[str | None, typer.Option(metavar="WORD", help="light, usual, heavy, or learned.")] = None,
    pan: Annotated[
        str | None, typer.Option(metavar="TEMPERATURE", help='The pan, such as "195 degF".')
    ] = None,
    plates: Annotated[
        str | None, typer.Option(metavar="TEMPERATURE", help="The press before the run.")
    ] = None,
    frames: Annotated[str | None, typer.Option(metavar="NUMBER", help="Window frames in the press.")] = None,
    notes: Annotated[
        Path | None,
        typer.Option(metavar="FILE.csv", help="A notebook to learn from, in place of the imported one."),
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Plan the charge before a run.

    Filter aid, sets of papers, pressure, cake, time, heat, density and hot fill.
    """
    from monitor import plan_table
    from monitor.run.plan import plan_for
    from monitor.trace.season import earlier_runs

    loaded = load_settings(settings, [*(overrides or []), *plan_table.frames_of(frames)])
    rules, owner = loaded.rules(), loaded.plan_rules()
    told = plan_table.runs_of(notes, rules=rules, owner=owner, today=datetime.now(UTC).astimezone().date())
    kept = earlier_runs(loaded.store.url, rules=rules, owner=owner, notebook=notes is None)
    made = plan_for(
        plan_table.batch_of(
            batch=batch, density=density, hydrometer=hydrometer, sand=sand, pan=pan, plates=plates
        ),
        rules=rules,
        owner=owner,
        runs=(*told, *kept),
    )
    if as_json:
        typer.echo(json.dumps(plan_table.facts(made, owner=owner)))
        return
    for line in plan_table.table(made, owner=owner, units=loaded.display.units):
        typer.echo(line)


@app.command()
def runs(settings: SettingsFile = None, overrides: Overrides = None, as_json: AsJson = False) -> None:
    """List the stored runs, newest first."""
    from monitor.run_lines import run_facts, run_line
    from monitor.trace.reader import TraceReader

    loaded = load_settings(settings, overrides)
    found = TraceReader(loaded.store.url).runs()
    if as_json:
        for run in found:
            typer.echo(json.dumps(run_facts(run)))
        return
    if not found:
        typer.echo("no runs yet")
    for run in found:
        typer.echo(run_line(run, units=loaded.display.units))


@app.command()
def replay(
    trace: Annotated[Path, typer.Argument(metavar="TRACE.csv", help="A trace in either system of units.")],
    settings: SettingsFile = None,
    overrides: Overrides = None,
    as_json: AsJson = False,
) -> None:
    """Run the engine over a trace file."""
    from monitor.run_lines import replay_line
    from monitor.trace.replay import records
    from monitor.trace.trace_file import read_trace

    rules = load_settings(settings, overrides).rules()
    for record in records(read_trace(trace), rules=rules):
        if as_json:
            sys.stdout.write(json.dumps(record) + "\n")
        elif record["kind"] != "status":
            typer.echo(replay_line(record))
