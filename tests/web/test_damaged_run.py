"""A run in a file with flipped bits: its pages show what is left, and say that something is not."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import httpx
import pytest

from monitor.runtime.clock import SystemClock
from monitor.runtime.settings import load
from tests.web.conftest import RUN, Board, Scene, fill_store
from web.security import DeviceCode


@pytest.fixture
def page(tmp_path: Path, device_code: tuple[str, DeviceCode]) -> Iterator[Board]:
    """Serve a store of which two seconds are no words any more."""
    file = tmp_path / "runs.db"
    fill_store(f"sqlite:///{file}")
    with closing(sqlite3.connect(file)) as connection, connection:
        changed = connection.execute(
            "UPDATE moment SET outlet_standing = 'goof' WHERE id IN "
            "(SELECT id FROM moment WHERE run_id IS NOT NULL ORDER BY id LIMIT 2 OFFSET 5)"
        )
        assert changed.rowcount == 2
    text, code = device_code
    board = Board(Scene(load(), SystemClock(), text, code, f"sqlite:///{file}", reply_s=3.0))
    board.start()
    yield board
    board.stop()


@pytest.mark.parametrize("path", [f"/runs/{RUN}", f"/runs/{RUN}/sheet"])
def test_it_says_how_much_is_left_out(page: Board, path: str) -> None:
    answer = httpx.get(f"{page.address}{path}", timeout=20.0)
    assert answer.status_code == 200
    assert "2 seconds or events of this run cannot be read and are left out" in answer.text
