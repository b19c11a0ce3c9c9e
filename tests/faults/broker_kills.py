"""Family 5: the broker is killed again and again; every service must find it when it is back."""

from __future__ import annotations

import os
import random
import time
from collections.abc import Iterator
from pathlib import Path

from monitor.contract.readings import Point
from tests.faults import ledger
from tests.faults.counts import Counts
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric, tail
from tests.faults.plant import Plant, plant

BACK_LIMIT_S = 5.0
DOWN_S = (0.0, 2.0)
UP_S = (0.0, 2.0)
DEADLINE_S = 20.0
DESCRIPTORS_SPARE = 3
"""A connection under way and the database's side files come and go."""


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Kill the broker under a run, again before the services have calmed down."""
    chance = random.Random(5)  # noqa: S311 - a test's repeatable dice
    back_s: list[float] = []
    with plant(directory) as press:
        press.start()
        press.open_run()
        run = press.listener.status()
        held = _descriptors(press)
        for _ in range(counts.broker_kills):
            time.sleep(chance.uniform(*UP_S))
            press.broker.kill()
            time.sleep(chance.uniform(*DOWN_S))
            press.broker.start()
            back_s.append(_back(press))
        after = press.listener.status()
        time.sleep(1.0)
        leaked = max(now - then for now, then in zip(_descriptors(press), held, strict=True))
        database = press.services.database
        readings = ledger.twice(database, table="reading", by="boot_id, point, mono_ms")
        seconds = ledger.twice(database, table="moment", by="boot_id, mono_s")
        runs = ledger.committed(database).counts["run"]
    assert run is not None
    assert run.run is not None
    same = after is not None and after.run is not None and after.run.id == run.run.id
    what = f"all services back, p99 of {len(back_s)} kills"
    yield Metric(family=5, what=what, measured=tail(back_s), limit=BACK_LIMIT_S, unit="s")
    yield Metric(family=5, what="readings and seconds kept twice", measured=readings + seconds, limit=0)
    yield Metric(family=5, what="runs split or lost", measured=runs - 1 + (not same), limit=0)
    yield Metric(
        family=5,
        what="descriptors more than before, worst service",
        measured=leaked,
        limit=DESCRIPTORS_SPARE,
    )


def _back(press: Plant) -> float:
    """Return the seconds until a reading, a status made of it, and the page are new again."""
    began_s = time.monotonic()

    def all_there() -> bool:
        status = press.listener.status(since_s=began_s)
        outlet = status.points.get(Point.OUTLET) if status else None
        fresh = outlet is not None and outlet.age_s is not None and outlet.age_s < time.monotonic() - began_s
        return press.live("hardware", since_s=began_s) and fresh and press.page_lives()

    return seconds_until(all_there, deadline_s=DEADLINE_S)


def _descriptors(press: Plant) -> list[int]:
    found = []
    for program in press.services.programs.values():
        assert program.process is not None
        found.append(len(os.listdir(f"/proc/{program.process.pid}/fd")))  # noqa: PTH208 - counted only
    return found
