"""Repeated lines: the first is told, the rest are counted."""

from __future__ import annotations

from monitor.runtime.repeats import KINDS, OTHERS, Repeats


def told(repeats: Repeats, kind: str, seconds: list[float]) -> list[int | None]:
    return [repeats.let(kind, now_s=second) for second in seconds]


def test_each_kind_has_its_own_minute() -> None:
    repeats = Repeats()
    assert told(repeats, "outlet", [0, 30]) == [0, None]
    assert told(repeats, "line", [30, 59, 89.9, 90]) == [0, None, None, 2]
    assert told(repeats, "outlet", [60, 61, 120]) == [1, None, 1]


def test_a_fault_each_second_of_an_hour_is_told_once_a_minute_and_all_are_accounted_for() -> None:
    repeats = Repeats()
    answers = told(repeats, "no probe", [float(second) for second in range(3600)])
    said = [answer for answer in answers if answer is not None]
    assert len(said) == 60
    assert sum(said) + len(said) == 3600 - 59  # the last minute's are still to be told


def test_a_few_pass_before_any_is_left_out() -> None:
    assert told(Repeats(most=3), "back", [0, 1, 2, 3, 60]) == [0, 0, 0, None, 1]


def test_what_was_left_out_is_told_once_when_its_minute_is_over() -> None:
    repeats = Repeats()
    told(repeats, "outlet", [0, 1, 2])
    told(repeats, "line", [5])
    assert list(repeats.over(now_s=59)) == []
    assert list(repeats.over(now_s=65)) == [("outlet", 2)]
    assert list(repeats.over(now_s=200)) == []


def test_made_up_kinds_share_one_place_and_do_not_grow_it() -> None:
    repeats = Repeats()
    answers = [repeats.let(f"topic {number}", now_s=1.0) for number in range(10 * KINDS)]
    assert sum(answer is not None for answer in answers) == KINDS + 1
    assert dict(repeats.over(now_s=61.0)) == {OTHERS: 9 * KINDS - 1}


def test_kinds_that_are_long_over_make_room() -> None:
    repeats = Repeats(kinds=2)
    told(repeats, "a", [0])
    told(repeats, "b", [0])
    assert told(repeats, "c", [61]) == [0]
    assert told(repeats, "d", [62]) == [0]
