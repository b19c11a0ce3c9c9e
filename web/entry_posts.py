"""Where the forms before and after a run are posted: read, then sent as acts are."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from http import HTTPStatus
from typing import Annotated

from fastapi import APIRouter, Header, Request
from fastapi.responses import JSONResponse
from starlette.exceptions import HTTPException

from monitor.contract.commands import Verb
from web.act_posts import CODE_HEADER
from web.acts import HTTP_STATUS, Outcome, Result
from web.entry_forms import READERS
from web.figures import Figures, Units
from web.retold import retold
from web.rooms import Press, Rooms
from web.typed import FieldRefused, Typed

MOST_FIELDS = 160
"""Fields of the largest form, with room."""


def router(rooms: Rooms) -> APIRouter:
    """Return the address that entries are posted to."""
    routes = APIRouter()

    @routes.post("/press/{press}/entry/{verb}")
    async def enter(
        request: Request,
        press: Press,
        verb: Verb,
        code: Annotated[str, Header(alias=CODE_HEADER, max_length=64)] = "",
    ) -> JSONResponse:
        if verb not in READERS:
            raise HTTPException(HTTPStatus.NOT_FOUND)
        if request.headers.get("content-type", "").partition(";")[0] != "application/json":
            raise HTTPException(HTTPStatus.UNSUPPORTED_MEDIA_TYPE)
        figures = rooms.choice(request).figures()
        try:
            fields = _fields(await request.body())
            args = READERS[verb](Typed(fields=fields, figures=_typed_in(fields, figures)))
        except FieldRefused as refusal:
            said = {"outcome": Outcome.UNFIT, "said": str(refusal), "field": refusal.field}
            return JSONResponse(said, status_code=HTTP_STATUS[Outcome.UNFIT])
        body = json.dumps({**args, "who": fields.get("who", "")}).encode()
        address = request.client.host if request.client else ""
        result = await rooms.desk.act(press, verb, body, code=code, address=address)
        return _answer(result, verb, figures)

    return routes


def _fields(body: bytes) -> dict[str, str]:
    """Return the fields in ``body``; anything but an object of texts is refused."""
    try:
        given = json.loads(body or b"{}")
    except (ValueError, RecursionError):
        given = None
    if not isinstance(given, dict) or len(given) > MOST_FIELDS:
        raise HTTPException(HTTPStatus.UNPROCESSABLE_ENTITY)
    if not all(isinstance(value, str) for value in given.values()):
        raise HTTPException(HTTPStatus.UNPROCESSABLE_ENTITY)
    return given


def _typed_in(fields: dict[str, str], figures: Figures) -> Figures:
    """Return ``figures`` in the units that the form was shown in."""
    units = fields.get("units", "")
    return replace(figures, units=Units(units)) if units in set(Units) else figures


def _answer(result: Result, verb: Verb, figures: Figures) -> JSONResponse:
    words, pause_s = figures.words, math.ceil(result.pause_s)
    why = retold(result.why, words)
    said = words(f"acts.{result.outcome}", why=why, seconds=pause_s, act=words(f"done.{verb}"))
    return JSONResponse(
        {"outcome": result.outcome, "said": said},
        status_code=HTTP_STATUS[result.outcome],
        headers={"Retry-After": str(pause_s)} if result.outcome is Outcome.PAUSE else None,
    )
