"""Messages to bytes and back; what does not fit is refused, never repaired."""

from __future__ import annotations

from typing import TypeVar

from pydantic import TypeAdapter, ValidationError

from monitor.contract.errors import PayloadRefused
from monitor.contract.wire import PAYLOAD_LIMIT, WireModel

Model = TypeVar("Model", bound=WireModel)
Wanted = TypeVar("Wanted")


def encode(message: WireModel) -> bytes:
    """Return ``message`` as UTF-8 JSON without its empty fields; refuse one over the limit."""
    payload = message.model_dump_json(exclude_none=True).encode()
    if len(payload) > message.payload_limit:
        name = type(message).__name__
        raise PayloadRefused(f"{name} of {len(payload)} bytes is over {message.payload_limit}")
    return payload


def decode(payload: bytes, model: type[Model]) -> Model:
    """Return the ``model`` in ``payload``; raise :class:`PayloadRefused` if it does not fit."""
    _check_size(payload, limit=model.payload_limit)
    try:
        return model.model_validate_json(payload)
    except ValidationError as error:
        raise PayloadRefused(first_complaint(error)) from None


def decode_one_of(payload: bytes, adapter: TypeAdapter[Wanted]) -> Wanted:
    """Return what ``adapter`` reads from ``payload``; raise :class:`PayloadRefused` otherwise."""
    _check_size(payload, limit=PAYLOAD_LIMIT)
    try:
        return adapter.validate_json(payload)
    except ValidationError as error:
        raise PayloadRefused(first_complaint(error)) from None


def first_complaint(error: ValidationError) -> str:
    """Return the first thing wrong, as ``field: what``, without the sender's own text."""
    first = error.errors(include_url=False, include_input=False, include_context=False)[0]
    names = [str(part) for part in first["loc"]]
    what = first["msg"]
    if first["type"] == "extra_forbidden":
        names, what = names[:-1], "has a field that is not known"
    elif names[-1:] == ["[key]"]:
        names, what = names[:-2], "has a name that is not known"
    elif first["type"] == "union_tag_invalid":
        what = "is of no known kind"
    where = ".".join(names) or "payload"
    return f"{where[:80]}: {what[:120]}"


def _check_size(payload: bytes, *, limit: int) -> None:
    if len(payload) > limit:
        raise PayloadRefused(f"payload of {len(payload)} bytes is over {limit}")
