"""What a service's heartbeat tells: whether it lives, and why the board would not sound. Pure."""

from __future__ import annotations

from monitor.contract.presence import HEARTBEAT_S, Presence
from web.figures import Figures
from web.language import slug

MISSED_BEATS = 3.0
"""Heartbeats that may be missed before a service counts as down."""

Heartbeat = tuple[Presence, float]
"""The last one of a service and its age [s]."""


def alive(beat: Heartbeat) -> bool:
    """Tell whether the service of ``beat`` is up: it said so, and not long ago."""
    presence, age_s = beat
    return presence.up and age_s <= MISSED_BEATS * HEARTBEAT_S


def trouble(beat: Heartbeat, figures: Figures) -> str | None:
    """Return what the service says is wrong with it, with its detail, in the viewer's words where known."""
    text = beat[0].trouble
    if text is None:
        return None
    known, detail = _known(text, figures)
    if known is None:
        return text
    return f"{known} ({detail})" if detail else known


def board_prompt(beat: Heartbeat | None, figures: Figures) -> str | None:
    """Return what a person must know of the board's own alarm, null if it would sound.

    ``beat`` is the hardware's. One never heard tells nothing: with it every reading is
    missing too, and the page says that.
    """
    words = figures.words
    if beat is None:
        return None
    if not alive(beat):
        return words("prompt.board_mute", why=words("why.board_silent"))
    text = beat[0].trouble
    if text is None:
        return None
    known, _ = _known(text, figures)
    if known is None:
        return words("prompt.board_trouble", why=text)
    return words("prompt.board_mute", why=known)


def _known(text: str, figures: Figures) -> tuple[str | None, str]:
    """Return known words for ``text``, or for its head, and its detail; null for words that are not known."""
    words = figures.words
    if words.has(key := f"told.{slug(text)}"):
        return words(key), ""
    head, colon, detail = text.partition(":")
    if colon and words.has(key := f"told.{slug(head)}"):
        return words(key), detail.strip()
    return None, ""
