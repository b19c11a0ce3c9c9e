"""Words that a person enters: one line, not too long, and no formula for a spreadsheet to run."""

from __future__ import annotations

from monitor.contract.errors import EntryRefused

LONGEST = 500
"""Characters of a note, as on the wire."""

FORMULA_STARTS = ("=", "+", "-", "@", "\t")
"""A cell that begins so is run by spreadsheets (OWASP ASVS 1.2.10)."""


def plain_text(text: str, *, name: str, longest: int = LONGEST) -> str:
    """Return ``text`` without the blanks around it; refuse what is no plain line of words.

    >>> plain_text(" second barrel ", name="note")
    'second barrel'
    """
    words = text.strip(" \n")
    if words.startswith(FORMULA_STARTS):
        raise EntryRefused(f"the {name} begins with {words[0]!r}, as a formula does: begin it with a word")
    if len(words) > longest:
        raise EntryRefused(f"the {name} has {len(words)} characters: at most {longest}")
    if any(ord(letter) < 32 or ord(letter) == 127 for letter in words):
        raise EntryRefused(f"the {name} holds a control character: write it in one line of words")
    return words
