"""What ``niterwatch check`` tells of probe checks."""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from monitor.checkup import inspect_probe_checks
from monitor.contract.entries import CheckArgs
from monitor.contract.events import Mark
from monitor.contract.readings import ClockState, Point
from monitor.run.effects import Happened
from monitor.run.probe_check import found_by
from monitor.runtime.settings import Settings, load
from monitor.trace.store import TraceWriter

NOON = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
CHECK = CheckArgs(point=Point.OUTLET, ice_c=0.5, boiling_c=100.1, pressure_kpa=101.325)


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """Give the settings of a store with one check of the outlet in it."""
    made = load(overrides=[f"store.url=sqlite:///{tmp_path / 'trace.db'}"])
    writer = TraceWriter(made.store.url, software="test")
    writer.open()
    found = found_by(CHECK, tuning=made.rules().tuning(Point.OUTLET))
    writer.press("main").keep_effect(Happened(Mark(
        press="main", seq=1, boot="b", mono_ms=1, time=NOON, clock=ClockState.SAVED, name="probe check",
        who="Ada", entry="a" * 8, given=CHECK, found=found,
    )))  # fmt: skip
    writer.close()
    return made


def sentence(settings: Settings, **more: Any) -> str:
    found = inspect_probe_checks(settings, **({"today": date(2026, 4, 1)} | more))
    assert found.ok
    return found.sentence


def test_it_says_the_day_and_what_the_settings_lack(settings: Settings) -> None:
    told = sentence(settings)
    assert told.startswith("outlet checked 2026-03-20, not in the settings yet: scale = ")
    assert 'offset = "-0.' in told
    assert "season" not in told


def test_settings_that_were_pasted_are_asked_for_no_more(settings: Settings) -> None:
    found = found_by(CHECK, tuning=settings.rules().tuning(Point.OUTLET))
    section = settings.point.outlet.model_copy(update={"scale": found.scale, "offset": found.offset_c})
    pasted = settings.model_copy(
        update={"point": settings.point.model_copy(update={"outlet": section, "filler": section})}
    )
    assert sentence(pasted) == "outlet checked 2026-03-20; filler never checked (niterwatch probe filler)"


def test_a_check_of_another_season_is_asked_for_again(settings: Settings) -> None:
    assert "check it before this season" in sentence(settings, today=date(2027, 2, 1))


def test_without_a_store_it_says_so(tmp_path: Path) -> None:
    lost = load(overrides=[f"store.url=sqlite:///{tmp_path / 'none.db'}"])
    found = inspect_probe_checks(lost, today=None)
    assert (found.ok, "does not exist" in found.sentence) == (False, True)
