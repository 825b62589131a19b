"""A price file: one small TOML file with the field, the costs, the crop and its yield response; prices as written.

    [field]     speed, efficiency, width, length, target_rate
    [costs]     labour, machine, fuel, fuel_use
    [crop]      price, bushel
    [response]  curve, rate_unit, yield_unit, the coefficients of the curve; nutrient_content, already_given,
                over_supply_above and over_supply_loss if there are any

Figures are text with their unit ("12 km/h", "22 EUR/h"); the coefficients are bare numbers in the table's own
`rate_unit` and `yield_unit`. No amount is ever turned from one currency into another, and none is assumed.
"""

from __future__ import annotations

import math
import os
import re
from collections.abc import Mapping
from dataclasses import field
from typing import Any

from spreadcheck.errors import CostError, Fault, collected, meant, record, shown
from spreadcheck.money.response import CURVES, OVER_SUPPLY, Response, response_curve
from spreadcheck.sheet.cells import LARGEST, read_toml
from spreadcheck.units import (
    GALLON_L,
    MAY_MARK_THOUSANDS,
    POUND_KG,
    parse_number,
    parse_quantity,
    to_inside,
    unit_named,
    units_of,
)

MAX_AMOUNT = 1e9
# What a price may be for, what each unit holds of the inside unit, and how it is written.
_PER = {
    "h": ({"h": 1.0, "hr": 1.0, "hour": 1.0, "min": 1 / 60}, "22 EUR/h"),
    "L": ({"L": 1.0, "l": 1.0, "litre": 1.0, "liter": 1.0, "gal": GALLON_L, "gallon": GALLON_L}, "1.15 EUR/L"),
    "t": ({"t": 1.0, "kg": 1e-3, "lb": POUND_KG / 1e3, "short ton": 2 * POUND_KG}, "190 EUR/t"),
}
_PRICE = re.compile(
    r"(?P<before>[^\d\s/+.,-]*)\s*(?P<number>[+-]?[\d.,]+(?:e[+-]?\d+)?)\s*(?P<behind>[^/\d]*?)\s*"
    r"(?:/|\bper\b)\s*(?P<unit>[^\d/]+)",
    re.ASCII | re.IGNORECASE,
)


EFFICIENCY_PCT = 70.0  # usual for fertiliser spreaders, range 60 to 80 (ASAE D497, from memory)
# field of `Field` -> what it is called, the largest that can be, and how it is written
_LIMITS = {
    "speed_m_s": ("travel speed", 30.0, "m/s", "12 km/h"),
    "efficiency_pct": ("field efficiency", 100.0, "%", "70 %"),
    "width_m": ("field width", 100_000.0, "m", "240 m"),
    "length_m": ("field length", 100_000.0, "m", "400 m"),
}


def known_sum(*amounts: float | None) -> float | None:
    """The sum of what is known; None where nothing is."""
    known = [amount for amount in amounts if amount is not None]
    return sum(known) if known else None


@record
class Field:
    """The field and how it is driven: speed, field efficiency, width across the passes, length along them."""

    speed_m_s: float | None = None
    efficiency_pct: float = EFFICIENCY_PCT
    width_m: float | None = None
    length_m: float | None = None

    def __post_init__(self) -> None:
        faults = []
        for name, (called, most, unit, example) in _LIMITS.items():
            value = getattr(self, name)
            if value is not None and not 0 < value <= most:
                remedy = f'give one above 0 and up to {most:,.0f} {unit}, such as "{example}"'
                faults.append(Fault(called, f"{value:g} {unit} can't be right", remedy))
        if faults:
            raise CostError(*faults)

    @property
    def area_m2(self) -> float | None:
        """The area, if both sides are known. [m2]"""
        return None if self.width_m is None or self.length_m is None else self.width_m * self.length_m


@record
class Prices:
    """Prices of one comparison, all in one currency; None for what was not given."""

    currency: str = ""
    labour_per_h: float | None = None
    machine_per_h: float | None = None
    fuel_per_l: float | None = None
    fuel_use_l_h: float | None = None
    crop_per_t: float | None = None

    @property
    def work_per_h(self) -> float | None:
        """Labour and machine together, as far as given. [money/h]"""
        return known_sum(self.labour_per_h, self.machine_per_h)

    @property
    def fuel_per_h(self) -> float | None:
        """Fuel burnt in an hour of work. [money/h]"""
        both = self.fuel_per_l, self.fuel_use_l_h
        return None if None in both else math.prod(each for each in both if each is not None)

    @property
    def any_given(self) -> bool:
        """Whether the user gave any price at all."""
        return (self.work_per_h, self.fuel_per_l, self.crop_per_t) != (None, None, None)


def parse_price(text: str, per: str, *, place: str = "", bushel_kg: float | None = None) -> tuple[float, str]:
    """The amount and the currency of a price as a person writes it, such as "22 EUR/h", "$5.40/bu" or "1.15 per L"."""
    units, example = _PER[per]
    if bushel_kg is not None and per == "t":
        units = {**units, "bu": bushel_kg / 1e3, "bushel": bushel_kg / 1e3}
    match, said = _PRICE.fullmatch(text.strip().replace("\u2212", "-")), f'"{shown(text)}"'
    number = parse_number(match["number"], decimal_comma=True) if match else None
    if match is None or number is None:
        raise CostError(Fault(place, f"{said} is not a price", f'write an amount and what it is for: "{example}"'))
    unit = match["unit"].strip()
    holds = units.get(unit) or units.get(unit.casefold())
    if holds is None and per == "t" and unit.casefold() in ("bu", "bushel"):
        raise CostError(Fault(place, f"{said} is for a bushel, whose mass is not known", _BUSHEL_REMEDY))
    if holds is None:
        names = ", ".join(name for name in units if len(name) < 4 or " " in name)
        raise CostError(Fault(place, f'"{shown(unit)}" in {said} is not what this price is for', f"use one of {names}"))
    if MAY_MARK_THOUSANDS.fullmatch(match["number"]):
        remedy = "write it without the comma, or with a point"
        raise CostError(Fault(place, f"the comma in {said} may mark thousands or decimals", remedy))
    if not 0 <= number <= MAX_AMOUNT:
        problem = f"the price {said} is {'negative' if number < 0 else 'too large'}"
        raise CostError(Fault(place, problem, "give 0 or more; 0 where it costs nothing"))
    return number / holds, (match["before"] or match["behind"]).strip()


# Table and key -> the name of the figure, its kind (of a price, what it is for), and how it is written.
KEYS: dict[tuple[str, str], tuple[str, str, str]] = {
    ("field", "speed"): ("speed", "speed", "12 km/h"),
    ("field", "efficiency"): ("efficiency", "share", "70 %"),
    ("field", "width"): ("field_width", "length", "240 m"),
    ("field", "length"): ("field_length", "length", "400 m"),
    ("field", "target_rate"): ("target", "rate", "150 kg/ha"),
    ("costs", "labour"): ("labour", "h", "22 EUR/h"),
    ("costs", "machine"): ("machine", "h", "38 EUR/h"),
    ("costs", "fuel"): ("fuel", "L", "1.15 EUR/L"),
    ("costs", "fuel_use"): ("fuel_use", "fuel use", "14 L/h"),
    ("crop", "price"): ("crop_price", "t", "190 EUR/t"),
    ("crop", "bushel"): ("bushel", "mass", "60 lb"),
}
_BOUNDS = {"bushel": (0.1, 1000.0), "fuel_use": (0.0, 10_000.0)}  # kg, L/h
# The texts of the response table: how they are written, and of which kind; all else in it is a coefficient.
_TEXTS = {
    "curve": ("quadratic", ""),
    "rate_unit": ("kg/ha", "rate"),
    "yield_unit": ("t/ha", "yield"),
    "nutrient_content": ("46 %", "share"),
    "already_given": ("60 kg/ha", "rate"),
}
TABLES = ("field", "costs", "crop", "response")
BUSHELS = "bu/ac"
_BUSHEL_REMEDY = 'add the mass of a bushel: bushel = "60 lb" in the table [crop], or --bushel'

Written = dict[str, tuple[str, str]]


@record
class PriceFile:
    """What a price file holds: text and place of each figure, and the response table as it stands."""

    written: Written = field(default_factory=dict)
    response: Mapping[str, Any] | None = None
    source: str = ""


@record
class CostBasis:
    """The field, the target rate, the prices and the response that widths are compared with."""

    field: Field = Field()
    target_kg_ha: float | None = None
    prices: Prices = Prices()
    response: Response | None = None
    efficiency_given: bool = False
    target_place: str = ""  # where the target rate is written, if not on the sheet


def read_price_file(path: str | os.PathLike[str]) -> PriceFile:
    """Read a price file.

    Parameters
    ----------
    path : str or path-like
        The TOML file. [-]

    Returns
    -------
    PriceFile
        Its figures as written. [-]

    Raises
    ------
    QuantityError
        If it can't be read or is not TOML.
    CostError
        If it holds a table or key that is not known, or a figure without its unit; every fault at once.

    Examples
    --------
    >>> import tempfile; from pathlib import Path; folder = tempfile.TemporaryDirectory()
    >>> path = Path(folder.name) / "prices.toml"
    >>> _ = path.write_text('[costs]\\nlabour = "22 EUR/h"\\n')
    >>> read_price_file(path).written["labour"][0]
    '22 EUR/h'
    >>> folder.cleanup()
    """
    source, faults, written = os.fspath(path), [], {}
    data = read_toml(path)
    for table, content in data.items():
        if table not in TABLES or not isinstance(content, dict):
            faults.append(Fault(source, f'"{shown(table)}" is not a table of a price file', meant(table, TABLES)))
            continue
        keys, where = [key for at, key in KEYS if at == table], f"{source}: table [{table}]"
        for key, value in content.items() if table != "response" else ():
            place = f'{where}, key "{key}"'
            if key not in keys:  # most likely misspelt, so it is never passed over
                faults.append(Fault(where, f'"{shown(key)}" is not a key of a price file', meant(key, keys)))
            elif isinstance(value, str):
                written[KEYS[table, key][0]] = (value, place)
            else:
                remedy = f'write it in quotes with its unit, such as {key} = "{KEYS[table, key][2]}"'
                faults.append(Fault(place, f"{shown(str(value))} has no unit", remedy))
    if faults:
        raise CostError(*faults)
    return PriceFile(written, data.get("response"), source)


def basis_from(file: PriceFile | None = None, options: Mapping[str, str | None] | None = None) -> CostBasis:
    """The field, target rate, prices and response of a comparison; an option goes before the file.

    Parameters
    ----------
    file : PriceFile or None
        A price file that was read. [-]
    options : mapping of str to str or None
        Figures written elsewhere, by the names in `KEYS`. [-]

    Returns
    -------
    CostBasis
        All of it, None for what was not given. [SI, money]

    Raises
    ------
    CostError
        If a figure can't be used; every fault at once.

    Examples
    --------
    >>> basis = basis_from(options={"speed": "12 km/h", "labour": "22 EUR/h"})
    >>> round(basis.field.speed_m_s, 3), basis.prices.labour_per_h, basis.response
    (3.333, 22.0, None)
    """
    file = file or PriceFile()
    asked = {name: text for name, text in (options or {}).items() if text is not None}
    written = file.written | {name: (text, f"option --{name.replace('_', '-')}") for name, text in asked.items()}
    faults: list[Fault] = []
    figures: dict[str, float] = {}
    named: dict[str, str] = {}  # currency -> a price in it
    for name, kind, _ in sorted(KEYS.values(), key=lambda each: each[0] != "bushel"):  # prices may be for a bushel
        with collected(faults):
            if name not in written:
                continue
            text, place = written[name]
            if kind in _PER:
                figures[name], currency = parse_price(text, kind, place=place, bushel_kg=figures.get("bushel"))
                named |= {currency: name} if currency else {}
                continue
            figures[name] = parse_quantity(text, kind, place=place)
            low, high = _BOUNDS.get(name, (-math.inf, math.inf))
            if not low <= figures[name] <= high:
                faults.append(Fault(place, f'"{shown(text)}" can\'t be right', "check the number and its unit"))
    if len(named) > 1:
        (first, _), (second, where), *_ = named.items()
        problem = f'prices are in "{shown(first)}" and in "{shown(second)}"'
        remedy = "give all prices in one currency; none is turned into another"
        faults.append(Fault(written[where][1], problem, remedy))
    for name, other, example in (("fuel", "fuel_use", "14 L/h"), ("fuel_use", "fuel", "1.15 EUR/L")):
        if name in written and other not in written:  # a line was forgotten
            remedy = f'add {other} = "{example}" to the table [costs], or --{other.replace("_", "-")}'
            faults.append(Fault(written[name][1], f"{name} is given without {other}", remedy))
    land, response = Field(), None
    with collected(faults):
        efficiency = figures.get("efficiency", EFFICIENCY_PCT)
        land = Field(figures.get("speed"), efficiency, figures.get("field_width"), figures.get("field_length"))
    with collected(faults):
        if file.response is not None:
            response = response_from(file.response, bushel_kg=figures.get("bushel"), source=file.source)
    if faults:
        raise CostError(*faults)
    prices = Prices(next(iter(named), ""), *map(figures.get, ("labour", "machine", "fuel", "fuel_use", "crop_price")))
    place = written["target"][1] if "target" in figures else ""
    return CostBasis(land, figures.get("target"), prices, response, "efficiency" in figures, place)


def response_from(table: Mapping[str, Any], *, bushel_kg: float | None = None, source: str = "") -> Response:
    """A yield response from the table [response] of a price file."""
    title = f"{source}: table [response]"
    faults = [
        Fault(title, f'"{key}" is missing', f'add a line such as {key} = "{_TEXTS[key][0]}"')
        for key in ("curve", "rate_unit", "yield_unit")
        if key not in table
    ]
    figures = {"nutrient_content": 100.0, "already_given": 0.0}
    for key, value in table.items():
        with collected(faults):
            figures[key] = _entry(key, value, bushel_kg, f'{title}, key "{key}"')
    if faults:
        raise CostError(*faults)
    coefficients, powers = {}, {**CURVES.get(table["curve"], {}), **OVER_SUPPLY}
    for key in (key for key in table if key not in _TEXTS):
        of_yield, of_rate = powers.get(key, (0, 0))
        coefficients[key] = figures[key] * figures["yield_unit"] ** of_yield * figures["rate_unit"] ** of_rate
    content, already = figures["nutrient_content"] / 100, figures["already_given"]
    return response_curve(table["curve"], coefficients, content=content, already_kg_ha=already, place=title)


def _entry(key: str, value: Any, bushel_kg: float | None, place: str) -> float:
    """One line of the response table: a coefficient as it stands, a quantity, or what one of a unit is worth inside."""
    example, kind = _TEXTS.get(key, ("", ""))
    if not example:
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            remedy = "write a bare number, in the table's rate_unit and yield_unit"
            raise CostError(Fault(place, f'"{shown(str(value))}" is not a number', remedy))
        if abs(value) > LARGEST and value != math.inf:
            raise CostError(Fault(place, "the number is too large", "check its digits"))
        return value
    if not isinstance(value, str):
        remedy = f'write it in quotes, such as {key} = "{example}"'
        raise CostError(Fault(place, f"{shown(str(value))} is not text", remedy))
    if not key.endswith("unit"):
        return parse_quantity(value, kind, place=place) if kind else math.nan
    if kind == "yield" and value == BUSHELS:
        if bushel_kg is None:
            raise CostError(Fault(place, "the mass of a bushel is not known", _BUSHEL_REMEDY))
        return to_inside(bushel_kg / POUND_KG, "lb/ac", "yield")
    name = unit_named(value, kind)
    if name is None:
        raise CostError(Fault(place, f'"{shown(value)}" is not a unit of {kind}', f"use one of {units_of(kind)}"))
    return to_inside(1.0, name, kind)
