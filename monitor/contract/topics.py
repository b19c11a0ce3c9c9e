"""Topic names: ``niterwatch/<press>/<channel>/<leaf>``."""

from __future__ import annotations

import re
from dataclasses import dataclass

from monitor.contract.commands import Verb
from monitor.contract.errors import PayloadRefused
from monitor.contract.presence import Service
from monitor.contract.readings import Point

ROOT = "niterwatch"
_PRESS = re.compile(r"[a-z0-9-]{1,32}")
ANY_PRESS_STATUS = f"{ROOT}/+/status"


@dataclass(frozen=True, slots=True)
class Topics:
    """The topics of one press."""

    press: str

    def __post_init__(self) -> None:
        if not _PRESS.fullmatch(self.press):
            raise PayloadRefused(f"{self.press!r} is no press name: use a-z, 0-9 and hyphens, at most 32")

    def reading(self, point: Point) -> str:
        """Topic of the readings of ``point``."""
        return f"{ROOT}/{self.press}/reading/{point}"

    @property
    def readings(self) -> str:
        """Filter that matches the readings of all points."""
        return f"{ROOT}/{self.press}/reading/+"

    @property
    def status(self) -> str:
        """Topic of the retained status."""
        return f"{ROOT}/{self.press}/status"

    @property
    def event(self) -> str:
        """Topic of events."""
        return f"{ROOT}/{self.press}/event"

    def command(self, verb: Verb) -> str:
        """Topic on which ``verb`` is asked for."""
        return f"{ROOT}/{self.press}/command/{verb}"

    @property
    def commands(self) -> str:
        """Filter that matches every command."""
        return f"{ROOT}/{self.press}/command/+"

    def reply(self, command_id: str) -> str:
        """Topic of the answer to the command ``command_id``."""
        return f"{ROOT}/{self.press}/reply/{command_id}"

    @property
    def replies(self) -> str:
        """Filter that matches every reply."""
        return f"{ROOT}/{self.press}/reply/+"

    def presence(self, service: Service) -> str:
        """Topic of the heartbeats of ``service``."""
        return f"{ROOT}/{self.press}/presence/{service}"

    @property
    def presences(self) -> str:
        """Filter that matches every heartbeat."""
        return f"{ROOT}/{self.press}/presence/+"


def levels(topic: str) -> tuple[str, str, str]:
    """Return (press, channel, leaf) of ``topic``; leaf is "" for status and event.

    >>> levels("niterwatch/main/reading/outlet")
    ('main', 'reading', 'outlet')
    """
    parts = topic.split("/")
    if parts[0] != ROOT or not 3 <= len(parts) <= 4:
        raise PayloadRefused(f"topic {topic[:80]!r} is none of ours")
    return parts[1], parts[2], parts[3] if len(parts) == 4 else ""
