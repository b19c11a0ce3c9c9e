"""Templates to HTML: whole pages, and the parts of a live page that the stream renews."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from web.edition import WORDS
from web.language import Language
from web.view import LiveView
from web.viewer import Choice

HERE = Path(__file__).parent
TEMPLATES = HERE / "templates"
STATIC = HERE / "static"
PARTS = (
    "sentence",
    "alert",
    "outlet",
    "window",
    "stack",
    "prompts",
    "points",
    "tally",
    "alarms",
    "flags",
    "first_act",
)
"""The parts of a live page; each has a template ``part_<name>.html``."""

_environment = Environment(
    loader=FileSystemLoader(TEMPLATES),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
    auto_reload=False,  # they change with the program only; each look would ask the disk
)


def page(name: str, *, choice: Choice, here: str, **values: object) -> str:
    """Return the page ``name`` for a viewer; ``here`` is its path, to come back to."""
    figures = choice.figures()
    return _environment.get_template(f"{name}.html").render(
        w=figures.words,
        figures=figures,
        choice=choice,
        languages=list(Language),
        here=here,
        version=version(),
        svg=Markup,  # pictures are drawn by our own modules, which escape what they are given
        **values,
    )


def parts(view: LiveView | None, *, press: str, choice: Choice) -> dict[str, str]:
    """Return the HTML of every part of the live page of ``view``."""
    return {name: part(name, choice=choice, v=view, press=press) for name in PARTS}


def part(name: str, *, choice: Choice, **values: object) -> str:
    """Return the HTML of one part."""
    template = _environment.get_template(f"part_{name}.html")
    return template.render(w=choice.figures().words, svg=Markup, **values).strip()


@lru_cache(maxsize=1)
def version() -> str:
    """Return a name for this edition of the page: a page of another one loads itself anew."""
    digest = hashlib.sha256()
    for folder in (TEMPLATES, STATIC, WORDS):
        for file in sorted(folder.iterdir()):
            if file.is_file():
                digest.update(file.read_bytes())
    return digest.hexdigest()[:12]
