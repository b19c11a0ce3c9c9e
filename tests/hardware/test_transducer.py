from __future__ import annotations

import math
import threading
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from hardware.kernel_files import KernelTree, LineFault, LineFiles
from hardware.strokes import StrokeCounter
from hardware.transducer import SAMPLE_HZ, Transducer
from monitor.contract.names import PumpKind
from monitor.contract.readings import Quality, Reading, Reason
from monitor.runtime.clock import ManualClock
from monitor.runtime.settings import LinePointSection

SPAN_KPA = 689.4757293168361  # 100 psi, the settings' default
STEP_KPA = 0.125 / 100.0 / 16.0 * SPAN_KPA  # one count of 0.125 mV over 100 ohm


def loop_mv(pressure_kpa: float) -> float:
    """Millivolts over 100 ohm of a 4-20 mA loop with 100 psi of span."""
    return 100.0 * (4.0 + 16.0 * pressure_kpa / SPAN_KPA)


class DrivenClock(ManualClock):
    """A clock that shows the world's new state whenever it moves."""

    def __init__(self, on_move: Callable[[float], None]) -> None:
        super().__init__()
        self.on_move = on_move

    def advance(self, seconds: float) -> None:
        super().advance(seconds)
        self.on_move(self.now_s)


class Line:
    """A faked transducer whose signal follows a function of time, and its reader."""

    def __init__(self, tree: KernelTree, **section: object) -> None:
        self.tree = tree
        self.files = LineFiles(tree.iio)
        self.signal_mv: Callable[[float], float] = lambda _: loop_mv(0.0)
        self.shown: list[tuple[float, float]] = []
        self.clock = DrivenClock(self.move)
        self.begin_s = self.clock.now_s
        self.reader = Transducer(
            LinePointSection.model_validate(section),
            root=tree.iio,
            clock=self.clock,
            strokes=StrokeCounter(sample_hz=SAMPLE_HZ, kind=PumpKind.AIR_DIAPHRAGM),
        )

    def move(self, now_s: float) -> None:
        signal_mv = self.signal_mv(now_s - self.begin_s)
        self.shown.append((now_s, signal_mv))
        self.files.show(signal_mv)

    def second(self) -> Reading:
        reading = self.reader.read_second(self.clock.now_s, stop=threading.Event())
        assert reading is not None
        return reading

    def seconds(self, count: int) -> list[Reading]:
        return [self.second() for _ in range(count)]


@pytest.fixture
def tree(tmp_path: Path) -> KernelTree:
    return KernelTree.at(tmp_path)


@pytest.fixture
def line(tree: KernelTree) -> Line:
    return Line(tree)


def test_a_steady_line_reads_its_pressure(line: Line) -> None:
    line.signal_mv = lambda _: loop_mv(200.0)
    reading = line.second()
    assert reading.quality is Quality.GOOD
    assert (reading.value, reading.low, reading.high) == pytest.approx((200.0,) * 3, abs=STEP_KPA)
    assert reading.tolerance == pytest.approx(0.01 * SPAN_KPA, abs=1e-3)


def test_mean_low_and_high_are_those_of_fifty_samples(line: Line) -> None:
    def wave(t: float) -> float:
        return 300.0 + 60.0 * math.sin(2 * math.pi * 1.3 * t) + 5.0 * math.sin(2 * math.pi * 7.0 * t)

    line.signal_mv = lambda t: loop_mv(wave(t))
    for second, reading in enumerate(line.seconds(5)):
        samples = np.array([wave(second + (slot + 1) / 50) for slot in range(50)])
        assert reading.value == pytest.approx(samples.mean(), abs=STEP_KPA)
        assert reading.low == pytest.approx(samples.min(), abs=STEP_KPA)
        assert reading.high == pytest.approx(samples.max(), abs=STEP_KPA)


def test_the_mean_of_a_square_wave_by_hand(line: Line) -> None:
    # 100 kPa for 20 of 50 samples, 400 kPa for 30: mean 280.
    line.signal_mv = lambda t: loop_mv(100.0 if t < 0.41 else 400.0)
    reading = line.second()
    assert (reading.value, reading.low, reading.high) == pytest.approx((280.0, 100.0, 400.0), abs=STEP_KPA)


def test_strokes_of_a_made_up_pump_are_counted_and_rated(line: Line) -> None:
    # 40 strokes a minute: a dip of 15 % every 1.5 s.
    line.signal_mv = lambda t: loop_mv(300.0 - 45.0 * math.exp(-(((t % 1.5) - 0.75) ** 2) / 0.02))
    readings = line.seconds(60)
    assert sum(reading.strokes or 0 for reading in readings) == pytest.approx(40, abs=1)
    assert readings[-1].strokes_per_min == pytest.approx(40.0, rel=0.03)
    assert (readings[-1].stroke_confidence or 0.0) > 0.5


def test_a_gear_pump_has_no_strokes_rather_than_none_counted(tree: KernelTree) -> None:
    LineFiles(tree.iio).show(loop_mv(200.0))
    reader = Transducer(LinePointSection(), root=tree.iio, clock=ManualClock(), strokes=None)
    reading = reader.read_second(1000.0, stop=threading.Event())
    assert reading is not None
    assert (reading.value, reading.strokes) == (pytest.approx(200.0, abs=STEP_KPA), None)


def test_readings_are_numbered_and_a_second_apart(line: Line) -> None:
    readings = line.seconds(5)
    assert [reading.seq for reading in readings] == [0, 1, 2, 3, 4]
    assert [readings[n + 1].mono_ms - readings[n].mono_ms for n in range(4)] == [1000] * 4


@pytest.mark.parametrize("fault", [LineFault.LOOP_OPEN, LineFault.LOOP_SHORTED])
def test_a_broken_or_shorted_loop_is_bad_at_once_and_a_wire_fault_after_4_s(
    line: Line, fault: LineFault
) -> None:
    line.signal_mv = lambda _: loop_mv(200.0)
    assert line.second().quality is Quality.GOOD
    line.files.fault = fault
    readings = line.seconds(7)
    assert {reading.quality for reading in readings} == {Quality.BAD}
    reasons = [reading.reason for reading in readings]
    assert reasons[:3] == [Reason.OUT_OF_RANGE] * 3
    assert reasons[4:] == [Reason.WIRE_FAULT] * 3
    line.files.fault = None
    line.second()
    assert line.second().value == pytest.approx(200.0, abs=STEP_KPA)


# NE 43: 3.8-20.5 mA measures; up to 3.6 and from 21 mA it is a fault; between, doubtful.
@pytest.mark.parametrize(
    ("current_ma", "quality"),
    [
        (3.59, Quality.BAD),
        (3.7, Quality.UNCERTAIN),
        (3.81, Quality.GOOD),
        (20.49, Quality.GOOD),
        (20.7, Quality.UNCERTAIN),
        (21.01, Quality.BAD),
    ],
)
def test_the_loops_current_decides_the_quality(line: Line, current_ma: float, quality: Quality) -> None:
    line.signal_mv = lambda _: 100.0 * current_ma
    assert line.second().quality is quality


def test_one_disturbed_sample_in_fifty_costs_nothing(line: Line) -> None:
    line.signal_mv = lambda t: 0.0 if 0.49 < t < 0.51 else loop_mv(200.0)
    reading = line.second()
    assert reading.quality is Quality.GOOD
    assert reading.low == pytest.approx(200.0, abs=STEP_KPA)


def test_a_peak_over_the_range_stays_in_sight(line: Line) -> None:
    # 110 psi for 40 ms on a 100 psi transducer: shown as the 21 mA limit, 106.25 psi.
    line.signal_mv = lambda t: loop_mv(1.1 * SPAN_KPA if 0.47 < t < 0.51 else 200.0)
    reading = line.second()
    assert reading.high == pytest.approx(1.0625 * SPAN_KPA, abs=STEP_KPA)


def test_a_converter_that_stops_answering_is_said_once_and_found_again(
    line: Line, caplog: pytest.LogCaptureFixture
) -> None:
    line.second()
    caplog.clear()
    line.files.fault = LineFault.NO_ANSWER
    assert {reading.reason for reading in line.seconds(4)} == {Reason.NO_ANSWER}
    assert len(caplog.records) <= 2
    line.files.fault = None
    line.second()
    assert line.second().quality is Quality.GOOD


def test_a_transducer_that_is_not_there_is_waited_for(tmp_path: Path) -> None:
    tree = KernelTree.at(tmp_path)
    clock = ManualClock()
    reader = Transducer(LinePointSection(), root=tree.iio, clock=clock)
    reading = reader.read_second(clock.now_s, stop=threading.Event())
    assert reading is not None
    assert reading.reason is Reason.NO_ANSWER
    assert "overlay" in (reader.trouble or "")
    LineFiles(tree.iio).show(loop_mv(100.0))
    reading = reader.read_second(clock.now_s, stop=threading.Event())
    assert reading is not None
    assert reading.quality is Quality.GOOD


def test_one_count_for_a_minute_is_a_stuck_converter_but_not_on_an_idle_line(line: Line) -> None:
    assert {reading.quality for reading in line.seconds(90)} == {Quality.GOOD}
    line.signal_mv = lambda _: loop_mv(200.0)
    readings = line.seconds(70)
    assert {reading.quality for reading in readings[:60]} == {Quality.GOOD}
    assert {reading.reason for reading in readings[62:]} == {Reason.FROZEN}
    line.signal_mv = lambda t: loop_mv(200.0 + 10.0 * math.sin(t))
    assert line.second().quality is Quality.GOOD


def ratiometric(tree: KernelTree, **more: object) -> Line:
    line = Line(tree, signal="0.5-4.5 V", divider=1.5, **more)
    LineFiles(tree.iio, channel=1)
    return line


def test_the_ratio_takes_a_sagging_supply_out(tree: KernelTree) -> None:
    # Half signal is half of the supply, whatever that is: 2.4 V of 4.8 V through a divider of 1.5.
    supply = LineFiles(tree.iio, channel=1)
    line = ratiometric(tree, supply_channel=1)
    supply.show(4800.0 / 1.5)
    line.signal_mv = lambda _: 2400.0 / 1.5
    reading = line.second()
    assert reading.value == pytest.approx(SPAN_KPA / 2, rel=1e-4)


def test_without_a_supply_channel_five_volts_are_assumed(tree: KernelTree) -> None:
    line = ratiometric(tree)
    line.signal_mv = lambda _: 2500.0 / 1.5
    assert line.second().value == pytest.approx(SPAN_KPA / 2, rel=1e-4)


@pytest.mark.parametrize("supply_v", [0.0, 4.4, 5.6])
def test_a_supply_out_of_bounds_is_a_wire_fault(tree: KernelTree, supply_v: float) -> None:
    line = ratiometric(tree, supply_channel=1)
    LineFiles(tree.iio, channel=1).show(1000.0 * supply_v / 1.5)
    line.signal_mv = lambda _: 2500.0 / 1.5
    assert line.second().reason is Reason.WIRE_FAULT


@pytest.mark.parametrize(("volts", "good"), [(0.2, False), (0.3, True), (4.7, True), (4.8, False)])
def test_a_ratiometric_signal_beyond_its_wires_limits_is_bad(
    tree: KernelTree, volts: float, good: bool
) -> None:
    line = ratiometric(tree)
    line.signal_mv = lambda _: 1000.0 * volts / 1.5
    readings = line.seconds(6)
    assert (readings[0].quality is Quality.GOOD) is good
    assert readings[-1].reason is (None if good else Reason.WIRE_FAULT)


def test_settings_correct_pressure(tree: KernelTree) -> None:
    line = Line(tree, scale=1.02, offset="-2 kPa", tolerance="5 kPa")
    line.signal_mv = lambda _: loop_mv(100.0)
    reading = line.second()
    assert reading.value == pytest.approx(100.0, abs=2 * STEP_KPA)
    assert reading.tolerance == 5.0


def test_a_range_that_cannot_be_widened_never_hides_a_shorted_loop(tree: KernelTree) -> None:
    # In the driver's default 2.048 V range a short reads 20.48 mA, inside what measures.
    line = Line(tree)
    line.files = LineFiles(tree.iio, scale_mv=0.0625)
    scale_file = line.files.folder / "in_voltage0_scale"

    def short_and_unheeding(_: float) -> float:
        scale_file.write_text("0.0625\n")
        return 9999.0

    line.signal_mv = short_and_unheeding
    assert {reading.quality for reading in line.seconds(6)} == {Quality.BAD}
    assert line.reader.trouble is not None
    assert float(scale_file.read_text()) == 0.0625


@pytest.mark.parametrize(
    ("file", "text"),
    [
        ("in_voltage0_raw", ""),
        ("in_voltage0_raw", "abc"),
        ("in_voltage0_raw", "1.5"),
        ("in_voltage0_raw", "9" * 40),
        ("in_voltage0_scale", ""),
        ("in_voltage0_scale", "wide"),
        ("in_voltage0_scale", "nan"),
        ("in_voltage0_scale", "inf"),
        ("scale_available", "one two"),
        ("in_voltage0_sampling_frequency", "fast"),
    ],
)
def test_nonsense_in_the_drivers_files_is_bad_and_ends_nothing(
    tree: KernelTree, file: str, text: str
) -> None:
    folder = LineFiles(tree.iio).folder
    (folder / file).write_text(text)
    clock = ManualClock()
    reader = Transducer(LinePointSection(), root=tree.iio, clock=clock)
    for _ in range(6):
        reading = reader.read_second(clock.now_s, stop=threading.Event())
        assert reading is not None
        assert reading.quality is Quality.BAD
    assert reader.trouble


def test_a_stopped_reader_gives_no_half_second(line: Line) -> None:
    stop = threading.Event()
    stop.set()
    assert line.reader.read_second(line.clock.now_s, stop=stop) is None
