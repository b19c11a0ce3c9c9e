"""``niterwatch plan``: what it prints, and one line with exit status 2 for what cannot be."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

import pytest

from monitor import cli


def run(monkeypatch: pytest.MonkeyPatch, *words: str) -> int:
    monkeypatch.setattr(sys, "argv", ["niterwatch", "plan", *words])
    with pytest.raises(SystemExit) as ended:
        cli.main()
    return int(ended.value.code or 0)


def facts(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    assert run(monkeypatch, *words, "--json") == 0
    told: dict[str, Any] = json.loads(capsys.readouterr().out)
    return told


def test_table_tells_charge_curve_density_and_hot_fill(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--batch", "15 gal", "--density", "66.9 Brix", "--sand", "usual", "--pan", "210 degF")
    assert run(monkeypatch, *words, "--frames", "5") == 0
    out = capsys.readouterr().out
    for told in (
        "cups",
        "most syrup",
        "this plan",
        "66.9 Brix: within",
        "at 68 degF",
        "cold plates",
        "default",
    ):
        assert told in out.lower() or told in out
    # 66.9 Brix read at 210 degF: 59.0 on the hydrometer (trade chart of a state law, from memory).
    assert "hydrometer shows 59." in out


def test_json_is_in_base_units(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    told = facts(monkeypatch, capsys, "--batch", "15 gal")
    assert told["share_L"] == pytest.approx(15 * 3.785411784)
    assert told["filter_aid_g"] == pytest.approx(45.0 * told["filter_aid_cups"])
    assert told["runs_learned_from"] == 0
    assert len(told["curve"]) > 20


def test_json_has_no_infinity(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    told = facts(monkeypatch, capsys, "--batch", "15 gal", "--pan", "170 degF")
    assert told["plates"]["recirculate_s"] is None
    assert told["total_s"] is None


def test_metric_owner_reads_metric(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, "--batch", "60 L", "--set", "display.units=metric") == 0
    out = capsys.readouterr().out
    assert "g/L" in out
    assert "kPa" in out
    assert "psi" not in out


def test_notebook_teaches_the_plan(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    lines = [f"2023-03-{day:02d},20,14,full" for day in range(1, 7)]
    notes = tmp_path / "notes.csv"
    notes.write_text("\n".join(["date,volume_gal,filter_aid_cups,cake", *lines]), encoding="utf-8")
    told = facts(monkeypatch, capsys, "--batch", "15 gal", "--notes", str(notes))
    assert told["runs_learned_from"] == 6
    assert {basis["name"]: basis["origin"] for basis in told["basis"]}["sugar sand"] == "learned"


@pytest.mark.parametrize(
    "words",
    [
        ("--batch", "15"),
        ("--batch", "fifteen gal"),
        ("--batch", "=1+1"),
        ("--batch", "0 gal"),
        ("--batch", "1e9 gal"),
        ("--batch", "15 gal", "--density", "90 Brix"),
        ("--batch", "15 gal", "--density", "66 psi"),
        ("--batch", "15 gal", "--density", "66 Brix", "--hydrometer", "59 Brix", "--pan", "200 degF"),
        ("--batch", "15 gal", "--hydrometer", "59 Brix"),
        ("--batch", "15 gal", "--frames", "0"),
        ("--batch", "15 gal", "--frames", "five"),
        ("--batch", "15 gal", "--frames", "-3"),
        ("--batch", "15 gal", "--sand", "lots"),
        ("--batch", "15 gal", "--pan", "900 degF"),
        ("--batch", "15 gal", "--notes", "/no/such/notes.csv"),
        ("--batch", "15 gal", "--set", "density.upper=90 Brix"),
        ("--batch", "15 gal", "--set", "sand.light=9 g/L"),
    ],
)
def test_impossible_plan_is_one_line_and_status_2(
    words: tuple[str, ...], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(monkeypatch, *words) == cli.USAGE
    seen = capsys.readouterr()
    assert seen.out == ""
    assert seen.err.startswith("niterwatch: ")
    assert seen.err.count("\n") == 1


def test_future_date_in_a_notebook_saves_nothing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    notes = tmp_path / "notes.csv"
    notes.write_text("date,volume_gal\n2999-01-01,15\n", encoding="utf-8")
    assert run(monkeypatch, "--batch", "15 gal", "--notes", str(notes)) == cli.USAGE
    assert "future" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["notes.csv"]
