"""The base of every message: frozen, strict about names, no NaN, no infinity."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import BaseModel, ConfigDict, Field, StringConstraints

PAYLOAD_LIMIT = 4096
"""Bytes; a larger message is refused unread."""
STATUS_LIMIT = 8192
"""Bytes of a status, which is whole in every message: with every alarm standing it passes 4 KiB."""


class WireModel(BaseModel):
    """A message or a part of one. Unknown fields and numbers that are none are refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False, populate_by_name=True)
    payload_limit: ClassVar[int] = PAYLOAD_LIMIT


PressName = Annotated[str, StringConstraints(pattern=r"^[a-z0-9-]{1,32}$")]
"""A press in topics and files: lower-case letters, digits and hyphens."""

ShortText = Annotated[str, StringConstraints(max_length=64)]
NoteText = Annotated[str, StringConstraints(max_length=500)]

LARGEST_INTEGER = 2**53 - 1
"""Largest that every reader of JSON and the database keep exactly (RFC 7493, section 2.2)."""
Sequence = Annotated[int, Field(ge=0, le=LARGEST_INTEGER)]
Milliseconds = Annotated[int, Field(ge=0, le=LARGEST_INTEGER)]
