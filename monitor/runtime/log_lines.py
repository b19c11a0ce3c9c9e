"""A service's log: one line an event, few of what repeats, in the form that its reader wants.

systemd's journal takes each line's priority from a prefix, "<4>" for a warning: sd-daemon(3). It
says in JOURNAL_STREAM which stream is its own: systemd.exec(5). Anywhere else a line begins with
the time of day and, where it tells of trouble, says so.
"""

from __future__ import annotations

import logging
import os
import re
import sys
import time
import traceback
from collections.abc import Callable, Iterator, Mapping
from typing import TextIO

from monitor.runtime.repeats import OTHERS, Repeats

SAME_MOST = 3
"""The same line is written so often in a minute."""
ALIKE_MOST = 20
"""Lines that differ in a name or a figure only are told apart up to this number."""
PATTERNS = 200
"""Wordings told apart; this program has a quarter of that."""
DETAIL = 7
"""Priority of what only a programmer reads: debug."""
LONGEST = 500
"""Characters of a line."""


class LogLines(logging.Handler):
    """Writes records to ``stream``; ``now_s`` is a monotonic clock [s]."""

    def __init__(
        self,
        stream: TextIO,
        *,
        journal: bool = False,
        now_s: Callable[[], float] = time.monotonic,
    ) -> None:
        super().__init__()
        self._stream = stream
        self._journal = journal
        self._now_s = now_s
        self._repeats: dict[str, Repeats] = {}
        """By wording, so that a flood of one never hides another."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write ``record``, unless there were too many like it in the last minute."""
        try:
            self._tell_left_out()
            if self._is_new(record):
                self._write(record.levelno, plain(record.getMessage()), created=record.created)
                self._write_details(record)
            self._stream.flush()
        except (OSError, ValueError):
            # Whoever read us has gone: the service goes on without a log.
            return
        except Exception:
            self.handleError(record)

    def _is_new(self, record: logging.LogRecord) -> bool:
        pattern = _pattern(record)
        if pattern not in self._repeats and len(self._repeats) >= PATTERNS:
            pattern = OTHERS
        repeats = self._repeats.setdefault(pattern, Repeats(most=SAME_MOST, kinds=ALIKE_MOST))
        return repeats.let(plain(record.getMessage()), now_s=self._now_s()) is not None

    def _tell_left_out(self) -> None:
        now_s, created = self._now_s(), time.time()
        for pattern, repeats in self._repeats.items():
            for kind, count in repeats.over(now_s=now_s):
                lines = "line was" if count == 1 else "lines were"
                what = pattern if kind == OTHERS else kind
                self._write(logging.INFO, f"{count} more {lines} left out: {what}", created=created)

    def _write(self, level: int, text: str, *, created: float) -> None:
        if self._journal:
            start = f"<{priority(level)}>"
        else:
            name = f"{logging.getLevelName(level).lower()}: " if level >= logging.WARNING else ""
            start = f"{time.strftime('%Y-%m-%d %H:%M:%S', time.localtime(created))} {name}"
        self._stream.write(f"{start}{text[:LONGEST]}\n")

    def _write_details(self, record: logging.LogRecord) -> None:
        for line in _details(record):
            self._stream.write(f"<{DETAIL}>{line}\n" if self._journal else f"    {line}\n")


def begin(*, level: int = logging.INFO) -> None:
    """Let this process's records from ``level`` on be written to its standard error."""
    handler = LogLines(sys.stderr, journal=is_journal(sys.stderr))
    logging.basicConfig(level=level, handlers=[handler])


def is_journal(stream: TextIO, *, environment: Mapping[str, str] = os.environ) -> bool:
    """Tell whether ``stream`` is systemd's journal."""
    try:
        found = os.fstat(stream.fileno())
    except (OSError, ValueError):
        return False
    return environment.get("JOURNAL_STREAM") == f"{found.st_dev}:{found.st_ino}"


def error_prefix() -> str:
    """Return what a line about the end of a service begins with on standard error."""
    return f"<{priority(logging.ERROR)}>" if is_journal(sys.stderr) else ""


def priority(level: int) -> int:
    """Return the priority of syslog(3) for a level of Python's.

    >>> [priority(level) for level in (logging.CRITICAL, logging.ERROR, logging.WARNING, logging.INFO)]
    [2, 3, 4, 6]
    """
    for least, number in ((logging.CRITICAL, 2), (logging.ERROR, 3), (logging.WARNING, 4), (logging.INFO, 6)):
        if level >= least:
            return number
    return DETAIL


def plain(text: str) -> str:
    r"""Return ``text`` in one line that no terminal takes for orders.

    >>> plain("no probe:\nlook at \x1b[31mthe wire")
    'no probe: look at ?[31mthe wire'
    """
    return "".join(letter if letter.isprintable() else "?" for letter in " ".join(text.split()))


def _pattern(record: logging.LogRecord) -> str:
    """Return the record's words without its particulars."""
    return plain(re.sub(r"%[-#0-9.]*[a-z]", "…", str(record.msg)))


def _details(record: logging.LogRecord) -> Iterator[str]:
    if record.exc_info is not None and record.exc_info[1] is not None:
        for part in traceback.format_exception(record.exc_info[1]):
            yield from part.rstrip("\n").splitlines()
