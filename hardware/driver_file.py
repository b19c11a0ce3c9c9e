"""Small text files of kernel drivers: what one says, and an act written to one."""

from __future__ import annotations

from pathlib import Path


def said(file: Path) -> str:
    """Return what ``file`` says without its line end, empty where it cannot be read."""
    try:
        return file.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""


def told(file: Path, text: str) -> bool:
    """Write ``text`` to an existing ``file``; return whether that was allowed.

    A driver may take the text and still not heed it: look at what it says afterwards.
    """
    try:
        if not file.exists():
            return False
        file.write_text(f"{text}\n", encoding="ascii")
    except OSError:
        return False
    return True
