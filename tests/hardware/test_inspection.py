from __future__ import annotations

from pathlib import Path

import pytest

from hardware.inspection import Finding, inspect
from hardware.kernel_files import ChipKind, KernelTree, LineFault, LineFiles, ProbeFault, ProbeFiles
from hardware.sound_patterns import Pattern
from hardware.sounder import RecordingSounder
from monitor.contract.errors import SounderFailed
from monitor.contract.names import Signal
from monitor.runtime.clock import ManualClock
from monitor.runtime.settings import Settings, load

ONE, TWO = "0316a279b1ff", "00000000abcd"


@pytest.fixture
def tree(tmp_path: Path) -> KernelTree:
    return KernelTree.at(tmp_path)


def settings_for(tree: KernelTree, *more: str) -> Settings:
    return load(overrides=[f'kernel.w1="{tree.w1}"', f'kernel.iio="{tree.iio}"', *more])


async def look(settings: Settings) -> tuple[dict[str, Finding], RecordingSounder]:
    clock = ManualClock()
    sounder = RecordingSounder(clock=clock)
    findings = await inspect(settings, clock=clock, sounder=sounder)
    return {finding.name: finding for finding in findings}, sounder


async def test_what_is_well_is_said_with_its_value_in_both_units(tree: KernelTree) -> None:
    ProbeFiles(tree.w1, sensor_id=ONE).show(82.5)
    LineFiles(tree.iio).show(1200.0)
    found, sounder = await look(settings_for(tree))
    assert all(finding.ok for finding in found.values())
    # 82.5 degC = 180.5 degF; +-0.5 degC = +-0.9 degF; 12 mA of 4-20 mA over 100 psi = 50 psi.
    assert "180.5 +- 0.9 degF (82.50 +- 0.50 degC)" in found["outlet"].sentence
    assert "50.0 psi (344.7 kPa)" in found["line"].sentence
    assert [played.signal for played in sounder.played] == [Signal.PROMPT]
    assert [lit for _, lit in sounder.lamp] == [True, False]


async def test_each_fitted_point_has_its_line(tree: KernelTree) -> None:
    for sensor_id in (ONE, TWO):
        ProbeFiles(tree.w1, sensor_id=sensor_id).show(90.0)
    found, _ = await look(settings_for(tree, f"point.outlet.sensor={ONE}", f"point.filler.sensor={TWO}"))
    assert list(found) == ["outlet", "filler", "line", "sounder"]


async def test_nothing_connected_is_four_clear_faults(tree: KernelTree) -> None:
    clock = ManualClock()
    found = await inspect(settings_for(tree), clock=clock)
    assert [(finding.name, finding.ok) for finding in found] == [
        ("outlet", False),
        ("line", False),
        ("sounder", False),
    ]
    assert all("\n" not in finding.sentence and "check" in finding.sentence for finding in found[:2])
    assert "[sounder]" in found[2].sentence


async def test_two_unnamed_probes_are_a_fault_that_names_them(tree: KernelTree) -> None:
    for sensor_id in (ONE, TWO):
        ProbeFiles(tree.w1, sensor_id=sensor_id)
    found, _ = await look(settings_for(tree))
    assert not found["outlet"].ok
    assert ONE in found["outlet"].sentence
    assert TWO in found["outlet"].sentence


@pytest.mark.parametrize("chip", list(ChipKind))
async def test_a_probe_that_only_shows_its_power_on_value_is_a_fault(
    tree: KernelTree, chip: ChipKind
) -> None:
    probe = ProbeFiles(tree.w1, sensor_id=ONE, chip=chip)
    probe.fault = ProbeFault.POWER_ON
    probe.show(80.0)
    found, _ = await look(settings_for(tree))
    assert not found["outlet"].ok
    assert "power-on" in found["outlet"].sentence


async def test_an_open_loop_is_a_fault(tree: KernelTree) -> None:
    line = LineFiles(tree.iio)
    line.fault = LineFault.LOOP_OPEN
    line.show(1200.0)
    found, _ = await look(settings_for(tree))
    assert not found["line"].ok
    assert "wires" in found["line"].sentence


async def test_a_line_outside_its_range_is_a_fault(tree: KernelTree) -> None:
    LineFiles(tree.iio).show(370.0)  # 3.7 mA: NE 43, between fault and measurement
    found, _ = await look(settings_for(tree))
    assert not found["line"].ok


class BrokenSounder(RecordingSounder):
    async def play(self, pattern: Pattern) -> None:
        raise SounderFailed("alarm output failed: no card")


async def test_a_sounder_that_fails_is_a_fault(tree: KernelTree) -> None:
    clock = ManualClock()
    found = await inspect(settings_for(tree), clock=clock, sounder=BrokenSounder(clock=clock))
    assert found[-1] == Finding("sounder", False, "alarm output failed: no card")
