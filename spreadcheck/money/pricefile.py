"""A price file: one small TOML file with the field, the costs, the crop and its yield response.

    [field]     speed, efficiency, width, length, target_rate
    [costs]     labour, machine, fuel, fuel_use
    [crop]      price, bushel
    [response]  curve, rate_unit, yield_unit, the coefficients of the curve; nutrient_content, already_given,
                over_supply_above and over_supply_loss if there are any

Figures are text with their unit ("12 km/h", "22 EUR/h"); the coefficients are bare numbers in the table's own
`rate_unit` and `yield_unit`.
"""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any

from spreadcheck.errors import CostError, Fault, SpreadcheckError, shown
from spreadcheck.money.prices import Prices, prices_from
from spreadcheck.money.response import CURVES, OVER_SUPPLY, Response, response_curve
from spreadcheck.money.work import EFFICIENCY_PCT, Field
from spreadcheck.sheet.tomlfile import LARGEST, read_toml
from spreadcheck.units import POUND_KG, parse_quantity, to_inside, unit_named, units_of

# Table and key -> the name of the figure, its kind, and how it is written.
KEYS: dict[tuple[str, str], tuple[str, str, str]] = {
    ("field", "speed"): ("speed", "speed", "12 km/h"),
    ("field", "efficiency"): ("efficiency", "share", "70 %"),
    ("field", "width"): ("field_width", "length", "240 m"),
    ("field", "length"): ("field_length", "length", "400 m"),
    ("field", "target_rate"): ("target", "rate", "150 kg/ha"),
    ("costs", "labour"): ("labour", "price", "22 EUR/h"),
    ("costs", "machine"): ("machine", "price", "38 EUR/h"),
    ("costs", "fuel"): ("fuel", "price", "1.15 EUR/L"),
    ("costs", "fuel_use"): ("fuel_use", "price", "14 L/h"),
    ("crop", "price"): ("crop_price", "price", "190 EUR/t"),
    ("crop", "bushel"): ("bushel", "price", "60 lb"),
}
# The texts of the response table and how they are written; all else in it is a coefficient.
_TEXTS = {
    "curve": "quadratic",
    "rate_unit": "kg/ha",
    "yield_unit": "t/ha",
    "nutrient_content": "46 %",
    "already_given": "60 kg/ha",
}
TABLES = ("field", "costs", "crop", "response")
BUSHELS = "bu/ac"

Written = dict[str, tuple[str, str]]


@dataclass(frozen=True)
class PriceFile:
    """What a price file holds: text and place of each figure, and the response table as it stands."""

    written: Written = dataclasses.field(default_factory=dict)
    response: Mapping[str, Any] | None = None
    source: str = ""


@dataclass(frozen=True)
class CostBasis:
    """The field, the target rate, the prices and the response that widths are compared with."""

    field: Field = dataclasses.field(default_factory=Field)
    target_kg_ha: float | None = None
    prices: Prices = dataclasses.field(default_factory=Prices)
    response: Response | None = None
    efficiency_given: bool = False


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
    source = os.fspath(path)
    data = read_toml(path)
    written: Written = {}
    faults: list[Fault] = []
    for table, content in data.items():
        if table not in TABLES or not isinstance(content, dict):
            faults.append(_unknown(source, "table", table, TABLES))
        elif table != "response":
            faults += _read_table(source, table, content, written)
    if faults:
        raise CostError(*faults)
    return PriceFile(written, data.get("response"), source)


def _unknown(source: str, what: str, name: str, known: Iterable[str], table: str = "") -> Fault:
    """A table or key that nobody reads: most likely misspelt, so it is never passed over."""
    names = list(known)
    near = get_close_matches(name.casefold(), names, n=1)
    hint = f'did you mean "{near[0]}"?' if near else f"use {', '.join(names)}"
    place = f"{source}: table [{table}]" if table else source
    return Fault(place, f'"{shown(name)}" is not a {what} of a price file', hint)


def _place(source: str, table: str, key: str) -> str:
    return f'{source}: table [{table}], key "{key}"'


def _read_table(source: str, table: str, content: Mapping[str, Any], written: Written) -> list[Fault]:
    """The figures of one table, put into `written`; returns what is wrong with them."""
    keys = [key for at, key in KEYS if at == table]
    faults = []
    for key, value in content.items():
        if key not in keys:
            faults.append(_unknown(source, "key", key, keys, table))
            continue
        name, _, example = KEYS[table, key]
        if isinstance(value, str):
            written[name] = (value, _place(source, table, key))
        else:
            remedy = f'write it in quotes with its unit, such as {key} = "{example}"'
            faults.append(Fault(_place(source, table, key), f"{shown(str(value))} has no unit", remedy))
    return faults


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
    given = {
        name: (text, f"option --{name.replace('_', '-')}") for name, text in (options or {}).items() if text is not None
    }
    written = {**file.written, **given}
    faults: list[Fault] = []
    figures = _figures(written, faults)
    prices, land, response = Prices(), Field(), None
    with _collected(faults):
        prices = prices_from(
            {name: written[name] for name, kind, _ in KEYS.values() if kind == "price" and name in written}
        )
    with _collected(faults):
        land = _field(figures)
    with _collected(faults):
        if file.response is not None:
            response = response_from(file.response, bushel_kg=prices.bushel_kg, source=file.source)
    if faults:
        raise CostError(*faults)
    return CostBasis(land, figures.get("target"), prices, response, "efficiency" in figures)


@contextmanager
def _collected(faults: list[Fault]) -> Iterator[None]:
    """Let what goes wrong inside join the other faults, so that all are told at once."""
    try:
        yield
    except SpreadcheckError as error:
        faults += error.faults


def _figures(written: Written, faults: list[Fault]) -> dict[str, float]:
    """Lengths, speeds, shares and rates, in the units used inside."""
    figures: dict[str, float] = {}
    for name, kind, _ in KEYS.values():
        if kind != "price" and name in written:
            with _collected(faults):
                figures[name] = parse_quantity(written[name][0], kind, place=written[name][1])
    return figures


def _field(figures: Mapping[str, float]) -> Field:
    return Field(
        speed_m_s=figures.get("speed"),
        efficiency_pct=figures.get("efficiency", EFFICIENCY_PCT),
        width_m=figures.get("field_width"),
        length_m=figures.get("field_length"),
    )


def response_from(table: Mapping[str, Any], *, bushel_kg: float | None = None, source: str = "") -> Response:
    """A yield response from the table [response] of a price file."""
    faults = [
        Fault(f"{source}: table [response]", f'"{key}" is missing', f'add a line such as {key} = "{_TEXTS[key]}"')
        for key in ("curve", "rate_unit", "yield_unit")
        if key not in table
    ]
    faults += _kind_faults(table, source)
    if faults:
        raise CostError(*faults)
    rate, crop = 1.0, 1.0
    content, already = 100.0, 0.0
    with _collected(faults):
        rate = _unit(table, "rate_unit", "rate", source)
    with _collected(faults):
        crop = _yield_unit(table, bushel_kg, source)
    with _collected(faults):
        content = parse_quantity(
            table.get("nutrient_content", "100 %"), "share", place=_place(source, "response", "nutrient_content")
        )
    with _collected(faults):
        already = parse_quantity(
            table.get("already_given", "0 kg/ha"), "rate", place=_place(source, "response", "already_given")
        )
    if faults:
        raise CostError(*faults)
    powers = {**CURVES.get(table["curve"], {}), **OVER_SUPPLY}
    coefficients = {
        key: value * crop ** powers.get(key, (0, 0))[0] * rate ** powers.get(key, (0, 0))[1]
        for key, value in table.items()
        if key not in _TEXTS
    }
    place = f"{source}: table [response]"
    return response_curve(table["curve"], coefficients, content=content / 100, already_kg_ha=already, place=place)


def _kind_faults(table: Mapping[str, Any], source: str) -> list[Fault]:
    """Text where a number belongs, and the other way about; a true or false is neither."""
    faults = []
    for key, value in table.items():
        if key in _TEXTS and not isinstance(value, str):
            remedy = f'write it in quotes, such as {key} = "{_TEXTS[key]}"'
            faults.append(Fault(_place(source, "response", key), f"{shown(str(value))} is not text", remedy))
        elif key not in _TEXTS and (isinstance(value, bool) or not isinstance(value, (int, float))):
            remedy = "write a bare number, in the table's rate_unit and yield_unit"
            faults.append(Fault(_place(source, "response", key), f'"{shown(str(value))}" is not a number', remedy))
        elif key not in _TEXTS and abs(value) > LARGEST and value != math.inf:
            faults.append(Fault(_place(source, "response", key), "the number is too large", "check its digits"))
    return faults


def _unit(table: Mapping[str, Any], key: str, kind: str, source: str) -> float:
    """What one of a unit is worth in the unit used inside."""
    name = unit_named(table[key], kind)
    if name is None:
        problem = f'"{shown(table[key])}" is not a unit of {kind}'
        raise CostError(Fault(_place(source, "response", key), problem, f"use one of {units_of(kind)}"))
    return to_inside(1.0, name, kind)


def _yield_unit(table: Mapping[str, Any], bushel_kg: float | None, source: str) -> float:
    """What one of the yield unit is worth in t/ha; bushels by their mass."""
    if table["yield_unit"] != BUSHELS:
        return _unit(table, "yield_unit", "yield", source)
    if bushel_kg is None:
        remedy = 'add bushel = "60 lb" to the table [crop], or --bushel'
        raise CostError(Fault(_place(source, "response", "yield_unit"), "the mass of a bushel is not known", remedy))
    return to_inside(bushel_kg / POUND_KG, "lb/ac", "yield")
