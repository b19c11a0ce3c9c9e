"""Options that many commands share, and how the settings behind them are loaded."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from monitor.runtime.settings import Settings

SettingsFile = Annotated[
    Path | None, typer.Option("--settings", metavar="FILE", help="Settings file (TOML).")
]
Overrides = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="KEY=VALUE", help="Override one setting, such as press.frames=5."),
]
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON.")]


def load_settings(file: Path | None, overrides: list[str] | None) -> Settings:
    """Return the settings of ``file`` with the overrides of the command line."""
    from monitor.runtime.settings import load

    return load(file, overrides=overrides or [])
