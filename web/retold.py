"""The monitor's own sentences in the viewer's language.

The monitor speaks English, with figures and names of alarms in its sentences. A sentence is looked
up with these taken out, and they are put into the sentence found. One that is not known is shown as
it stands: words of another language are better than none.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from functools import cache

from monitor.contract.names import Alarm, AlarmState
from web.edition import WORDS
from web.language import Language, Words, slug

_FIGURE = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


def retold(text: str, words: Words) -> str:
    """Return ``text`` in the language of ``words`` where that is known."""
    if words.language is Language.EN:
        return text
    nameless, names = without_names(text, words)
    plain, figures = without_figures(nameless)
    known = sentences(words.language).get(plain)
    if known is None:
        return _with_its_own_words(text, words.language)
    return known.format(*(figure.replace(".", words.decimal_mark) for figure in figures), **names)


def without_names(text: str, words: Words) -> tuple[str, dict[str, str]]:
    """Return ``text`` with "@" for the alarm it begins with and "~" for its state, and both in ``words``.

    A text about no alarm stays as it is.
    """
    for alarm in sorted(Alarm, key=len, reverse=True):
        if text.startswith(f"{alarm} "):
            told = {"name": words(f"flag.{slug(alarm)}")}
            rest = text.removeprefix(alarm)
            state = re.match(r" is ([a-z ]+):", rest)
            if state is not None and state[1] in set(AlarmState):
                told["state"] = words(f"alarm_state.{slug(state[1])}")
                rest = rest.replace(state[1], "~", 1)
            return f"@{rest}", told
    return text, {}


def without_figures(text: str) -> tuple[str, list[str]]:
    """Return ``text`` with ``#`` for every figure, and the figures.

    >>> without_figures("a cake of 31.0 mm cannot be in a frame of 25.4 mm")
    ('a cake of # mm cannot be in a frame of # mm', ['31.0', '25.4'])
    """
    return _FIGURE.sub("#", text), _FIGURE.findall(text)


def _with_its_own_words(text: str, language: Language) -> str:
    """Return a sentence that quotes a name or a code as it was written; ``text`` where none is known."""
    for pattern, told in _quoting(language):
        if (quoted := pattern.fullmatch(text)) is not None:
            return told.format(*quoted.groups())
    return text


@cache
def _quoting(language: Language) -> list[tuple[re.Pattern[str], str]]:
    return [
        (re.compile("(.+?)".join(map(re.escape, plain.split("*")))), told)
        for plain, told in sentences(language).items()
        if "*" in plain
    ]


@cache
def sentences(language: Language) -> Mapping[str, str]:
    """Return the monitor's sentences in ``language``, by the English ones."""
    file = WORDS / f"monitor_{language}.toml"
    table = tomllib.loads(file.read_text(encoding="utf-8"))
    return {plain: text for section in table.values() for plain, text in section.items()}
