"""The lot record, its code, and the bottling temperatures in it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.entries import Method
from monitor.contract.errors import EntryRefused
from monitor.contract.names import Phase
from monitor.run.lot import LotRecord, MeasuredDensity, lot_record
from monitor.run.lot_code import lot_code
from monitor.runtime.settings import load
from tests.run.scene_rows import STARTED, filled, row

THRESHOLDS = load().rules().thresholds
DAY = date(2024, 3, 9)
GALLON_L = 3.785411784


def record(**changed: Any) -> LotRecord:
    told: dict[str, Any] = {
        "run": "r",
        "press": "main",
        "rows": [row(float(second)) for second in range(1, 61)],
        "events": [],
        "thresholds": THRESHOLDS,
        "scheme": "{year}-{day}-{number}",
        "packed": DAY,
        "today": DAY,
        "number": 1,
    }
    return lot_record(**(told | changed))


def test_code_of_the_default_scheme() -> None:
    # 2024 is a leap year: 9 March is day 31 + 29 + 9 = 69 (computed).
    assert record(number=3).code == "2024-069-3"


def test_code_takes_every_field_of_a_scheme() -> None:
    code = lot_code("{press}/{yy}{month}{mday}.{number}", packed=DAY, press="main", number=12)
    assert code == "main/240309.12"


@pytest.mark.parametrize(
    "scheme",
    [
        "",
        "{press.__class__}",
        "{0}",
        "{}",
        "{year!r}",
        "{year:>40}",
        "{year",
        "lot {number}",
        "={number}",
        "-{number}",
        "{year}" * 9,
        "{number};drop",
    ],
)
def test_scheme_that_makes_no_code_is_refused(scheme: str) -> None:
    with pytest.raises(EntryRefused) as refused:
        lot_code(scheme, packed=DAY, press="main", number=1)
    assert "\n" not in str(refused.value)


@given(st.text(max_size=40))
def test_any_scheme_makes_a_plain_code_or_is_refused(scheme: str) -> None:
    try:
        code = lot_code(scheme, packed=DAY, press="main", number=1)
    except EntryRefused:
        return
    assert 1 <= len(code) <= 32
    assert code.isascii()
    assert code[0] not in "=+-@"


def test_temperatures_are_those_of_bottling_only() -> None:
    rows = [
        row(1.0, outlet_c=60.0, phase=Phase.RECIRCULATING),
        row(2.0, outlet_c=83.0),
        row(3.0, outlet_c=85.0),
        row(4.0, outlet_c=87.0),
        row(5.0, outlet_c=95.0, phase=Phase.PAUSED),
    ]
    outlet = record(rows=rows).outlet
    assert (outlet.least_c, outlet.mean_c, outlet.most_c) == (83.0, 85.0, 87.0)
    assert (outlet.seen_s, outlet.outside_s) == (3.0, 0.0)


def test_time_outside_the_window_is_counted_by_side() -> None:
    # 180 degF is 82.22 degC and 193 degF 89.44 degC (definition of the scales).
    temperatures = [82.0] * 4 + [82.3] * 5 + [89.4] * 6 + [89.5] * 7
    rows = [row(float(second), outlet_c=celsius) for second, celsius in enumerate(temperatures, start=1)]
    outlet = record(rows=rows).outlet
    assert (outlet.cold_s, outlet.hot_s, outlet.outside_s) == (4.0, 7.0, 11.0)


def test_time_without_a_reading_is_unseen_and_never_good() -> None:
    rows = [row(float(second), outlet_c=None if 10 <= second < 20 else 85.0) for second in range(1, 31)]
    outlet = record(rows=rows).outlet
    assert (outlet.seen_s, outlet.unseen_s) == (20.0, 10.0)


def test_gap_in_the_rows_is_not_counted_as_bottling() -> None:
    rows = [row(1.0), row(2.0), row(600.0), row(601.0)]
    assert record(rows=rows).outlet.seen_s == 1.0 + 1.0 + 5.0 + 1.0


def test_nothing_bottled_has_no_temperatures() -> None:
    lot = record(rows=[row(1.0, phase=Phase.RECIRCULATING)])
    assert lot.outlet.mean_c is None
    assert lot.started is None


def test_containers_are_counted_by_size_with_their_hot_fill() -> None:
    # 185 degF to 68 degF at 66.9 Brix shrinks 2.896 % (computed from ICUMSA densities).
    events = [filled(10.0), filled(20.0, volume_l=0.5, seq=2), filled(30.0, seq=3)]
    lot = record(events=events, density=MeasuredDensity(sugar=0.669, method=Method.HYDROMETER_HOT))
    assert [(kind.size_l, kind.count) for kind in lot.containers] == [(GALLON_L, 2), (0.5, 1)]
    assert lot.volume_l == pytest.approx(2 * GALLON_L + 0.5)
    hot_l = lot.containers[0].hot_fill_l
    assert hot_l is not None
    assert hot_l / GALLON_L == pytest.approx(1 / (1 - 0.02896), abs=0.0002)


def test_hot_fill_goes_by_the_filler_where_there_is_one() -> None:
    told = {"events": [filled(10.0)], "density": MeasuredDensity(sugar=0.669, method=Method.REFRACTOMETER)}
    rows = [row(float(second), filler_c=80.0) for second in range(1, 31)]
    cooler, hotter = record(rows=rows, **told), record(**told)
    assert cooler.containers[0].hot_fill_l is not None
    assert hotter.containers[0].hot_fill_l is not None
    assert cooler.containers[0].hot_fill_l < hotter.containers[0].hot_fill_l


def test_no_hot_fill_is_guessed_without_a_density() -> None:
    assert record(events=[filled(10.0)]).containers[0].hot_fill_l is None


def test_times_and_initials_are_kept() -> None:
    lot = record(initials="ab", note=" second barrel ")
    assert lot.started is not None
    assert (lot.started - STARTED).total_seconds() == 1.0
    assert (lot.initials, lot.note) == ("AB", "second barrel")


@pytest.mark.parametrize(
    "wrong",
    [
        {"packed": date(2024, 3, 10)},
        {"initials": "A1"},
        {"initials": "ABCDE"},
        {"initials": "=A"},
        {"note": "=1+1"},
        {"note": "\tx"},
        {"number": 0},
    ],
)
def test_impossible_lot_is_refused_in_one_line(wrong: dict[str, Any]) -> None:
    with pytest.raises(EntryRefused) as refused:
        record(**wrong)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("sugar", "method"),
    [(0.90, Method.REFRACTOMETER), (None, Method.REFRACTOMETER), (0.66, Method.NOT_MEASURED)],
)
def test_impossible_density_is_refused(sugar: float | None, method: Method) -> None:
    with pytest.raises(EntryRefused):
        MeasuredDensity(sugar=sugar, method=method)


@given(st.lists(st.floats(20.0, 100.0), min_size=1, max_size=60))
def test_mean_lies_between_least_and_most(temperatures: list[float]) -> None:
    rows = [row(float(second), outlet_c=celsius) for second, celsius in enumerate(temperatures, start=1)]
    outlet = record(rows=rows).outlet
    assert outlet.least_c is not None
    assert outlet.mean_c is not None
    assert outlet.most_c is not None
    assert outlet.least_c - 1e-9 <= outlet.mean_c <= outlet.most_c + 1e-9
    assert outlet.outside_s <= outlet.seen_s == pytest.approx(len(temperatures))


def test_boots_are_not_measured_against_each_other() -> None:
    rows = [row(1.0), replace(row(2.0), boot="c", mono_s=3.0)]
    assert record(rows=rows).outlet.seen_s == 2.0
