"""The real readers over the simulated press, on a clock that moves the press as it is waited on."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field

import pytest

from hardware.kernel_files import KernelTree, LineFault, ProbeFault
from hardware.probe import ProbeBus, TemperatureProbe
from hardware.simulated_chip import ChipKind
from hardware.simulated_press import SimulatedPress
from hardware.simulated_season import Mishap, Scenario
from hardware.strokes import StrokeCounter
from hardware.transducer import SAMPLE_HZ, Transducer
from monitor.contract.names import PumpKind
from monitor.contract.readings import Point, Quality, Reading, Reason
from monitor.runtime.clock import ManualClock
from monitor.runtime.settings import load


@dataclass
class PressClock(ManualClock):
    """A clock whose waiting is the press's running."""

    press: SimulatedPress | None = None

    def advance(self, seconds: float) -> None:
        super().advance(seconds)
        if self.press is not None:
            self.press.step(seconds)
            self.press.write()


@dataclass
class Room:
    """Press, clock and both readers."""

    press: SimulatedPress
    clock: PressClock
    outlet: TemperatureProbe
    line: Transducer
    stop: threading.Event = field(default_factory=threading.Event)

    def second(self) -> tuple[Reading, Reading]:
        """Give one reading of outlet and line each."""
        outlet = self.outlet.read()
        line = self.line.read_second(self.clock.monotonic(), stop=self.stop)
        assert line is not None
        return outlet, line


@pytest.fixture
def tree() -> Iterator[KernelTree]:
    with KernelTree.temporary() as tree:
        yield tree


def room(tree: KernelTree, *overrides: str, scenario: Scenario, chip: ChipKind = ChipKind.GENUINE) -> Room:
    settings = load(overrides=list(overrides))
    press = SimulatedPress(tree, settings=settings, scenarios=[scenario], chip=chip)
    clock = PressClock(press=press)
    bus = ProbeBus(tree.w1, wanted={Point.OUTLET: None})
    outlet = TemperatureProbe(Point.OUTLET, section=settings.point.outlet, bus=bus, clock=clock)
    counter = StrokeCounter(sample_hz=SAMPLE_HZ, kind=scenario.pump_kind)
    line = Transducer(settings.point.line, root=tree.iio, clock=clock, strokes=counter)
    return Room(press, clock, outlet, line)


@pytest.mark.parametrize(
    "overrides",
    [(), ('point.line.signal="0.5-4.5 V"', "point.line.supply_channel=1"), ('point.line.shunt="150 ohm"',)],
    ids=["loop", "ratiometric", "other shunt"],
)
def test_the_line_reads_as_it_is_however_it_is_wired(tree: KernelTree, overrides: tuple[str, ...]) -> None:
    here = room(tree, *overrides, scenario=Scenario())
    for _ in range(8):
        here.second()
    for _ in range(10):
        _, line = here.second()
        assert line.quality is Quality.GOOD
        assert line.low is not None
        assert line.high is not None
        assert line.low - 8.0 < here.press.truth.line_kpa < line.high + 8.0  # type: ignore[union-attr]


@pytest.mark.parametrize("chip", list(ChipKind))
def test_the_outlet_is_read_through_a_whole_warm_up_also_at_85(tree: KernelTree, chip: ChipKind) -> None:
    here = room(tree, scenario=Scenario(), chip=chip)
    worst_k, bad, seen_85 = 0.0, 0, 0
    for second in range(700):
        outlet, _ = here.second()
        truth = here.press.truth
        assert truth is not None
        bad += outlet.quality is Quality.BAD
        seen_85 += outlet.value == 85.0
        if second > 400 and outlet.value is not None:
            worst_k = max(worst_k, abs(outlet.value - truth.outlet_c))
    assert worst_k < 0.6
    assert seen_85 > 3
    assert bad <= 2


@pytest.mark.parametrize(
    ("kind", "displacement_l", "allowed"),
    [(PumpKind.AIR_DIAPHRAGM, 0.07, 0.03), (PumpKind.HAND_DIAPHRAGM, 0.12, 0.06)],
)
def test_strokes_counted_in_the_files_are_the_pumps_own(
    tree: KernelTree, kind: PumpKind, displacement_l: float, allowed: float
) -> None:
    here = room(tree, scenario=Scenario(pump_kind=kind, displacement_l=displacement_l))
    counted = sum(here.second()[1].strokes or 0 for _ in range(500))
    truth = here.press.truth
    assert truth is not None
    assert truth.strokes > 180
    assert counted == pytest.approx(truth.strokes, rel=allowed)


def test_a_lost_probe_and_a_broken_loop_are_bad_within_five_seconds_and_well_again_after(
    tree: KernelTree,
) -> None:
    here = room(tree, scenario=Scenario())
    for _ in range(30):
        here.second()
    for fault, reasons in (
        (ProbeFault.UNPLUGGED, {Reason.NO_ANSWER}),
        (ProbeFault.NO_ANSWER, {Reason.NO_ANSWER}),
        (ProbeFault.CRC, {Reason.CRC}),
        (ProbeFault.POWER_ON, {Reason.POWER_ON_VALUE}),
        (ProbeFault.UNDERPOWERED, {Reason.WIRE_FAULT}),
        (ProbeFault.SHORTED, {Reason.NO_ANSWER}),
    ):
        here.press.probe_files.fault = fault
        here.second()
        outlet, _ = here.second()
        assert (outlet.quality, outlet.reason in reasons) == (Quality.BAD, True), fault
        here.press.probe_files.fault = None
        for _ in range(4):
            outlet, _ = here.second()
        assert outlet.quality is Quality.GOOD, fault
    for wire in (LineFault.LOOP_OPEN, LineFault.LOOP_SHORTED, LineFault.NO_ANSWER):
        here.press.line_files.fault = wire
        for _ in range(5):
            _, line = here.second()
        assert line.quality is Quality.BAD, wire
        here.press.line_files.fault = None
        for _ in range(6):
            _, line = here.second()
        assert line.quality is Quality.GOOD, wire


def test_a_hot_pan_is_seen_over_the_threshold(tree: KernelTree) -> None:
    here = room(tree, scenario=Scenario(mishap=Mishap.HOT_PAN))
    top_c = max(here.second()[0].value or 0.0 for _ in range(620))
    assert top_c > 89.44, "193 degF"


def test_pan_and_filler_have_probes_of_their_own_where_the_settings_fit_them(tree: KernelTree) -> None:
    sensors = {Point.OUTLET: "0000feed0001", Point.PAN: "00000000aa02", Point.FILLER: "00000000aa03"}
    settings = load(overrides=[f'point.{point}.sensor="{sensor}"' for point, sensor in sensors.items()])
    press = SimulatedPress(tree, settings=settings, scenarios=[Scenario()])
    clock = PressClock(press=press)
    bus = ProbeBus(tree.w1, wanted=dict(sensors))
    section = settings.point.outlet
    probes = {point: TemperatureProbe(point, section=section, bus=bus, clock=clock) for point in sensors}
    for second in range(420):
        clock.advance(1.0)
        values = {point: probe.read().value for point, probe in probes.items()}
        if second == 100:
            filler_c = values[Point.FILLER]
            assert filler_c is not None
            assert filler_c < 25.0, "nothing is bottled yet"
    truth = press.truth
    assert truth is not None
    assert values[Point.PAN] == pytest.approx(truth.feed_c, abs=0.6)
    assert values[Point.FILLER] == pytest.approx(truth.outlet_c - 0.8, abs=0.6)
