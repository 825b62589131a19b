"""Quantities in and out: metric and US units at the edges, SI inside.

Inside: lengths in m, masses in kg (catches in g and ml), rates in kg/ha, speeds in m/s, densities in kg/m3,
forces in N, turning speeds in rpm, temperatures in deg C, angles in degrees, shares in %.
Exact factors (international yard and pound agreement of 1959): 1 ft = 0.3048 m, 1 lb = 0.45359237 kg,
1 ac = 43,560 ft2 = 4046.8564224 m2, 1 mph = 0.44704 m/s; 1 kgf = 9.80665 N (standard gravity).
"""

from __future__ import annotations

import math
import re

from spreadcheck.errors import Fault, QuantityError, record, shown

FOOT_M = 0.3048
INCH_M = 0.0254
POUND_KG = 0.45359237
ACRE_M2 = 4046.8564224
HECTARE_M2 = 10_000.0
GALLON_L = 3.785411784  # US gallon of 231 cubic inches
IMPERIAL_GALLON_L = 4.54609
BUSHEL_L = 35.23907016688  # US (Winchester) bushel of 2150.42 cubic inches
MPH_M_S = 0.44704
KGF_N = 9.80665
INCH_HG_HPA = 25.4 * 1.33322387415  # conventional millimetre of mercury: 13.5951 g/cm3 x 9.80665 m/s2 x 1 mm
LB_AC_KG_HA = POUND_KG / ACRE_M2 * HECTARE_M2
LB_FT3_KG_M3 = POUND_KG / FOOT_M**3


@record
class Kind:
    """One kind of quantity: the unit inside, what each unit is worth in it, and what a reader is shown."""

    name: str
    inside: str
    key: str  # how the inside unit is written at the end of a JSON key
    factors: dict[str, float]
    metric: str
    us: str
    digits: dict[str, int]  # decimals shown, a unit
    shifts: dict[str, float]  # inside = value * factor + shift


_MASS_KG = {"kg": 1.0, "g": 1e-3, "mg": 1e-6, "t": 1e3, "lb": POUND_KG, "oz": POUND_KG / 16}
_MASS_G = {unit: factor * 1e3 for unit, factor in _MASS_KG.items() if unit != "g"}
_SPEED = {"km/h": 1 / 3.6, "mph": MPH_M_S, "ft/s": FOOT_M}
_VOLUME_L = {
    "ml": 1e-3, "m3": 1e3, "ft3": FOOT_M**3 * 1e3, "gal": GALLON_L, "imp gal": IMPERIAL_GALLON_L, "qt": GALLON_L / 4,
    "bu": BUSHEL_L,
}  # fmt: skip
_DENSITY = {
    "kg/L": 1e3, "g/cm3": 1e3, "g/L": 1.0, "lb/ft3": LB_FT3_KG_M3, "lb/bu": POUND_KG / BUSHEL_L * 1e3,
    "lb/gal": POUND_KG / GALLON_L * 1e3,
}  # fmt: skip
_TURNS = {"rev/min": 1.0, "1/min": 1.0, "Hz": 60.0, "rev/s": 60.0, "rad/s": 30.0 / math.pi}

# name, unit inside and how it ends a JSON key, units shown (metric, US), their decimals, what others are worth inside
_ROWS: tuple[tuple[str, str, str, str, str, dict[str, int], dict[str, float]], ...] = (
    ("length", "m", "m", "m", "ft", {"m": 2, "ft": 2, "mm": 2, "in": 2, "cm": 1},
     {"cm": 1e-2, "mm": 1e-3, "km": 1e3, "ft": FOOT_M, "in": INCH_M, "yd": 3 * FOOT_M}),
    ("granule size", "mm", "mm", "mm", "mm", {"mm": 2}, {"in": 25.4}),
    ("mass", "kg", "kg", "kg", "lb", {"kg": 1, "lb": 1}, _MASS_KG),
    ("catch mass", "g", "g", "g", "g", {"g": 2}, _MASS_G),
    ("catch volume", "ml", "ml", "ml", "ml", {"ml": 1}, {"L": 1e3, "cl": 10.0}),
    ("volume", "L", "l", "L", "ft3", {}, _VOLUME_L),
    ("area", "m2", "m2", "ha", "ac", {"ha": 2, "ac": 2}, {"ha": HECTARE_M2, "ac": ACRE_M2, "ft2": FOOT_M**2}),
    ("rate", "kg/ha", "kg_ha", "kg/ha", "lb/ac", {"kg/ha": 1, "lb/ac": 1},
     {"g/m2": 10.0, "t/ha": 1e3, "lb/ac": LB_AC_KG_HA, "lb/1000 ft2": LB_AC_KG_HA * 43.56}),
    ("speed", "m/s", "m_s", "km/h", "mph", {"km/h": 1, "mph": 1, "m/s": 1}, _SPEED),
    ("wind speed", "m/s", "m_s", "m/s", "mph", {"m/s": 1, "mph": 1, "km/h": 1}, _SPEED),
    ("density", "kg/m3", "kg_m3", "kg/L", "lb/ft3", {"kg/L": 3, "lb/ft3": 1, "kg/m3": 0}, _DENSITY),
    ("force", "N", "newton", "kgf", "lbf", {"kgf": 1, "lbf": 1, "N": 0}, {"kgf": KGF_N, "lbf": POUND_KG * KGF_N}),
    ("flow", "kg/s", "kg_s", "kg/min", "lb/min", {"kg/min": 1, "lb/min": 1},
     {"kg/min": 1 / 60, "lb/min": POUND_KG / 60}),
    ("yield", "t/ha", "t_ha", "t/ha", "lb/ac", {"t/ha": 3, "lb/ac": 1}, {"kg/ha": 1e-3, "lb/ac": LB_AC_KG_HA / 1e3}),
    ("fuel use", "L/h", "l_h", "L/h", "gal/h", {"L/h": 1, "gal/h": 1}, {"gal/h": GALLON_L}),
    ("field capacity", "ha/h", "ha_h", "ha/h", "ac/h", {"ha/h": 1, "ac/h": 1}, {"ac/h": ACRE_M2 / HECTARE_M2}),
    ("cost per area", "1/ha", "per_ha", "1/ha", "1/ac", {}, {"1/ac": HECTARE_M2 / ACRE_M2}),
    ("mass per edge", "kg/100 m", "kg_per_100_m", "kg/100 m", "lb/100 ft", {"kg/100 m": 2, "lb/100 ft": 2},
     {"lb/100 ft": POUND_KG / FOOT_M}),
    ("time", "s", "s", "s", "s", {"s": 1}, {"min": 60.0, "h": 3600.0}),
    ("turning speed", "rpm", "rpm", "rpm", "rpm", {"rpm": 0}, _TURNS),
    ("temperature", "degC", "deg_c", "degC", "degF", {"degC": 0, "degF": 0}, {"degF": 5 / 9}),
    ("pressure", "hPa", "hpa", "hPa", "inHg", {}, {"kPa": 10.0, "Pa": 1e-2, "inHg": INCH_HG_HPA}),
    ("angle", "deg", "deg", "deg", "deg", {"deg": 0}, {}),
    ("share", "%", "pct", "%", "%", {"%": 1}, {}),
)  # fmt: skip
_SHIFTS = {"temperature": {"degF": -160 / 9}}

KINDS: dict[str, Kind] = {
    name: Kind(name, inside, key, {inside: 1.0} | factors, metric, us, digits, _SHIFTS.get(name, {}))
    for name, inside, key, metric, us, digits, factors in _ROWS
}

# Spellings that people use for the same unit, in small letters.
_ALIASES = {
    "metre": "m", "metres": "m", "meter": "m", "meters": "m", "foot": "ft", "feet": "ft", "inch": "in",
    "inches": "in", "yard": "yd", "yards": "yd", "gram": "g", "grams": "g", "kilogram": "kg", "kilograms": "kg",
    "lbs": "lb", "pound": "lb", "pounds": "lb", "ounce": "oz", "ounces": "oz", "millilitre": "ml", "millilitres": "ml",
    "litre": "L", "litres": "L", "liter": "L", "liters": "L", "cc": "ml", "cm3": "ml", "cm³": "ml",
    "lb/acre": "lb/ac", "lbs/ac": "lb/ac", "lbs/acre": "lb/ac", "g/m²": "g/m2", "kmh": "km/h", "km/hr": "km/h",
    "kph": "km/h", "kg/m³": "kg/m3", "g/cc": "g/cm3", "g/cm³": "g/cm3", "kg/litre": "kg/L", "lb/ft³": "lb/ft3",
    "lbs/ft3": "lb/ft3", "lb/cu ft": "lb/ft3", "hectare": "ha", "hectares": "ha", "acre": "ac", "acres": "ac",
    "m²": "m2", "m³": "m3", "ft²": "ft2", "ft³": "ft3", "°c": "degC", "c": "degC", "°f": "degF", "f": "degF",
    "°": "deg", "degree": "deg", "degrees": "deg", "percent": "%", "pct": "%", "sec": "s", "second": "s",
    "seconds": "s", "minute": "min", "minutes": "min", "hour": "h", "hours": "h", "kilogram-force": "kgf",
    "newton": "N", "newtons": "N", "lb/1000ft2": "lb/1000 ft2", "lb/1000 sq ft": "lb/1000 ft2", "kg/hectare": "kg/ha",
    "mi/h": "mph", "miles/hour": "mph", "km/hour": "km/h", "m/sec": "m/s", "kg/l": "kg/L", "sq ft": "ft2",
    "gallon": "gal", "gallons": "gal", "us gal": "gal", "quart": "qt", "quarts": "qt", "bushel": "bu",
    "bushels": "bu", "imperial gallon": "imp gal", "lbs/bu": "lb/bu", "lb/bushel": "lb/bu", "lbs/gal": "lb/gal",
    "lb/gallon": "lb/gal", "hertz": "Hz", "1/s": "Hz", "r/min": "rpm", "u/min": "rpm",
}  # fmt: skip

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)(e[+-]?\d+)?", re.ASCII | re.IGNORECASE)
MAY_MARK_THOUSANDS = re.compile(r"[+-]?[1-9]\d{0,2},\d{3}", re.ASCII)  # 1,200: one point two, or twelve hundred?
# A comma between two figures with a unit behind them stands for a decimal point: "3,2 mm".
_COMMA = re.compile(r"(?<!\d),|,(?!\d+\s*[A-Za-z%])", re.ASCII)
_QUANTITY = re.compile(rf"\s*({_NUMBER.pattern})\s*(.*?)\s*", re.ASCII | re.IGNORECASE)


def parse_number(text: str, *, decimal_comma: bool = False) -> float | None:
    """A number as people write it, or None where the text is not one.

    Only digits, a sign, one decimal mark and an exponent are taken: no thousands marks, no "nan", no "inf".
    """
    text = text.strip().replace("\u2212", "-")
    if not _NUMBER.fullmatch(text) or ("," in text and not decimal_comma):
        return None
    number = float(text.replace(",", "."))
    return number if math.isfinite(number) else None


def unit_named(unit: str, kind: str) -> str | None:
    """The unit of a kind that a person means, or None."""
    known = KINDS[kind].factors
    if unit in known:
        return unit
    small = " ".join(unit.casefold().split())
    meant = _ALIASES.get(small)
    return meant if meant in known else next((name for name in known if name.casefold() == small), None)


def to_inside(value: float, unit: str, kind: str) -> float:
    """A value in any known unit, turned into the unit used inside.

    Parameters
    ----------
    value : float
        The number. [unit]
    unit : str
        Its unit. [-]
    kind : str
        A key of `KINDS`. [-]

    Returns
    -------
    float
        The value in the inside unit of the kind. [inside unit]

    Raises
    ------
    QuantityError
        If the kind has no such unit.

    Examples
    --------
    >>> to_inside(80, "ft", "length")
    24.384
    >>> round(to_inside(1, "lb/ac", "rate"), 7)
    1.1208512
    >>> to_inside(50, "degF", "temperature")
    10.0
    """
    factor, shift = _scale(unit, kind)
    return value * factor + shift


def _scale(unit: str, kind: str) -> tuple[float, float]:
    """Factor and shift of a unit: inside = value * factor + shift."""
    name, quantity = unit_named(unit, kind), KINDS[kind]
    if name is None:
        raise QuantityError(Fault("", f'"{unit}" is not a unit of {kind}', f"use one of {units_of(kind)}"))
    return quantity.factors[name], quantity.shifts.get(name, 0.0)


def from_inside(value: float, unit: str, kind: str) -> float:
    """The way back: a value in the inside unit, turned into another unit.

    Parameters
    ----------
    value : float
        The value. [inside unit]
    unit : str
        The unit wanted. [-]
    kind : str
        A key of `KINDS`. [-]

    Returns
    -------
    float
        The value. [unit]

    Raises
    ------
    QuantityError
        If the kind has no such unit.

    Examples
    --------
    >>> from_inside(24.384, "ft", "length")
    80.0
    """
    factor, shift = _scale(unit, kind)
    return (value - shift) / factor


def units_of(kind: str) -> str:
    """The units of a kind, as a list for a message."""
    return ", ".join(KINDS[kind].factors)


def split_quantity(text: str) -> tuple[str, str]:
    """A number and its unit, taken apart."""
    match = _QUANTITY.fullmatch(text.replace("\u2212", "-"))
    return (match[1], match.groups()[-1]) if match else (text, "")


def parted(text: str) -> tuple[str, ...]:
    """The parts of a list: between semicolons, and between commas that are no decimal commas."""
    parts = re.split(r";|,\s", text) if ";" in text else _COMMA.split(text)
    return tuple(part.strip() for part in parts if part.strip())


_LEAST, _MOST = 1e-12, 1e12  # in the unit used inside: outside of it no quantity of this trade lies


def parse_quantity(text: str, kind: str, *, place: str = "") -> float:
    """A number with its unit written out, such as "24 m" or "80 ft", in the unit used inside.

    Parameters
    ----------
    text : str
        What was written. [-]
    kind : str
        A key of `KINDS`. [-]
    place : str
        Where it was written, for the message. [-]

    Returns
    -------
    float
        The value. [inside unit]

    Raises
    ------
    QuantityError
        If there is no number, no unit, or a unit of another kind, or a comma that may mark thousands or decimals.
        Nothing is guessed at.

    Examples
    --------
    >>> parse_quantity("24 m", "length"), parse_quantity("80ft", "length")
    (24.0, 24.384)
    >>> parse_quantity("24", "length", place="option --bout-width")
    Traceback (most recent call last):
    ...
    spreadcheck.errors.QuantityError: option --bout-width: "24" has no unit; write it out, such as "24 m" or "24 ft"
    """
    written, unit = split_quantity(text)
    number, said, quantity = parse_number(written, decimal_comma=True), f'"{shown(text)}"', KINDS[kind]

    def wrong(problem: str, remedy: str) -> QuantityError:
        return QuantityError(Fault(place, f"{said} {problem}", remedy))

    if number is None:
        raise wrong(f"is not a {kind}", f'write a number and its unit, such as "24 {quantity.metric}"')
    if MAY_MARK_THOUSANDS.fullmatch(written):
        without, point = written.replace(",", ""), written.replace(",", ".")
        raise wrong(f"may mean {without} or {point}", "write it without the comma, or with a point")
    if not unit:
        options = " or ".join(dict.fromkeys(f'"{written} {unit}"' for unit in (quantity.metric, quantity.us)))
        raise wrong("has no unit", f"write it out, such as {options}")
    name = unit_named(unit, kind)
    if name is None:
        said = f'"{shown(unit)}" in {said}'
        raise wrong(f"is not a unit of {kind}", f"use one of {units_of(kind)}")
    found = to_inside(number, name, kind)
    if not (found == 0 or _LEAST <= abs(found) <= _MOST):
        raise wrong("can't be right", "check the number and its unit")
    return found


def counted(count: int, one: str, many: str = "") -> str:
    """So many things, in words for one and for several."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def side_of(offset: float) -> str:
    """The side of the driving line that an offset lies on: right of the travel is positive, the line has no side."""
    return "left" if offset < 0 else "right" if offset > 0 else ""


def shown_unit(kind: str, system: str = "metric") -> str:
    """The unit in which a reader of one unit system is shown a kind of quantity."""
    return KINDS[kind].us if system == "us" else KINDS[kind].metric


def show(
    value: float | None, kind: str, system: str = "metric", *, unit: bool = True, digits: int | None = None
) -> str:
    """A quantity as a reader sees it: rounded, in their unit system, with its unit."""
    if value is None or math.isnan(value):
        return "-"
    name = shown_unit(kind, system)
    places = KINDS[kind].digits.get(name, 2) if digits is None else digits
    number = f"{from_inside(value, name, kind):.{places}f}"
    if float(number) == 0:
        number = number.removeprefix("-")
    return f"{number} {name}" if unit else number
