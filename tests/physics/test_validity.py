from __future__ import annotations

import numpy as np
import pytest

from monitor.physics import validity


@pytest.mark.parametrize("judge", [validity.positive, validity.not_negative, validity.finite])
@pytest.mark.parametrize("bad", [float("nan"), float("inf"), -float("inf"), 1e300, None, "85", [85.0]])
def test_what_is_no_number_here_is_refused_in_one_line(judge, bad) -> None:
    with pytest.raises(ValueError, match="flow") as refusal:
        judge(bad, name="flow", unit="m3/s")
    assert "\n" not in str(refusal.value)


def test_zero_is_not_over_zero_but_not_under_it() -> None:
    assert validity.not_negative(0.0, name="volume", unit="m3") == 0.0
    with pytest.raises(ValueError, match="volume 0 m3 is not a finite number over zero"):
        validity.positive(0.0, name="volume", unit="m3")


def test_whole_number_and_array_scalar_come_out_as_plain_floats() -> None:
    for value in (85, np.float64(85.0)):
        assert type(validity.within(value, 0.0, 100.0, name="temperature", unit="degC")) is float


def test_whole_array_is_judged_place_by_place() -> None:
    judged = validity.not_negative(np.array([1, -1, 0]), name="volume", unit="m3")
    assert judged.tolist()[::2] == [1.0, 0.0]
    assert np.isnan(judged[1])
