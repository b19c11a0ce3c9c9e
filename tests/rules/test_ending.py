"""The end of a run under two limits, against scipy's distributions."""

from __future__ import annotations

import math

import pytest
from scipy.optimize import brentq
from scipy.stats import lognorm

from monitor.contract.names import Limit
from monitor.rules.ending import Ending, Guess, ending

FRAMES = Guess(100.0, 0.12)
FAR = Guess(math.inf, 0.25)


def by_scipy(now_l: float, least_l: float, frames: Guess, pressure: Guess, chance: float) -> float:
    f = lognorm(frames.error, scale=frames.middle_l)
    p = lognorm(pressure.error, scale=pressure.middle_l)

    def left(v: float) -> float:
        return float(f.sf(max(v, least_l)) / f.sf(least_l) * p.sf(v) / p.sf(now_l)) - chance

    return float(brentq(left, now_l, 1000.0))


@pytest.mark.parametrize(("now_l", "pressure"), [(20.0, 140.0), (50.0, 100.0), (90.0, 105.0), (40.0, 60.0)])
def test_middle_and_range_are_those_of_the_product_of_two_chances(now_l: float, pressure: float) -> None:
    guess = Guess(pressure, 0.25)
    found = ending(now_l, frames=FRAMES, least_l=1.04 * now_l, pressure=guess)
    for told, chance in ((found.low_l, 0.9), (found.middle_l, 0.5), (found.high_l, 0.1)):
        assert told == pytest.approx(by_scipy(now_l, 1.04 * now_l, FRAMES, guess, chance), rel=2e-3)


def test_with_no_pressure_limit_the_frames_are_the_end() -> None:
    found = ending(30.0, frames=FRAMES, least_l=31.0, pressure=FAR)
    assert found.middle_l == pytest.approx(100.0, rel=2e-3)
    assert found.limit is Limit.FRAMES


def test_the_nearer_limit_is_named() -> None:
    assert ending(30.0, frames=FRAMES, least_l=31.0, pressure=Guess(60.0, 0.2)).limit is Limit.PRESSURE


def test_a_run_beyond_all_belief_speaks_of_the_next_litres_only() -> None:
    found = ending(500.0, frames=FRAMES, least_l=520.0, pressure=FAR)
    assert 500.0 <= found.low_l <= found.middle_l <= found.high_l <= 540.0


@pytest.mark.parametrize("pressure", [Guess(0.0, 0.2), Guess(1e-12, 1e-3), Guess(1e12, 0.2), FAR])
@pytest.mark.parametrize("now_l", [0.0, 1e-9, 1.0, 99.0, 2000.0])
def test_the_range_is_in_order_and_never_behind_the_run(now_l: float, pressure: Guess) -> None:
    found: Ending = ending(now_l, frames=FRAMES, least_l=1.04 * now_l, pressure=pressure)
    assert now_l * (1.0 - 1e-9) <= found.low_l <= found.middle_l <= found.high_l < 1e4
