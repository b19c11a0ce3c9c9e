"""Messages to bytes and back: whole there and back, or refused, whatever the bytes are."""

from __future__ import annotations

import json
import random
from datetime import UTC, date, datetime
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from monitor.contract.commands import (
    COMMAND_ARGS,
    AcknowledgeArgs,
    CakeArgs,
    ChargeArgs,
    CheckArgs,
    Command,
    CommandArgs,
    CorrectArgs,
    EndArgs,
    LotArgs,
    MarkArgs,
    MarkKind,
    NoteArgs,
    Reply,
    ShelveArgs,
    SilenceArgs,
    StartArgs,
    Verb,
)
from monitor.contract.entries import MOST_MEASURED, FilledContainers, Method, Sand
from monitor.contract.errors import PayloadRefused
from monitor.contract.events import EVENT, AlarmMove, Event, FlagChange, Mark, PhaseMove
from monitor.contract.names import Alarm, AlarmState, Flag, Limit, Phase, Signal, VolumeSource
from monitor.contract.payloads import decode, decode_one_of, encode
from monitor.contract.presence import Presence
from monitor.contract.readings import ClockState, Point, Quality, Reading, Reason, UnitCode
from monitor.contract.status import (
    AlarmStatus,
    FlagStatus,
    ForecastStatus,
    PointStatus,
    PressShape,
    RunFacts,
    RunStatus,
    Standing,
    ThresholdStatus,
    VolumeStatus,
)
from monitor.contract.wire import PAYLOAD_LIMIT, STATUS_LIMIT, WireModel

NOON = datetime(2026, 3, 20, 12, 0, tzinfo=UTC)
BOOT = "0f6a8a52-5c1f-4d0e-9a57-6f0f4c1b2a3d"
MOMENT: dict[str, Any] = {
    "press": "main",
    "run": "2026-03-20-1",
    "seq": 17,
    "boot": BOOT,
    "mono_ms": 123_456,
    "time": NOON,
    "clock": ClockState.SYNCHRONISED,
    "elapsed_s": 61.5,
}
READING = Reading(
    seq=17,
    boot=BOOT,
    mono_ms=123_456,
    time=NOON,
    clock=ClockState.SYNCHRONISED,
    value=210.4,
    unit=UnitCode.KILOPASCAL,
    tolerance=3.4,
    quality=Quality.GOOD,
    low=180.0,
    high=245.5,
    strokes=1,
    strokes_per_min=62.0,
    stroke_regularity=0.93,
    stroke_confidence=0.88,
)
EVENTS: list[Event] = [
    FlagChange(**MOMENT, name=Flag.READY_TO_BOTTLE, state="raised"),
    AlarmMove(
        **MOMENT,
        name=Alarm.OVER_PRECIPITATION,
        activation=2,
        before=AlarmState.UNACKNOWLEDGED,
        state=AlarmState.ACKNOWLEDGED,
        cause="acknowledged",
        who="Ida",
        value=89.6,
        standing=Standing.GOOD,
        threshold=89.44,
    ),
    PhaseMove(**MOMENT, before=Phase.RECIRCULATING, state=Phase.BOTTLING, cause="ready"),
    Mark(**MOMENT, name=MarkKind.CONTAINER_FILLED, who="Ida", volume_l=3.79),
    Mark(**MOMENT, name="note", who="Ida", text="clear, a shade darker than the last"),
]
ARGS: list[CommandArgs] = [
    StartArgs(),
    EndArgs(),
    MarkArgs(mark=MarkKind.TOTAL_VOLUME, volume_l=41.2),
    AcknowledgeArgs(alarm=Alarm.NEAR_CLOG, activation=3),
    SilenceArgs(),
    ShelveArgs(alarm=Alarm.NEAR_CLOG, seconds=600.0),
    NoteArgs(text="second batch"),
    CakeArgs(run="2026-03-20-1", fill=0.8, text="even"),
    ChargeArgs(
        volume_l=56.8, sugar=0.669, method=Method.REFRACTOMETER, sand=Sand.HEAVY, aid_kg=0.51, aid_cups=11.25
    ),
    LotArgs(
        run="2026-03-20-1",
        packed=date(2026, 3, 20),
        sugar=0.669,
        method=Method.HYDROMETER_HOT,
        containers=(FilledContainers(size_l=3.785411784, count=12),),
        initials="IV",
    ),
    CheckArgs(point=Point.OUTLET, ice_c=0.1, boiling_c=99.6, pressure_kpa=100.8),
    CorrectArgs(run="2026-03-20-1", text="was 5 gal, not 6"),
    CorrectArgs(entry="0123abcd", text="wrong run"),
]
COMMANDS = [Command(id="0123abcd", who="Ida", args=args) for args in ARGS]


def status(*, number: float, flags: list[Flag], alarms: list[Alarm], text: str) -> RunStatus:
    """Return a status with every field filled."""
    point = PointStatus(
        standing=Standing.UNCERTAIN,
        reason=Reason.POWER_ON_VALUE,
        **{name: number for name in PointStatus.model_fields if name not in ("standing", "reason")},
    )
    forecast = dict.fromkeys(ForecastStatus.model_fields, number)
    return RunStatus(
        press="sugarbush-north-2",
        seq=86_400,
        boot=BOOT,
        mono_ms=86_400_000,
        time=NOON,
        clock=ClockState.SYNCHRONISED,
        software="0.1.0",
        invented=True,
        phase=Phase.RECIRCULATING,
        run=RunFacts(id="2026-03-20-120000-1", started=NOON, elapsed_s=number, by=text[:40]),
        points=dict.fromkeys(Point, point),
        flags=tuple(FlagStatus(name=name, for_s=number) for name in flags),
        alarms=tuple(
            AlarmStatus(
                name=name,
                state=AlarmState.RETURNED_UNACKNOWLEDGED,
                activation=12,
                priority=Signal.MEDIUM,
                active=True,
                for_s=number,
                silenced_s=number,
                shelved_s=number,
                value=number,
                threshold=number,
                point=Point.OUTLET,
            )
            for name in alarms
        ),
        sound=Signal.MONITOR_SILENT,
        prompts=120,
        forecast=ForecastStatus(
            **forecast
            | {"limit": Limit.PRESSURE, "fill": 0.5, "assumption": text[:64], "waiting_for": text[:64]}
        ),
        volume=VolumeStatus(
            source=VolumeSource.CONTAINERS,
            containers=24,
            **{name: number for name in VolumeStatus.model_fields if name not in ("source", "containers")},
        ),
        shape=PressShape(frames=20, frame_thickness_m=0.0254, full_volume_l=number),
        thresholds=ThresholdStatus(**dict.fromkeys(ThresholdStatus.model_fields, number)),
        recording=False,
        trouble=text[:200],
        refused=1000,
    )


BUSY = status(
    number=123.4,
    flags=[
        Flag.STILL_RECIRCULATING,
        Flag.OVER_PRECIPITATION,
        Flag.NEAR_CLOG,
        Flag.STOP_AT_CUTOFF,
        Flag.STIR_DUE,
        Flag.CHANGE_SOON,
        Flag.NOT_RECORDING,
    ],
    alarms=[Alarm.OVER_PRECIPITATION, Alarm.STOP_AT_CUTOFF, Alarm.NOT_RECORDING],
    text="the disk is full: make room, then nothing needs to be restarted",
)


@pytest.mark.parametrize("message", [READING, *COMMANDS, BUSY, Presence(up=True, seq=3, boot=BOOT)])
def test_a_message_comes_back_whole(message: WireModel) -> None:
    assert decode(encode(message), type(message)) == message


@pytest.mark.parametrize("event", EVENTS, ids=lambda event: event.kind)
def test_an_event_comes_back_as_its_own_kind(event: Event) -> None:
    assert decode_one_of(encode(event), EVENT) == event


@pytest.mark.parametrize("args", ARGS, ids=lambda args: args.verb)
def test_the_arguments_of_a_verb_come_back_as_its_own(args: CommandArgs) -> None:
    assert decode_one_of(encode(args), COMMAND_ARGS) == args
    assert {args.verb for args in ARGS} == set(Verb)


def test_a_reading_on_the_wire_is_spelled_as_the_contract_says() -> None:
    assert json.loads(encode(READING)) == {
        "seq": 17,
        "boot": BOOT,
        "mono_ms": 123456,
        "time": "2026-03-20T12:00:00Z",
        "clock": "synchronised",
        "value": 210.4,
        "unit": "kPa",
        "tolerance": 3.4,
        "quality": "good",
        "low": 180.0,
        "high": 245.5,
        "strokes": 1,
        "strokes_per_min": 62.0,
        "stroke_regularity": 0.93,
        "stroke_confidence": 0.88,
    }


def test_an_ordinary_busy_status_is_far_within_its_limit() -> None:
    assert len(encode(BUSY)) < PAYLOAD_LIMIT


@pytest.mark.parametrize("number", [123.4, 82.222_222_222_222_23], ids=["rounded", "seventeen digits"])
def test_a_status_with_everything_at_once_still_goes_out(number: float) -> None:
    full = status(number=number, flags=list(Flag), alarms=list(Alarm), text="x" * 200)
    assert len(encode(full)) < STATUS_LIMIT
    assert decode(encode(full), RunStatus) == full


def test_what_is_over_the_limit_is_refused_both_ways() -> None:
    note = Mark(**MOMENT, name="note", who="Ida", text="\u0001" * 500)
    with pytest.raises(PayloadRefused, match=r"^payload of 4097 bytes is over 4096$"):
        decode(encode(READING).ljust(PAYLOAD_LIMIT + 1), Reading)
    assert decode(encode(READING).ljust(PAYLOAD_LIMIT), Reading) == READING
    assert decode_one_of(encode(note), EVENT) == note
    with pytest.raises(PayloadRefused, match=r"^RunStatus of \d+ bytes is over 8192$"):
        encode(status(number=1.0, flags=list(Flag) * 10, alarms=list(Alarm), text="x"))


def test_the_largest_entry_fits_a_command_and_an_event() -> None:
    """A ruler on every frame and as many words as a note may have, in letters of four bytes."""
    words = "\N{GRINNING FACE}" * 500
    cake = CakeArgs(run="r" * 64, thickness_m=(0.0254 / 3,) * MOST_MEASURED, corrects="f" * 32, text=words)
    command = Command(id="e" * 32, who="Ida", args=cake)
    assert decode(encode(command), Command) == command
    kept = cake.model_copy(update={"text": "", "corrects": None})
    mark = Mark(
        **MOMENT, name="cake", who="w" * 64, text=words, entry="e" * 32, corrects="f" * 32, given=kept
    )
    assert decode_one_of(encode(mark), EVENT) == mark


WIRE: list[type[WireModel]] = [Reading, RunStatus, Command, Reply, Presence]
UNIONS: list[TypeAdapter[Any]] = [EVENT, COMMAND_ARGS]


def try_all(payload: bytes) -> int:
    """Decode ``payload`` as everything there is; return how often it was accepted."""
    accepted = 0
    for model in WIRE:
        try:
            decode(payload, model)
            accepted += 1
        except PayloadRefused as refusal:
            one_line(refusal)
    for union in UNIONS:
        try:
            decode_one_of(payload, union)
            accepted += 1
        except PayloadRefused as refusal:
            one_line(refusal)
    return accepted


def one_line(refusal: PayloadRefused) -> None:
    text = str(refusal)
    assert text
    assert len(text) < 250
    assert text.isprintable(), repr(text)


def test_a_hundred_thousand_random_payloads_are_refused_and_nothing_else_happens() -> None:
    """Half are noise, half are true messages with bytes changed, cut out or doubled."""
    dice = random.Random(20260320)  # noqa: S311 - the same noise every time
    true = [encode(message) for message in (READING, BUSY, *EVENTS, *COMMANDS)]
    accepted = 0
    for number in range(100_000):
        if number % 2:
            payload = dice.randbytes(dice.randrange(200))
        else:
            payload = mutated(dice, bytearray(dice.choice(true)))
        accepted += try_all(payload)
    assert accepted > 100, "some changes still fit, so the mutations reach deep"


def mutated(dice: random.Random, payload: bytearray) -> bytes:
    for _ in range(dice.randrange(1, 4)):
        start = dice.randrange(len(payload))
        end = min(len(payload), start + dice.randrange(1, 12))
        match dice.randrange(4):
            case 0:
                payload[start] = dice.randrange(256)
            case 1:
                del payload[start:end]
            case 2:
                payload[start:start] = payload[start:end]
            case _:
                payload[start:end] = dice.choice([b"1e999", b"null", b"-1", b"NaN", b'"\\ud800"', b"[[[["])
        if not payload:
            return b""
    return bytes(payload)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=20,
)
KEYS = sorted({*Reading.model_fields, *RunStatus.model_fields, *Command.model_fields, "kind", "name", "verb"})


@settings(max_examples=150)
@given(table=st.dictionaries(st.sampled_from(KEYS), JSON, max_size=8))
def test_any_json_object_is_accepted_or_refused(table: dict[str, object]) -> None:
    try_all(json.dumps(table).encode())


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"null",
        b"[]",
        b"{",
        b'{"up": true} trailing',
        b"[" * 4000,
        b'{"a":' * 800,
        b'{"up": true, "seq": ' + b"9" * 4000 + b"}",
        b'\xff\xfe{"up": true}',
        b'{"up": true, "more": 1}',
        b'{"up": true, "seq": -1}',
        b'{"up": true, "boot": "' + b"x" * 65 + b'"}',
    ],
    ids=lambda payload: payload[:20].decode(errors="replace"),
)
def test_payloads_that_break_parsers_are_refused(payload: bytes) -> None:
    with pytest.raises(PayloadRefused):
        decode(payload, Presence)
    try_all(payload)


@pytest.mark.parametrize(
    ("payload", "model", "says"),
    [
        (b'{"up": "EVIL"}', Presence, "up: Input should be a valid boolean, unable to interpret input"),
        (b'{"up": true, "EVIL": 1}', Presence, "payload: has a field that is not known"),
        (
            b'{"id": "0123abcd", "who": "Ida", "args": {"verb": "EVIL"}}',
            Command,
            "args: is of no known kind",
        ),
        (
            encode(BUSY).replace(b'"outlet":{', b'"EVIL":{', 1),
            RunStatus,
            "points: has a name that is not known",
        ),
        (
            encode(READING).replace(b'"kPa"', b'"EVIL"'),
            Reading,
            "unit: Input should be 'Cel', 'kPa' or 'L/min'",
        ),
    ],
)
def test_a_refusal_never_repeats_what_the_sender_wrote(
    payload: bytes, model: type[WireModel], says: str
) -> None:
    with pytest.raises(PayloadRefused) as caught:
        decode(payload, model)
    assert str(caught.value) == says


@pytest.mark.parametrize("field", ["value", "low", "high"])
@pytest.mark.parametrize("number", ["-120.1", "5000.1", "1e308"])
def test_no_number_of_a_reading_is_beyond_what_its_point_can_have(field: str, number: str) -> None:
    table = json.loads(encode(READING)) | {field: float(number)}
    with pytest.raises(PayloadRefused, match="is no value this point can have"):
        decode(json.dumps(table).encode(), Reading)


@given(
    value=st.floats(allow_nan=True, allow_infinity=True),
    unit=st.sampled_from(UnitCode),
    quality=st.sampled_from(Quality),
    reason=st.none() | st.sampled_from(Reason),
    low=st.none() | st.floats(0, 100),
)
def test_a_reading_never_carries_a_number_with_bad_nor_good_without_one(
    value: float, unit: UnitCode, quality: Quality, reason: Reason | None, low: float | None
) -> None:
    table = {"seq": 1, "boot": "b", "mono_ms": 1, "clock": "unset", "value": value, "unit": unit}
    table |= {"quality": quality, "reason": reason, "low": low}
    try:
        read = decode(json.dumps(table).encode(), Reading)
    except PayloadRefused:
        return
    if read.quality is Quality.BAD:
        assert (read.value, read.low, read.high) == (None, None, None)
        assert read.reason is not None
    else:
        assert read.value is not None
        assert -120.0 <= read.value <= 5000.0
