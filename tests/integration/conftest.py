"""Everything in this folder starts a real broker."""

from __future__ import annotations

from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the tests of this folder, so that they can be chosen or left out."""
    for item in items:
        if HERE in item.path.parents:
            item.add_marker(pytest.mark.broker)
