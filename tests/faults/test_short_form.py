"""Every family of faults in its short form; ``python -m tests.faults --counts long`` is the long one."""

from __future__ import annotations

import json
from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path

import pytest

from monitor import intake
from monitor.contract.errors import PayloadRefused
from monitor.contract.payloads import encode
from monitor.contract.readings import ClockState, Quality, Reading, UnitCode
from monitor.run.inputs import Stamp
from monitor.run.records import Records
from monitor.runtime.broker import Message
from monitor.runtime.clock import ManualClock
from tests.faults.counts import SHORT
from tests.faults.families import TRIALS
from tests.faults.metric import Metric, table

OUTLET = "niterwatch/main/reading/outlet"


LANES = 3
"""Trials at once: most of their time is waiting."""

Trials = dict[str, Future[list[Metric]]]


@pytest.fixture(scope="module")
def trials(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Trials]:
    """Begin the trials of the chosen tests, side by side, each in a folder of its own."""
    calls = [getattr(item, "callspec", None) for item in request.session.items]
    chosen = {call.params.get("name") for call in calls if call is not None}
    with ThreadPoolExecutor(LANES) as lanes:
        yield {
            name: lanes.submit(_tried, name, tmp_path_factory.mktemp(name.replace(" ", "-")))
            for name in TRIALS
            if name in chosen
        }


def _tried(name: str, directory: Path) -> list[Metric]:
    return list(TRIALS[name](SHORT, directory))


@pytest.mark.broker
@pytest.mark.timeout(240)
@pytest.mark.parametrize("name", [name for name in TRIALS if name != "floods"])  # it takes every core
def test_every_limit_holds(name: str, trials: Trials) -> None:
    metrics = trials[name].result()
    assert metrics
    assert all(metric.holds for metric in metrics), f"\n{table(metrics)}"


def sent(**changes: object) -> Message:
    """Return a sound reading of 85 degC with ``changes``, as it comes from the broker."""
    reading = Reading(
        seq=1,
        boot="manual",
        mono_ms=1_000_000,
        clock=ClockState.UNSET,
        value=85.0,
        unit=UnitCode.CELSIUS,
        quality=Quality.GOOD,
    )
    payload = json.dumps(json.loads(encode(reading)) | changes).encode()
    return Message(OUTLET, payload, retain=False)


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"unit": "kPa"}, "not read in kPa"),
        ({"unit": "L/min"}, "not read in L/min"),
        # Taken in, it would make the outlet deaf to every true reading of this boot.
        ({"mono_ms": 2**53 - 1}, "later than now"),
        ({"mono_ms": 1_001_001}, "later than now"),
    ],
)
def test_a_reading_that_cannot_be_is_refused(changes: dict[str, object], why: str) -> None:
    clock = ManualClock(now_s=1000.0)
    stamp = Stamp(boot=clock.boot, mono_s=clock.now_s, time=None, clock=ClockState.UNSET)
    assert intake.read(sent(), stamp=stamp, records=Records().at) is not None
    with pytest.raises(PayloadRefused, match=why):
        intake.read(sent(**changes), stamp=stamp, records=Records().at)
