"""SVG as text: elements with escaped attributes, drawn only with classes and numbers.

No style attribute is ever written, so that the page's policy can forbid them all.
"""

from __future__ import annotations

from collections.abc import Iterable
from xml.sax.saxutils import escape, quoteattr


def element(name: str, *content: str, **attributes: object) -> str:
    """Return one element; ``_`` in an attribute's name is written "-", a trailing one dropped.

    >>> element("rect", class_="cake", x=1.0, stroke_width=2)
    '<rect class="cake" x="1" stroke-width="2"/>'
    """
    pairs = "".join(
        f" {key.rstrip('_').replace('_', '-')}={quoteattr(_written(value))}"
        for key, value in attributes.items()
        if value is not None
    )
    return f"<{name}{pairs}>{''.join(content)}</{name}>" if content else f"<{name}{pairs}/>"


def text(words: str, **attributes: object) -> str:
    """Return a text element with ``words`` escaped."""
    return element("text", escape(words), **attributes)


def picture(*content: str, title: str, key: str, **attributes: object) -> str:
    """Return an SVG that is one image to a screen reader, called ``title``; ``key`` makes its id."""
    label = element("title", escape(title), id=f"{key}-title")
    return element(
        "svg",
        label,
        *content,
        xmlns="http://www.w3.org/2000/svg",
        role="img",
        aria_labelledby=f"{key}-title",
        **attributes,
    )


def hatch(key: str, *, gap: float, cross: bool = False) -> str:
    """Return a pattern of slanting lines ``gap`` apart, crossed when asked."""
    lines = [element("path", d=f"M0 0V{gap:g}", class_="hatch-line")]
    if cross:
        lines.append(element("path", d=f"M0 0H{gap:g}", class_="hatch-line"))
    return element(
        "pattern",
        *lines,
        id=key,
        width=gap,
        height=gap,
        patternUnits="userSpaceOnUse",
        patternTransform="rotate(45)",
    )


def path(points: Iterable[tuple[float, float]]) -> str:
    """Return the ``d`` of a line through ``points``, to a tenth: finer cannot be seen and weighs."""
    return "M" + "L".join(f"{x:g} {y:.1f}".removesuffix(".0") for x, y in points)


def _written(value: object) -> str:
    if isinstance(value, float):
        return f"{value:.2f}".rstrip("0").rstrip(".")
    return str(value)
