"""The 85.0 question over chips that are genuine, cloned, reset at random, and truly at 85.0."""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace

import pytest

from hardware.power_on import MARKER_TRIES, PowerOnJudge
from hardware.scratchpad import POWER_ON_COUNT, Scratchpad

STORED = (75, 70)


@dataclass
class Chip:
    """A DS18B20 seen from the bus: registers in RAM, lost at a reset (data sheet; byte 6 from memory)."""

    genuine: bool
    heeds_alarms: bool = True
    pad: Scratchpad = field(default=Scratchpad(POWER_ON_COUNT, *STORED, 0x7F, 0x0C))
    measured: bool = False
    """Whether the temperature register holds a measurement: what the judge cannot see."""

    def reset(self) -> None:
        self.pad, self.measured = Scratchpad(POWER_ON_COUNT, *STORED, 0x7F, 0x0C), False

    def convert(self, count: int) -> None:
        sixth = 0x10 - (count & 0x0F) if self.genuine else 0x0C
        self.pad, self.measured = replace(self.pad, count=count, reserved=sixth), True

    def write_alarms(self, marker: tuple[int, int] | None) -> None:
        if marker is not None and self.heeds_alarms:
            self.pad = replace(self.pad, high_alarm_c=marker[0], low_alarm_c=marker[1])


@dataclass
class Tally:
    true_85: int = 0
    rejected: int = 0
    resets: int = 0
    accepted: int = 0


def watch(chip: Chip, counts: list[int], *, reset_share: float, seed: int) -> Tally:
    """Read ``counts`` (the truth, a second apart) while the supply fails at random moments."""
    judge, tally = PowerOnJudge(), Tally()
    chance = random.Random(seed)  # noqa: S311 - a repeatable fate, no secret
    for second, count in enumerate(counts):
        if chance.random() < reset_share:
            chip.reset()
        if chance.random() >= reset_share:
            # Else the chip misses the command and shows what it holds.
            chip.convert(count)
        if chance.random() < reset_share:
            chip.reset()
        believed = judge.believes(chip.pad, now_s=float(second))
        if chip.pad.count == POWER_ON_COUNT:
            tally.true_85 += chip.measured
            tally.rejected += chip.measured and not believed
            tally.resets += not chip.measured
            tally.accepted += believed and not chip.measured
        chip.write_alarms(judge.marker_due(chip.pad))
    return tally


def around_85(seconds: int, *, seed: int) -> list[int]:
    """Return a truth that wanders slowly through 85.0 and rests on it, as an outlet in the window does."""
    value_c, counts = 83.0, []
    chance = random.Random(seed)  # noqa: S311 - a repeatable fate, no secret
    for _ in range(seconds):
        value_c += chance.gauss(0.0, 0.04) + 0.01 * (85.0 - value_c)
        counts.append(round(value_c * 16))
    return counts


@pytest.mark.parametrize("genuine", [True, False])
@pytest.mark.parametrize("reset_share", [0.001, 0.02, 0.1])
def test_no_power_on_value_is_believed_at_any_rate_of_resets(genuine: bool, reset_share: float) -> None:
    tally = watch(Chip(genuine=genuine), around_85(60_000, seed=1), reset_share=reset_share, seed=2)
    assert tally.resets > 50 * reset_share / 0.001 * 0.5
    assert tally.accepted == 0


def test_every_true_85_of_a_genuine_chip_is_believed() -> None:
    tally = watch(Chip(genuine=True), around_85(60_000, seed=3), reset_share=0.02, seed=4)
    assert tally.true_85 > 1000
    assert tally.rejected == 0


@pytest.mark.parametrize(("reset_share", "rejected_share"), [(0.0, 0.0), (0.001, 0.01), (0.005, 0.05)])
def test_nearly_every_true_85_of_a_clone_is_believed(reset_share: float, rejected_share: float) -> None:
    tally = watch(Chip(genuine=False), around_85(60_000, seed=5), reset_share=reset_share, seed=6)
    assert tally.true_85 > 1000
    assert tally.rejected <= rejected_share * tally.true_85


@pytest.mark.parametrize("genuine", [True, False])
def test_a_true_ramp_through_85_is_believed_even_where_the_alarms_are_closed(genuine: bool) -> None:
    # 0.05 degC/s (5 degF a minute): one second in twenty reads 85.0.
    ramp = [round((80.0 + 0.05 * second) * 16) for second in range(200)]
    tally = watch(Chip(genuine=genuine, heeds_alarms=False), ramp, reset_share=0.0, seed=0)
    assert tally.true_85 > 0
    assert tally.rejected == 0


def test_with_closed_alarms_a_power_on_value_far_from_its_neighbours_is_refused() -> None:
    judge = PowerOnJudge()
    chip = Chip(genuine=False, heeds_alarms=False)
    for second in range(10):
        chip.convert(70 * 16)
        assert judge.believes(chip.pad, now_s=float(second))
    chip.reset()
    assert not judge.believes(chip.pad, now_s=10.0)


def judge_of_closed_alarms() -> PowerOnJudge:
    """Return a judge that has found the alarm registers closed."""
    judge = PowerOnJudge()
    chip = Chip(genuine=False, heeds_alarms=False)
    for number in range(MARKER_TRIES):
        chip.convert(20 * 16 + number)
        judge.believes(chip.pad, now_s=-100.0)
        chip.write_alarms(judge.marker_due(chip.pad))
    return judge


@pytest.mark.parametrize("genuine", [True, False])
def test_until_the_marker_is_seen_or_given_up_a_neighbour_vouches_for_nothing(genuine: bool) -> None:
    chip, judge = Chip(genuine=genuine), PowerOnJudge()
    chip.convert(84 * 16)
    assert judge.believes(chip.pad, now_s=0.0)
    chip.write_alarms(judge.marker_due(chip.pad))
    chip.reset()
    assert not judge.believes(chip.pad, now_s=1.0)


@pytest.mark.parametrize(
    ("neighbour_c", "age_s", "believed"),
    # Requirement: a good neighbour within 2 degC in the last 3 s.
    [(83.0, 3.0, True), (87.0, 1.0, True), (82.9375, 1.0, False), (84.0, 3.1, False)],
)
def test_a_neighbour_counts_within_2_degc_and_3_s(neighbour_c: float, age_s: float, believed: bool) -> None:
    judge = judge_of_closed_alarms()
    chip = Chip(genuine=False, heeds_alarms=False)
    chip.convert(int(neighbour_c * 16))
    judge.believes(chip.pad, now_s=0.0)
    chip.reset()
    assert judge.believes(chip.pad, now_s=age_s) is believed


def test_one_85_never_vouches_for_the_next() -> None:
    judge = judge_of_closed_alarms()
    chip = Chip(genuine=False, heeds_alarms=False)
    chip.convert(84 * 16)
    judge.believes(chip.pad, now_s=0.0)
    chip.reset()
    assert [judge.believes(chip.pad, now_s=float(second)) for second in range(1, 7)] == [
        True, True, True, False, False, False,
    ]  # fmt: skip


def test_a_value_got_with_too_little_power_proves_nothing() -> None:
    judge = PowerOnJudge()
    chip = Chip(genuine=False)
    judge.believes(chip.pad, now_s=0.0)
    chip.write_alarms(judge.marker_due(chip.pad))
    chip.convert(0x07FF)
    judge.believes(chip.pad, now_s=1.0)
    chip.convert(POWER_ON_COUNT)
    assert not judge.believes(chip.pad, now_s=2.0)


def test_a_marker_left_by_an_earlier_process_is_not_taken_for_a_new_one() -> None:
    chip = Chip(genuine=False)
    first = PowerOnJudge().marker_due(chip.pad)
    chip.write_alarms(first)
    second = PowerOnJudge().marker_due(chip.pad)
    assert second is not None
    assert second != first


def test_alarms_that_are_never_heeded_are_given_up() -> None:
    judge = PowerOnJudge()
    chip = Chip(genuine=False, heeds_alarms=False)
    writes = []
    for number in range(60):
        chip.convert(84 * 16 + number % 3)
        writes.append(judge.marker_due(chip.pad))
    assert writes[0] is not None
    assert writes[-1] is None


def test_a_value_that_never_moves_is_no_reason_to_give_up_the_marker() -> None:
    """A stuck bus shows what was there before the marker was written, too."""
    judge = PowerOnJudge()
    chip = Chip(genuine=False, heeds_alarms=False)
    chip.convert(84 * 16 + 11)
    for second in range(60):
        assert judge.believes(chip.pad, now_s=float(second))
        chip.write_alarms(judge.marker_due(chip.pad))
    chip.reset()
    assert not judge.believes(chip.pad, now_s=60.0)


@pytest.mark.parametrize("genuine", [True, False])
def test_a_supply_that_fails_again_and_again_at_first_is_no_reason_to_give_up_the_marker(
    genuine: bool,
) -> None:
    chip, judge = Chip(genuine=genuine), PowerOnJudge()
    for second in range(20):
        chip.reset()
        assert not judge.believes(chip.pad, now_s=float(second))
        chip.write_alarms(judge.marker_due(chip.pad))
    for second in range(20, 30):
        chip.convert(POWER_ON_COUNT + 8)
        assert judge.believes(chip.pad, now_s=float(second))
        chip.write_alarms(judge.marker_due(chip.pad))
    # Half a degree under a true value of a second ago, and a power-on value all the same.
    chip.reset()
    assert not judge.believes(chip.pad, now_s=30.0)
