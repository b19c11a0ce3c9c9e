"""The words of each language, read once from ``words/<code>.toml``."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from pathlib import Path

from web.language import Language, Words

WORDS = Path(__file__).parent / "words"


@cache
def words(language: Language) -> Words:
    """Return the words of ``language``."""
    table = tomllib.loads((WORDS / f"{language}.toml").read_text(encoding="utf-8"))
    terms: Mapping[str, str] = table["glossary"].pop("terms")
    texts = {f"{section}.{key}": text for section, keys in table.items() for key, text in keys.items()}
    return Words(language, texts, terms)
