from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from hardware.scratchpad import Complaint, Scratchpad, parse, range_complaint
from monitor.contract.readings import Reason, data_sheet_tolerance_c

# DS18B20 power-on scratchpad as widely published (from memory): 85 degC, TH 75, TL 70, 12 bit.
POWER_ON_LINE = "50 05 4b 46 7f ff 0c 10 1c"
CONFIGURATION = {9: 0x1F, 10: 0x3F, 11: 0x5F, 12: 0x7F}  # DS18B20 data sheet, configuration register


def crc_by_division(data: bytes) -> int:
    """1-wire CRC by long division, from the polynomial x8 + x5 + x4 + 1 alone."""
    message = int("".join(f"{byte:08b}"[::-1] for byte in data) + "0" * 8, 2)
    while message.bit_length() > 8:
        message ^= 0b1_0011_0001 << (message.bit_length() - 9)
    return int(f"{message:08b}"[::-1], 2)


def eight(register: int, *, bits: int = 12, high: int = 75, low: int = 70, sixth: int = 0x0C) -> bytes:
    rest = bytes((high & 0xFF, low & 0xFF, CONFIGURATION[bits], 0xFF, sixth, 0x10))
    return (register & 0xFFFF).to_bytes(2, "little") + rest


def text(data: bytes, *, crc: int | None = None, verdict: str = "YES", second: bytes | None = None) -> bytes:
    """w1_slave as the driver prints it: lower case, a blank after every byte."""
    crc = crc_by_division(data) if crc is None else crc
    nine = data + bytes((crc,))
    second = nine if second is None else second
    first_line = f"{nine.hex(' ')} : crc={crc_by_division(data):02x} {verdict}\n"
    return (first_line + f"{second.hex(' ')} t=0\n").encode()


# DS18B20 data sheet, table "temperature/data relationship".
@pytest.mark.parametrize(
    ("register", "temperature_c"),
    [
        (0x07D0, 125.0),
        (0x0550, 85.0),
        (0x0191, 25.0625),
        (0x00A2, 10.125),
        (0x0008, 0.5),
        (0x0000, 0.0),
        (0xFFF8, -0.5),
        (0xFF5E, -10.125),
        (0xFE6F, -25.0625),
        (0xFC90, -55.0),
    ],
)
def test_the_register_reads_as_the_data_sheet_says(register: int, temperature_c: float) -> None:
    pad = parse(text(eight(register)))
    assert isinstance(pad, Scratchpad)
    assert pad.temperature_c == temperature_c
    assert range_complaint(pad) is None


# DS18B20 data sheet: 9/10/11/12 bit step 0.5/0.25/0.125/0.0625 degC, lower bits undefined.
@pytest.mark.parametrize(("bits", "step_c"), [(9, 0.5), (10, 0.25), (11, 0.125), (12, 0.0625)])
def test_a_coarser_resolution_has_its_step_and_no_undefined_bits(bits: int, step_c: float) -> None:
    pad = parse(text(eight(0x0191, bits=bits)))
    assert isinstance(pad, Scratchpad)
    assert (pad.resolution_bit, pad.step_c) == (bits, step_c)
    assert pad.temperature_c == 25.0625 // step_c * step_c


# DS18B20 data sheet: +-0.5 from -10 to +85, +-1 from -30 to +100, +-2 over the whole range.
@pytest.mark.parametrize(
    ("temperature_c", "tolerance_c"),
    [(-55, 2), (-30.1, 2), (-30, 1), (-10, 0.5), (82.2, 0.5), (85, 0.5), (85.0625, 1), (89.4, 1), (100.1, 2)],
)
def test_tolerance_follows_the_temperature(temperature_c: float, tolerance_c: float) -> None:
    assert data_sheet_tolerance_c(temperature_c) == tolerance_c


def test_the_alarm_registers_are_signed_whole_degrees() -> None:
    pad = parse(text(eight(0x0191, high=124, low=-54)))
    assert isinstance(pad, Scratchpad)
    assert (pad.high_alarm_c, pad.low_alarm_c) == (124, -54)


GOOD = eight(0x0191)


@pytest.mark.parametrize(
    ("raw", "complaint", "reason"),
    [
        (b"", Complaint.EMPTY, Reason.NO_ANSWER),
        (b"\n", Complaint.EMPTY, Reason.NO_ANSWER),
        (text(GOOD).splitlines(keepends=True)[0], Complaint.CUT_SHORT, Reason.NO_ANSWER),
        (b"12\n", Complaint.GARBLED, Reason.NO_ANSWER),
        (text(GOOD)[:30], Complaint.GARBLED, Reason.NO_ANSWER),
        (text(GOOD, crc=0x00, verdict="NO"), Complaint.CRC, Reason.CRC),
        (text(GOOD, crc=0x00), Complaint.CRC, Reason.CRC),
        (text(GOOD, verdict="NO"), Complaint.CRC, Reason.CRC),
        (text(bytes(8)), Complaint.SHORTED, Reason.NO_ANSWER),
        (text(b"\xff" * 8, crc=0xFF, verdict="NO"), Complaint.NOBODY, Reason.NO_ANSWER),
        (text(GOOD, second=bytes(9)), Complaint.GARBLED, Reason.NO_ANSWER),
    ],
)
def test_a_text_that_gives_no_temperature_says_why(raw: bytes, complaint: Complaint, reason: Reason) -> None:
    assert parse(raw) is complaint
    assert complaint.reason is reason


def test_a_verdict_that_its_own_bytes_belie_is_not_believed() -> None:
    # As in a text torn between two readings: CRC byte and verdict agree, the bytes do not fit them.
    nine = (eight(0x0191 ^ 0x0200) + bytes((crc_by_division(GOOD),))).hex(" ")
    assert parse(f"{nine} : crc={nine[-2:]} YES\n{nine} t=57062\n".encode()) is Complaint.CRC


def test_after_a_crc_fault_neither_the_old_bytes_nor_the_bad_value_are_believed() -> None:
    # w1_therm.c: the second line repeats the last good bytes, t= comes from the bad ones.
    good = GOOD + bytes((crc_by_division(GOOD),))
    bad = eight(0x0191 ^ 0x0200) + good[8:]
    raw = f"{bad.hex(' ')} : crc={crc_by_division(bad[:8]):02x} NO\n{good.hex(' ')} t=57062\n".encode()
    assert parse(raw) is Complaint.CRC


@pytest.mark.parametrize(
    ("register", "complaint"),
    [
        (0x07FF, Complaint.LOW_POWER),  # 127.9375, named in w1_therm.c as a failed conversion
        (0x07D1, Complaint.OUT_OF_RANGE),
        (0xFC8F, Complaint.OUT_OF_RANGE),
    ],
)
def test_values_no_probe_measures_are_refused(register: int, complaint: Complaint) -> None:
    pad = parse(text(eight(register)))
    assert isinstance(pad, Scratchpad)
    assert range_complaint(pad) is complaint


def test_the_published_power_on_line_is_read() -> None:
    pad = parse(f"{POWER_ON_LINE} : crc=1c YES\n{POWER_ON_LINE} t=85000\n".encode())
    assert isinstance(pad, Scratchpad)
    assert (pad.temperature_c, pad.high_alarm_c, pad.low_alarm_c) == (85.0, 75, 70)
    assert (pad.resolution_bit, pad.reserved) == (12, 0x0C)


def is_whole(raw: bytes) -> bool:
    """Say by the driver's format alone, without a regular expression, whether ``raw`` is sound."""
    lines = raw.decode("ascii").splitlines()
    if len(lines) != 2:
        return False
    head, colon, rest = lines[0].partition(" : ")
    data = bytes.fromhex(head)
    same = lines[1].startswith(f"{head} t=")
    verdict = rest.lower() == f"crc={data[8]:02x} yes"
    whole = bool(colon) and len(data) == 9 and any(data) and crc_by_division(data[:8]) == data[8]
    return whole and same and verdict


@given(st.binary(max_size=200))
@example(b"\xff" * 100)
@example(text(GOOD))
def test_any_bytes_are_read_or_refused_and_only_a_sound_text_is_read(raw: bytes) -> None:
    pad = parse(raw)
    if isinstance(pad, Scratchpad):
        assert is_whole(raw)


@given(st.data())
def test_a_damaged_text_never_reads_as_another_temperature(data: st.DataObject) -> None:
    raw = bytearray(text(eight(data.draw(st.integers(-880, 2000)))))
    true = parse(bytes(raw))
    for _ in range(data.draw(st.integers(1, 3))):
        act = data.draw(st.sampled_from(("change", "cut", "double")))
        at = data.draw(st.integers(0, max(0, len(raw) - 1)))
        if act == "change" and raw:
            raw[at] = data.draw(st.integers(0, 255))
        elif act == "cut":
            del raw[at:]
        else:
            raw[at:at] = raw[at : at + 3]
    pad = parse(bytes(raw))
    if isinstance(pad, Scratchpad):
        assert is_whole(bytes(raw))
        assert isinstance(true, Scratchpad)
        assert pad.temperature_c == true.temperature_c
