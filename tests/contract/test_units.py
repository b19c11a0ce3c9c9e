"""The table of units against the ``pint`` package and against published factors."""

from __future__ import annotations

import math

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.contract.errors import SettingsError, UnitError
from monitor.contract.units import UNITS, Dimension, Unit, convert, quantity, unit

REGISTRY = pint.UnitRegistry()

PINT_NAMES = {
    "degC": "degC",
    "degF": "degF",
    "kPa": "kilopascal",
    "psi": "psi",
    "bar": "bar",
    "hPa": "hectopascal",
    "inHg": "inch_Hg",
    "L": "liter",
    "mL": "milliliter",
    "gal": "US_liquid_gallon",
    "cup": "US_liquid_cup",
    "L/min": "liter / minute",
    "gal/min": "US_liquid_gallon / minute",
    "m": "meter",
    "cm": "centimeter",
    "mm": "millimeter",
    "in": "inch",
    "ft": "foot",
    "m2": "meter ** 2",
    "cm2": "centimeter ** 2",
    "in2": "inch ** 2",
    "s": "second",
    "min": "minute",
    "h": "hour",
    "d": "day",
    "g": "gram",
    "kg": "kilogram",
    "lb": "pound",
    "%": "percent",
    "g/L": "gram / liter",
    "darcy": "darcy",
    "V": "volt",
    "ohm": "ohm",
}
"""Every unit of ours as pint calls it; Brix is a scale of its own that pint does not have."""

PINT_BASES = {
    Dimension.TEMPERATURE: "degC",
    Dimension.TEMPERATURE_DIFFERENCE: "delta_degC",
    Dimension.PRESSURE: "kilopascal",
    Dimension.VOLUME: "liter",
    Dimension.FLOW: "liter / minute",
    Dimension.LENGTH: "meter",
    Dimension.AREA: "meter ** 2",
    Dimension.TIME: "second",
    Dimension.MASS: "kilogram",
    Dimension.RATIO: "dimensionless",
    Dimension.CONCENTRATION: "gram / liter",
    Dimension.PERMEABILITY: "darcy",
    Dimension.VOLTAGE: "volt",
    Dimension.RESISTANCE: "ohm",
}

ALL = [
    pytest.param(name, meaning, id=f"{name}-{meaning.dimension.name.lower()}")
    for name, meanings in UNITS.items()
    for meaning in meanings
    if meaning.dimension in PINT_BASES
]


def test_pint_knows_every_unit_but_brix() -> None:
    assert set(PINT_NAMES) == set(UNITS) - {"Brix"}
    assert set(PINT_BASES) == set(Dimension) - {Dimension.SUGAR}


def by_pint(value: float, name: str, meaning: Unit) -> float:
    """Return ``value`` in our base unit, as pint converts it."""
    wanted = PINT_NAMES[name]
    if meaning.dimension is Dimension.TEMPERATURE_DIFFERENCE:
        wanted = f"delta_{wanted}"
    return float(REGISTRY.Quantity(value, wanted).to(PINT_BASES[meaning.dimension]).magnitude)


@pytest.mark.parametrize(("name", "meaning"), ALL)
@pytest.mark.parametrize("value", [-40.0, 0.0, 1.0, 212.0, 1e-3, 12345.678])
def test_every_unit_agrees_with_pint(name: str, meaning: Unit, value: float) -> None:
    ours = quantity(f"{value!r} {name}", dimension=meaning.dimension)
    assert ours == pytest.approx(by_pint(value, name, meaning), rel=1e-12, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "dimension", "worth"),
    [
        # NIST SP 811 (2008), appendix B.8: factors in bold are exact.
        ("1 in", Dimension.LENGTH, 0.0254),
        ("1 lb", Dimension.MASS, 0.453_592_37),
        ("1 psi", Dimension.PRESSURE, 6.894_757),
        ("1 gal", Dimension.VOLUME, 3.785_412),
        ("1 cup", Dimension.VOLUME, 0.236_588_2),
        ("1 bar", Dimension.PRESSURE, 100.0),
        # NIST SP 811, 4.2.1.1: t/degC = (t/degF - 32)/1.8. The window of the trade, in both.
        ("180 degF", Dimension.TEMPERATURE, 82.222_222),
        ("193 degF", Dimension.TEMPERATURE, 89.444_444),
        ("-40 degF", Dimension.TEMPERATURE, -40.0),
        ("2 degF", Dimension.TEMPERATURE_DIFFERENCE, 1.111_111),
    ],
)
def test_published_factors(text: str, dimension: Dimension, worth: float) -> None:
    assert quantity(text, dimension=dimension) == pytest.approx(worth, rel=2e-7)


@given(data=st.data(), value=st.floats(-1e6, 1e6))
def test_there_and_back_is_the_same_value(data: st.DataObject, value: float) -> None:
    name = data.draw(st.sampled_from(sorted(UNITS)))
    meaning = data.draw(st.sampled_from(UNITS[name]))
    there = quantity(f"{value!r} {name}", dimension=meaning.dimension)
    back = convert(there, dimension=meaning.dimension, into=name)
    assert math.isclose(back, value, rel_tol=1e-9, abs_tol=1e-9 / abs(meaning.factor))


def test_a_difference_of_temperature_is_no_level() -> None:
    assert quantity("9 degF", dimension=Dimension.TEMPERATURE_DIFFERENCE) == pytest.approx(5.0)
    assert quantity("9 degF", dimension=Dimension.TEMPERATURE) == pytest.approx(-12.777_778)


@pytest.mark.parametrize(
    "text", ["180degF", "  180 degF ", "+180 degF", "180. degF", "1.8e2 degF", "180.0\tdegF"]
)
def test_people_write_numbers_in_many_ways(text: str) -> None:
    assert quantity(text, dimension=Dimension.TEMPERATURE) == pytest.approx(82.222_222_2)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("180", "'180' is not a number with a unit, such as '1 degC'"),
        ("180.5", "'180.5' is not a number with a unit"),
        ("degF", "'degF' is not a number with a unit"),
        ("", "'' is not a number with a unit"),
        ("hot", "'hot' is not a number with a unit"),
        ("nan degF", "is not a number with a unit"),
        ("inf degF", "is not a number with a unit"),
        ("1_80 degF", "is not a number with a unit"),
        ("180 psi", "unit 'psi' does not fit here: use one of degC, degF"),
        ("180 F", "unit 'F' does not fit here: use one of degC, degF"),
        ("180 degf", "unit 'degf' does not fit here: use one of degC, degF"),
        ("1e400 degF", "is too large to be a temperature"),
    ],
)
def test_what_is_no_temperature_is_refused_in_one_line(text: str, says: str) -> None:
    with pytest.raises(UnitError) as caught:
        quantity(text, dimension=Dimension.TEMPERATURE)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)
    assert isinstance(caught.value, SettingsError)


@given(text=st.text(max_size=40), dimension=st.sampled_from(Dimension))
def test_any_text_is_a_finite_quantity_or_refused(text: str, dimension: Dimension) -> None:
    try:
        assert math.isfinite(quantity(text, dimension=dimension))
    except UnitError as error:
        refusal = str(error)
        assert len(refusal.splitlines()) == 1


@pytest.mark.parametrize("dimension", Dimension)
def test_every_dimension_has_its_base_unit(dimension: Dimension) -> None:
    bases = [
        meaning
        for meanings in UNITS.values()
        for meaning in meanings
        if meaning.dimension is dimension and (meaning.factor, meaning.offset) == (1.0, 0.0)
    ]
    assert bases or dimension is Dimension.RATIO, "a ratio is written in percent"


def test_a_unit_is_asked_for_within_its_dimension() -> None:
    assert unit("gal", dimension=Dimension.VOLUME).factor == pytest.approx(3.785411784)
    with pytest.raises(UnitError, match="unit 'gal' does not fit here: use one of L/min, gal/min"):
        unit("gal", dimension=Dimension.FLOW)
