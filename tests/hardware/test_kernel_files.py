from __future__ import annotations

import os
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from hardware.kernel_files import (
    KernelTree,
    LineFault,
    LineFiles,
    ProbeFault,
    ProbeFiles,
)
from hardware.simulated_chip import ChipKind, crc8

os.environ["W1THERMSENSOR_NO_KERNEL_MODULE"] = "1"

from w1thermsensor import W1ThermSensor
from w1thermsensor.errors import (
    NoSensorFoundError,
    ResetValueError,
    SensorNotReadyError,
)

ID = "0123456789ab"


@pytest.fixture
def tree(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> KernelTree:
    tree = KernelTree.at(tmp_path)
    monkeypatch.setattr(W1ThermSensor, "BASE_DIRECTORY", tree.w1)
    return tree


@pytest.fixture
def probe(tree: KernelTree) -> ProbeFiles:
    return ProbeFiles(tree.w1, sensor_id=ID)


def lines(probe: ProbeFiles) -> list[str]:
    return (probe.folder / "w1_slave").read_text().splitlines()


def shown_bytes(probe: ProbeFiles) -> bytes:
    return bytes.fromhex(lines(probe)[0].partition(" :")[0])


def division_crc(data: bytes) -> int:
    """CRC-8 by long division in GF(2), most significant bit first on the mirrored message.

    Written from the polynomial x8 + x5 + x4 + 1 alone, to be independent of the shift register.
    """
    message = 0
    for byte in data:
        message = message << 8 | int(f"{byte:08b}"[::-1], 2)
    message <<= 8
    divisor = 0b1_0011_0001
    while message.bit_length() > 8:
        message ^= divisor << (message.bit_length() - 9)
    return int(f"{message:08b}"[::-1], 2)


@pytest.mark.parametrize(
    ("data", "crc"),
    [
        # Maxim application note 27, worked example: family 02, serial 1C B8 01 00 00 00.
        ("02 1c b8 01 00 00 00", 0xA2),
        # CRC-8/MAXIM-DOW check value over "123456789" (catalogue of parametrised CRC algorithms).
        (b"123456789".hex(), 0xA1),
        # DS18B20 power-on scratchpad as widely published (from memory).
        ("50 05 4b 46 7f ff 0c 10", 0x1C),
    ],
)
def test_crc_agrees_with_published_examples_and_with_long_division(data: str, crc: int) -> None:
    message = bytes.fromhex(data)
    assert crc8(message) == crc
    assert division_crc(message) == crc


# DS18B20 data sheet, table 1: temperature and register.
@pytest.mark.parametrize(
    ("temperature_c", "register"),
    [
        (125.0, 0x07D0),
        (85.0, 0x0550),
        (25.0625, 0x0191),
        (10.125, 0x00A2),
        (0.5, 0x0008),
        (0.0, 0x0000),
        (-0.5, 0xFFF8),
        (-10.125, 0xFF5E),
        (-25.0625, 0xFE6F),
        (-55.0, 0xFC90),
    ],
)
def test_register_follows_the_data_sheet_and_the_sensor_library_reads_it_back(
    probe: ProbeFiles, temperature_c: float, register: int
) -> None:
    probe.show(temperature_c)
    shown = shown_bytes(probe)
    assert shown[0] | shown[1] << 8 == register
    assert division_crc(shown[:8]) == shown[8]
    assert lines(probe)[1].endswith(f"t={int(temperature_c * 1000)}")
    if temperature_c != 85.0:
        assert W1ThermSensor(sensor_id=ID).get_temperature() == temperature_c


def test_the_sensor_library_finds_the_probe_by_itself_and_its_resolution(probe: ProbeFiles) -> None:
    found = W1ThermSensor.get_available_sensors()
    assert [(sensor.name, sensor.id) for sensor in found] == [("DS18B20", ID)]
    assert found[0].get_resolution() == 12


def test_the_sensor_library_refuses_a_true_85_which_the_bytes_of_a_genuine_chip_tell_apart(
    probe: ProbeFiles,
) -> None:
    probe.show(85.0)
    true_value = shown_bytes(probe)
    probe.lose_power()
    power_on = shown_bytes(probe)
    assert true_value[:2] == power_on[:2] == b"\x50\x05"
    assert (true_value[6], power_on[6]) == (0x10, 0x0C)
    with pytest.raises(ResetValueError):
        W1ThermSensor(sensor_id=ID).get_temperature()


def test_a_clone_shows_the_power_on_byte_always(tree: KernelTree) -> None:
    clone = ProbeFiles(tree.w1, sensor_id=ID, chip=ChipKind.CLONE)
    clone.show(23.125)
    assert shown_bytes(clone)[6] == 0x0C


def test_a_genuine_chip_counts_byte_6_down_from_16(probe: ProbeFiles) -> None:
    # A line printed in many tutorials (from memory): 72 01 4b 46 7f ff 0e 10 57, t=23125.
    probe.show(23.125)
    assert lines(probe) == [
        "72 01 4b 46 7f ff 0e 10 57 : crc=57 YES",
        "72 01 4b 46 7f ff 0e 10 57 t=23125",
    ]


def test_a_marker_in_the_alarms_shows_in_bytes_2_and_3_until_the_supply_fails(probe: ProbeFiles) -> None:
    assert (probe.folder / "alarms").read_text() == "70 75\n"
    (probe.folder / "alarms").write_text("99 -7\n")
    probe.show(84.0)
    assert tuple(shown_bytes(probe)[2:4]) == (99, 0x100 - 7)
    assert (probe.folder / "alarms").read_text() == "-7 99\n", "the driver puts the lower value into TL"
    probe.show(84.5)
    assert tuple(shown_bytes(probe)[2:4]) == (99, 0x100 - 7)
    probe.lose_power()
    assert shown_bytes(probe) == bytes.fromhex("50 05 4b 46 7f ff 0c 10 1c")
    assert (probe.folder / "alarms").read_text() == "70 75\n"


def test_alarms_are_trimmed_to_the_range_of_the_chip_and_nonsense_changes_nothing(probe: ProbeFiles) -> None:
    (probe.folder / "alarms").write_text("-300 300\n")
    probe.show(20.0)
    assert probe.chip.alarms_c == (125, -55)
    for nonsense in ("", "warm", "12", "1 x"):
        (probe.folder / "alarms").write_text(nonsense)
        probe.show(20.0)
        assert probe.chip.alarms_c == (125, -55)
    assert (probe.folder / "alarms").read_text() == "-55 125\n"


def test_saved_alarms_come_back_after_a_power_cut(probe: ProbeFiles) -> None:
    (probe.folder / "alarms").write_text("10 20\n")
    (probe.folder / "eeprom").write_text("save\n")
    probe.show(20.0)
    probe.lose_power()
    assert tuple(shown_bytes(probe)[2:4]) == (20, 10)


def test_the_sensor_library_sets_the_resolution_and_a_power_cut_forgets_it(probe: ProbeFiles) -> None:
    sensor = W1ThermSensor(sensor_id=ID)
    assert sensor.set_resolution(10)
    probe.show(20.6875)
    assert sensor.get_resolution() == 10
    assert sensor.get_temperature() == 20.5, "a quarter of a degree at 10 bit"
    assert (probe.folder / "conv_time").read_text() == "190\n"
    probe.lose_power()
    probe.show(20.6875)
    assert sensor.get_resolution() == 12


def test_a_crc_fault_says_no_and_keeps_the_last_good_bytes_below(probe: ProbeFiles) -> None:
    probe.show(84.0)
    good = shown_bytes(probe)
    probe.fault = ProbeFault.CRC
    probe.show(84.5)
    first, second = lines(probe)
    bad = shown_bytes(probe)
    assert first.endswith(f"crc={division_crc(bad[:8]):02x} NO")
    assert division_crc(bad[:8]) != bad[8]
    assert bytes.fromhex(second.partition(" t=")[0]) == good
    wrong_c = int.from_bytes(bad[:2], "little", signed=True) / 16
    assert second.endswith(f"t={int(wrong_c * 1000)}")
    with pytest.raises(SensorNotReadyError):
        W1ThermSensor(sensor_id=ID).get_temperature()


def test_a_probe_that_does_not_answer_reads_empty(probe: ProbeFiles) -> None:
    probe.fault = ProbeFault.NO_ANSWER
    probe.show(20.0)
    assert (probe.folder / "w1_slave").read_text() == ""
    assert (probe.folder / "temperature").read_text() == ""


def test_an_unplugged_probe_is_gone_and_comes_back_with_its_marker_wiped(
    tree: KernelTree, probe: ProbeFiles
) -> None:
    (probe.folder / "alarms").write_text("3 33\n")
    probe.show(20.0)
    sensor = W1ThermSensor(sensor_id=ID)
    probe.fault = ProbeFault.UNPLUGGED
    probe.show(20.0)
    assert not probe.folder.exists()
    assert W1ThermSensor.get_available_sensors() == []
    assert (tree.w1 / "w1_bus_master1" / "w1_master_slaves").read_text() == "not found.\n"
    with pytest.raises(NoSensorFoundError):
        sensor.get_temperature()
    probe.fault = None
    probe.show(21.0)
    assert sensor.get_temperature() == 21.0
    assert probe.chip.alarms_c == (75, 70)
    assert (tree.w1 / "w1_bus_master1" / "w1_master_slaves").read_text() == f"28-{ID}\n"


def test_too_little_power_a_shorted_line_and_a_frozen_chip_show_as_they_do(probe: ProbeFiles) -> None:
    probe.show(84.0)
    frozen = lines(probe)
    probe.fault = ProbeFault.FROZEN
    probe.show(60.0)
    assert lines(probe) == frozen
    probe.fault = ProbeFault.UNDERPOWERED
    probe.show(60.0)
    assert lines(probe)[1].endswith("t=127937"), "127.9375 degC, as the driver cuts it"
    probe.fault = ProbeFault.SHORTED
    probe.show(60.0)
    assert lines(probe)[0] == "00 00 00 00 00 00 00 00 00 : crc=00 YES"
    with pytest.raises(SensorNotReadyError):
        W1ThermSensor(sensor_id=ID).get_temperature()
    probe.fault = ProbeFault.POWER_ON
    (probe.folder / "alarms").write_text("3 33\n")
    probe.show(60.0)
    assert shown_bytes(probe) == bytes.fromhex("50 05 4b 46 7f ff 0c 10 1c")


@pytest.mark.parametrize("wrong", ["", "28-", "0123", "0123456789zz", "28-0123456789abc"])
def test_an_id_that_is_none_is_refused(tree: KernelTree, wrong: str) -> None:
    with pytest.raises(ValueError, match="12 hex digits"):
        ProbeFiles(tree.w1, sensor_id=wrong)


@pytest.fixture
def line(tree: KernelTree) -> LineFiles:
    return LineFiles(tree.iio)


def count(line: LineFiles) -> int:
    return int((line.folder / "in_voltage0_raw").read_text())


def test_count_times_scale_is_the_voltage_at_the_converter(line: LineFiles) -> None:
    # 12 mA over 100 ohm is 1,200 mV; one count of the 4.096 V range is 4096 mV / 2^15.
    line.show(1200.0)
    scale_mv = float((line.folder / "in_voltage0_scale").read_text())
    assert scale_mv == pytest.approx(4096 / 2**15, abs=1e-9)
    assert count(line) * scale_mv == pytest.approx(1200.0, abs=scale_mv / 2)
    assert (line.folder / "in_voltage0_sampling_frequency").read_text() == "128\n"
    assert (line.folder / "name").read_text() == "ads1015\n"


def test_the_converter_stops_at_its_full_scale(line: LineFiles) -> None:
    line.show(9000.0)
    assert count(line) == 32767
    line.show(-9000.0)
    assert count(line) == -32768


def test_a_wider_range_written_to_the_scale_file_is_in_force_from_the_next_count(line: LineFiles) -> None:
    (line.folder / "in_voltage0_scale").write_text("0.1875\n")
    line.show(4500.0)
    assert (line.folder / "in_voltage0_scale").read_text() == "0.187500000\n"
    assert count(line) == 24_000
    for nonsense in ("0.2\n", "wide\n", ""):
        (line.folder / "in_voltage0_scale").write_text(nonsense)
        line.show(4500.0)
        assert (line.folder / "in_voltage0_scale").read_text() == "0.187500000\n"


def test_line_faults_show_as_they_do(line: LineFiles) -> None:
    line.show(1200.0)
    line.fault = LineFault.FROZEN
    line.show(1900.0)
    assert count(line) == 9600
    line.fault = LineFault.LOOP_OPEN
    line.show(1200.0)
    assert count(line) == 0
    line.fault = LineFault.LOOP_SHORTED
    line.show(1200.0)
    assert count(line) == 32767
    line.fault = LineFault.NO_ANSWER
    line.show(1200.0)
    line.show(1200.0)
    with pytest.raises(OSError, match="Too many levels"):
        count(line)
    line.fault = None
    line.show(1200.0)
    assert count(line) == 9600


@pytest.fixture
def busy_writer(probe: ProbeFiles, line: LineFiles) -> Iterator[None]:
    stop = threading.Event()

    def write() -> None:
        step = 0
        while not stop.is_set():
            step += 1
            line.show(400.0 + step % 1600)
            probe.show(20.0 + step % 60)

    thread = threading.Thread(target=write)
    thread.start()
    yield
    stop.set()
    thread.join()


@pytest.mark.usefixtures("busy_writer")
def test_a_reader_never_sees_a_torn_text(probe: ProbeFiles, line: LineFiles) -> None:
    for _ in range(2000):
        text = (line.folder / "in_voltage0_raw").read_text()
        assert text.endswith("\n")
        assert text.count("\n") == 1
        shown = lines(probe)
        assert len(shown) == 2
        assert shown[0].endswith("YES")


def test_a_temporary_tree_is_removed_afterwards() -> None:
    with KernelTree.temporary() as tree:
        ProbeFiles(tree.w1, sensor_id=ID)
        LineFiles(tree.iio)
        assert (tree.w1 / f"28-{ID}" / "w1_slave").exists()
    assert not tree.w1.exists()
