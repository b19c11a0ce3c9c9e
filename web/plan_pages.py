"""The plan of a batch: a form that asks with plain query parameters, and what comes of it."""

from __future__ import annotations

from urllib.parse import urlencode

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse
from starlette.concurrency import run_in_threadpool

from monitor.contract.entries import ChargeArgs, Method
from monitor.contract.errors import EntryRefused, StoreError
from monitor.contract.units import Dimension
from monitor.run.plan import Plan, plan_for
from monitor.run.press_record import RunEntry
from web import plan_form
from web.cakes import charge_fields
from web.page import page
from web.plan_view import PlanView, plan_view
from web.press_records import PressRecords
from web.retold import retold
from web.rooms import Rooms
from web.typed import FieldRefused, Typed
from web.viewer import Choice

LONGEST = 200
"""Characters of one field that are looked at and shown again."""


def router(rooms: Rooms, records: PressRecords) -> APIRouter:
    """Return the address of the plan."""
    routes = APIRouter(default_response_class=HTMLResponse)

    @routes.get("/plan")
    async def show_plan(request: Request) -> HTMLResponse:
        given = {name: text[:LONGEST] for name, text in request.query_params.items()}
        text = await run_in_threadpool(_plan_page, rooms, records, given, rooms.choice(request))
        return HTMLResponse(text)

    return routes


def _plan_page(rooms: Rooms, records: PressRecords, given: dict[str, str], choice: Choice) -> str:
    figures = choice.figures()
    typed = Typed(fields=plan_form.in_units_of(given, figures=figures), figures=figures)
    press = rooms.settings.press
    plan, view, refused, complaint = None, None, "", ""
    if given:
        try:
            plan, view = _planned(rooms, records, typed)
        except FieldRefused as refusal:
            refused, complaint = refusal.field, str(refusal)
        except EntryRefused as refusal:
            complaint = retold(str(refusal), typed.figures.words)
    return page(
        "plan",
        choice=choice,
        here=f"/plan?{urlencode(given)}" if given else "/plan",
        press=press.name,
        fields=plan_form.fields(typed, frames=press.frames),
        refused=refused,
        complaint=complaint,
        v=view,
        charge=[] if plan is None else charge_fields(_proposed(plan), note="", figures=figures),
        acts_open=rooms.desk.open,
        volume_unit=typed.figures.unit(Dimension.VOLUME),
        invented=rooms.invented,
    )


def _planned(rooms: Rooms, records: PressRecords, typed: Typed) -> tuple[Plan, PlanView]:
    """Return the plan of what was typed, by all that this press has taught."""
    settings = rooms.settings
    wanted = plan_form.read(typed, frames=settings.press.frames)
    owner = settings.plan_rules()
    plan = plan_for(
        wanted.batch,
        rules=wanted.rules(settings.rules()),
        owner=owner,
        runs=_earlier(records),
    )
    return plan, plan_view(plan, owner=owner, frames=wanted.frames, figures=typed.figures)


def _proposed(plan: Plan) -> ChargeArgs:
    """Return the charge that the plan asks for, to be entered as it is or as it was measured out."""
    batch = plan.batch
    method = Method.NOT_MEASURED
    if batch.hydrometer is not None:
        method = Method.HYDROMETER_HOT
    elif batch.sugar is not None:
        method = Method.REFRACTOMETER
    return ChargeArgs(
        volume_l=plan.charge.share_l,
        aid_cups=plan.aid_cups_per_set,
        sugar=None if method is Method.NOT_MEASURED else plan.density.sugar,
        method=method,
        sand=batch.sand,
        sets=plan.charge.sets,
    )


def _earlier(records: PressRecords) -> tuple[RunEntry, ...]:
    """Return what earlier runs taught, oldest first; a store that cannot be read teaches nothing."""
    try:
        return tuple(run.entry for run in records.ask(lambda season: season.runs()))
    except StoreError:
        return ()
