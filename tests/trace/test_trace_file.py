from __future__ import annotations

import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from monitor.contract.errors import TraceError
from monitor.contract.status import Standing
from monitor.trace.trace_file import TraceLine, read_trace

HOUR_LIMIT_S = 0.25
"""Five times the 0.05 s wanted of a quiet machine, because this one may be busy."""


def lines_of(folder: Path, text: str, *, encoding: str = "utf-8") -> list[TraceLine]:
    path = folder / "trace.csv"
    path.write_text(text, encoding=encoding, newline="")
    return list(read_trace(path))


def test_a_metric_row_is_read_as_it_stands(tmp_path: Path) -> None:
    (line,) = lines_of(
        tmp_path,
        "elapsed_s,time,clock,outlet_degC,outlet_quality,line_kPa,line_high_kPa,line_quality,strokes,"
        "flow_L_min,volume_L,pan_degC,filler_degC,phase,flags\r\n"
        "12.5,2026-03-20T12:00:12.500Z,synchronised,84.5625,uncertain,310.25,322.5,good,2,"
        "3.5,12.125,98.0,82.0,bottling,ready to bottle;stir due\r\n",
    )
    assert line == TraceLine(
        elapsed_s=12.5, time=datetime(2026, 3, 20, 12, 0, 12, 500_000, tzinfo=UTC),
        outlet_c=84.5625, outlet_standing=Standing.UNCERTAIN,
        line_kpa=310.25, line_high_kpa=322.5, line_standing=Standing.GOOD,
        strokes=2, flow_l_min=3.5, pan_c=98.0, filler_c=82.0, line_no=2,
    )  # fmt: skip


def test_a_us_row_is_read_into_base_units(tmp_path: Path) -> None:
    (line,) = lines_of(
        tmp_path,
        "elapsed_s,outlet_degF,line_psi,line_high_psi,flow_gal_min,pan_degF,filler_degF\n0,212,100,145.0377,1,32,-40\n",
    )
    # 212, 32 and -40 degF by definition; 100 psi = 689.4757 kPa and 1 gal = 3.785412 L: NIST SP 811, B.8.
    assert line.outlet_c == pytest.approx(100.0, abs=1e-9)
    assert line.pan_c == pytest.approx(0.0, abs=1e-9)
    assert line.filler_c == pytest.approx(-40.0, abs=1e-9)
    assert line.line_kpa == pytest.approx(689.4757, abs=1e-4)
    assert line.line_high_kpa == pytest.approx(1000.0, abs=1e-3)
    assert line.flow_l_min == pytest.approx(3.785412, abs=1e-6)


def test_without_quality_a_value_is_good_and_none_is_bad(tmp_path: Path) -> None:
    lines = lines_of(tmp_path, "elapsed_s,outlet_degC,line_kPa\n1,80,300\n2,,\n")
    assert [(line.outlet_standing, line.line_standing) for line in lines] == [
        (Standing.GOOD, Standing.GOOD),
        (Standing.BAD, Standing.BAD),
    ]
    assert lines[0].strokes is None


@pytest.mark.parametrize(
    ("value", "quality", "read", "standing"),
    [
        ("80", "good", 80.0, Standing.GOOD),
        ("80", "", 80.0, Standing.GOOD),
        ("", "good", None, Standing.BAD),
        ("", "", None, Standing.BAD),
        ("", "absent", None, Standing.ABSENT),
        ("80", "bad", None, Standing.BAD),
        ("80", "stale", None, Standing.STALE),
    ],
)
def test_a_number_is_never_carried_with_a_quality_that_denies_it(
    tmp_path: Path, value: str, quality: str, read: float | None, standing: Standing
) -> None:
    (line,) = lines_of(tmp_path, f"elapsed_s,outlet_degC,outlet_quality,line_kPa\n1,{value},{quality},300\n")
    assert (line.outlet_c, line.outlet_standing) == (read, standing)


@pytest.mark.parametrize(
    ("text", "where", "what"),
    [
        ("", "line 1", "empty"),
        ("\n", "line 1", "empty"),
        ('{"a": 1}\n', "line 1", "no column elapsed_s"),
        ("elapsed_s;outlet_degC;line_kPa\n1;2;3\n", "line 1", "no column elapsed_s"),
        ("elapsed_s,line_kPa\n1,2\n", "line 1", "no column outlet_degC or outlet_degF"),
        ("elapsed_s,outlet_degF\n1,2\n", "line 1", "no column line_kPa or line_psi"),
        ("elapsed_s,outlet_degF,outlet_degC,line_psi\n1,2,2,3\n", "line 1", "say the same"),
        ("elapsed_s,outlet_degF,line_psi,line_psi\n1,2,3,3\n", "line 1", "twice"),
        ("elapsed_s,outlet_degC,line_kPa\n1,80,300\n2,warm,300\n", "line 3", "outlet_degC 'warm'"),
        ("elapsed_s,outlet_degC,line_kPa\n1,80,nan\n", "line 2", "line_kPa 'nan'"),
        ("elapsed_s,outlet_degC,line_kPa\n1,inf,300\n", "line 2", "outlet_degC 'inf'"),
        ("elapsed_s,outlet_degC,line_kPa\n1,8_0,300\n", "line 2", "is not a number"),
        ("elapsed_s,outlet_degC,line_kPa\n1,'80,300\n", "line 2", "is not a number"),
        ("elapsed_s,outlet_degC,line_kPa\n1,900,300\n", "line 2", "no value this point can have"),
        ("elapsed_s,outlet_degC,line_kPa\n,80,300\n", "line 2", "elapsed_s is empty"),
        ("elapsed_s,outlet_degC,line_kPa\n-1,80,300\n", "line 2", "goes back"),
        ("elapsed_s,outlet_degC,line_kPa\n5,8,3\n6,8,3\n5.9,8,3\n", "line 4", "goes back from 6 to 5.9"),
        ("elapsed_s,outlet_degC,line_kPa\n1,80,300\n2,80\n", "line 3", "2 cells under 3 columns"),
        ("elapsed_s,outlet_degC,line_kPa,strokes\n1,80,300,1.5\n", "line 2", "strokes 1.5"),
        ("elapsed_s,outlet_degC,line_kPa,strokes\n1,80,300,1e30\n", "line 2", "strokes 1e+30"),
        ("elapsed_s,outlet_degC,outlet_quality,line_kPa\n1,80,fine,3\n", "line 2", "quality 'fine'"),
        ("elapsed_s,time,outlet_degC,line_kPa\n1,noon,80,300\n", "line 2", "time 'noon'"),
        ('elapsed_s,outlet_degC,line_kPa\n1,"80"x,300\n', "line 2", "not a CSV file"),
        ('elapsed_s,outlet_degC,line_kPa\n1,"80,300\n', "line 2", "not a CSV file"),
    ],
)
def test_a_file_that_cannot_be_replayed_is_refused_with_its_line(
    tmp_path: Path, text: str, where: str, what: str
) -> None:
    with pytest.raises(TraceError) as refusal:
        lines_of(tmp_path, text)
    assert "\n" not in str(refusal.value)
    assert f"trace.csv {where}: " in str(refusal.value)
    assert what in str(refusal.value)


def test_bytes_that_are_no_text_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    path.write_bytes(b"\x89PNG\r\n\x1a\n\0\xff\xfe")
    with pytest.raises(TraceError, match="not a CSV file"):
        list(read_trace(path))


def test_a_file_that_is_not_there_is_said(tmp_path: Path) -> None:
    with pytest.raises(TraceError, match="No such file or directory; check the path"):
        list(read_trace(tmp_path / "none.csv"))
    with pytest.raises(TraceError, match="cannot be read"):
        list(read_trace(tmp_path))


def test_a_byte_order_mark_blank_lines_and_a_pandas_float_are_read(tmp_path: Path) -> None:
    lines = lines_of(
        tmp_path, "elapsed_s, outlet_degC,line_kPa,strokes\r\n1,80,300,2.0\r\n\r\n", encoding="utf-8-sig"
    )
    assert [line.strokes for line in lines] == [2]


def test_an_hour_is_read_in_a_moment(tmp_path: Path) -> None:
    path = tmp_path / "trace.csv"
    header = "elapsed_s,outlet_degC,outlet_quality,line_kPa,line_high_kPa,line_quality,strokes\n"
    rows = (f"{second},80.0625,good,310.25,322.5,good,1\n" for second in range(3600))
    path.write_text(header + "".join(rows))
    began_s = time.process_time()
    assert sum(1 for _ in read_trace(path)) == 3600
    assert time.process_time() - began_s < HOUR_LIMIT_S
