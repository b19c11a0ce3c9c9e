"""Writes a file that is a secret of this board: whole or not at all, for its owner's eyes only."""

from __future__ import annotations

import os
from pathlib import Path

SECRET, OPEN = 0o600, 0o644
"""Modes: readable by the owner alone, readable by all."""


def keep(file: Path, content: bytes, *, mode: int = SECRET, for_service: bool = True) -> None:
    """Put ``content`` in ``file`` in one step; raise :class:`OSError` if that cannot be.

    What root writes belongs to the owner of the folder, so that the owner's service can read
    it, unless ``for_service`` is false.
    """
    fresh = file.with_name(f"{file.name}.new")
    fresh.unlink(missing_ok=True)
    # Exclusive, and changed by its descriptor only: a link planted in the folder is never followed.
    descriptor = os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, SECRET)
    with os.fdopen(descriptor, "wb") as out:
        out.write(content)
        out.flush()
        if for_service and os.geteuid() == 0:
            folder = file.absolute().parent.stat()
            os.fchown(descriptor, folder.st_uid, folder.st_gid)
        os.fchmod(descriptor, mode)
        os.fsync(descriptor)
    fresh.replace(file)
