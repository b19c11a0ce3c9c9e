"""The device's code as its file has it now: a new one counts at once, without a restart."""

from __future__ import annotations

import logging
from pathlib import Path

from monitor.contract.errors import SettingsError
from web.security import DeviceCode

_log = logging.getLogger(__name__)

Mark = tuple[int, int, int]
"""When a file was last written [ns], its inode, its size: what tells two editions apart."""


class KeptCode:
    """The code whose hash is in a file; there may be none yet. Never made here, never logged."""

    def __init__(self, file: Path) -> None:
        """Raise :class:`SettingsError` for a file that cannot be read or is damaged."""
        self._file = file
        self._mark = self._look()
        self._code = DeviceCode.load(file)

    @property
    def made(self) -> bool:
        """Whether there is a code."""
        return self._now() is not None

    def matches(self, text: str) -> bool:
        """Tell whether ``text`` is the code; false while there is none."""
        code = self._now()
        return code is not None and code.matches(text)

    def token(self) -> str:
        """Return what a phone is given that knew the code; empty while there is none."""
        code = self._now()
        return "" if code is None else code.token()

    def has_sealed(self, token: str) -> bool:
        """Tell whether ``token`` was given out under the code in force; false while there is none."""
        code = self._now()
        return code is not None and code.has_sealed(token)

    def _now(self) -> DeviceCode | None:
        mark = self._look()
        if mark != self._mark:
            self._mark = mark
            self._code = self._loaded()
        return self._code

    def _loaded(self) -> DeviceCode | None:
        """Return the code, null for a file that is gone or damaged: then acts stay closed."""
        try:
            return DeviceCode.load(self._file)
        except SettingsError as error:
            _log.error("%s", error)
            return None

    def _look(self) -> Mark | None:
        try:
            found = self._file.stat()
        except OSError:
            return None
        return found.st_mtime_ns, found.st_ino, found.st_size
