"""The card for the door: where the page is, where the code is written, what sounds mean, what hurts.

The code itself is never on it: it is written by hand, on a line.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from monitor.contract.errors import SettingsError
from monitor.contract.names import Signal
from monitor.runtime.settings import Settings
from web import qr_code, sound_picture
from web.address import way
from web.page import STATIC, page
from web.tones import PATTERNS
from web.viewer import Choice, chosen

CARD, LOOK = "door-card.html", "card.css"
"""The two files of a card that is kept."""
HAZARDS = ("burn", "pressure", "dust", "mains", "device")


@dataclass(frozen=True, slots=True)
class SoundLine:
    """A signal: how it looks, how it sounds, what to do."""

    picture: str
    sounds: str
    means: str


def card_page(settings: Settings, choice: Choice, *, look: str, back: str | None = None) -> str:
    """Return the card as HTML; ``look`` is where its style is, ``back`` where a reader came from."""
    words, where = choice.figures().words, way(settings.web)
    return page(
        "card",
        choice=choice,
        here="/card",
        look=look,
        back=back,
        press=settings.press.name,
        where=where,
        qr=qr_code.to_svg(where.address, title=words("card.scan")),
        sounds=[_sound_line(signal, choice) for signal in PATTERNS],
        hazards=HAZARDS,
        ready=choice.figures().limit(settings.thresholds.ready),
    )


def files(settings: Settings) -> dict[str, str]:
    """Return the card of a board and its style, by file name, in the language of ``[display]``."""
    choice = chosen({}, display=settings.display)
    return {
        CARD: card_page(settings, choice, look=LOOK),
        LOOK: (STATIC / LOOK).read_text(encoding="utf-8"),
    }


def lay(settings: Settings, folder: Path) -> list[str]:
    """Write the card into ``folder``; return the files' names, and what is still missing.

    Raises :class:`SettingsError` for a folder that cannot be written.
    """
    said = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files(settings).items():
            (folder / name).write_text(text, encoding="utf-8")
            said.append(str(folder / name))
    except OSError as error:
        raise SettingsError(f"{folder} cannot be written: {error.strerror}; check --to") from None
    if way(settings.web).lonely:
        said.append("this board has no address on a network yet: make the card again once it has")
    return said


def _sound_line(signal: Signal, choice: Choice) -> SoundLine:
    words, key = choice.figures().words, signal.name.lower()
    sounds = words(f"card.sounds_{key}")
    picture = sound_picture.draw(PATTERNS[signal], title=sounds, key=f"sound-{key.replace('_', '-')}")
    return SoundLine(picture, sounds, words(f"card.means_{key}"))
