from __future__ import annotations

import pytest

from hardware.signal_range import CURRENT_LOOP_MA, RATIOMETRIC_SHARE, FaultTimer, SignalRange


# NAMUR NE 43 (limits as quoted by a secondary source).
@pytest.mark.parametrize(
    ("current_ma", "measures", "fault"),
    [
        (0.0, False, True),
        (3.6, False, True),
        (3.601, False, False),
        (3.799, False, False),
        (3.8, True, False),
        (4.0, True, False),
        (20.0, True, False),
        (20.5, True, False),
        (20.501, False, False),
        (20.999, False, False),
        (21.0, False, True),
        (24.0, False, True),
    ],
)
def test_ne_43_limits(current_ma: float, measures: bool, fault: bool) -> None:
    loop = CURRENT_LOOP_MA
    assert loop.measures(current_ma) is measures
    assert (loop.is_fault_low(current_ma) or loop.is_fault_high(current_ma)) is fault


# Ratiometric 0.5-4.5 V at 5 V: under 0.25 or over 4.75 V is a wire fault (common practice, from memory).
@pytest.mark.parametrize(
    ("volts", "fault"),
    [(0.0, True), (0.249, True), (0.251, False), (4.749, False), (4.751, True), (5.0, True)],
)
def test_ratiometric_wire_faults(volts: float, fault: bool) -> None:
    ratio = RATIOMETRIC_SHARE
    assert (ratio.is_fault_low(volts / 5.0) or ratio.is_fault_high(volts / 5.0)) is fault


@pytest.mark.parametrize(
    ("signal", "amount", "pressure_kpa"),
    [
        (CURRENT_LOOP_MA, 4.0, 0.0),
        (CURRENT_LOOP_MA, 12.0, 500.0),
        (CURRENT_LOOP_MA, 20.0, 1000.0),
        (RATIOMETRIC_SHARE, 0.1, 0.0),
        (RATIOMETRIC_SHARE, 0.5, 500.0),
        (RATIOMETRIC_SHARE, 0.9, 1000.0),
    ],
)
def test_the_signal_is_a_straight_line_over_its_span(
    signal: SignalRange, amount: float, pressure_kpa: float
) -> None:
    assert signal.pressure_kpa(amount, span_kpa=1000.0) == pytest.approx(pressure_kpa, abs=1e-9)


def test_a_fault_must_last_4_s_without_a_break() -> None:
    # NE 43: beyond the limits for 4 s.
    timer = FaultTimer()
    timer.see(fault=True, now_s=10.0)
    assert not timer.is_wire_fault(now_s=13.9)
    timer.see(fault=False, now_s=13.9)
    timer.see(fault=True, now_s=13.92)
    assert not timer.is_wire_fault(now_s=17.9)
    assert timer.is_wire_fault(now_s=17.92)
