"""The monitor's own sentences in the viewer's language.

The monitor speaks English, with figures in its sentences. A sentence is looked up with its
figures taken out, and they are put into the sentence found. One that is not known is shown as it
stands: words of another language are better than none.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import cache

from web.edition import WORDS
from web.language import Language, Words

_FIGURE = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


def retold(text: str, words: Words) -> str:
    """Return ``text`` in the language of ``words`` where that is known."""
    if words.language is Language.EN:
        return text
    plain, figures = without_figures(text)
    known = sentences(words.language).get(plain)
    if known is None:
        return text
    return known.format(*(figure.replace(".", words.decimal_mark) for figure in figures))


def without_figures(text: str) -> tuple[str, list[str]]:
    """Return ``text`` with ``#`` for every figure, and the figures.

    >>> without_figures("a cake of 31.0 mm cannot be in a frame of 25.4 mm")
    ('a cake of # mm cannot be in a frame of # mm', ['31.0', '25.4'])
    """
    return _FIGURE.sub("#", text), _FIGURE.findall(text)


@cache
def sentences(language: Language) -> Mapping[str, str]:
    """Return the monitor's sentences in ``language``, by the English ones."""
    file = WORDS / f"monitor_{language}.toml"
    table = tomllib.loads(file.read_text(encoding="utf-8"))
    return {plain: text for section in table.values() for plain, text in section.items()}
