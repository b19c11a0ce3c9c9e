"""What a check of one part found; each room looks at its own parts."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """What was looked at, whether it is well, and a sentence on it."""

    name: str
    ok: bool
    sentence: str
