"""Where a phone gives the device's code once, on a board whose reading is not open."""

from __future__ import annotations

import math
from http import HTTPStatus
from urllib.parse import parse_qs

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from web.acts import HTTP_STATUS, Outcome, Result
from web.page import page
from web.reading import DOOR, admit
from web.rooms import Rooms
from web.viewer import local_path


def router(rooms: Rooms) -> APIRouter:
    """Return the addresses of the door; on an open board they lead to the start page."""
    routes = APIRouter(default_response_class=HTMLResponse)
    is_open = rooms.settings.web.reading == "open"

    @routes.get(DOOR)
    async def show_door(request: Request, back: str = "/") -> Response:
        if is_open:
            return RedirectResponse(local_path(back), status_code=HTTPStatus.SEE_OTHER)
        return _door(rooms, request, back=local_path(back))

    @routes.post(DOOR)
    async def knock(request: Request) -> Response:
        form = parse_qs((await request.body()).decode("latin-1"))
        back = local_path(form.get("back", ["/"])[0])
        address = request.client.host if request.client else ""
        refused = None
        if not is_open:
            refused = await rooms.desk.check(form.get("code", [""])[0], address=address)
        if refused is not None:
            return _door(rooms, request, back=back, refused=refused)
        answer = RedirectResponse(back, status_code=HTTPStatus.SEE_OTHER)
        if not is_open:
            admit(answer, code=rooms.desk.code, secure=request.url.scheme == "https")
        return answer

    return routes


def _door(rooms: Rooms, request: Request, *, back: str, refused: Result | None = None) -> HTMLResponse:
    choice = rooms.choice(request)
    said, status, headers = "", HTTPStatus.OK, None
    if refused is not None:
        pause_s = math.ceil(refused.pause_s)
        said = choice.figures().words(f"acts.{refused.outcome}", why=refused.why, seconds=pause_s, act="")
        status = HTTP_STATUS[refused.outcome]
        headers = {"Retry-After": str(pause_s)} if refused.outcome is Outcome.PAUSE else None
    elif not rooms.desk.open:
        said = choice.figures().words("acts.no_code")
    text = page("door", choice=choice, here=DOOR, back=back, said=said, invented=False)
    return HTMLResponse(text, status_code=status, headers=headers)
