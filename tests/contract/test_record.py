"""Records: frozen to the type checker, plain at run time, otherwise as a frozen dataclass is."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from pathlib import Path

import pytest
from mypy import api

from monitor.contract.record import record


@record(frozen=True, slots=True)
class Taken:
    value: float
    pairs: tuple[float, ...] = field(default_factory=tuple)


@dataclass(frozen=True, slots=True)
class Frozen:
    value: float
    pairs: tuple[float, ...] = field(default_factory=tuple)


def test_it_compares_hashes_copies_and_shows_as_a_frozen_dataclass_does() -> None:
    taken = Taken(1.5, (2.0,))
    assert taken == Taken(1.5, (2.0,)) != Taken(1.5)
    assert hash(taken) == hash(Frozen(1.5, (2.0,)))
    assert replace(taken, value=2.5) == Taken(2.5, (2.0,))
    assert repr(taken) == "Taken(value=1.5, pairs=(2.0,))"
    assert [one.name for one in fields(Taken)] == [one.name for one in fields(Frozen)]


def test_it_takes_no_field_that_it_has_not() -> None:
    with pytest.raises(AttributeError):
        Taken(1.5).colour = 3  # type: ignore[attr-defined]


def test_the_type_checker_refuses_to_change_one(tmp_path: Path) -> None:
    changing = tmp_path / "changing.py"
    changing.write_text(
        "from monitor.contract.record import record\n"
        "@record(frozen=True, slots=True)\n"
        "class Taken:\n"
        "    value: float\n"
        "taken = Taken(1.5)\n"
        "taken.value = 2.5\n"
    )
    told, problem, _ = api.run(["--strict", "--cache-dir", str(tmp_path / "cache"), str(changing)])
    assert problem == ""
    assert [line.partition(": ")[2] for line in told.splitlines()[:-1]] == [
        'error: Property "value" defined in "Taken" is read-only  [misc]'
    ]
