"""Family 1: kill -9 of any service at a random moment, restarted as systemd would."""

from __future__ import annotations

import random
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from monitor.contract.commands import AcknowledgeArgs, MarkArgs, MarkKind
from monitor.contract.names import Alarm, AlarmState, Flag
from monitor.contract.status import AlarmStatus, RunStatus
from tests.faults import ledger
from tests.faults.counts import Counts
from tests.faults.listener import seconds_until
from tests.faults.metric import Metric, tail
from tests.faults.plant import Plant, plant

SERVICES = ("monitor", "monitor", "hardware", "web")
"""The monitor twice as often: it alone has something to lose."""
STEADY = frozenset({Alarm.OVER_PRECIPITATION, Alarm.NEAR_CLOG})
"""Alarms whose condition holds all the time, so that only a fault can change them."""
LIVED_S = (0.0, 1.5)
LIVE_LIMIT_S = 10.0


@dataclass
class Tally:
    """What the kills cost."""

    rows: int = 0
    alarms: int = 0
    acts: int = 0
    answered: int = 0
    """Filled containers that the monitor has answered for."""
    runs: int = 0
    unsound: int = 0
    live_s: list[float] = field(default_factory=list)


def trial(counts: Counts, directory: Path) -> Iterator[Metric]:
    """Kill services of a press that is over temperature and near its clog pressure."""
    chance = random.Random(1)  # noqa: S311 - a test's repeatable dice
    with plant(directory) as press:
        press.outlet_f, press.psi = 197.0, 75.0
        press.start()
        press.await_flag(Flag.OVER_PRECIPITATION)
        press.await_flag(Flag.NEAR_CLOG)
        seconds_until(lambda: len(_steady(press.listener.status())) == len(STEADY), deadline_s=20.0)
        tally = Tally()
        for _ in range(counts.kills):
            _kill_one(press, tally, chance, restart_s=counts.restart_s)
        database = press.services.database
        moves = ledger.twice(
            database,
            table="event",
            by="run, name, state, json_extract(body, '$.activation'), kind, "
            "CASE kind WHEN 'alarm' THEN 0 ELSE id END",
        )
        readings = ledger.twice(database, table="reading", by="boot_id, point, mono_ms")
        seconds = ledger.twice(database, table="moment", by="boot_id, mono_s")
    yield Metric(family=1, what=f"committed rows lost in {counts.kills} kills", measured=tally.rows, limit=0)
    yield Metric(family=1, what="alarm states lost", measured=tally.alarms, limit=0)
    yield Metric(family=1, what="answered acts lost", measured=tally.acts, limit=0)
    yield Metric(family=1, what="runs lost", measured=tally.runs, limit=0)
    yield Metric(family=1, what="files not whole", measured=tally.unsound, limit=0)
    yield Metric(family=1, what="alarm moves kept twice", measured=moves, limit=0)
    yield Metric(family=1, what="readings kept twice", measured=readings, limit=0)
    yield Metric(family=1, what="seconds kept twice", measured=seconds, limit=0)
    yield Metric(
        family=1,
        what=f"live again, slowest (the restart's own {counts.restart_s:g} s included)",
        measured=tail(tally.live_s, share=1.0),
        limit=LIVE_LIMIT_S,
        unit="s",
    )


def _kill_one(press: Plant, tally: Tally, chance: random.Random, *, restart_s: float) -> None:
    time.sleep(chance.uniform(*LIVED_S))
    name = chance.choice(SERVICES)
    if chance.random() < 0.5 and (_acknowledge_one(press) or _mark(press, tally)):
        # At once after an act, when the least of it has reached the disk.
        name = "monitor"
        time.sleep(chance.uniform(0.0, 0.05))
    before = press.listener.status()
    kept = ledger.committed(press.services.database)
    tally.live_s.append(press.killed_and_back(name, restart_s=restart_s))
    tally.unsound += not ledger.is_whole(press.services.database)
    tally.rows += kept.lost_in(press.services.database)
    after = press.listener.status()
    tally.alarms += _lost(_steady(before), _steady(after))
    if before is not None and before.run is not None:
        tally.runs += after is None or after.run is None or after.run.id != before.run.id
        tally.acts += after is None or after.volume.containers < tally.answered


def _acknowledge_one(press: Plant) -> bool:
    """Acknowledge an alarm that asks for it and wait until the monitor answers that it is done."""
    asking = [a for a in _steady(press.listener.status()).values() if a.state is AlarmState.UNACKNOWLEDGED]
    return bool(asking) and press.answered(
        AcknowledgeArgs(alarm=asking[0].name, activation=asking[0].activation)
    )


def _mark(press: Plant, tally: Tally) -> bool:
    """Note a filled container and wait until the monitor answers that it is done."""
    done = press.answered(MarkArgs(mark=MarkKind.CONTAINER_FILLED, volume_l=3.8))
    tally.answered += done
    return done


def _steady(status: RunStatus | None) -> dict[Alarm, AlarmStatus]:
    return {alarm.name: alarm for alarm in status.alarms if alarm.name in STEADY} if status else {}


def _lost(before: dict[Alarm, AlarmStatus], after: dict[Alarm, AlarmStatus]) -> int:
    """Count alarms that are gone, of an older activation, or otherwise than they were."""
    lost = 0
    for name, was in before.items():
        now = after.get(name)
        asked_again = now is not None and now.activation > was.activation
        lost += now is None or not (asked_again or (now.activation, now.state) == (was.activation, was.state))
    return lost
