"""Why was it cloudy? Each cause alone, none, and several at once."""

from __future__ import annotations

from pathlib import Path

import pytest

from hardware.simulated_season import Mishap, Scenario
from hardware.simulated_trace import simulate_trace, write_trace
from monitor.contract.names import Flag, Phase
from monitor.run.cake import CakeReading, SetEnd
from monitor.run.evidence import Finding, Kind, evidence, spans
from monitor.run.row import TraceRow
from monitor.runtime.settings import load
from monitor.trace.replay import replay
from monitor.trace.trace_file import read_trace
from tests.run.scene_rows import filled, row

THRESHOLDS = load().rules().thresholds


def found(rows: list[TraceRow], **told: object) -> tuple[Finding, ...]:
    return evidence(rows, thresholds=THRESHOLDS, **told)  # type: ignore[arg-type]


def plain(length_s: int = 120) -> list[TraceRow]:
    return [row(float(second)) for second in range(1, length_s + 1)]


def during(from_s: int, to_s: int, **changed: object) -> list[TraceRow]:
    return [
        row(float(second), **changed) if from_s <= second <= to_s else row(float(second))
        for second in range(1, 121)
    ]


def test_ordinary_run_holds_nothing_against_it() -> None:
    assert found(plain(), events=[filled(60.0)], cake=CakeReading(fill=0.8)) == ()


def test_no_rows_hold_nothing() -> None:
    assert found([]) == ()


def test_syrup_over_the_threshold_is_told_with_time_and_volume() -> None:
    # 193 degF is 89.44 degC (definition of the scales); 21 s at 0.06 L a second.
    (finding,) = found(during(40, 60, outlet_c=89.5))
    assert finding.kind is Kind.OVER_THRESHOLD
    assert (finding.from_s, finding.to_s) == (40.0, 60.0)
    assert finding.volume_l == pytest.approx(21 * 0.06)


def test_flag_over_the_threshold_counts_where_the_lag_corrected_outlet_was_over() -> None:
    flags = (Flag.OVER_PRECIPITATION,)
    (finding,) = found(during(40, 60, outlet_c=89.0, flags=flags))
    assert finding.kind is Kind.OVER_THRESHOLD


def test_container_filled_before_ready_is_told() -> None:
    rows = during(1, 50, flags=(Flag.STILL_RECIRCULATING,), phase=Phase.RECIRCULATING)
    findings = found(rows, events=[filled(30.0), filled(60.0, seq=2)])
    assert [(finding.kind, finding.from_s) for finding in findings] == [(Kind.BOTTLED_EARLY, 30.0)]


@pytest.mark.parametrize(
    ("flag", "kind"),
    [
        (Flag.PRESSURE_DROP, Kind.TORN),
        (Flag.LOW_RESISTANCE, Kind.LOW_RESISTANCE),
        (Flag.DE_SETTLING, Kind.SETTLING),
        (Flag.FILLER_TOO_HOT, Kind.REHEATED),
    ],
)
def test_signature_in_the_trace_is_told(flag: Flag, kind: Kind) -> None:
    (finding,) = found(during(70, 90, flags=(Flag.READY_TO_BOTTLE, flag)))
    assert (finding.kind, finding.from_s, finding.to_s) == (kind, 70.0, 90.0)


def test_stop_between_two_stretches_of_flow_is_told() -> None:
    (finding,) = found(during(50, 70, line_kpa=2.0, phase=Phase.PAUSED))
    assert (finding.kind, finding.from_s, finding.to_s) == (Kind.FLOW_STOPPED, 50.0, 70.0)


def test_start_and_end_of_a_run_are_no_stops() -> None:
    rows = during(1, 8, line_kpa=2.0)
    assert found(rows) == ()
    assert found(during(110, 120, line_kpa=2.0)) == ()


def test_short_gap_of_a_stroke_is_no_stop() -> None:
    assert found(during(50, 53, line_kpa=2.0)) == ()


def test_what_was_not_read_is_told_as_not_seen() -> None:
    (finding,) = found(during(50, 70, outlet_c=None))
    assert finding.kind is Kind.NOT_SEEN


def test_cakes_speak_too() -> None:
    (torn,) = found(plain(), cake=CakeReading(torn_papers=1))
    assert torn.kind is Kind.CAKES
    assert torn.from_s is None
    (blinded,) = found(plain(), cake=CakeReading(fill=0.3), end=SetEnd(end_kpa=550.0, cutoff_kpa=551.6))
    assert "papers blinded" in blinded.reason


def test_findings_come_most_telling_first() -> None:
    rows = during(50, 70, line_kpa=2.0, phase=Phase.PAUSED)
    hot = [row(float(second), outlet_c=91.0) for second in range(100, 111)]
    rows = [*rows[:99], *hot, *rows[110:]]
    kinds = [finding.kind for finding in found(rows, cake=CakeReading(torn_papers=1))]
    assert kinds == [Kind.OVER_THRESHOLD, Kind.FLOW_STOPPED, Kind.CAKES]


def test_near_spans_are_one_and_far_ones_two() -> None:
    rows = plain()
    near = spans(rows, holds=lambda second: second.elapsed_s in (10.0, 15.0))
    far = spans(rows, holds=lambda second: second.elapsed_s in (10.0, 60.0))
    assert [(span.from_s, span.to_s) for span in near] == [(10.0, 15.0)]
    assert len(far) == 2


def test_every_finding_gives_its_reason() -> None:
    rows = during(40, 60, outlet_c=91.0, flags=(Flag.PRESSURE_DROP, Flag.DE_SETTLING))
    assert all(len(finding.reason) > 20 for finding in found(rows))


@pytest.mark.parametrize(
    ("mishap", "kind"),
    [
        (Mishap.NONE, None),
        (Mishap.HOT_PAN, Kind.OVER_THRESHOLD),
        (Mishap.TORN_PAPER, Kind.TORN),
        (Mishap.PROBE_LOST, Kind.NOT_SEEN),
    ],
)
def test_mishap_of_an_invented_run_is_found_by_the_engines_own_rows(
    mishap: Mishap, kind: Kind | None, tmp_path: Path
) -> None:
    rows, truth = simulate_trace(Scenario(mishap=mishap), seed=3)
    write_trace(tmp_path / "trace.csv", rows)
    seconds = list(replay(read_trace(tmp_path / "trace.csv"), rules=load().rules()))
    findings = found(
        [second.row for second in seconds if second.row is not None],
        events=[event for second in seconds for event in second.events],
    )
    assert {finding.kind for finding in findings} == ({kind} if kind else set())
    for finding in findings:
        # The pan is hot some minutes before the outlet is; the others show at once.
        assert finding.from_s == pytest.approx(
            truth.mishap_s, abs=150.0 if mishap is Mishap.HOT_PAN else 20.0
        )
