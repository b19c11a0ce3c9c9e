"""Export, forget, import: the same run again, or nothing at all. Held against plain sqlite3 and pandas."""

from __future__ import annotations

import hashlib
import io
import json
import sqlite3
import zipfile
from collections.abc import Callable
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from typing import Any

import pandas
import pytest

from monitor.contract.entries import CakeArgs, LotArgs, Method
from monitor.contract.errors import RunNotFound, StoreInUse, TraceError
from monitor.contract.events import Mark
from monitor.contract.names import Flag, Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.run.effects import Happened, RowDue
from monitor.trace.archive import forget_run, import_run
from monitor.trace.columns import Units
from monitor.trace.export import export_package, package_zip
from monitor.trace.package import read_package
from monitor.trace.store import TraceReader
from tests.trace.conftest import NOON

ON_BOTH_DATABASES = True
TABLES = ("boot", "run", "run_end", "run_base", "run_shown", "moment", "event", "clock_offset", "reading")
BOTH = pytest.mark.parametrize("units", ["us", "metric"])


@pytest.fixture
def stored(bench: Any) -> Any:
    """A run over two boots that was back-dated, with a lost probe, odd words, a cake and a lot."""
    writer = bench.opened()
    writer.keep_effect(RowDue(bench.row(mono_s=998.0)))
    for second in range(3):  # before the run was opened: they belong to it by its start
        writer.keep_effect(RowDue(bench.row(mono_s=1000.0 + second, time=NOON + timedelta(seconds=second))))
    writer.flush()
    bench.keep_run(writer, seconds=0)
    for second in range(3, 20):
        writer.keep_effect(RowDue(bench.row(
            mono_s=1000.0 + second, elapsed_s=float(second),
            time=NOON + timedelta(milliseconds=1000 * second + 7),
            outlet_c=80.0 + second / 7, line_kpa=300.0 + 1 / (second + 1), volume_l=second / 3,
        )))  # fmt: skip
    lost = {"outlet_c": None, "outlet_standing": Standing.BAD, "strokes": None, "time": None, "flags": ()}
    writer.keep_effect(RowDue(bench.row(mono_s=1020.0, elapsed_s=20.0, clock=ClockState.UNSET, **lost)))
    for second in (300, 301):
        writer.keep_effect(RowDue(bench.row(
            boot="boot-b", mono_s=12.5 + second - 300, elapsed_s=second + 0.125, phase=Phase.PAUSED,
            flags=(Flag.UNKNOWN,), clock=ClockState.SAVED,
        )))  # fmt: skip
    for number, words in enumerate(('=HYPERLINK("x")\nsecond line', "tidy")):
        writer.keep_effect(Happened(mark("note", number, text=words)))
    cake = CakeArgs(run="run-1", thickness_m=(0.02, 0.021), frame_thickness_m=0.0254)
    writer.keep_effect(Happened(mark("cake", 2, entry="c" * 8, given=cake, fill=0.8071, text="firm")))
    lot = LotArgs(run="run-1", packed=NOON.date(), number=1, code="2026-079-1", sugar=0.669,
                  method=Method.REFRACTOMETER, initials="IV")  # fmt: skip
    writer.keep_effect(Happened(mark("lot", 3, entry="d" * 8, given=lot)))
    writer.keep_effect(bench.run_closed(boot="boot-b", elapsed_s=302.0, ended_mono_s=14.375))
    writer.keep_effect(bench.run_opened("run-2", started_mono_s=3000.0))
    writer.keep_effect(bench.run_closed("run-2", ended_mono_s=3100.0))
    writer.flush()
    writer.close()
    return bench


def mark(name: str, number: int, **more: Any) -> Mark:
    return Mark(
        press="main", run="run-1", seq=number, boot="boot-a", mono_ms=5 + number, time=NOON,
        clock=ClockState.SYNCHRONISED, name=name, who="Ada", **more,
    )  # fmt: skip


def everything(bench: Any) -> dict[str, list[Any]]:
    """Return each table but the numbers that the database gives its rows, read by its plain driver."""
    boots = {row["id"]: row["name"] for row in bench.table("boot")}
    runs = {row["id"]: row["name"] for row in bench.table("run")}
    found: dict[str, list[Any]] = {}
    for table in TABLES:
        rows = []
        for row in bench.table(table):
            named = dict(row)
            named.pop("id", None)
            for column, names in (("boot_id", boots), ("run_id", runs)):
                if named.get(column) is not None:
                    named[column] = names[named[column]]
            rows.append(tuple(sorted(named.items(), key=lambda item: item[0])))
        found[table] = sorted(rows, key=repr)
    return found


def packed(bench: Any, units: Units, folder: Path) -> Path:
    return export_package(TraceReader(bench.url), "run-1", units=units, to=folder)


def test_a_run_that_was_forgotten_is_gone_and_nothing_else_is(stored: Any) -> None:
    before = everything(stored)
    forget_run(stored.url, "run-1")
    after = everything(stored)
    assert [dict(row)["name"] for row in after["run"]] == ["run-2"]
    assert after["event"] == []
    assert [dict(row)["mono_s"] for row in after["moment"]] == [998.0], "a second that belongs to no run"
    for table in ("boot", "reading", "clock_offset"):
        assert after[table] == before[table]
    with pytest.raises(RunNotFound):
        forget_run(stored.url, "run-1")


def test_export_forget_import_gives_the_same_run(stored: Any, tmp_path: Path) -> None:
    before, reader = everything(stored), TraceReader(stored.url)
    record, rows, events = reader.run("run-1"), list(reader.rows("run-1")), reader.events("run-1")
    folder = packed(stored, "metric", tmp_path)
    forget_run(stored.url, "run-1")
    import_run(stored.url, read_package(folder))
    assert reader.run("run-1") == record
    assert list(reader.rows("run-1")) == rows
    assert reader.events("run-1") == events
    after = everything(stored)
    for table in TABLES:
        if table != "moment":
            assert after[table] == before[table], table
    own = [dict(row) for row in after["moment"] if dict(row)["run_id"] == "run-1"]
    assert len(own) == len(rows), "the seconds before it was opened are its own now"


@BOTH
def test_the_package_of_the_imported_run_is_the_same_to_the_byte(
    stored: Any, tmp_path: Path, units: Units
) -> None:
    folder = packed(stored, units, tmp_path / "a")
    forget_run(stored.url, "run-1")
    import_run(stored.url, read_package(folder))
    again = packed(stored, units, tmp_path / "b")
    for file in sorted(folder.iterdir()):
        assert (again / file.name).read_bytes() == file.read_bytes(), file.name


@BOTH
def test_an_archive_goes_into_another_store_with_the_numbers_that_pandas_reads(
    stored: Any, tmp_path: Path, units: Units
) -> None:
    archive = tmp_path / "run.zip"
    archive.write_bytes(package_zip(TraceReader(stored.url), "run-1", units=units))
    url = f"sqlite:///{tmp_path / 'other.db'}"
    import_run(url, read_package(archive))
    with zipfile.ZipFile(archive) as opened:
        table = pandas.read_csv(io.BytesIO(opened.read("run-1/trace.csv")))
    with closing(sqlite3.connect(tmp_path / "other.db")) as connection:
        kept = pandas.read_sql_query("SELECT * FROM moment ORDER BY id", connection)
    outlet = table["outlet_degC"] if units == "metric" else (table["outlet_degF"] - 32.0) / 1.8
    line = table["line_kPa"] if units == "metric" else table["line_psi"] * 6.894757293168361
    volume = table["volume_L"] if units == "metric" else table["volume_gal"] * 3.785411784
    for ours, theirs in ((kept["outlet_c"], outlet), (kept["line_kpa"], line), (kept["volume_l"], volume)):
        assert ours.to_list() == pytest.approx(theirs.to_list(), abs=1e-5, nan_ok=True)
    assert kept["elapsed_s"].to_list() == table["elapsed_s"].to_list()
    assert kept["phase"].to_list() == table["phase"].to_list()


def test_a_run_that_is_there_already_is_refused(stored: Any, tmp_path: Path) -> None:
    folder = packed(stored, "metric", tmp_path)
    before = everything(stored)
    with pytest.raises(TraceError, match="in the store already"):
        import_run(stored.url, read_package(folder))
    assert everything(stored) == before


def test_while_a_monitor_writes_nothing_is_taken_in_or_out(stored: Any, tmp_path: Path) -> None:
    folder = packed(stored, "metric", tmp_path)
    whole = read_package(folder)
    writer = stored.opened()
    with pytest.raises(StoreInUse, match="stop the other monitor"):
        forget_run(stored.url, "run-1")
    with pytest.raises(StoreInUse):
        import_run(stored.url, whole)
    writer.close()
    assert TraceReader(stored.url).run("run-1").run == "run-1"


def test_an_open_run_is_not_forgotten(bench: Any) -> None:
    writer = bench.opened()
    bench.keep_run(writer)
    writer.keep_snapshot(b'{"run": {"id": "run-1"}}')
    writer.close()
    with pytest.raises(TraceError, match="still open"):
        forget_run(bench.url, "run-1")


def test_an_event_of_another_press_outlives_the_run_that_it_names(stored: Any) -> None:
    writer = stored.opened(press="north")
    writer.keep_effect(Happened(mark("note", 9, text="north")))
    writer.close()
    forget_run(stored.url, "run-1")
    assert [row["body"].count("north") for row in stored.table("event")] == [1]


def sealed(folder: Path) -> None:
    """Write the hashes of the files as they are now into the description, as a forger would."""
    description = json.loads((folder / "datapackage.json").read_text())
    for part in description["resources"]:
        digest = hashlib.sha256((folder / part["path"]).read_bytes()).hexdigest()
        part["hash"] = f"sha256:{digest}"
    (folder / "datapackage.json").write_text(json.dumps(description))


def edited(name: str, old: str, new: str) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        text = (folder / name).read_text(encoding="utf-8")
        assert old in text
        (folder / name).write_text(text.replace(old, new, 1), encoding="utf-8", newline="")

    return edit


def torn(folder: Path) -> None:
    content = (folder / "trace.csv").read_bytes()
    (folder / "trace.csv").write_bytes(content[: len(content) // 2])


def without(name: str) -> Callable[[Path], None]:
    return lambda folder: (folder / name).unlink()


@pytest.mark.parametrize(
    ("spoil", "seal", "why"),
    [
        (torn, False, "trace.csv is not the file that datapackage.json describes"),
        (torn, True, "trace.csv line"),
        (edited("trace.csv", "310.25", "999.25"), False, "was changed"),
        (edited("events.jsonl", "tidy", "tide"), False, "events.jsonl is not the file"),
        (edited("run.json", "Ada", "Eve"), False, "run.json is not the file"),
        (edited("trace.csv", "310.25", "nan"), True, "trace.csv line"),
        (edited("trace.csv", "bottling", "sleeping"), True, "trace.csv line"),
        (edited("trace.csv", "outlet_degC", "outlet_degK"), True, "columns are none"),
        (edited("events.jsonl", '"run":"run-1"', '"run":"run-2"'), True, "of another run"),
        (edited("events.jsonl", '"kind":"mark"', '"kind":"bark"'), True, "events.jsonl line 1"),
        (edited("run.json", "1000.0", "NaN"), True, "no JSON"),
        (edited("run.json", '"closed_by": "Ada"', '"closed_by": null'), True, "had not ended"),
        (without("run.json"), False, "run.json is missing"),
        (without("datapackage.json"), False, "datapackage.json is missing"),
    ],
)
def test_a_torn_or_tampered_package_is_refused_in_one_line_and_nothing_is_saved(
    stored: Any, tmp_path: Path, spoil: Callable[[Path], None], seal: bool, why: str
) -> None:
    folder = packed(stored, "metric", tmp_path)
    forget_run(stored.url, "run-1")
    before = everything(stored)
    spoil(folder)
    if seal:
        sealed(folder)
    with pytest.raises(TraceError) as refused:
        import_run(stored.url, read_package(folder))
    assert why in str(refused.value)
    assert "\n" not in str(refused.value)
    assert everything(stored) == before


def test_what_is_no_package_is_refused(stored: Any, tmp_path: Path) -> None:
    archive = tmp_path / "run.zip"
    archive.write_bytes(package_zip(TraceReader(stored.url), "run-1", units="us")[:300])
    for path in (archive, tmp_path / "nowhere", tmp_path):
        with pytest.raises(TraceError):
            read_package(path)
