"""Reads an exported package back, whole or not at all: files, hashes, columns, words, numbers.

A package is a folder or a zip archive of one. Every file is held against the hash that its
description gives, so a torn or changed one is refused before anything is kept.
"""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from pydantic import ConfigDict, TypeAdapter, ValidationError
from pydantic.dataclasses import dataclass as checked

from monitor.contract.errors import PayloadRefused, TraceError
from monitor.contract.events import EVENT, Event
from monitor.contract.payloads import decode_one_of, first_complaint
from monitor.contract.readings import ClockState
from monitor.run.row import TraceRow
from monitor.trace.package_rows import Span, package_rows

PARTS = ("trace.csv", "events.jsonl", "run.json")
DESCRIPTOR = "datapackage.json"
LARGEST_BYTES = 200_000_000
"""Largest file that is read: a run of two weeks."""
MOST_BOOTS = 1_000

_CHECKED = ConfigDict(extra="ignore", allow_inf_nan=False, strict=False)


@checked(frozen=True, slots=True, kw_only=True, config=_CHECKED)
class Offset:
    """At ``mono_s`` of ``boot`` the wall clock showed ``time``."""

    boot: str
    mono_s: float
    time: datetime
    clock: ClockState


@checked(frozen=True, slots=True, kw_only=True, config=_CHECKED)
class RunFile:
    """What run.json says of a run."""

    run: str
    software: str
    clock: ClockState
    opened_by: str
    boot: str
    started_mono_s: float
    facts: dict[str, Any]
    press: str
    boots: tuple[Span, ...]
    started: datetime | None = None
    ended: datetime | None = None
    elapsed_s: float | None = None
    volume_l: float | None = None
    closed_by: str | None = None
    ended_boot: str | None = None
    ended_mono_s: float | None = None
    clock_offsets: tuple[Offset, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class WholeRun:
    """A run as a package holds it."""

    file: RunFile
    rows: tuple[TraceRow, ...]
    events: tuple[Event, ...]


_RUN_FILE = TypeAdapter(RunFile)


def read_package(path: Path) -> WholeRun:
    """Return the run in the package at ``path``; raise :class:`TraceError` if anything does not fit."""
    try:
        files = _files(path)
        _check_hashes(files)
        file = _run_file(files["run.json"])
        rows = package_rows(files["trace.csv"], spans=file.boots)
        return WholeRun(file=file, rows=rows, events=_events(files["events.jsonl"], run=file.run))
    except OSError as error:
        raise TraceError(f"{path} cannot be read: {error.strerror}; check the path") from None
    except ValueError as error:
        raise TraceError(f"{path}: {error}") from None


def _files(path: Path) -> dict[str, bytes]:
    wanted = (*PARTS, DESCRIPTOR)
    if path.is_dir():
        missing = [name for name in wanted if not (path / name).is_file()]
        if missing:
            raise ValueError(f"{missing[0]} is missing: this is no exported run")
        return {
            name: _limited((path / name).stat().st_size, name) or (path / name).read_bytes()
            for name in wanted
        }
    if not path.exists():
        raise ValueError("there is no such folder or archive: check the path")
    return _zipped(path, wanted)


def _zipped(path: Path, wanted: tuple[str, ...]) -> dict[str, bytes]:
    try:
        with zipfile.ZipFile(path) as archive:
            found: dict[str, bytes] = {}
            for info in archive.infolist():
                name = info.filename.rsplit("/", 1)[-1]
                if name in wanted:
                    _limited(info.file_size, name)
                    if name in found:
                        raise ValueError(f"{name} is there twice: one package at a time")
                    found[name] = archive.read(info)
    except (zipfile.BadZipFile, zipfile.LargeZipFile, NotImplementedError, RuntimeError, EOFError):
        raise ValueError("neither a folder nor a whole zip archive: export the run again") from None
    missing = [name for name in wanted if name not in found]
    if missing:
        raise ValueError(f"{missing[0]} is missing: this is no exported run")
    return found


def _limited(size_bytes: int, name: str) -> bytes:
    """Return nothing; refuse a file that no run fills."""
    if size_bytes > LARGEST_BYTES:
        raise ValueError(f"{name} has {size_bytes} bytes: no run is that long")
    return b""


def _check_hashes(files: Mapping[str, bytes]) -> None:
    described = _json(files[DESCRIPTOR], DESCRIPTOR).get("resources")
    resources = described if isinstance(described, list) else []
    hashes = {part.get("path"): part.get("hash") for part in resources if isinstance(part, dict)}
    for name in PARTS:
        if hashes.get(name) != f"sha256:{hashlib.sha256(files[name]).hexdigest()}":
            raise ValueError(f"{name} is not the file that {DESCRIPTOR} describes: it is torn or was changed")


def _run_file(content: bytes) -> RunFile:
    try:
        file = _RUN_FILE.validate_python(_json(content, "run.json"))
    except ValidationError as error:
        raise ValueError(f"run.json: {first_complaint(error)}") from None
    if not 0 < len(file.run) <= 64 or not 0 < len(file.boots) <= MOST_BOOTS:
        raise ValueError("run.json names no run, or not when its seconds were")
    if file.closed_by is None or file.elapsed_s is None:
        raise ValueError("the run had not ended when it was exported: export it again")
    return file


def _json(content: bytes, name: str) -> dict[str, Any]:
    def refuse(word: str) -> None:
        raise ValueError(f"{word} is no number")

    try:
        found = json.loads(content, parse_constant=refuse)
    except (ValueError, RecursionError):
        raise ValueError(f"{name} is no JSON") from None
    if not isinstance(found, dict):
        raise ValueError(f"{name} is no JSON object")
    return found


def _events(content: bytes, *, run: str) -> tuple[Event, ...]:
    found = []
    for number, line in enumerate(content.splitlines(), start=1):
        try:
            event = decode_one_of(line, EVENT)
        except PayloadRefused as refusal:
            raise ValueError(f"events.jsonl line {number}: {refusal}") from None
        if event.run != run:
            raise ValueError(f"events.jsonl line {number} is of another run")
        found.append(event)
    return tuple(found)
