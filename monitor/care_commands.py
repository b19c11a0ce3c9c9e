"""The commands that take out of the store and put back: one run's package, a backup of all."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from monitor.command_options import Overrides, SettingsFile, load_settings

app = typer.Typer()


class Units(StrEnum):
    """Systems of units an export is written in."""

    US = "us"
    METRIC = "metric"


@app.command()
def export(
    run: Annotated[str, typer.Argument(help="A run, as `niterwatch runs` names it.")],
    settings: SettingsFile = None,
    overrides: Overrides = None,
    units: Annotated[Units, typer.Option(help="Units of the trace.")] = Units.US,
    to: Annotated[Path, typer.Option(metavar="DIR", help="Folder to write the package into.")] = Path(),
) -> None:
    """Write a run's trace package.

    A folder with the trace, the events, the facts of the run, their description, and the run sheet.
    """
    from monitor.trace.descriptor import GONE, seconds_gone
    from monitor.trace.export import export_package
    from monitor.trace.reader import TraceReader
    from web.figures import Units as PageUnits
    from web.sheet_pages import FILE_NAME, sheet_file

    loaded = load_settings(settings, overrides)
    reader = TraceReader(loaded.store.url)
    sheet = sheet_file(reader, run, settings=loaded, units=PageUnits(units))
    typer.echo(export_package(reader, run, units=units.value, to=to, extra={FILE_NAME: sheet}))
    if seconds_gone(reader.run(run), stored=next(reader.rows(run), None) is not None):
        typer.echo(f"{run}: {GONE}", err=True)


@app.command()
def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Where to, such as a file on a stick.")],
    settings: SettingsFile = None,
    overrides: Overrides = None,
    replace: Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")] = False,
) -> None:
    """Copy the whole store into one file.

    Every run, event and entry as of now; the monitor may run. The file appears whole and checked, or
    not at all.
    """
    from monitor.trace.backup import back_up

    runs = back_up(load_settings(settings, overrides).store.url, file, replace=replace)
    typer.echo(f"{file}: {_runs(runs)}, checked")


@app.command()
def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="As niterwatch backup wrote it.")],
    settings: SettingsFile = None,
    overrides: Overrides = None,
) -> None:
    """Put a backup in the place of the store.

    The monitor must be stopped. What was there is kept beside it under another name.
    """
    from monitor.trace.backup import restore as put_back

    restored = put_back(load_settings(settings, overrides).store.url, file)
    typer.echo(f"restored from {file}: {_runs(restored.runs)}")
    if restored.aside is not None:
        typer.echo(f"the store that was there is kept as {restored.aside}")


def _runs(count: int) -> str:
    return f"{count} run{'' if count == 1 else 's'}"
