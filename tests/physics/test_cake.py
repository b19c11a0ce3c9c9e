"""The cake. Words in brackets: how an expected figure is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.physics import cake


def test_solids_left_by_a_litre_of_the_worked_sheet() -> None:
    # Holdich, *Fundamentals of Particle Technology*, worked sheet of eq. 2.23 (read).
    solids = cake.solids_per_filtrate(slurry_fraction=0.10, wet_to_dry=1280.0 / 635.0, liquid_kg_m3=1000.0)
    assert solids == pytest.approx(125.24655, rel=1e-6)


def test_solids_are_conserved() -> None:
    # A kilogram of slurry, weighed out by hand: 0.02 kg solids hold back 0.03 kg liquid, 0.95 kg runs off.
    solids = cake.solids_per_filtrate(slurry_fraction=0.02, wet_to_dry=2.5, liquid_kg_m3=1290.0)
    assert solids * 0.95 / 1290.0 == pytest.approx(0.02, rel=1e-12)


def test_cake_that_keeps_all_the_liquid_is_refused() -> None:
    with pytest.raises(ValueError, match="gives no filtrate"):
        cake.solids_per_filtrate(slurry_fraction=0.5, wet_to_dry=2.0, liquid_kg_m3=1000.0)


def test_calcium_carbonate_is_a_quarter_stiffer_at_two_and_a_half_times_the_pressure() -> None:
    # McCabe, Smith, Harriott: s = 0.26 (read), so alpha grows as 2.5^0.26 = 1.269 (computed).
    low, high = cake.compressible_alpha(np.array([1e5, 2.5e5]), alpha_at_1_pa=7e9, compressibility=0.26)
    assert high / low == pytest.approx(1.269, abs=0.001)


def test_stiff_cake_does_not_care_for_pressure() -> None:
    assert cake.compressible_alpha(5e5, alpha_at_1_pa=7e9, compressibility=0.0) == 7e9


def test_cakes_fill_the_frames_when_their_solids_do() -> None:
    # Five frames of 0.165 m by 0.165 m by 25.4 mm, 300 kg/m3 dry, 45 g in 4 L, by hand: 3.46 L * 300 / 11.25.
    full = cake.volume_to_full(frame_m3=5 * 0.165**2 * 0.0254, dry_cake_kg_m3=300.0, solids_kg_m3=11.25)
    assert 1e3 * full == pytest.approx(92.2, abs=0.1)


def test_no_solids_never_fill_a_frame_and_are_refused() -> None:
    for none in (0.0, float("nan")):
        with pytest.raises(ValueError, match="solids"):
            cake.volume_to_full(frame_m3=0.004, dry_cake_kg_m3=300.0, solids_kg_m3=none)


def test_aid_and_sand_add() -> None:
    aid = {"aid_alpha_m_kg": 2e9, "aid_kg_m3": 8.0}
    sand = {"sand_alpha_m_kg": 1e11, "sand_kg_m3": 0.5}
    assert cake.body_feed_growth(**aid, **sand) == pytest.approx(1.6e10 + 5e10, rel=1e-12)
    assert cake.body_feed_growth(**aid, sand_alpha_m_kg=1e11, sand_kg_m3=0.0) == pytest.approx(1.6e10)


# Mostly numbers that are taken, from end to end of the range, and sometimes anything a float can be.
wild = st.one_of(st.floats(1e-30, 1e30), st.floats(0.0, 10.0), st.floats())


@given(a=wild, b=wild, c=wild, d=wild)
def test_any_numbers_give_a_finite_answer_or_one_line(outcome, a, b, c, d) -> None:
    answers = (
        lambda: cake.compressible_alpha(a, alpha_at_1_pa=b, compressibility=c),
        lambda: cake.solids_per_filtrate(slurry_fraction=a, wet_to_dry=b, liquid_kg_m3=c),
        lambda: cake.volume_to_full(frame_m3=a, dry_cake_kg_m3=b, solids_kg_m3=c),
        lambda: cake.body_feed_growth(aid_alpha_m_kg=a, aid_kg_m3=b, sand_alpha_m_kg=c, sand_kg_m3=d),
    )
    for answer in answers:
        found = outcome(answer)
        assert "\n" not in found if isinstance(found, str) else math.isfinite(found)
