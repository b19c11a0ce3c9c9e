"""A tree of files with a list of what we laid in it, so that all of it can be taken away again.

The list holds each file's SHA-256: a file that reads otherwise was edited by a person, and is
neither overwritten nor removed.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from monitor.contract.errors import InstallationFailed

LIST = "etc/niterwatch/laid.json"
"""Where the list is kept, below the root."""


@dataclass(slots=True)
class LaidFiles:
    """Files below ``root``; ``dry`` says what would be done and does nothing.

    Paths are given relative to ``root`` and named as the board will see them. Everything that
    is said is one line. Raises :class:`InstallationFailed` where a file cannot be handled.
    """

    root: Path
    dry: bool = False
    digests: dict[str, str] = field(default_factory=dict)
    folders: list[str] = field(default_factory=list)
    facts: dict[str, str] = field(default_factory=dict)
    """What the next installation must know of this one."""

    @classmethod
    def of(cls, root: Path, *, dry: bool = False) -> LaidFiles:
        """Return what was laid below ``root`` so far; nothing where there is no list."""
        try:
            kept: Any = json.loads((root / LIST).read_text(encoding="utf-8"))
            return cls(root, dry, dict(kept["files"]), list(kept["folders"]), dict(kept["facts"]))
        except FileNotFoundError:
            return cls(root, dry)
        except (OSError, ValueError, KeyError, TypeError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is damaged"
            raise InstallationFailed(f"{named(LIST)} cannot be read: {why}; check it, or remove it") from None

    def lay(self, path: str, text: str, *, mode: int = 0o644) -> str | None:
        """Write a file unless a person edited it; return what was done, null if it was there already."""
        there = self._digest(path)
        if there == _digest_of(text.encode()):
            self._remember(path, there)
            return None
        if there is not None and there != self.digests.get(path):
            return f"kept {named(path)}: it was edited, or is not ours"
        self.write(path, text, mode=mode)
        self._remember(path, _digest_of(text.encode()))
        return self._said("wrote", path)

    def write(self, path: str, text: str, *, mode: int) -> None:
        """Write a file without taking note of it; its folder is made and noted."""
        if self.dry:
            return
        target = self.root / path
        fresh = target.with_name(f"{target.name}.new")
        with _told(path, "written"):
            self.make_folder(path.rpartition("/")[0])
            fresh.unlink(missing_ok=True)
            # Made with its mode, so that a secret is never readable, not even for a moment.
            with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "w") as out:
                out.write(text)
            fresh.chmod(mode)
            fresh.replace(target)

    def make_folder(self, path: str, *, mode: int = 0o755) -> None:
        """Make a folder, and note those on the way to it that were not there."""
        folder = self.root / path
        missing = [each for each in (folder, *folder.parents) if not each.exists()]
        for each in reversed(missing):
            with _told(path, "made"):
                each.mkdir()
                each.chmod(mode if each == folder else 0o755)
            self.folders.append(str(each.relative_to(self.root)))

    def note(self, path: str) -> None:
        """Take note of a file that another program wrote for us, as it is now."""
        digest = self._digest(path)
        if digest is not None:
            self._remember(path, digest)

    def take_away(self, path: str, *, edited_too: bool = False) -> str | None:
        """Remove a file we laid; return what was done, null if it was gone."""
        there, ours = self._digest(path), self.digests.get(path)
        if there is None:
            self._forget(path)
            return None
        if there != ours and not edited_too:
            return f"kept {named(path)}: it was edited"
        if not self.dry:
            with _told(path, "removed"):
                (self.root / path).unlink()
        self._forget(path)
        return self._said("removed", path)

    def take_away_tree(self, path: str) -> str | None:
        """Remove a folder with all that is in it; return what was done, null if it was gone."""
        if not (self.root / path).is_dir():
            return None
        if not self.dry:
            with _told(path, "removed"):
                shutil.rmtree(self.root / path)
        return self._said("removed", f"{path}/ and all in it")

    def take_away_folders(self) -> None:
        """Remove the folders that were made for our files, where nothing else is in them."""
        for folder in sorted(self.folders, key=len, reverse=True):
            place = self.root / folder
            if not self.dry and place.is_dir() and not any(place.iterdir()):
                with _told(folder, "removed"):
                    place.rmdir()
        self.folders = [folder for folder in self.folders if (self.root / folder).is_dir()]

    def save(self) -> str | None:
        """Keep the list, or remove it once nothing of ours is left; return what was done."""
        if self.dry:
            return None
        target = self.root / LIST
        if not self.digests:
            with _told(LIST, "removed"):
                target.unlink(missing_ok=True)
            return self._said("removed", LIST)
        kept = {"files": dict(sorted(self.digests.items())), "folders": sorted(self.folders)}
        text = json.dumps(kept | {"facts": self.facts}, indent=1) + "\n"
        if target.exists() and target.read_text(encoding="utf-8") == text:
            return None
        self.write(LIST, text, mode=0o644)
        return self._said("wrote", LIST)

    def _digest(self, path: str) -> str | None:
        with _told(path, "read"):
            try:
                return _digest_of((self.root / path).read_bytes())
            except (FileNotFoundError, NotADirectoryError):
                return None

    def _remember(self, path: str, digest: str) -> None:
        if not self.dry:
            self.digests[path] = digest

    def _forget(self, path: str) -> None:
        if not self.dry:
            self.digests.pop(path, None)

    def _said(self, done: str, path: str) -> str:
        would = {"wrote": "would write", "removed": "would remove"}
        return f"{would[done] if self.dry else done} {named(path)}"


def named(path: str) -> str:
    """Return the path as the board sees it.

    >>> named("etc/niterwatch/niterwatch.toml")
    '/etc/niterwatch/niterwatch.toml'
    """
    return f"/{path}"


def _digest_of(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


@contextmanager
def _told(path: str, done: str) -> Iterator[None]:
    """Turn what the file system refuses into one line."""
    try:
        yield
    except InstallationFailed:
        raise
    except PermissionError as error:
        raise InstallationFailed(
            f"{named(path)} cannot be {done}: {error.strerror}; run it as root (sudo)"
        ) from None
    except OSError as error:
        raise InstallationFailed(f"{named(path)} cannot be {done}: {error.strerror}") from None
