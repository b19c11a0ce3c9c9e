"""The settings file: every value with its unit, and what is wrong is said with its line."""

from __future__ import annotations

import json
from pathlib import Path

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.errors import SettingsError
from monitor.contract.names import PumpKind
from monitor.contract.readings import Point
from monitor.runtime.settings import PressSettings, Settings, load

REGISTRY = pint.UnitRegistry()


@pytest.fixture
def written(tmp_path: Path) -> Path:
    return tmp_path / "niterwatch.toml"


def refusal(file: Path, text: str, *overrides: str) -> str:
    """Return what is said of ``text``, without the file's folder."""
    file.write_text(text, encoding="utf-8")
    with pytest.raises(SettingsError) as caught:
        load(file, overrides=overrides)
    said = str(caught.value)
    assert "\n" not in said
    return said.replace(str(file), file.name)


def test_no_file_gives_the_defaults_of_the_trade() -> None:
    """Numbers of the design, common practice of the trade (no published source), by pint."""
    limits = load().rules().thresholds
    for value_c, degrees_f in ((limits.ready_c, 180), (limits.ceiling_c, 190), (limits.precipitation_c, 193)):
        assert value_c == pytest.approx(REGISTRY.Quantity(degrees_f, "degF").to("degC").magnitude)
    for value_kpa, psi in ((limits.start_kpa, 30), (limits.cutoff_kpa, 80), (limits.paper_limit_kpa, 90)):
        assert value_kpa == pytest.approx(REGISTRY.Quantity(psi, "psi").to("kPa").magnitude)
    assert limits.near_clog_kpa == pytest.approx(REGISTRY.Quantity(72, "psi").to("kPa").magnitude)
    assert (limits.near_clog_lead_s, limits.stir_every_s, limits.useful_flow_share) == (180.0, 300.0, 0.15)


def test_a_whole_file_is_read_in_either_system_of_units(written: Path) -> None:
    written.write_text(
        """
        [press]
        name = "north-2"
        frames = 7
        frame_side = "7.5 in"
        frame_thickness = "25 mm"
        [pump]
        kind = "hand diaphragm"
        displacement = "40 mL"
        [point.outlet]
        sensor = "28-0123456789ab"
        tolerance = "0.5 degF"
        time_constant = "9 s"
        [point.filler]
        sensor = "0123456789cd"
        [thresholds]
        ready = "82 degC"
        cutoff = "5.5 bar"
        near_clog = "85 %"
        stir_every = "4 min"
        [broker]
        host = "192.0.2.7"
        password_file = "/etc/niterwatch/password"
        """
    )
    settings = load(written)
    rules = settings.rules()
    assert rules.press.name == "north-2"
    assert rules.press.frame_side_m == pytest.approx(0.1905)
    assert rules.press.paper_area_m2 == pytest.approx(2 * 7 * 0.1905**2), "two papers a frame"
    assert rules.pump.kind is PumpKind.HAND_DIAPHRAGM
    assert rules.pump.displacement_l == pytest.approx(0.040)
    assert rules.tuning(Point.OUTLET).tolerance == pytest.approx(0.5 / 1.8)
    assert rules.tuning(Point.OUTLET).time_constant_s == 9.0
    assert Point.FILLER in rules.points
    assert Point.PAN not in rules.points
    assert rules.thresholds.ready_c == pytest.approx(82.0)
    assert rules.thresholds.cutoff_kpa == pytest.approx(550.0)
    assert rules.thresholds.near_clog_share == pytest.approx(0.85)
    assert rules.thresholds.stir_every_s == pytest.approx(240.0)
    assert settings.broker.password_file == Path("/etc/niterwatch/password")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[press]\n\nfames = 5", "line 3: press.fames: unknown key"),
        ("\n[pres]\nframes = 5", "line 2: pres: unknown key"),
        ("[press]\nframes = 0", "line 2: press.frames: Input should be greater than or equal to 1"),
        ("[press]\nframes = 2.5", "line 2: press.frames: Input should be a valid integer"),
        ("[press]\nframes = true", "line 2: press.frames: true and false are no values here"),
        ("[sounder]\npin = false", "line 2: sounder.pin: true and false are no values here"),
        ("press = 5", "line 1: press: is a section: write it as [press]"),
        ('[press]\nname = "Main Press"', "line 2: press.name: String should match"),
        ("[thresholds]\nready = 180", "line 2: thresholds.ready: 180 has no unit: write it as text, such as"),
        ('[thresholds]\nready = "180"', "line 2: thresholds.ready: '180' is not a number with a unit"),
        (
            '[thresholds]\nready = "180 psi"',
            "line 2: thresholds.ready: unit 'psi' does not fit here: use one of",
        ),
        ("[thresholds]\nready = nan", "line 2: thresholds.ready: nan has no unit"),
        (
            '[thresholds]\nstart = "-3 psi"',
            "line 2: thresholds.start: Input should be greater than or equal to 0",
        ),
        (
            '[press]\n[thresholds]\nready = "191 degF"',
            "line 2: thresholds: ready, ceiling and precipitation must",
        ),
        ('[thresholds]\ncutoff = "91 psi"', "line 1: thresholds: start, cutoff and paper_limit must rise"),
        ('[point.outlet]\ntolerance = "-1 degF"', "line 2: point.outlet.tolerance: Input should be greater"),
        ('point.outlet.tolerance = "1 kPa"', "line 1: point.outlet.tolerance: unit 'kPa' does not fit"),
        (
            '[point]\noutlet = {tolerance = "1 kPa"}',
            "line 2: point.outlet.tolerance: unit 'kPa' does not fit",
        ),
        (
            '[point.line]\nsignal = "volts"',
            "line 2: point.line.signal: Input should be '4-20 mA' or '0.5-4.5 V'",
        ),
        ("[point.outlet]\nscale = inf", "line 2: point.outlet.scale: Input should be"),
        ('[pump]\nkind = "magic"', "line 2: pump.kind: Input should be 'air diaphragm', 'hand diaphragm'"),
        ("[broker]\nport = 70000", "line 2: broker.port: Input should be less than or equal to 65535"),
        ('[lot]\ncontainers = ["1 gal", "1 psi"]', "line 2: lot.containers.1: unit 'psi' does not fit here"),
        ("[press] # the press\nframes = 0 # none", "line 2: press.frames: Input should be"),
    ],
)
def test_what_is_refused_is_said_with_its_line(written: Path, text: str, says: str) -> None:
    assert refusal(written, text).startswith(f"settings niterwatch.toml {says}")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[press]\nframes = \n", "(at line 2, column 10)"),
        ("[press\nframes = 5", "(at line 1, column 7)"),
        ("[press]\n[press]", "(at line 2, column 7)"),
        ("\0", "(at line 1, column 1)"),
        ("a = " + "[" * 5000, "maximum recursion depth exceeded"),
        ("a = " + "9" * 5000, "Exceeds the limit"),
    ],
    ids=["no value", "open bracket", "twice", "no text", "deep", "long number"],
)
def test_what_is_no_toml_is_said_in_one_line(written: Path, text: str, says: str) -> None:
    assert says in refusal(written, text)


def test_a_file_that_cannot_be_read_is_said_in_one_line(written: Path, tmp_path: Path) -> None:
    with pytest.raises(
        SettingsError, match=r"^settings \S+ cannot be read: No such file or directory; check"
    ):
        load(written)
    with pytest.raises(SettingsError, match=r"^settings \S+ cannot be read: Is a directory; check"):
        load(tmp_path)
    written.write_bytes(b"[press]\nname = '\xff'")
    with pytest.raises(SettingsError, match=r"^settings \S+ cannot be read: it is not UTF-8 text; check"):
        load(written)


@pytest.mark.parametrize(
    ("override", "key", "value"),
    [
        ("press.frames=9", "frames", 9),
        (" press.frames = 9 ", "frames", 9),
        ('press.name="south"', "name", "south"),
        ("press.name=south", "name", "south"),
        ("press.frame_side=20 cm", "frame_side", 0.2),
    ],
)
def test_an_override_beats_the_file(written: Path, override: str, key: str, value: object) -> None:
    written.write_text('[press]\nframes = 3\nname = "north"\nframe_side = "10 cm"\n')
    assert getattr(load(written, overrides=[override]).press, key) == value


def test_overrides_reach_new_sections_and_the_last_one_wins() -> None:
    overrides = ["point.pan.time_constant=4 s", "press.frames=2", "press.frames=6"]
    settings = load(overrides=overrides)
    assert settings.point.pan is not None
    assert settings.point.pan.time_constant == 4.0
    assert settings.press.frames == 6


@pytest.mark.parametrize(
    ("override", "says"),
    [
        ("press.frames", "--set 'press.frames': write it as section.key=value, such as press.frames=5"),
        ("frames=5", "--set 'frames=5': write it as section.key=value"),
        ("press..frames=5", "--set 'press..frames=5': write it as section.key=value"),
        ("press.frames=many", "--set press.frames: Input should be a valid integer"),
        ("press.frames=" + "9" * 5000, "--set press.frames: Unable to parse"),
        ("press.nosuch=1", "--set press.nosuch: unknown key"),
        ("nosuch.key=1", "--set nosuch.key: nosuch: unknown key"),
        ("thresholds.ready=180", "--set thresholds.ready: 180 has no unit"),
        ("thresholds.ready=195 degF", "--set thresholds.ready: thresholds: ready, ceiling and precipitation"),
        ("press.frames.deep=5", "--set press.frames.deep: press.frames: Input should be a valid integer"),
        ("broker.port=true", "--set broker.port: true and false are no values here"),
    ],
)
def test_a_wrong_override_is_named(override: str, says: str) -> None:
    with pytest.raises(SettingsError) as caught:
        load(overrides=[override])
    assert str(caught.value).startswith(says)
    assert "\n" not in str(caught.value)


def test_an_override_that_meets_a_value_of_the_file_is_named(written: Path) -> None:
    said = refusal(written, "[press]\nframes = 5", "press.frames.deep=5")
    assert said == "--set 'press.frames.deep=5': frames is a value, not a section"
    said = refusal(written, '[thresholds]\nceiling = "192 degF"', "thresholds.ready=192.5 degF")
    assert said.startswith("settings niterwatch.toml line 1 with --set thresholds.ready: thresholds: ready,")


def test_settings_cannot_be_changed_once_read() -> None:
    with pytest.raises(ValueError, match="frozen"):
        load().press.frames = 6  # type: ignore[misc] - the point of the test


TEXTS = st.text(st.characters(codec="utf-8"), max_size=12)
VALUES = st.one_of(
    *(st.integers(), st.booleans(), st.floats(), TEXTS),
    st.builds(
        "{} {}".format, st.floats(-1000, 1000), st.sampled_from(["degF", "degC", "psi", "kPa", "L", "s", "%"])
    ),
    st.lists(TEXTS, max_size=2),
)


def sections() -> list[tuple[str, list[str]]]:
    """Return every section and its keys, the points' too."""
    others = {"point", "presses"}
    plain = {name: field.annotation for name, field in Settings.model_fields.items() if name not in others}
    named = [(name, sorted(section.model_fields)) for name, section in plain.items() if section is not None]
    points = [(f"point.{point}", ["sensor", "tolerance", "offset", "scale"]) for point in ("outlet", "line")]
    presses = [(f"presses.north.{name}", keys) for name, keys in named if name in PressSettings.model_fields]
    return [*named, *points, *presses]


@st.composite
def files(draw: st.DrawFn) -> tuple[str, dict[str, int]]:
    """Draw a file with one key, and the line it is on."""
    name, keys = draw(st.sampled_from(sections()))
    key = draw(st.sampled_from([*keys, "nosuch"]))
    value = draw(VALUES)
    if isinstance(value, float):
        toml = repr(value)
    else:
        toml = json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    blank = "\n" * draw(st.integers(0, 5))
    return f"{blank}[{name}]\n{key} = {toml}\n", {f"{name}.{key}": len(blank) + 2, name: len(blank) + 1}


@given(drawn=files())
def test_any_value_of_any_key_is_taken_or_refused_with_its_line(
    tmp_path_factory: pytest.TempPathFactory, drawn: tuple[str, dict[str, int]]
) -> None:
    text, lines = drawn
    file = tmp_path_factory.getbasetemp() / "drawn.toml"
    file.write_text(text, encoding="utf-8")
    try:
        load(file).rules()
    except SettingsError as error:
        said = str(error)
    else:
        return
    assert len(said.splitlines()) == 1
    key = said.split(": ")[1]
    line = lines.get(key) or lines[next(name for name in lines if key.startswith(name))]
    assert said.startswith(f"settings {file} line {line}: ")


@given(text=st.text(st.characters(codec="utf-8"), max_size=200))
def test_any_text_is_settings_or_refused(tmp_path_factory: pytest.TempPathFactory, text: str) -> None:
    file = tmp_path_factory.getbasetemp() / "any.toml"
    file.write_text(text, encoding="utf-8")
    try:
        load(file)
    except SettingsError as error:
        said = str(error)
        assert said.startswith(f"settings {file}")


@given(frames=st.integers(1, 200), ready_f=st.floats(150, 189), tolerance_f=st.floats(0, 9))
def test_what_is_written_is_what_is_judged_by(
    tmp_path_factory: pytest.TempPathFactory, frames: int, ready_f: float, tolerance_f: float
) -> None:
    file = tmp_path_factory.getbasetemp() / "written.toml"
    file.write_text(
        f"[press]\nframes = {frames}\n"
        f'[thresholds]\nready = "{ready_f!r} degF"\n'
        f'[point.outlet]\ntolerance = "{tolerance_f!r} degF"\n'
    )
    rules = load(file).rules()
    assert rules.press.frames == frames
    assert rules.thresholds.ready_c == pytest.approx(REGISTRY.Quantity(ready_f, "degF").to("degC").magnitude)
    assert rules.tuning(Point.OUTLET).tolerance == pytest.approx(
        REGISTRY.Quantity(tolerance_f, "delta_degF").to("delta_degC").magnitude, abs=1e-12
    )


def test_presses_of_one_monitor_differ_only_in_what_they_say(written: Path) -> None:
    written.write_text(
        """
        [press]
        frames = 5
        [pump]
        kind = "gear"
        [thresholds]
        cutoff = "70 psi"
        [presses.north]
        [presses.south.press]
        frames = 9
        [presses.south.point.outlet]
        sensor = "28-0123456789ab"
        """,
        encoding="utf-8",
    )
    settings = load(written, overrides=["presses.north.pump.kind=hand diaphragm"])
    north, south = settings.each()
    assert (north.press.name, north.press.frames, north.pump.kind) == ("north", 5, PumpKind.HAND_DIAPHRAGM)
    assert (south.press.name, south.press.frames, south.pump.kind) == ("south", 9, PumpKind.GEAR)
    assert south.point.outlet.sensor == "28-0123456789ab"
    for own in (north, south):
        cutoff_kpa = REGISTRY.Quantity(70, "psi").to("kPa").magnitude
        assert own.rules().thresholds.cutoff_kpa == pytest.approx(cutoff_kpa)
    assert settings.of("south") is south
    assert settings.of("elsewhere").press.name == "main"


def test_a_file_without_presses_is_of_one() -> None:
    settings = load()
    assert settings.each() == (settings,)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "[presses.north.press]\nframes = 0",
            "line 2: presses.north.press.frames: Input should be greater than or equal to 1",
        ),
        ("[presses.north.broker]\nport = 1", "line 1: presses.north.broker: unknown key"),
        ("[presses.North]\n", "presses.North"),
        ("[presses]\nnorth = 3", "line 2: presses.north: is a section: write it as [presses.north]"),
        (
            '[presses.north.press]\nname = "south"',
            "line 2: presses.north.press.name: the press is called north already",
        ),
        ('[presses.north.thresholds]\nready = "195 degF"', "must rise in this order"),
        ("presses = 3", "presses: "),
    ],
)
def test_what_is_refused_of_several_presses_is_said(written: Path, text: str, says: str) -> None:
    assert says in refusal(written, text)


def test_how_long_seconds_are_kept_is_told_in_days_or_for_ever(written: Path) -> None:
    assert (load().store.keep_readings, load().store.keep_seconds) == (30 * 86_400.0, None)
    written.write_text('[store]\nkeep_readings = "for ever"\nkeep_seconds = "400 d"\n', encoding="utf-8")
    store = load(written).store
    assert store.keep_readings is None
    assert store.keep_seconds == REGISTRY.Quantity(400, "day").to("second").magnitude


@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("30", "has no unit"),
        ('"30 gal"', "unit 'gal' does not fit here: use one of s, min, h, d"),
        ('"-1 d"', "less than a day"),
        ('"23 h"', "less than a day"),
        ('"never"', "is not a number with a unit"),
        ('"1e400 d"', "too large"),
    ],
)
def test_a_time_of_keeping_that_cannot_be_is_refused_with_its_line(
    written: Path, value: str, says: str
) -> None:
    said = refusal(written, f"[store]\nkeep_readings = {value}\n")
    assert said.startswith("settings niterwatch.toml line 2: store.keep_readings: ")
    assert says in said
