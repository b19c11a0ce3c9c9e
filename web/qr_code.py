"""The page's address as a square that a phone's camera reads (QR code, ISO/IEC 18004)."""

from __future__ import annotations

from typing import TextIO

import segno

QUIET_ZONE = 4
"""Light modules around the code: the standard's least."""


def to_terminal(text: str, out: TextIO) -> None:
    """Write the code of ``text`` to a terminal in half blocks."""
    _made(text).terminal(out=out, border=QUIET_ZONE, compact=True)


def to_svg(text: str, *, title: str) -> str:
    """Return the code of ``text`` as an SVG element with a view box, called ``title``; no style in it."""
    return str(
        _made(text).svg_inline(border=QUIET_ZONE, omitsize=True, title=title, light="#fff", svgclass="qr")
    )


def _made(text: str) -> segno.QRCode:
    # A quarter of a printed card may be smeared with syrup and it still reads (level Q).
    return segno.make(text, error="q", micro=False)
