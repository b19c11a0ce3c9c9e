from __future__ import annotations

from pathlib import Path

import pytest

from hardware.adc import find_converter
from hardware.kernel_files import KernelTree, LineFiles
from monitor.contract.errors import SensorAmbiguous, SensorNotFound


@pytest.fixture
def tree(tmp_path: Path) -> KernelTree:
    return KernelTree.at(tmp_path)


def test_raw_and_scale_make_millivolts_and_an_offset_is_heeded(tree: KernelTree) -> None:
    line = LineFiles(tree.iio, channel=2)
    line.show(1234.0)
    channel = find_converter(tree.iio, sensor=None, channel=2).channel(2)
    assert channel.scale().millivolts(channel.read_raw()) == 1234.0
    # Linux, sysfs-bus-iio: value = (raw + offset) * scale.
    (line.folder / "in_voltage2_offset").write_text("-8\n")
    assert channel.scale().millivolts(channel.read_raw()) == 1233.0


def test_one_scale_shared_by_all_channels_is_found(tree: KernelTree) -> None:
    folder = LineFiles(tree.iio).folder
    (folder / "in_voltage0_scale").rename(folder / "in_voltage_scale")
    channel = find_converter(tree.iio, sensor=None, channel=0).channel(0)
    assert channel.scale().mv_per_count == 0.125


@pytest.mark.parametrize("sensor", [None, "ads1015", "ads1115", "iio:device0"])
def test_a_converter_is_found_by_its_name_by_the_chips_or_by_its_folder(
    tree: KernelTree, sensor: str | None
) -> None:
    # ti-ads1015.c names both chips "ads1015".
    LineFiles(tree.iio)
    assert find_converter(tree.iio, sensor=sensor, channel=0).folder == tree.iio / "iio:device0"


def test_two_converters_need_a_name_unless_only_one_has_the_channel(tree: KernelTree) -> None:
    LineFiles(tree.iio, device=0, channel=0)
    LineFiles(tree.iio, device=1, channel=1)
    assert find_converter(tree.iio, sensor=None, channel=1).folder.name == "iio:device1"
    LineFiles(tree.iio, device=1, channel=0)
    with pytest.raises(SensorAmbiguous, match=r"iio:device0 .*\[point\.line\]"):
        find_converter(tree.iio, sensor=None, channel=0)
    assert find_converter(tree.iio, sensor="iio:device1", channel=0).folder.name == "iio:device1"


@pytest.mark.parametrize(("sensor", "channel"), [("other", 0), (None, 3), ("ads1015", 3)])
def test_what_is_not_there_is_named_with_what_is(tree: KernelTree, sensor: str | None, channel: int) -> None:
    LineFiles(tree.iio)
    with pytest.raises(SensorNotFound, match="ads1015"):
        find_converter(tree.iio, sensor=sensor, channel=channel).channel(channel)


def test_no_converter_at_all_is_said(tmp_path: Path) -> None:
    with pytest.raises(SensorNotFound, match="there: none"):
        find_converter(tmp_path / "nothing", sensor=None, channel=0)


def test_a_range_that_would_hide_a_fault_is_widened_to_the_next_that_shows_it(tree: KernelTree) -> None:
    # Default of ti-ads1015.c: 2.048 V, in which 100 ohm show at most 20.48 mA: no NE 43 fault.
    line = LineFiles(tree.iio, scale_mv=0.0625)
    channel = find_converter(tree.iio, sensor=None, channel=0).channel(0)
    assert channel.scale().full_mv == pytest.approx(2048.0)
    channel.widen(2205.0)
    assert float((line.folder / "in_voltage0_scale").read_text()) == 0.125


def test_a_wide_enough_range_is_left_alone(tree: KernelTree) -> None:
    line = LineFiles(tree.iio, scale_mv=0.1875)
    before = (line.folder / "in_voltage0_scale").read_text()
    find_converter(tree.iio, sensor=None, channel=0).channel(0).widen(2205.0)
    assert (line.folder / "in_voltage0_scale").read_text() == before


@pytest.mark.parametrize(
    ("rate", "needed", "after"), [(8, 125.0, "128"), (128, 250.0, "250"), (860, 125.0, "860")]
)
def test_a_slow_converter_is_hastened(tree: KernelTree, rate: int, needed: float, after: str) -> None:
    line = LineFiles(tree.iio, sampling_hz=rate)
    find_converter(tree.iio, sensor=None, channel=0).channel(0).hasten(needed)
    assert (line.folder / "in_voltage0_sampling_frequency").read_text().strip() == after


def test_a_converter_at_its_end_is_known_to_clip(tree: KernelTree) -> None:
    LineFiles(tree.iio).show(9999.0)
    channel = find_converter(tree.iio, sensor=None, channel=0).channel(0)
    scale = channel.scale()
    assert scale.clips(scale.millivolts(channel.read_raw()))
    assert not scale.clips(4090.0)
