from __future__ import annotations

from collections.abc import Callable

import pytest

Outcome = Callable[[Callable[[], float]], float | str]


@pytest.fixture(scope="session")
def outcome() -> Outcome:
    """A call's answer, or the text of its refusal; any other exception goes through."""

    def of(call: Callable[[], float]) -> float | str:
        try:
            return call()
        except ValueError as refusal:
            return str(refusal)

    return of
