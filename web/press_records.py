"""The season of this page's press, for pages that several threads ask for at once."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TypeVar

from monitor.trace.season import Season

Answer = TypeVar("Answer")


class PressRecords:
    """Lets one thread at a time read the season, which remembers what it has worked out."""

    def __init__(self, season: Season) -> None:
        self._season = season
        self._lock = threading.Lock()

    def ask(self, question: Callable[[Season], Answer]) -> Answer:
        """Return what ``question`` finds in the season; raises what it raises."""
        with self._lock:
            return question(self._season)
