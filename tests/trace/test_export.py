"""The package, read by frictionless, pandas and plain sqlite3: readers that share no code with ours."""

from __future__ import annotations

import hashlib
import io
import json
import math
import threading
import zipfile
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import frictionless
import pandas
import pint
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from monitor.contract.errors import RunNotFound, StoreUnwritable
from monitor.contract.events import Mark
from monitor.contract.names import Flag, Phase
from monitor.contract.readings import ClockState
from monitor.contract.status import Standing
from monitor.run.effects import Happened, RowDue
from monitor.run.row import TraceRow
from monitor.trace.columns import Units, number_cell, text_cell, trace_columns
from monitor.trace.export import csv_chunks, export_package, package_zip
from monitor.trace.store import TraceReader
from monitor.trace.trace_file import read_trace

METRIC = (
    "elapsed_s,time,clock,outlet_degC,outlet_quality,line_kPa,line_high_kPa,line_quality,strokes,"
    "flow_L_min,volume_L,pan_degC,filler_degC,phase,flags"
)
US = (
    "elapsed_s,time,clock,outlet_degF,outlet_quality,line_psi,line_high_psi,line_quality,strokes,"
    "flow_gal_min,volume_gal,pan_degF,filler_degF,phase,flags"
)
BOTH = pytest.mark.parametrize("units", ["us", "metric"])
ON_BOTH_DATABASES = True


@pytest.fixture
def stored(bench: Any) -> Any:
    """A store with a closed run of twenty seconds, one of them with the probe lost, and a note."""
    writer = bench.opened()
    bench.keep_run(writer, seconds=20)
    lost = {"outlet_c": None, "outlet_standing": Standing.BAD, "strokes": None, "time": None, "flags": ()}
    writer.keep_effect(RowDue(bench.row(mono_s=1020.0, elapsed_s=20.0, clock=ClockState.UNSET, **lost)))
    writer.keep_effect(RowDue(bench.row(mono_s=1021.0, elapsed_s=21.0, outlet_c=-3.25, volume_l=1 / 3)))
    writer.keep_effect(Happened(Mark(
        press="main", run="run-1", seq=1, boot="boot-a", mono_ms=5, clock=ClockState.UNSET,
        name="note", who="Ada", text='=HYPERLINK("x")\nsecond line, "quoted"',
    )))  # fmt: skip
    writer.keep_effect(bench.run_closed(elapsed_s=22.0))
    writer.flush()
    return bench


def csv_of(folder: Path) -> pandas.DataFrame:
    return pandas.read_csv(folder / "trace.csv", keep_default_na=False, na_values=[""])


@BOTH
def test_the_package_passes_the_frictionless_validator(stored: Any, tmp_path: Path, units: Units) -> None:
    folder = export_package(TraceReader(stored.url), "run-1", units=units, to=tmp_path / "out")
    assert sorted(path.name for path in folder.iterdir()) == [
        "datapackage.json", "events.jsonl", "run.json", "trace.csv",
    ]  # fmt: skip
    report = frictionless.validate(str(folder / "datapackage.json"))
    assert report.flatten(["type", "message"]) == []
    assert [task.stats.get("rows") for task in report.tasks if task.name == "trace"] == [22]


@BOTH
@pytest.mark.parametrize("damage", ["84.0", "warm", "cut"])
def test_the_validator_would_notice_a_package_that_was_changed(
    stored: Any, tmp_path: Path, units: Units, damage: str
) -> None:
    folder = export_package(TraceReader(stored.url), "run-1", units=units, to=tmp_path / "out")
    text = (folder / "trace.csv").read_text()
    changed = text[:-40] if damage == "cut" else text.replace("20.0,", f"{damage},", 1)
    (folder / "trace.csv").write_text(changed)
    assert not frictionless.validate(str(folder / "datapackage.json")).valid


@BOTH
def test_the_descriptor_says_what_the_files_are(stored: Any, tmp_path: Path, units: Units) -> None:
    folder = export_package(TraceReader(stored.url), "run-1", units=units, to=tmp_path / "out")
    package = json.loads((folder / "datapackage.json").read_text())
    assert package["invented"] is True
    assert package["software"] == "0.1.0"
    assert package["press"] == {"name": "main", "frames": 5}
    assert package["thresholds"] == {"ready_c": 82.25, "cutoff_kpa": 551.5}
    for resource in package["resources"]:
        content = (folder / resource["path"]).read_bytes()
        assert resource["hash"] == "sha256:" + hashlib.sha256(content).hexdigest()
        assert resource["bytes"] == len(content)
    schema = package["resources"][0]["schema"]
    assert schema["missingValues"] == [""]
    unit_of = {field["name"]: field.get("unit") for field in schema["fields"]}
    # UCUM codes: degree Celsius, degree Fahrenheit, pound per square inch, US gallon (ucum.org).
    expected = {
        "us": {"outlet_degF": "[degF]", "line_psi": "[psi]", "volume_gal": "[gal_us]"},
        "metric": {"outlet_degC": "Cel", "line_kPa": "kPa", "volume_L": "L"},
    }[units]
    assert {name: unit_of[name] for name in expected} == expected
    assert unit_of["elapsed_s"] == "s"
    assert all(field["title"] for field in schema["fields"])


def test_the_columns_are_those_of_the_trace_form(stored: Any, tmp_path: Path) -> None:
    reader = TraceReader(stored.url)
    for units, header in (("metric", METRIC), ("us", US)):
        folder = export_package(reader, "run-1", units=units, to=tmp_path / units)
        assert (folder / "trace.csv").read_bytes().split(b"\r\n")[0].decode() == header


def test_pandas_reads_the_rows_that_plain_sqlite_holds(stored: Any, tmp_path: Path) -> None:
    folder = export_package(TraceReader(stored.url), "run-1", units="metric", to=tmp_path)
    table = csv_of(folder).astype(object)
    table = table.where(table.notna(), None)
    columns = (
        "elapsed_s, clock, outlet_c, outlet_standing, line_kpa, line_high_kpa, line_standing, strokes, "
        "flow_l_min, volume_l, pan_c, filler_c, phase, nullif(flags, '')"
    )
    held = stored.ask(f"SELECT {columns} FROM moment ORDER BY id")  # noqa: S608 - a test's own words
    assert [tuple(row) for row in table.drop(columns="time").itertuples(index=False)] == held
    assert len(held) == 22


def test_us_numbers_are_the_metric_ones_by_an_outside_table(stored: Any, tmp_path: Path) -> None:
    reader = TraceReader(stored.url)
    us = csv_of(export_package(reader, "run-1", units="us", to=tmp_path / "us"))
    metric = csv_of(export_package(reader, "run-1", units="metric", to=tmp_path / "metric"))
    registry = pint.UnitRegistry()
    for ours, base, theirs, unit in (
        ("outlet_degF", "outlet_degC", "degC", "degF"),
        ("line_high_psi", "line_high_kPa", "kPa", "psi"),
        ("volume_gal", "volume_L", "liter", "gallon"),
    ):
        known = metric[base].notna()
        expected = [registry.Quantity(value, theirs).to(unit).magnitude for value in metric[base][known]]
        assert list(us[ours][known]) == pytest.approx(expected, abs=1e-6)
        assert list(us[ours].isna()) == list(metric[base].isna())


@BOTH
def test_unknown_is_an_empty_cell_and_no_cell_says_nan(stored: Any, tmp_path: Path, units: Units) -> None:
    folder = export_package(TraceReader(stored.url), "run-1", units=units, to=tmp_path)
    text = (folder / "trace.csv").read_text().lower()
    assert "nan" not in text
    assert "none" not in text
    assert "inf" not in text
    assert text.splitlines()[21].startswith("20.0,,unset,,bad,")


def test_the_threshold_of_the_trade_is_written_and_read_whole(bench: Any, tmp_path: Path) -> None:
    limit_c = (193.0 - 32.0) * 5.0 / 9.0
    writer = bench.opened()
    writer.keep_effect(bench.run_opened())
    writer.keep_effect(RowDue(bench.row(mono_s=1000.0, elapsed_s=0.0, outlet_c=limit_c)))
    writer.flush()
    folder = export_package(TraceReader(bench.url), "run-1", units="us", to=tmp_path / "out")
    assert ",193.0,good," in (folder / "trace.csv").read_text()
    (line,) = read_trace(folder / "trace.csv")
    assert line.outlet_c == pytest.approx(limit_c, abs=1e-12)


def test_events_and_facts_are_in_their_own_files(stored: Any, tmp_path: Path) -> None:
    folder = export_package(TraceReader(stored.url), "run-1", units="us", to=tmp_path)
    (note,) = [json.loads(line) for line in (folder / "events.jsonl").read_text().splitlines()]
    assert note["text"] == '=HYPERLINK("x")\nsecond line, "quoted"'
    facts = json.loads((folder / "run.json").read_text())
    assert (facts["run"], facts["press"], facts["closed_by"]) == ("run-1", "main", "Ada")
    assert facts["invented"] is True
    assert facts["started"] == "2026-03-20T12:00:00.000Z"
    assert facts["clock"] == "synchronised"
    assert facts["clock_offsets"][0]["clock"] == "synchronised"
    assert facts["units"]["outlet_degF"] == "[degF]"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_text_that_a_spreadsheet_would_run_is_defused(start: str) -> None:
    # OWASP ASVS 5.0, 1.2.10: values beginning so are escaped with a single quote.
    assert text_cell(f"{start}1+1") == f"'{start}1+1"


def test_a_negative_number_is_never_taken_for_a_formula(stored: Any, tmp_path: Path) -> None:
    assert number_cell(-3.25) == "-3.25"
    folder = export_package(TraceReader(stored.url), "run-1", units="metric", to=tmp_path)
    assert ",-3.25,good," in (folder / "trace.csv").read_text()
    assert "'" not in (folder / "trace.csv").read_text()


def test_an_export_during_the_run_is_of_one_moment(bench: Any, tmp_path: Path) -> None:
    writer = bench.opened()
    bench.keep_run(writer, seconds=3000)
    stop = threading.Event()

    def go_on() -> None:
        second = 3000
        while not stop.is_set():
            writer.keep_effect(RowDue(bench.row(mono_s=1000.0 + second, elapsed_s=float(second))))
            writer.keep_effect(Happened(Mark(
                press="main", run="run-1", seq=second, boot="boot-a", mono_ms=1000 * second,
                clock=ClockState.UNSET, name="note", who="Ada",
            )))  # fmt: skip
            writer.flush()
            second += 1

    thread = threading.Thread(target=go_on)
    thread.start()
    try:
        folders = [
            export_package(TraceReader(bench.url), "run-1", units="metric", to=tmp_path / str(number))
            for number in range(3)
        ]
    finally:
        stop.set()
        thread.join()
    for folder in folders:
        assert frictionless.validate(str(folder / "datapackage.json")).valid
        seconds = [line.elapsed_s for line in read_trace(folder / "trace.csv")]
        notes = (folder / "events.jsonl").read_text().splitlines()
        assert seconds == [float(second) for second in range(len(seconds))]
        # A row and its note are kept one after the other: one moment holds as many, or one row more.
        assert len(seconds) - 3000 - len(notes) in (0, 1)


def test_the_zip_holds_the_files_of_the_folder(stored: Any, tmp_path: Path) -> None:
    reader = TraceReader(stored.url)
    folder = export_package(reader, "run-1", units="us", to=tmp_path)
    packed = package_zip(reader, "run-1", units="us")
    with zipfile.ZipFile(io.BytesIO(packed)) as archive:
        assert archive.testzip() is None
        assert {name: archive.read(name) for name in archive.namelist()} == {
            f"run-1/{path.name}": path.read_bytes() for path in folder.iterdir()
        }
    assert package_zip(reader, "run-1", units="us") == packed


def test_a_second_export_replaces_the_first_and_keeps_what_is_beside_it(stored: Any, tmp_path: Path) -> None:
    reader = TraceReader(stored.url)
    folder = export_package(reader, "run-1", units="us", to=tmp_path / "out")
    (folder / "my notes.txt").write_text("kept")
    assert export_package(reader, "run-1", units="metric", to=tmp_path / "out") == folder
    assert (folder / "trace.csv").read_text().startswith(METRIC)
    assert (folder / "my notes.txt").read_text() == "kept"
    assert frictionless.validate(str(folder / "datapackage.json")).valid
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["run-1"]


def test_an_export_that_is_cut_short_leaves_nothing_that_looks_whole(stored: Any, small_disk: Path) -> None:
    (small_disk / "filler").write_bytes(b"x" * (2 * 1024 * 1024 - 8192))
    with pytest.raises(StoreUnwritable, match="No space left on device; check the folder") as refusal:
        export_package(TraceReader(stored.url), "run-1", units="us", to=small_disk / "out")
    assert "\n" not in str(refusal.value)
    assert list((small_disk / "out").iterdir()) == []


def test_an_export_of_nothing_or_into_a_file_is_refused(stored: Any, tmp_path: Path) -> None:
    with pytest.raises(RunNotFound):
        export_package(TraceReader(stored.url), "run-9", units="us", to=tmp_path / "out")
    with pytest.raises(RunNotFound):
        package_zip(TraceReader(stored.url), "../run-1", units="us")
    (tmp_path / "file").write_text("")
    for to in (tmp_path / "file", tmp_path / "file" / "below"):
        with pytest.raises(StoreUnwritable):
            export_package(TraceReader(stored.url), "run-1", units="us", to=to)


def test_a_run_whose_name_is_no_folder_stays_inside_the_target(bench: Any, tmp_path: Path) -> None:
    bench.keep_run(bench.opened(), "../../Saturday, late")
    folder = export_package(TraceReader(bench.url), "../../Saturday, late", units="us", to=tmp_path / "out")
    assert folder == tmp_path / "out" / "saturday-late"


YEARS = (datetime(2026, 1, 1), datetime(2100, 1, 1))  # noqa: DTZ001 - hypothesis wants bounds without a zone


def numbers(low: float, high: float) -> st.SearchStrategy[float | None]:
    return st.none() | st.floats(low, high)


@st.composite
def rows(draw: st.DrawFn) -> list[TraceRow]:
    known = st.sampled_from([Standing.GOOD, Standing.UNCERTAIN])
    unknown = st.sampled_from([Standing.BAD, Standing.STALE, Standing.ABSENT])
    made = []
    elapsed_ms = 0
    for _ in range(draw(st.integers(1, 6))):
        elapsed_ms += draw(st.integers(0, 5000))
        outlet_c, line_kpa = draw(numbers(-55, 150)), draw(numbers(-120, 5000))
        made.append(TraceRow(
            boot="boot-a",
            mono_s=1000.0 + elapsed_ms / 1000,
            time=draw(st.none() | st.datetimes(*YEARS, timezones=st.just(UTC))),
            clock=draw(st.sampled_from(ClockState)),
            elapsed_s=elapsed_ms / 1000,
            outlet_c=outlet_c,
            outlet_standing=draw(unknown if outlet_c is None else known),
            line_kpa=line_kpa,
            line_high_kpa=None if line_kpa is None else draw(numbers(-120, 5000)),
            line_standing=draw(unknown if line_kpa is None else known),
            strokes=draw(st.none() | st.integers(0, 100)),
            flow_l_min=draw(numbers(0, 1000)),
            volume_l=draw(numbers(0, 1e5)),
            pan_c=draw(numbers(-55, 150)),
            filler_c=draw(numbers(-55, 150)),
            phase=draw(st.sampled_from(Phase)),
            flags=tuple(draw(st.lists(st.sampled_from(Flag), unique=True, max_size=5))),
        ))  # fmt: skip
    return made


@BOTH
@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(made=rows())
def test_rows_survive_store_export_and_reading(
    bench: Any, tmp_path: Path, units: Units, made: list[TraceRow]
) -> None:
    name = f"run-{bench.next()}"
    writer = bench.shared_writer()
    writer.keep_effect(bench.run_opened(name))
    for row in made:
        writer.keep_effect(RowDue(row))
    writer.keep_effect(bench.run_closed(name))
    writer.flush()
    reader = TraceReader(bench.url)
    assert list(reader.rows(name)) == made
    lines = list(read_trace(export_package(reader, name, units=units, to=tmp_path / "out") / "trace.csv"))
    assert len(lines) == len(made)
    hair = 1e-12 if units == "metric" else 4e-6  # kPa of the sixth decimal of a psi
    for line, row in zip(lines, made, strict=True):
        assert line.elapsed_s == row.elapsed_s
        assert (line.outlet_standing, line.line_standing, line.strokes) == (
            row.outlet_standing, row.line_standing, row.strokes,
        )  # fmt: skip
        assert (line.time is None) == (row.time is None)
        if line.time and row.time:
            assert abs(line.time - row.time) <= timedelta(milliseconds=1)
        for field in ("outlet_c", "line_kpa", "line_high_kpa", "flow_l_min", "pan_c", "filler_c"):
            read, kept = getattr(line, field), getattr(row, field)
            assert (read is None) == (kept is None)
            assert read is None or abs(read - kept) <= hair


def test_a_number_that_is_none_becomes_an_empty_cell(bench: Any) -> None:
    row = bench.row(elapsed_s=1.0, volume_l=math.nan, line_kpa=math.inf, pan_c=-math.inf)
    for units in ("us", "metric"):
        text = b"".join(csv_chunks(iter([row]), columns=trace_columns(units))).decode()
        assert text.splitlines()[1].split(",")[5] == ""
        assert "nan" not in text
        assert "inf" not in text
