"""A language's words, asked for by key. Pure; :mod:`web.edition` reads them from their file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Language(StrEnum):
    """The editions there are; the value is the file's name and the page's ``lang``."""

    EN = "en"
    FR = "fr"


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """All texts of one language, asked for by "section.key"; there is one object of each language."""

    language: Language
    texts: Mapping[str, str]
    terms: Mapping[str, str]
    """The glossary, in the file's order."""

    def __call__(self, key: str, **values: object) -> str:
        """Return the text of ``key`` with ``values`` put in; a missing key is a LookupError."""
        text = self.texts[key]
        return text.format(**values) if values else text

    def has(self, key: str) -> bool:
        """Tell whether there is a text of ``key``."""
        return key in self.texts

    @property
    def decimal_mark(self) -> str:
        """What stands between units and tenths."""
        return "," if self.language is Language.FR else "."


def slug(name: str) -> str:
    """Return ``name`` as a key of the words.

    >>> slug("stop at cut-off")
    'stop_at_cut_off'
    """
    return re.sub(r"[^a-z0-9]+", "_", name.lower()).strip("_")
