"""All pages before and after a run, which share one memory of the press's season."""

from __future__ import annotations

from fastapi import APIRouter

from monitor.trace.season import Season
from web import entry_posts, lot_pages, plan_pages, probe_pages, review_pages, season_pages, sheet_pages
from web.press_records import PressRecords
from web.rooms import Rooms


def router(rooms: Rooms) -> APIRouter:
    """Return the addresses of plan, cakes, lots, sheet, season and probe checks."""
    settings = rooms.settings
    # A plan of a real press is not taught by invented runs, nor the demo's by real ones.
    season = Season(
        rooms.book.reader,
        rules=settings.rules(),
        owner=settings.plan_rules(),
        invented=rooms.invented,
    )
    records = PressRecords(season)
    routes = APIRouter()
    for pages in (plan_pages, review_pages, sheet_pages, lot_pages, season_pages, probe_pages):
        routes.include_router(pages.router(rooms, records))
    routes.include_router(entry_posts.router(rooms))
    return routes
