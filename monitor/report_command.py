"""``niterwatch report``: one file to send when something is wrong.

Plain text, not an archive: the owner can read every line of it before it leaves, with any program.
"""

from __future__ import annotations

import logging
import os
from contextlib import suppress
from pathlib import Path
from typing import Annotated

import typer

from monitor.command_options import Overrides, SettingsFile
from monitor.contract.errors import ReportFailed

app = typer.Typer()

ONLY_MINE = 0o600


@app.command()
def report(
    settings: SettingsFile = None,
    overrides: Overrides = None,
    to: Annotated[
        Path | None,
        typer.Option(metavar="FILE", help="File to write; a name with the time of day, in this folder."),
    ] = None,
) -> None:
    """Gather what is needed to find a fault.

    One text file to read and to send: versions, settings without secrets, what a check finds (nothing is
    sounded), the store's state, the last lines of the log. It works when things are broken.
    """
    from monitor.installation import SETTINGS
    from monitor.report_evidence import Evidence
    from monitor.report_sheet import sheet
    from monitor.runtime.clock import SystemClock
    from monitor.runtime.log_lines import begin

    begin(level=logging.CRITICAL)
    now = SystemClock().wall().time
    file = to or Path(f"niterwatch-report{f'-{now.astimezone():%Y%m%d-%H%M%S}' if now else ''}.txt")
    if file.exists():
        raise ReportFailed(f"{file} is there already: give another name with --to")
    installed = Path("/", SETTINGS)
    asked = settings or (installed if installed.exists() else None)
    evidence = Evidence.of(asked, overrides or [])
    parts = list(evidence.parts())
    keep(file, sheet(parts, secrets=evidence.secrets))
    typer.echo(
        f"{file.absolute()}\nIt holds versions, settings without secrets, what a check finds, the store's "
        "sizes and the last lines of the log: read it, then send it."
    )


def keep(file: Path, text: str) -> None:
    """Write ``text`` to ``file`` whole or not at all, for its owner's eyes; never over another file.

    Raises :class:`ReportFailed` with what to check.
    """
    fresh = file.with_name(f".{file.name}.new")
    try:
        fresh.unlink(missing_ok=True)
        descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, ONLY_MINE)
        with os.fdopen(descriptor, "w", encoding="utf-8", errors="replace") as out:
            out.write(text)
            out.flush()
            os.fsync(descriptor)
        _put(fresh, file)
    except FileExistsError:
        raise ReportFailed(f"{file} is there already: give another name with --to") from None
    except OSError as error:
        raise ReportFailed(f"{file} cannot be written: {error.strerror}; check --to") from None
    finally:
        with suppress(OSError):
            fresh.unlink(missing_ok=True)


def _put(fresh: Path, file: Path) -> None:
    """Give ``fresh`` its name unless another file has it."""
    try:
        file.hardlink_to(fresh)
    except FileExistsError:
        raise
    except OSError:
        # A stick knows no second names: take the name first, then put the file there.
        os.close(os.open(file, os.O_WRONLY | os.O_CREAT | os.O_EXCL, ONLY_MINE))
        fresh.replace(file)
