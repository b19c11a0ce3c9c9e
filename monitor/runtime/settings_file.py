"""The settings file as text: its tables, the overrides put into them, and where it is wrong."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from monitor.contract.errors import SettingsError

OF_A_PRESS = ("press", "pump", "point", "thresholds", "charge", "sand", "density", "lot")
"""Sections in which the presses of one monitor may differ."""
ELSEWHERE = "elsewhere"
"""Type of an error whose ``key`` names what is wrong, where that is not what was being checked."""


def read(file: Path | None) -> tuple[str, dict[str, Any]]:
    """Return the text of ``file`` and its tables; raise :class:`SettingsError` with the wrong line."""
    if file is None:
        return "", {}
    try:
        text = file.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise SettingsError(f"settings {file} cannot be read: {why}; check the path and its owner") from None
    try:
        return text, tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        # Beside faults of TOML: numbers of thousands of digits, brackets nested as deep.
        raise SettingsError(f"settings {file}: {error}") from None


def apply(table: dict[str, Any], override: str) -> None:
    """Put ``override`` ("press.frames=5") into ``table``."""
    key, separator, value = override.partition("=")
    names = key.strip().split(".")
    if not separator or len(names) < 2 or not all(names):
        raise SettingsError(f"--set {override!r}: write it as section.key=value, such as press.frames=5")
    for name in names[:-1]:
        table = table.setdefault(name, {})
        if not isinstance(table, dict):
            raise SettingsError(f"--set {override!r}: {name} is a value, not a section")
    table[names[-1]] = _literal(value.strip())


def spread(table: dict[str, Any]) -> None:
    """Make each table under ``presses`` in ``table`` whole: what it does not say is as for all presses."""
    presses = table.get("presses")
    if not isinstance(presses, dict):
        return
    common = {section: table[section] for section in OF_A_PRESS if section in table}
    for name, own in presses.items():
        presses[name] = _over(_over(common, {"press": {"name": name}}), own)


def _over(lower: object, upper: object) -> Any:
    """Return ``upper``, with what is only in ``lower`` where both are tables."""
    if not (isinstance(lower, dict) and isinstance(upper, dict)):
        return upper
    return lower | {key: _over(lower.get(key), value) for key, value in upper.items()}


def _literal(text: str) -> object:
    """Return ``text`` as TOML reads it, or as plain text where it is no TOML value."""
    try:
        return tomllib.loads(f"value = {text}")["value"]
    except (ValueError, RecursionError):
        return text


def complaint(error: ValidationError, *, file: Path | None, text: str, overrides: Sequence[str]) -> str:
    """Return the first thing wrong in one line: the file's line or the override, and what it is."""
    first = error.errors(include_url=False)[0]
    names = [str(part) for part in first["loc"]]
    if first["type"] == ELSEWHERE:
        names = first["ctx"]["key"].split(".")
    key = ".".join(names)
    what = "unknown key" if first["type"] == "extra_forbidden" else first["msg"].removeprefix("Value error, ")
    if first["type"] == "model_type":
        what = f"is a section: write it as [{key}]"
    spoken = _override_of(key, overrides)
    if spoken == key:
        return f"--set {key}: {what}"
    line = _line_of(text, names)
    where = f"settings {file} line {line}" if file and line else f"settings {file}" if file else "settings"
    if spoken:
        where = f"{where} with --set {spoken}" if file else f"--set {spoken}"
    return f"{where}: {key or 'file'}: {what}"


def _override_of(key: str, overrides: Sequence[str]) -> str | None:
    """Return the key of the last override that lies under ``key`` or over it."""
    keys = [override.partition("=")[0].strip() for override in overrides]
    near = [each for each in keys if f"{each}.".startswith(f"{key}.") or f"{key}.".startswith(f"{each}.")]
    return near[-1] if near else None


def _line_of(text: str, names: Sequence[str]) -> int | None:
    """Return the line of ``names`` in ``text``: its key, else its section, else None."""
    section: list[str] = []
    found = None
    for number, line in enumerate(text.splitlines(), start=1):
        header = re.match(r"\s*\[\s*([\w.\-\"' ]+?)\s*\]", line)
        if header:
            section = [part.strip(" \"'") for part in header[1].split(".")]
            here = section
        else:
            key = re.match(r"\s*([\w.\-]+)\s*=", line)
            if not key:
                continue
            here = section + key[1].split(".")
        if here == list(names):
            return number
        if here and here == list(names)[: len(here)]:
            found = number
    return found
