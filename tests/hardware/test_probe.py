from __future__ import annotations

import itertools
import logging
import threading
from collections.abc import Callable
from pathlib import Path

import pytest

from hardware.kernel_files import ChipKind, KernelTree, ProbeFault, ProbeFiles
from hardware.probe import ProbeBus, TemperatureProbe, assign, find_probes
from monitor.contract.errors import SensorAmbiguous, SensorNotFound
from monitor.contract.payloads import decode, encode
from monitor.contract.readings import Point, Quality, Reading, Reason, UnitCode
from monitor.runtime.clock import ManualClock
from monitor.runtime.settings import TemperaturePointSection

ONE, TWO = "28-0316a279b1ff", "28-00000000abcd"


@pytest.fixture
def tree(tmp_path: Path) -> KernelTree:
    return KernelTree.at(tmp_path)


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


class Outlet:
    """A faked probe at the outlet and its reader, a second at a time."""

    def __init__(self, tree: KernelTree, clock: ManualClock, *, chip: ChipKind, **section: object) -> None:
        self.files = ProbeFiles(tree.w1, sensor_id=ONE, chip=chip)
        self.clock = clock
        bus = ProbeBus(tree.w1, wanted={Point.OUTLET: None})
        self.reader = TemperatureProbe(
            Point.OUTLET, section=TemperaturePointSection.model_validate(section), bus=bus, clock=clock
        )

    def at(self, temperature_c: float, *, act: Callable[[], None] | None = None) -> Reading:
        self.clock.advance(1.0)
        self.files.show(temperature_c)
        if act is not None:
            act()
        return self.reader.read()


@pytest.fixture(params=list(ChipKind))
def outlet(tree: KernelTree, clock: ManualClock, request: pytest.FixtureRequest) -> Outlet:
    return Outlet(tree, clock, chip=request.param)


def test_a_reading_says_value_tolerance_moment_and_number(outlet: Outlet) -> None:
    first, second = outlet.at(82.25), outlet.at(82.3125)
    assert (first.value, first.unit, first.quality) == (82.25, UnitCode.CELSIUS, Quality.GOOD)
    assert first.tolerance == 0.5
    assert (first.seq, second.seq) == (0, 1)
    assert first.boot == "manual"
    assert second.mono_ms - first.mono_ms == 1000
    assert decode(encode(first), Reading) == first


def test_the_tolerance_doubles_above_85_degc(outlet: Outlet) -> None:
    # DS18B20 data sheet: +-0.5 degC to 85, +-1 to 100.
    assert outlet.at(84.9375).tolerance == 0.5
    assert outlet.at(85.0625).tolerance == 1.0


def test_settings_correct_the_value_and_replace_the_tolerance(tree: KernelTree, clock: ManualClock) -> None:
    outlet = Outlet(tree, clock, chip=ChipKind.GENUINE, scale=1.01, offset="-0.5 degC", tolerance="0.3 degC")
    reading = outlet.at(80.0)
    assert reading.value == pytest.approx(80.3, abs=1e-4)
    assert reading.tolerance == 0.3


@pytest.mark.parametrize(
    ("fault", "reason"),
    [
        (ProbeFault.UNPLUGGED, Reason.NO_ANSWER),
        (ProbeFault.NO_ANSWER, Reason.NO_ANSWER),
        (ProbeFault.SHORTED, Reason.NO_ANSWER),
        (ProbeFault.CRC, Reason.CRC),
        (ProbeFault.POWER_ON, Reason.POWER_ON_VALUE),
        (ProbeFault.UNDERPOWERED, Reason.WIRE_FAULT),
    ],
)
def test_a_fault_shows_at_the_next_reading_without_a_number_and_passes_with_its_cause(
    outlet: Outlet, fault: ProbeFault, reason: Reason
) -> None:
    for _ in range(4):
        outlet.at(84.0)
    outlet.files.fault = fault
    for _ in range(3):
        reading = outlet.at(84.0)
        assert (reading.quality, reading.reason, reading.value) == (Quality.BAD, reason, None)
    outlet.files.fault = None
    assert [outlet.at(84.0).quality for _ in range(3)][-1] is Quality.GOOD


def test_a_fault_is_one_line_on_the_log_until_it_passes(
    outlet: Outlet, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO)
    outlet.at(84.0)
    caplog.clear()
    outlet.files.fault = ProbeFault.CRC
    for _ in range(20):
        outlet.at(84.0)
    assert [record.levelname for record in caplog.records] == ["WARNING"]
    assert "checksum" in caplog.text
    outlet.files.fault = None
    outlet.at(84.0)
    assert "well again" in caplog.records[-1].message


def test_a_true_85_is_good_on_genuine_and_cloned_chips_and_a_reset_is_not(outlet: Outlet) -> None:
    for _ in range(4):
        outlet.at(84.9375)
    assert outlet.at(85.0).value == 85.0
    assert outlet.at(85.0).value == 85.0
    reset = outlet.at(84.9375, act=outlet.files.lose_power)
    assert (reset.quality, reset.reason) == (Quality.BAD, Reason.POWER_ON_VALUE)


def test_85_as_the_first_reading_of_a_clone_is_not_believed(tree: KernelTree, clock: ManualClock) -> None:
    outlet = Outlet(tree, clock, chip=ChipKind.CLONE)
    assert outlet.at(85.0).reason is Reason.POWER_ON_VALUE


def test_a_hot_value_that_never_moves_is_frozen_after_a_minute_and_a_cold_one_never(outlet: Outlet) -> None:
    cold = [outlet.at(20.0) for _ in range(300)]
    assert {reading.quality for reading in cold} == {Quality.GOOD}
    hot = [outlet.at(84.0) for _ in range(70)]
    assert [reading.quality for reading in hot[:61]] == [Quality.GOOD] * 61
    assert {reading.reason for reading in hot[61:]} == {Reason.FROZEN}
    assert outlet.at(84.0625).quality is Quality.GOOD


def test_the_marker_stays_out_of_the_memory_that_outlives_a_reset(outlet: Outlet) -> None:
    for _ in range(4):
        outlet.at(84.0)
    alarms = outlet.files.folder / "alarms"
    assert alarms.read_text() != "70 75\n"
    outlet.files.lose_power()
    assert alarms.read_text() == "70 75\n"


def test_a_coarse_probe_is_set_to_full_resolution_and_until_then_its_step_counts_as_error(
    tree: KernelTree, clock: ManualClock
) -> None:
    outlet = Outlet(tree, clock, chip=ChipKind.GENUINE)
    (outlet.files.folder / "resolution").write_text("9\n")
    assert outlet.at(80.3).tolerance == 1.0
    assert outlet.at(80.3).value == 80.3125
    assert (outlet.files.folder / "resolution").read_text() == "12\n"


def test_a_probe_without_a_supply_wire_is_warned_of(
    tree: KernelTree, clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    ProbeFiles(tree.w1, sensor_id=ONE, externally_powered=False).show(80.0)
    bus = ProbeBus(tree.w1, wanted={Point.OUTLET: None})
    TemperatureProbe(Point.OUTLET, section=TemperaturePointSection(), bus=bus, clock=clock).read()
    assert "third lead" in caplog.text


def test_a_probe_that_is_not_there_is_named_in_one_line_and_found_when_plugged_in(
    tree: KernelTree, clock: ManualClock, caplog: pytest.LogCaptureFixture
) -> None:
    bus = ProbeBus(tree.w1, wanted={Point.OUTLET: "0316A279B1FF"})
    reader = TemperatureProbe(Point.OUTLET, section=TemperaturePointSection(), bus=bus, clock=clock)
    assert [reader.read().reason for _ in range(5)] == [Reason.NO_ANSWER] * 5
    assert len(caplog.records) == 1
    assert ONE in caplog.text
    ProbeFiles(tree.w1, sensor_id=ONE).show(80.0)
    assert reader.read().value == 80.0


def test_a_board_without_1_wire_has_no_probes_and_says_what_to_check(tmp_path: Path) -> None:
    bus = ProbeBus(tmp_path / "nothing", wanted={Point.OUTLET: None})
    assert find_probes(bus.root) == ()
    with pytest.raises(SensorNotFound, match="overlay"):
        bus.folder_of(Point.OUTLET)


def test_probes_are_found_by_the_sensor_library_and_other_devices_left_out(tree: KernelTree) -> None:
    for name in (ONE, TWO):
        ProbeFiles(tree.w1, sensor_id=name)
    (tree.w1 / "00-800000000000").mkdir()
    assert find_probes(tree.w1) == (TWO, ONE)


@pytest.mark.parametrize(
    ("wanted", "found", "served"),
    [
        ({Point.OUTLET: None}, (ONE,), {Point.OUTLET: ONE}),
        ({Point.OUTLET: ONE}, (ONE, TWO), {Point.OUTLET: ONE}),
        ({Point.OUTLET: "0316A279B1FF"}, (ONE,), {Point.OUTLET: ONE}),
        ({Point.OUTLET: TWO}, (ONE,), {}),
        ({Point.OUTLET: None, Point.PAN: TWO}, (ONE, TWO), {Point.OUTLET: ONE, Point.PAN: TWO}),
        ({Point.OUTLET: None, Point.PAN: TWO}, (TWO,), {Point.PAN: TWO}),
        ({Point.OUTLET: None}, (), {}),
    ],
)
def test_each_point_gets_its_probe(
    wanted: dict[Point, str | None], found: tuple[str, ...], served: dict[Point, str]
) -> None:
    assert assign(wanted, found=found) == served


@pytest.mark.parametrize(
    ("wanted", "found"),
    [
        ({Point.OUTLET: None}, (ONE, TWO)),
        ({Point.OUTLET: None, Point.PAN: None}, (ONE,)),
        ({Point.OUTLET: None, Point.PAN: None}, (ONE, TWO)),
    ],
)
def test_a_choice_between_probes_is_left_to_the_owner(
    wanted: dict[Point, str | None], found: tuple[str, ...]
) -> None:
    with pytest.raises(SensorAmbiguous, match=r"\[point\.outlet\]"):
        assign(wanted, found=found)


def test_the_loop_reads_once_a_second_and_ends_when_told(tree: KernelTree, clock: ManualClock) -> None:
    outlet = Outlet(tree, clock, chip=ChipKind.GENUINE)
    outlet.files.show(80.0)
    stop, moments = threading.Event(), []

    def sink(reading: Reading) -> None:
        moments.append(reading.mono_ms)
        if len(moments) == 10:
            stop.set()

    outlet.reader.run(sink, stop)
    assert [later - sooner for sooner, later in itertools.pairwise(moments)] == [1000] * 9
