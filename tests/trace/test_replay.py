"""Replay: the contract of its lines, and what the engine makes of runs it has never seen.

The traces in tests/data are invented runs from a simulation that shares nothing with this
program; the truth beside each is that simulation's own (syrup temperature, not the probe's).
"""

from __future__ import annotations

import itertools
import json
import subprocess
import sys
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from monitor.contract.names import Alarm, Flag, Limit, Phase
from monitor.rules.thresholds import RunRules
from monitor.runtime.settings import load
from monitor.trace.replay import records, replay
from monitor.trace.trace_file import read_trace

TRACES = Path(__file__).parents[1] / "data" / "traces"
NAMES = sorted(path.stem for path in TRACES.glob("*.csv"))
PROBE_ERROR_C = 0.5
"""DS18B20 data sheet, to 85 degC: how far under the limit the true syrup can be at a shown ready."""


def truth(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((TRACES / f"{name}.json").read_text())
    return found


def rules_of(name: str) -> RunRules:
    known = truth(name)["known_to_the_owner"]
    return load(overrides=[f"{key}={value}" for key, value in known.items()]).rules()


@cache
def replayed(name: str) -> list[dict[str, Any]]:
    return list(records(read_trace(TRACES / f"{name}.csv"), rules=rules_of(name)))


def changes(name: str, kind: str, what: str) -> list[tuple[float, str]]:
    return [(r["elapsed_s"], r["state"]) for r in replayed(name) if r["kind"] == kind and r["name"] == what]


def first(name: str, what: str) -> float | None:
    return next((at_s for at_s, state in changes(name, "flag", what) if state == "raised"), None)


@pytest.mark.parametrize("name", NAMES)
def test_every_line_is_one_of_the_contract(name: str) -> None:
    lines = replayed(name)
    for line in lines[:-1]:
        if line["kind"] == "status":
            assert line["phase"] in set(Phase)
            assert set(line["flags"]) <= set(Flag)
            assert line["forecast"]["limit"] in set(Limit)
            assert {"ready_in_s", "volume_left_l", "time_left_s", "time_left_low_s", "assumption"} <= set(
                line["forecast"]
            )
        else:
            assert set(line) == {"elapsed_s", "kind", "name", "state"}
            assert line["kind"] in {"flag", "alarm", "phase"}
    assert lines[-1]["kind"] == "summary"


@pytest.mark.parametrize("name", NAMES)
def test_a_status_comes_every_ten_seconds_and_time_never_goes_back(name: str) -> None:
    lines = replayed(name)[:-1]
    assert [line["elapsed_s"] for line in lines] == sorted(line["elapsed_s"] for line in lines)
    statuses = [line["elapsed_s"] for line in lines if line["kind"] == "status"]
    gaps = [after - before for before, after in itertools.pairwise(statuses[1:])]
    assert set(gaps) == {10.0}


@pytest.mark.parametrize("name", NAMES)
def test_flags_alternate_and_one_verdict_holds(name: str) -> None:
    for flag in Flag:
        states = [state for _, state in changes(name, "flag", flag)]
        assert states == ["raised", "cleared"] * (len(states) // 2) + ["raised"] * (len(states) % 2)
    for line in replayed(name):
        if line["kind"] == "status" and line["phase"] != Phase.IDLE:
            verdicts = {Flag.STILL_RECIRCULATING, Flag.READY_TO_BOTTLE, Flag.UNKNOWN} & set(line["flags"])
            assert len(verdicts) == 1


@pytest.mark.parametrize("name", NAMES)
def test_ready_never_comes_before_the_syrup_is_hot(name: str) -> None:
    ready_s, true_s = first(name, Flag.READY_TO_BOTTLE), truth(name)["truth"]["ready_s"]
    assert ready_s is None or ready_s >= true_s


@pytest.mark.parametrize("name", ["plain-1", "plain-3", "hot-1", "torn-paper-1"])
def test_ready_comes_within_a_minute_of_the_truth_where_the_outlet_goes_on_rising(name: str) -> None:
    ready_s = first(name, Flag.READY_TO_BOTTLE)
    assert ready_s is not None
    assert ready_s - truth(name)["truth"]["ready_s"] <= 60.0


@pytest.mark.parametrize("name", ["plain-2", "probe-lost-1"])
def test_an_outlet_that_stays_too_close_to_call_is_never_called_ready(name: str) -> None:
    # These outlets never read 180.9 degF: with the data sheet's 0.9 degF they may be under 180.
    hottest = max(line.outlet_c for line in read_trace(TRACES / f"{name}.csv") if line.outlet_c is not None)
    assert hottest < (180.0 - 32.0) * 5.0 / 9.0 + PROBE_ERROR_C
    assert first(name, Flag.READY_TO_BOTTLE) is None


def test_an_overheated_pan_alarms_before_the_syrup_is_over() -> None:
    over_s = truth("hot-1")["truth"]["over_193_s"]
    raised_s = first("hot-1", Flag.OVER_PRECIPITATION)
    assert raised_s is not None
    assert over_s - 60.0 <= raised_s <= over_s


@pytest.mark.parametrize("name", ["plain-1", "plain-2", "plain-3", "probe-lost-1", "torn-paper-1"])
def test_a_run_inside_the_window_never_alarms_on_temperature(name: str) -> None:
    assert changes(name, "alarm", Alarm.OVER_PRECIPITATION) == []


@pytest.mark.parametrize("name", ["plain-1", "plain-2", "plain-3", "hot-1", "probe-lost-1"])
def test_near_clog_and_stop_follow_the_true_pressure(name: str) -> None:
    true = truth(name)["truth"]
    near_s, stop_s = first(name, Flag.NEAR_CLOG), first(name, Flag.STOP_AT_CUTOFF)
    assert near_s is not None
    assert stop_s is not None
    # Three minutes of forecast lead and the on-delay of 3 s, plus a second's mean.
    assert true["p_72_s"] - 240.0 <= near_s <= true["p_72_s"] + 5.0
    assert 0.0 <= stop_s - true["p_80_s"] <= 10.0


def test_a_lost_probe_is_unknown_at_once_and_an_alarm_after_its_delay() -> None:
    fault = truth("probe-lost-1")["fault"]
    unknown_s = first("probe-lost-1", Flag.UNKNOWN)
    assert unknown_s is not None
    assert 0.0 <= unknown_s - fault["from_s"] <= 2.0
    lost = changes("probe-lost-1", "alarm", Alarm.INPUT_LOST)
    assert [state for _, state in lost] == ["unacknowledged", "returned unacknowledged"]
    assert lost[0][0] - unknown_s == pytest.approx(5.0)


def test_both_unit_systems_replay_to_the_same_events(tmp_path: Path) -> None:
    metric = (TRACES / "hot-1.csv").read_text().splitlines()
    us = ["elapsed_s,outlet_degF,line_psi,line_high_psi,strokes"]
    for row in metric[1:]:
        elapsed, outlet, _, line, high, _, strokes = row.split(",")
        us.append(
            f"{elapsed},{float(outlet) * 1.8 + 32:.6f},{float(line) / 6.894757:.6f},"
            f"{float(high) / 6.894757:.6f},{strokes}"
        )
    file = tmp_path / "us.csv"
    file.write_text("\n".join(us) + "\n")
    same = list(records(read_trace(file), rules=rules_of("hot-1")))
    kinds = {"flag", "alarm", "phase"}
    assert [r for r in same if r["kind"] in kinds] == [r for r in replayed("hot-1") if r["kind"] in kinds]


def test_two_columns_and_a_clock_are_enough(tmp_path: Path) -> None:
    file = tmp_path / "bare.csv"
    rows = "".join(f"{second},{min(86.0, 20.0 + second)},210\n" for second in range(200))
    file.write_text("elapsed_s,outlet_degC,line_kPa\n" + rows)
    lines = list(records(read_trace(file), rules=load().rules()))
    assert lines[-1]["first_ready_s"] is not None
    assert lines[-1]["volume_l"] is None


def test_a_missing_minute_is_input_lost_and_the_run_goes_on(tmp_path: Path) -> None:
    kept = [
        row
        for row in (TRACES / "plain-1.csv").read_text().splitlines()
        if not row[0].isdigit() or not 600 <= float(row.split(",")[0]) < 660
    ]
    file = tmp_path / "gap.csv"
    file.write_text("\n".join(kept) + "\n")
    seconds = list(replay(read_trace(file), rules=rules_of("plain-1")))
    at = {second.elapsed_s: second.state for second in seconds}
    assert at[604.0].verdict.flag is Flag.UNKNOWN
    assert at[661.0].verdict.flag is Flag.READY_TO_BOTTLE
    assert at[604.0].run is not None
    assert at[661.0].run is not None
    assert at[604.0].run.id == at[661.0].run.id


def test_the_command_prints_the_same_lines() -> None:
    overrides = [f"--set={key}={value}" for key, value in truth("hot-1")["known_to_the_owner"].items()]
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli", "replay", str(TRACES / "hot-1.csv"), *overrides, "--json"],
        check=True,
        capture_output=True,
        text=True,
    )
    assert [json.loads(line) for line in done.stdout.splitlines()] == _plain(replayed("hot-1"))


def _plain(lines: list[dict[str, Any]]) -> Iterator[Any] | list[Any]:
    return [json.loads(json.dumps(line)) for line in lines]
