"""Texts that a spreadsheet would run, in every cell of words that leaves."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.trace.columns import text_cell

STARTS = ["=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20"]


@pytest.mark.parametrize("start", STARTS)
def test_no_text_begins_as_a_formula_does(start: str) -> None:
    assert text_cell(f"{start}cmd|' /C calc'!A0") == f"'{start}cmd|' /C calc'!A0"


@pytest.mark.parametrize("text", ["", "ready to bottle", "20-1", "a=1", "'quoted"])
def test_words_stay_as_they_are(text: str) -> None:
    assert text_cell(text) == text


@given(st.text(max_size=40))
def test_what_is_read_back_from_the_file_never_begins_as_a_formula(text: str) -> None:
    file = io.StringIO(newline="")
    csv.writer(file).writerow(["r-1", text_cell(text)])
    cells = next(csv.reader(io.StringIO(file.getvalue(), newline=""), strict=True))
    assert not cells[1].startswith(tuple(STARTS))
    assert len(cells) == 2
