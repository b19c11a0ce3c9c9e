"""Who is up: each service says so every two seconds, and its broker will when it is gone."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

from pydantic import Field

from monitor.contract.wire import Sequence, ShortText, WireModel

HEARTBEAT_S = 2.0


class Service(StrEnum):
    """The three rooms as seen on the broker."""

    HARDWARE = "hardware"
    MONITOR = "monitor"
    WEB = "web"


class Presence(WireModel):
    """A heartbeat; ``seq`` is null in the broker's last word on a lost client."""

    up: bool
    seq: Sequence | None = None
    boot: ShortText | None = None
    trouble: Annotated[str, Field(max_length=200)] | None = None
    """What the service says is wrong with it, such as "alarm output failed: ...", in one line."""
