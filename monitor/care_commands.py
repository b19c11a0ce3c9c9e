"""The commands that care for the store: a backup of it, and a backup taken back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from monitor.command_options import Overrides, SettingsFile, load_settings

app = typer.Typer()


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
