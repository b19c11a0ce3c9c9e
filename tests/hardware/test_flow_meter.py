from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory

from hardware.flow_meter import FlowMeter
from monitor.contract.errors import SettingsError
from monitor.contract.readings import Quality, Reading, Reason, UnitCode
from monitor.runtime.clock import ManualClock
from monitor.runtime.settings import FlowPointSection

PIN = 22


@pytest.fixture
def factory() -> Iterator[MockFactory]:
    factory = MockFactory()
    yield factory
    factory.close()


@pytest.fixture
def clock() -> ManualClock:
    return ManualClock()


@pytest.fixture
def meter(factory: MockFactory, clock: ManualClock) -> Iterator[FlowMeter]:
    section = FlowPointSection.model_validate({"pin": PIN, "scale": "2 mL"})
    meter = FlowMeter(section, clock=clock, factory=factory)
    meter.open()
    yield meter
    meter.close()


def pulse(factory: MockFactory, times: int) -> None:
    for _ in range(times):
        factory.pin(PIN).drive_low()
        factory.pin(PIN).drive_high()


def test_pulses_of_a_second_become_litres_a_minute(
    meter: FlowMeter, factory: MockFactory, clock: ManualClock
) -> None:
    # 25 pulses of 2 mL in a second: 50 mL/s, 3 L/min; a pulse a second is 0.12 L/min.
    pulse(factory, 25)
    clock.advance(1.0)
    reading = meter.read()
    assert (reading.value, reading.unit) == (pytest.approx(3.0), UnitCode.LITRE_PER_MINUTE)
    assert reading.tolerance == pytest.approx(0.12 + 0.03 * 3.0)
    pulse(factory, 10)
    clock.advance(2.0)
    assert meter.read().value == pytest.approx(0.6)


def test_no_pulse_is_no_flow(meter: FlowMeter, clock: ManualClock) -> None:
    clock.advance(1.0)
    reading = meter.read()
    assert (reading.value, reading.quality) == (0.0, Quality.GOOD)


def test_a_board_without_pins_gives_no_answer_and_one_line(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    monkeypatch.setenv("GPIOZERO_PIN_FACTORY", "native")
    monkeypatch.setattr(Device, "pin_factory", None)
    section = FlowPointSection.model_validate({"pin": PIN, "scale": "2 mL"})
    meter, stop, readings = FlowMeter(section, clock=ManualClock()), threading.Event(), []

    def sink(reading: Reading) -> None:
        readings.append(reading)
        if len(readings) == 3:
            stop.set()

    meter.run(sink, stop)
    assert {reading.reason for reading in readings} == {Reason.NO_ANSWER}
    assert len(caplog.records) == 1
    assert "pin 22" in caplog.text


@pytest.mark.parametrize("section", [{"pin": PIN}, {"scale": "2 mL"}, {}])
def test_half_a_description_is_refused(section: dict[str, object]) -> None:
    with pytest.raises(SettingsError, match=r"\[point\.flow\]"):
        FlowMeter(FlowPointSection.model_validate(section), clock=ManualClock())
