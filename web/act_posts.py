"""Where acts are posted, and where a viewer's choice of units and language is."""

from __future__ import annotations

import math
from http import HTTPStatus
from typing import Annotated
from urllib.parse import parse_qs

from fastapi import APIRouter, Header, Request
from fastapi.responses import JSONResponse, RedirectResponse
from starlette.exceptions import HTTPException

from monitor.contract.commands import Verb
from web.acts import HTTP_STATUS, Outcome, Result
from web.figures import Units
from web.language import Language
from web.retold import retold
from web.rooms import Press, Rooms
from web.viewer import KEPT_S, LANGUAGE_COOKIE, UNITS_COOKIE, Choice, local_path

CODE_HEADER = "X-Device-Code"
"""No form of a foreign page can send it, so it also proves that our own script did."""


def router(rooms: Rooms) -> APIRouter:
    """Return the addresses that are posted to."""
    routes = APIRouter()

    @routes.post("/press/{press}/act/{verb}")
    async def act(
        request: Request,
        press: Press,
        verb: Verb,
        code: Annotated[str, Header(alias=CODE_HEADER, max_length=64)] = "",
    ) -> JSONResponse:
        if request.headers.get("content-type", "").partition(";")[0] != "application/json":
            raise HTTPException(HTTPStatus.UNSUPPORTED_MEDIA_TYPE)
        address = request.client.host if request.client else ""
        result = await rooms.desk.act(press, verb, await request.body(), code=code, address=address)
        return _answer(result, verb, rooms.choice(request))

    @routes.post("/choice")
    async def choose(request: Request) -> RedirectResponse:
        form = parse_qs((await request.body()).decode("latin-1"))
        answer = RedirectResponse(local_path(form.get("back", ["/"])[0]), status_code=HTTPStatus.SEE_OTHER)
        for cookie, known in ((UNITS_COOKIE, set(Units)), (LANGUAGE_COOKIE, set(Language))):
            wanted = form.get(cookie, [""])[0]
            if wanted in known:
                answer.set_cookie(cookie, wanted, max_age=KEPT_S, httponly=True, samesite="strict")
        return answer

    return routes


def _answer(result: Result, verb: Verb, choice: Choice) -> JSONResponse:
    words, pause_s = choice.figures().words, math.ceil(result.pause_s)
    why = retold(result.why, words)
    said = words(f"acts.{result.outcome}", why=why, seconds=pause_s, act=words(f"done.{verb}"))
    return JSONResponse(
        {"outcome": result.outcome, "said": said},
        status_code=HTTP_STATUS[result.outcome],
        headers={"Retry-After": str(pause_s)} if result.outcome is Outcome.PAUSE else None,
    )
