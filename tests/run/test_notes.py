"""Earlier runs from a notebook's CSV: what is read, and what is refused whole."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.errors import EntryRefused
from monitor.contract.names import Limit
from monitor.run.notes import read_notes
from monitor.run.press_record import RunEntry

TODAY = date(2024, 4, 1)


def read(text: str) -> tuple[RunEntry, ...]:
    return read_notes(text.splitlines(keepends=True), room_l=3.4576, cup_kg=0.045, today=TODAY)


def test_us_notebook_is_read_oldest_first() -> None:
    first, second = read(
        "date,volume_gal,filter_aid_cups,cake,ended_by,note\n"
        "2024-03-20,20,12,full,frames,second run of the week\n"
        "2024-03-02,15,10,half,,\n"
    )
    # 10 cups of 45 g in 15 US gal: 450 g / 56.781 L = 7.925 g/L (computed).
    assert first.dose_kg_m3 == pytest.approx(7.925, abs=0.001)
    assert first.volume_l == pytest.approx(56.781, abs=0.001)
    assert first.limit is Limit.UNKNOWN
    assert second.limit is Limit.FRAMES
    assert second.cake is not None
    assert second.cake.full_share == pytest.approx(0.96)


def test_metric_notebook_and_shares() -> None:
    one, two, three = read(
        "volume_L,date,filter_aid_g,cake\n60,2024-03-01,500,0.8\n60,2024-03-02,,80%\n60,2024-03-03,500,\n"
    )
    assert one.dose_kg_m3 == pytest.approx(8.333, abs=0.001)
    assert two.dose_kg_m3 is None
    assert two.cake is not None
    assert two.cake.full_share == pytest.approx(0.8)
    assert three.cake is None


HEADER = "date,volume_gal,filter_aid_cups,cake,note\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "line 1"),
        ("date,volume\n", "line 1"),
        ("date,date,volume_gal\n", "line 1"),
        ("date,cake\n", "line 1"),
        (HEADER + "2024-03-01,15,10,full\n", "line 2"),
        (HEADER + "2024-03-01,15,10,full,,extra\n", "line 2"),
        (HEADER + '2024-03-01,15,10,full,"torn\n', "line 2"),
        (HEADER + "2024-03-01,15,10,full,\n2024-13-01,15,10,full,\n", "line 3"),
        (HEADER + "2024-05-01,15,10,full,\n", "future"),
        (HEADER + "2024-03-01,fifteen,10,full,\n", "no number"),
        (HEADER + "2024-03-01,nan,10,full,\n", "no number"),
        (HEADER + "2024-03-01,0,10,full,\n", "cannot be"),
        (HEADER + "2024-03-01,,10,full,\n", "needs its volume"),
        (HEADER + "2024-03-01,15,-1,full,\n", "cannot be"),
        (HEADER + "2024-03-01,15,=1+1,full,\n", "no number"),
        (HEADER + "2024-03-01,15,10,120%,\n", "cannot be"),
        (HEADER + "2024-03-01,15,10,brimming,\n", "no number"),
        (HEADER + "2024-03-01,15,10,full,=cmd()\n", "formula"),
    ],
)
def test_notebook_that_cannot_be_read_is_refused_with_its_line(text: str, says: str) -> None:
    with pytest.raises(EntryRefused) as refused:
        read(text)
    assert says in str(refused.value)
    assert "\n" not in str(refused.value)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused_with_its_line(text: str) -> None:
    entries: tuple[RunEntry, ...] = ()
    said = "notes line"
    try:
        entries = read(HEADER + text)
    except EntryRefused as refusal:
        said = str(refusal)
    assert said.startswith("notes line")
    assert all(entry.volume_l is not None and entry.volume_l > 0.0 for entry in entries)
