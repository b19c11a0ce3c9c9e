"""What a report gathers from this board. Each part is looked at alone and may fail alone.

Nothing is mended or sounded by it, and a store is only read; a part that hangs is left behind
after a while.
"""

from __future__ import annotations

import asyncio
import os
import platform
import re
import shutil
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, requires, version
from pathlib import Path
from typing import Any

from hardware.inspection import inspect_line, inspect_probe
from hardware.probe import temperature_points
from monitor import checkup
from monitor.contract.errors import NiterwatchError, SettingsError
from monitor.installation import SERVICES, SYSTEMD_RUNS
from monitor.report_sheet import Part, settings_lines, without_values
from monitor.runtime import settings_file
from monitor.runtime.clock import SystemClock
from monitor.runtime.finding import Finding
from monitor.runtime.settings import Settings, load
from monitor.trace import stocktaking

PART_LIMIT_S = 30.0
"""A part that takes longer is left out: a report must come about on the worst day."""
COMMAND_LIMIT_S = 10.0
LOG_LINES = 60
"""Last lines of each service: the minutes before somebody noticed."""
UNITS = (*(f"{service}.service" for service in SERVICES), "mosquitto.service")
UNIT_FACTS = (
    *("Id", "LoadState", "UnitFileState", "ActiveState", "SubState"),
    *("Result", "NRestarts", "ExecMainStatus", "ActiveEnterTimestamp"),
)
SECRET_FILES = (("broker", "password_file"), ("web", "code_file"), ("web", "key"))
"""Settings that name a file whose content is a secret."""
HEX_LEAST = 32
"""The hash of the code and its salt are at least so many digits long."""

Lines = Iterable[str]
Section = tuple[str, Callable[[], Lines]]


@dataclass(frozen=True, slots=True)
class Board:
    """Where things are on a board; another root is a faked one."""

    proc: Path = Path("/proc")
    os_release: Path = Path("/etc/os-release")
    systemd: Path = SYSTEMD_RUNS


@dataclass(slots=True)
class Evidence:
    """The settings in question, what is said of them, and what must not be told."""

    file: Path | None
    overrides: Sequence[str] = ()
    board: Board = field(default_factory=Board)
    settings: Settings = field(default_factory=Settings)
    table: dict[str, Any] = field(default_factory=dict)
    trouble: str | None = None
    """Why the settings cannot be used; the defaults stand in for them then."""
    secrets: list[str] = field(default_factory=list)

    @classmethod
    def of(cls, file: Path | None, overrides: Sequence[str], *, board: Board | None = None) -> Evidence:
        """Return the evidence by the settings of ``file``, or by the defaults where they cannot be used."""
        evidence = cls(file, overrides, board or Board())
        try:
            _, evidence.table = settings_file.read(file)
            for override in overrides:
                settings_file.apply(evidence.table, override)
            evidence.settings = load(file, overrides=overrides)
        except SettingsError as error:
            evidence.trouble = without_values(str(error))
        evidence.secrets = list(_secrets(evidence.table))
        return evidence

    def parts(self) -> Iterator[Part]:
        """Yield every part of the report, in order; none of them raises."""
        for title, look in self.sections():
            yield Part(title, told(look))

    def sections(self) -> list[Section]:
        """Return what there is to look at: title, and what yields its lines."""
        url = self.settings.store.url
        return [
            ("Versions", versions),
            ("Board", lambda: board_lines(self.board)),
            ("Settings", self._settings),
            ("Check: broker", lambda: [_told(asyncio.run(checkup.inspect_broker(self.settings.broker)))]),
            ("Check: clock", lambda: [_told(checkup.inspect_clock(SystemClock()))]),
            ("Check: probe checks", self._probe_checks),
            *((f"Check: {point}", self._probe(point)) for point in temperature_points(self.settings)),
            ("Check: line", lambda: [_told(inspect_line(self.settings, clock=SystemClock()))]),
            ("Check: sounder", self._sounder),
            ("Store: files", lambda: stocktaking.files(url)),
            ("Store: soundness", lambda: [stocktaking.soundness(url)]),
            ("Store: rows", lambda: stocktaking.rows(url)),
            ("Kernel: 1-wire", lambda: names(self.settings.kernel.w1)),
            ("Kernel: IIO", lambda: iio_lines(self.settings.kernel.iio)),
            ("Services", lambda: unit_lines(self.board)),
            *((f"Log: {unit}", _log_of(unit, self.board)) for unit in UNITS),
        ]

    def _settings(self) -> Lines:
        yield f"file: {self.file}" if self.file else "no settings file was given: the defaults are in force"
        if self.trouble is not None:
            yield f"they cannot be used, so the defaults stand in below: {self.trouble}"
            return
        store = self.table.get("store", {})
        if "url" in store:
            store["url"] = stocktaking.shown_url(str(store["url"]))
        yield from settings_lines(self.table)
        yield "what is not named has its default"

    def _probe_checks(self) -> Lines:
        today = SystemClock().wall().time
        yield _told(checkup.inspect_probe_checks(self.settings, today=today.date() if today else None))

    def _probe(self, point: Any) -> Callable[[], Lines]:
        return lambda: [_told(inspect_probe(self.settings, point=point, clock=SystemClock()))]

    def _sounder(self) -> Lines:
        fitted = self.settings.sounder
        yield f"pin {fitted.pin}, lamp pin {fitted.lamp_pin}, card {fitted.card}; not sounded for a report"


def told(look: Callable[[], Lines], *, limit_s: float = PART_LIMIT_S) -> tuple[str, ...]:
    """Return the lines of ``look``; what goes wrong there is its last line."""
    lines: list[str] = []

    def work() -> None:
        try:
            lines.extend(look())
        except NiterwatchError as error:
            lines.append(f"cannot be told: {error}")
        except OSError as error:
            lines.append(f"cannot be told: {error.filename or ''} {error.strerror or error}")
        except Exception as error:
            # Whatever breaks in one part, the others are wanted all the more.
            lines.append(f"cannot be told: {type(error).__name__}: {without_values(str(error))}")

    # A thread of its own that may be left: a file of a broken driver can hang for good.
    thread = threading.Thread(target=work, daemon=True)
    thread.start()
    thread.join(limit_s)
    late = [f"left after {limit_s:g} s: it does not come to an end"] if thread.is_alive() else []
    return tuple(" ".join(line.split()) if "\n" in line else line.rstrip() for line in [*lines, *late])


def versions() -> Lines:
    """Yield this program's version and those of what it is built on."""
    yield f"niterwatch {version('niterwatch')}"
    yield f"Python {platform.python_version()} at {sys.prefix}"
    yield f"SQLite {sqlite3.sqlite_version}"
    for line in requires("niterwatch") or []:
        wanted = re.match(r"[\w.-]+", line)
        if wanted is None or "extra == 'test'" in line or 'extra == "test"' in line:
            continue
        try:
            yield f"{wanted[0]} {version(wanted[0])}"
        except PackageNotFoundError:
            yield f"{wanted[0]} not installed"


def board_lines(board: Board) -> Lines:
    """Yield kind of board, system, memory and how long it has been up."""
    model = _read(board.proc / "device-tree" / "model").strip("\0 \n")
    yield f"kind: {model or 'the board does not tell'}"
    release = re.search(r'^PRETTY_NAME="?([^"\n]*)', _read(board.os_release), flags=re.MULTILINE)
    yield f"system: {release[1] if release else 'unknown'}, kernel {platform.release()}, {platform.machine()}"
    memory = dict(re.findall(r"^(Mem\w+): +(\d+ kB)", _read(board.proc / "meminfo"), flags=re.MULTILINE))
    yield f"memory: {memory.get('MemAvailable', '?')} of {memory.get('MemTotal', '?')} available"
    yield f"up: {float((_read(board.proc / 'uptime') or '0').split()[0]) / 3600.0:.1f} h"
    yield f"asked by user number {os.geteuid()}"


def names(folder: Path) -> Lines:
    """Yield the names in ``folder``."""
    found = sorted(each.name for each in folder.iterdir())
    yield f"{folder}: {', '.join(found) or 'nothing there'}"


def iio_lines(folder: Path) -> Lines:
    """Yield each converter with its name and the names of its input files."""
    yield from names(folder)
    for device in sorted(folder.glob("iio:device*")):
        inputs = sorted(each.name for each in device.glob("in_*"))
        yield f"{device.name} ({_read(device / 'name').strip() or 'no name'}): {', '.join(inputs)}"


def unit_lines(board: Board) -> Lines:
    """Yield how each service stands, as systemd has it."""
    if not board.systemd.is_dir():
        yield "systemd does not run here"
        return
    for facts in _said(["systemctl", "show", "-p", ",".join(UNIT_FACTS), *UNITS]).split("\n\n"):
        yield " ".join(facts.split("\n"))


def _log_of(unit: str, board: Board) -> Callable[[], Lines]:
    def look() -> Lines:
        if not board.systemd.is_dir():
            return ["systemd does not run here, so there is no journal"]
        asked = ["journalctl", "-u", unit, "-n", str(LOG_LINES), "-q", "--no-pager", "-o", "short-iso"]
        lines = _said([*asked, "--no-hostname"]).splitlines()
        return lines or ["no lines: there are none, or only root may read them (sudo)"]

    return look


def _told(finding: Finding) -> str:
    return f"{'ok' if finding.ok else 'FAULT'}: {finding.sentence}"


def _said(command: Sequence[str]) -> str:
    """Return what ``command`` prints; raise OSError with what it complains of."""
    if shutil.which(command[0]) is None:
        raise OSError(f"{command[0]} is not installed")
    try:
        done = subprocess.run(  # noqa: S603 - our own commands, no shell
            command, capture_output=True, text=True, errors="replace", timeout=COMMAND_LIMIT_S, check=False
        )
    except subprocess.TimeoutExpired:
        raise OSError(f"{command[0]} did not end in {COMMAND_LIMIT_S:.0f} s") from None
    if done.returncode != 0:
        raise OSError(f"{command[0]}: {' '.join(done.stderr.split())[:200] or done.returncode}")
    return done.stdout.strip()


def _read(file: Path) -> str:
    try:
        return file.read_text(encoding="utf-8", errors="replace")
    except OSError:
        return ""


def _secrets(table: dict[str, Any]) -> Iterator[str]:
    """Yield every text that must not be in a report: contents of secret files, and what stands for one."""
    for section, key in SECRET_FILES:
        named = str(_at(table, section, key) or getattr(getattr(Settings(), section), key) or "")
        if not named:
            continue
        if "/" not in named and not Path(named).exists() and _at(table, section, key):
            # Somebody may have written the secret itself where its file is asked for.
            yield named
        content = _read(Path(named))
        yield content.strip()
        yield from (line.strip() for line in content.splitlines())
        yield from re.findall(rf"[0-9a-f]{{{HEX_LEAST},}}", content)
    yield from stocktaking.secrets_in(str(_at(table, "store", "url") or Settings().store.url))


def _at(table: dict[str, Any], section: str, key: str) -> object:
    found = table.get(section)
    return found.get(key) if isinstance(found, dict) else None
