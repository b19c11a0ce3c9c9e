"""The pace of statuses: ordinary traffic is not held up, a flood is held to its rate."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.runtime.pace import Pace

APART_S, BURST = 0.05, 5


def test_the_points_of_one_second_go_at_once() -> None:
    pace = Pace(apart_s=APART_S, burst=BURST)
    for second in range(3):
        for _ in range(BURST):
            assert pace.wait_s(float(second)) == 0.0
            pace.go(float(second))


@given(st.lists(st.floats(0.0, 0.02), min_size=50, max_size=400))
def test_in_a_flood_no_stretch_of_time_holds_more_than_the_burst_and_its_rate(gaps_s: list[float]) -> None:
    pace, now_s, gone_s = Pace(apart_s=APART_S, burst=BURST), 100.0, []
    for gap_s in gaps_s:
        now_s += gap_s
        if pace.wait_s(now_s) == 0.0:
            pace.go(now_s)
            gone_s.append(now_s)
    for first in range(len(gone_s)):
        for last in range(first, len(gone_s)):
            allowed = BURST + (gone_s[last] - gone_s[first]) / APART_S + 1e-3
            assert last - first + 1 <= allowed


def test_what_waits_may_go_when_it_was_told() -> None:
    pace = Pace(apart_s=APART_S, burst=BURST)
    for _ in range(BURST):
        pace.go(1.0)
    wait_s = pace.wait_s(1.0)
    assert wait_s == pytest.approx(APART_S)
    assert pace.wait_s(1.0 + wait_s) == 0.0
