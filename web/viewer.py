"""What one viewer has chosen, kept in two cookies: the units and the language."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from monitor.runtime.settings import DisplaySection
from web.edition import words
from web.figures import Figures, Units
from web.language import Language

UNITS_COOKIE = "units"
LANGUAGE_COOKIE = "language"
KEPT_S = 400 * 24 * 3600
"""As long as browsers keep a cookie at most: a season and more [s]."""


@dataclass(frozen=True, slots=True)
class Choice:
    """Units and language; hashable, so that what is rendered once serves all who chose alike."""

    units: Units
    language: Language

    def figures(self) -> Figures:
        """Return the writer of quantities for this choice, in the board's time zone."""
        return Figures(words(self.language), self.units)


def chosen(cookies: Mapping[str, str], *, display: DisplaySection) -> Choice:
    """Return the choice in ``cookies``; what is missing or odd falls back to ``display``."""
    units = cookies.get(UNITS_COOKIE, "")
    language = cookies.get(LANGUAGE_COOKIE, "")
    return Choice(
        Units(units) if units in set(Units) else Units(display.units),
        Language(language) if language in set(Language) else Language(display.language),
    )


def local_path(text: str) -> str:
    """Return ``text`` if it is a path on this very page's host, else the start page.

    >>> local_path("/runs?from=1"), local_path("//elsewhere/"), local_path("https://elsewhere/")
    ('/runs?from=1', '/', '/')
    """
    plain = text.isascii() and text.isprintable() and "\\" not in text
    return text if plain and text.startswith("/") and not text.startswith("//") else "/"
