"""Quantities in and out: factors against a reference library, round trips, and the words of every refusal."""

import math
import sys

import pytest
import scipy.constants as si
from hypothesis import given
from hypothesis import strategies as st

from spreadcheck.errors import QuantityError
from spreadcheck.units import (
    KINDS,
    from_inside,
    parse_number,
    parse_quantity,
    parted,
    show,
    split_quantity,
    to_inside,
    unit_named,
)

# a unit and its worth in the inside unit by scipy.constants; exact by the yard and pound agreement of 1959
REFERENCE = [
    ("length", "ft", si.foot), ("length", "in", si.inch), ("length", "yd", si.yard), ("length", "mm", si.milli),
    ("granule size", "in", si.inch / si.milli),
    ("mass", "lb", si.pound), ("mass", "oz", si.oz), ("mass", "t", si.metric_ton), ("mass", "g", si.gram),
    ("catch mass", "lb", si.pound / si.gram), ("catch mass", "oz", si.oz / si.gram), ("catch mass", "kg", 1 / si.gram),
    ("catch volume", "L", si.liter / si.centi**3), ("volume", "ft3", si.foot**3 / si.liter),
    ("area", "ac", si.acre), ("area", "ha", si.hectare), ("area", "ft2", si.foot**2),
    ("rate", "lb/ac", si.pound / si.acre * si.hectare), ("rate", "g/m2", si.gram * si.hectare),
    ("rate", "lb/1000 ft2", si.pound / (1000 * si.foot**2) * si.hectare),
    ("speed", "km/h", si.kmh), ("speed", "mph", si.mph), ("speed", "ft/s", si.foot),
    ("wind speed", "km/h", si.kmh), ("wind speed", "mph", si.mph),
    ("density", "lb/ft3", si.pound / si.foot**3), ("density", "g/cm3", si.gram / si.centi**3),
    ("force", "kgf", si.kgf), ("force", "lbf", si.lbf),
    ("flow", "lb/min", si.pound / si.minute), ("flow", "kg/min", 1 / si.minute),
    ("time", "h", si.hour), ("pressure", "kPa", si.kilo / si.hecto),
]  # fmt: skip


@pytest.mark.parametrize(("kind", "unit", "worth"), REFERENCE, ids=lambda v: str(v))
def test_factors(kind, unit, worth):
    """scipy.constants says the same, to the rounding of the few products on either side."""
    assert to_inside(1.0, unit, kind) == pytest.approx(worth, rel=8 * sys.float_info.epsilon)


def test_inch_of_mercury():
    """Conventional mercury (NIST SP 811, B.8: 3 386.389 Pa); scipy's torr is atm / 760, 1.4e-7 smaller."""
    assert to_inside(1, "inHg", "pressure") == pytest.approx(33.86389, abs=5e-6)
    assert to_inside(1, "inHg", "pressure") == pytest.approx(25.4 * si.mmHg / si.hecto, rel=2e-7)


@pytest.mark.parametrize(("fahrenheit", "celsius"), [(32, 0), (212, 100), (-40, -40), (50, 10)])
def test_temperature(fahrenheit, celsius):
    """The fixed points, and scipy."""
    got = to_inside(fahrenheit, "degF", "temperature")
    assert got == pytest.approx(celsius, abs=1e-12)
    assert got == pytest.approx(si.convert_temperature(fahrenheit, "F", "C"), abs=1e-12)


def test_trade_figures():
    """1 lb/ac = 1.1208511 kg/ha (conversion in use, 8 digits); 10 mph = 4.47 m/s and 16.09 km/h (extension advice)."""
    assert to_inside(1, "lb/ac", "rate") == pytest.approx(1.1208511, abs=1e-7)
    assert round(to_inside(10, "mph", "speed"), 2) == 4.47
    assert round(from_inside(to_inside(10, "mph", "speed"), "km/h", "speed"), 2) == 16.09


UNITS = [(kind.name, unit) for kind in KINDS.values() for unit in kind.factors]


@given(st.sampled_from(UNITS), st.floats(-1e6, 1e6))
def test_there_and_back(unit, value):
    """Into the inside unit and back is the same value; temperatures lose what adding and taking 17.8 loses."""
    kind, name = unit
    assert from_inside(to_inside(value, name, kind), name, kind) == pytest.approx(value, rel=1e-14, abs=1e-13)


@given(st.sampled_from(UNITS), st.just(0.0) | st.floats(1e-3, 1e6))  # what is next to nothing is refused
def test_written_and_read(unit, value):
    """A number and its unit, written out by Python, read back as the same quantity."""
    kind, name = unit
    assert parse_quantity(f"{value!r} {name}", kind) == to_inside(value, name, kind)
    assert parse_quantity(f" {value!r}{' ' if name[0].isdigit() else ''}{name.upper()} ", kind) == pytest.approx(
        to_inside(value, name, kind)
    )


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: kind.name)
def test_kinds_are_whole(kind):
    """The units shown to either reader, and those with a number of digits, are units of the kind; keys suit JSON."""
    assert {kind.metric, kind.us, kind.inside} <= set(kind.factors)
    assert set(kind.digits) | set(kind.shifts) <= set(kind.factors)
    assert kind.key.replace("_", "").isalnum()
    assert kind.key == kind.key.lower()
    assert all(unit_named(unit.upper(), kind.name) for unit in kind.factors)


@pytest.mark.parametrize(
    ("text", "kind", "value"),
    [
        ("24 m", "length", 24), ("24m", "length", 24), ("80 Feet", "length", 24.384), ("0,5 m", "length", 0.5),
        ("1e2 kg/ha", "rate", 100), ("\u22125 \u00b0C", "temperature", -5), ("12\u00a0km/h", "speed", 12 / 3.6),
        ("3 lbs/1000 sq ft", "rate", None), ("2 lb/1000 sq ft", "rate", 97.6486), (".5 m\u00b2", "area", 0.5),
        ("12 1/min", "turning speed", 12), ("1200 lb/ac", "rate", 1345.021),
    ],
)  # fmt: skip
def test_usual_spellings(text, kind, value):
    """What people write; a spelling that isn't known is refused and not guessed at."""
    if value is None:
        with pytest.raises(QuantityError):
            parse_quantity(text, kind)
    else:
        assert parse_quantity(text, kind) == pytest.approx(value, rel=1e-6)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("24", 'option --width: "24" has no unit; write it out, such as "24 m" or "24 ft"'),
        ("wide", 'option --width: "wide" is not a length; write a number and its unit, such as "24 m"'),
        ("", 'option --width: "" is not a length; write a number and its unit, such as "24 m"'),
        ("nan m", 'option --width: "nan m" is not a length; write a number and its unit, such as "24 m"'),
        ("1e999 m", 'option --width: "1e999 m" is not a length; write a number and its unit, such as "24 m"'),
        ("24 kg", 'option --width: "kg" in "24 kg" is not a unit of length; use one of m, cm, mm, km, ft, in, yd'),
        ("1,200 ft", 'option --width: "1,200 ft" may mean 1200 or 1.200; write it without the comma, or with a point'),
    ],
)
def test_refusals(text, message):
    """The words of every refusal."""
    with pytest.raises(QuantityError) as caught:
        parse_quantity(text, "length", place="option --width")
    assert str(caught.value) == message


@pytest.mark.parametrize("turn", [to_inside, from_inside])
def test_unknown_unit(turn):
    """A unit of another kind, either way."""
    with pytest.raises(QuantityError) as caught:
        turn(1, "kg", "length")
    assert str(caught.value) == '"kg" is not a unit of length; use one of m, cm, mm, km, ft, in, yd'


@pytest.mark.parametrize(
    "text", ["", "nan", "inf", "1_000", "1 200", "1.2.3", "1,2,3", "0x1f", "--1", "\u0661", "1e", "."]
)
def test_not_numbers(text):
    """Python would take some of these; a sheet does not."""
    assert parse_number(text, decimal_comma=True) is None


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_numbers(value):
    """Every number that Python writes is read as itself, with a point or a comma."""
    assert parse_number(repr(value)) == value
    assert parse_number(repr(value).replace(".", ","), decimal_comma=True) == value


@given(st.text())
def test_any_words(text):
    """Whatever is typed: a number, or a QuantityError."""
    try:
        number, _ = split_quantity(text)
        assert number in text.replace("\u2212", "-")
        assert math.isfinite(parse_quantity(text, "length"))
    except QuantityError as error:
        said = str(error)
    else:
        said = "nothing"
    assert said


def test_shown():
    """Rounded for the reader; no minus in front of nothing."""
    assert show(-0.001, "length") == "0.00 m"
    assert show(float("nan"), "rate") == "-"
    assert show(10, "temperature", "us") == "50 degF"
    assert show(150, "rate", unit=False) == "150.0"
    assert show(2.345678, "length", digits=4) == "2.3457 m"


@pytest.mark.parametrize(
    ("text", "parts"),
    [
        ("27 m, 30 m", ("27 m", "30 m")),
        ("24m,27m", ("24m", "27m")),
        ("3,2 mm", ("3,2 mm",)),
        ("1 L: 0,78 kg, 1 L: 0,77 kg", ("1 L: 0,78 kg", "1 L: 0,77 kg")),
        ("1 L: 0,78 kg; 1 L: 0,77 kg", ("1 L: 0,78 kg", "1 L: 0,77 kg")),
        ("250:40,300:35", ("250:40", "300:35")),
        ("0,90", ("0", "90")),
        ("1; 2, 1;", ("1", "2", "1")),
        (" , ", ()),
    ],
)
def test_lists_are_parted_but_not_at_decimal_commas(text, parts):
    assert parted(text) == parts
