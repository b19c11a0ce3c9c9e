"""Which of many equal lines is still said: the first few of a while, and how many were left out."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass

EVERY_S = 60.0
"""A fault that repeats is told again this often [s] (requirement: once a minute)."""
KINDS = 100
"""Kinds told apart at once; a flood of made-up ones cannot grow it further."""
OTHERS = "others"
"""What all kinds over that number count as."""


@dataclass(slots=True)
class _Spell:
    began_s: float
    said: int = 0
    left_out: int = 0


class Repeats:
    """Lets ``most`` of a kind through in ``every_s``; times are seconds of one monotonic clock.

    >>> repeats = Repeats()
    >>> [repeats.let("no probe", now_s=second) for second in (0.0, 1.0, 2.0, 60.0)]
    [0, None, None, 2]
    """

    def __init__(self, *, most: int = 1, every_s: float = EVERY_S, kinds: int = KINDS) -> None:
        self._most = most
        self._every_s = every_s
        self._kinds = kinds
        self._spells: dict[Hashable, _Spell] = {}

    def let(self, kind: Hashable, *, now_s: float) -> int | None:
        """Return how many of ``kind`` were left out before this one; null if this one is to be, too."""
        if kind not in self._spells and len(self._spells) >= self._kinds:
            self._forget(now_s)
            kind = kind if len(self._spells) < self._kinds else OTHERS
        spell = self._spells.setdefault(kind, _Spell(now_s))
        left_out = 0
        if now_s - spell.began_s >= self._every_s:
            left_out = spell.left_out
            spell = self._spells[kind] = _Spell(now_s)
        if spell.said >= self._most:
            spell.left_out += 1
            return None
        spell.said += 1
        return left_out

    def over(self, *, now_s: float) -> Iterator[tuple[Hashable, int]]:
        """Yield each kind whose while is over with how many of it were left out; each is told once."""
        for kind, spell in list(self._spells.items()):
            if now_s - spell.began_s >= self._every_s:
                del self._spells[kind]
                if spell.left_out:
                    yield kind, spell.left_out

    def _forget(self, now_s: float) -> None:
        """Make room of what is long over."""
        for kind, spell in list(self._spells.items()):
            if now_s - spell.began_s >= self._every_s:
                del self._spells[kind]


def and_before(left_out: int) -> str:
    """Return the words for how many of a kind were left out before a line.

    >>> and_before(0), and_before(59)
    ('', ' (and 59 more before it)')
    """
    return f" (and {left_out} more before it)" if left_out else ""
