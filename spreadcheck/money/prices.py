"""Prices: what an hour, a litre of fuel and a tonne of crop are worth, as the user writes them.

Amounts are never turned from one currency into another, and none is ever assumed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from spreadcheck.errors import CostError, Fault, QuantityError, shown
from spreadcheck.units import GALLON_L, POUND_KG, may_mark_thousands, parse_number, parse_quantity

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


@dataclass(frozen=True)
class Price:
    """An amount of money for one unit; the currency is what the user called it, "" if nothing."""

    amount: float
    currency: str = ""


@dataclass(frozen=True)
class Prices:
    """Prices of one comparison, all in one currency; None for what was not given."""

    currency: str = ""
    labour_per_h: float | None = None
    machine_per_h: float | None = None
    fuel_per_l: float | None = None
    fuel_use_l_h: float | None = None
    crop_per_t: float | None = None
    bushel_kg: float | None = None

    @property
    def work_per_h(self) -> float | None:
        """Labour and machine together, as far as given. [money/h]"""
        known = [price for price in (self.labour_per_h, self.machine_per_h) if price is not None]
        return sum(known) if known else None

    @property
    def fuel_per_h(self) -> float | None:
        """Fuel burnt in an hour of work. [money/h]"""
        if self.fuel_per_l is None or self.fuel_use_l_h is None:
            return None
        return self.fuel_per_l * self.fuel_use_l_h

    @property
    def any_given(self) -> bool:
        """Whether the user gave any price at all."""
        return any(price is not None for price in (self.work_per_h, self.fuel_per_l, self.crop_per_t))


def parse_price(text: str, per: str, *, place: str = "", bushel_kg: float | None = None) -> Price:
    """A price as a person writes it, such as "22 EUR/h", "$5.40/bu" or "1.15 per L"."""
    units, example = _PER[per]
    if bushel_kg is not None and per == "t":
        units = {**units, "bu": bushel_kg / 1e3, "bushel": bushel_kg / 1e3}
    match = _PRICE.fullmatch(text.strip().replace("\u2212", "-"))
    number = parse_number(match["number"], decimal_comma=True) if match else None
    if match is None or number is None:
        raise CostError(
            Fault(place, f'"{shown(text)}" is not a price', f'write an amount and what it is for: "{example}"')
        )
    holds = units.get(match["unit"].strip()) or units.get(match["unit"].strip().casefold())
    if holds is None:
        raise CostError(_unit_fault(match["unit"].strip(), text, units, per, place))
    if may_mark_thousands(match["number"]):
        remedy = "write it without the comma, or with a point"
        raise CostError(Fault(place, f'the comma in "{shown(text)}" may mark thousands or decimals', remedy))
    if not 0 <= number <= MAX_AMOUNT:
        problem = f'the price "{shown(text)}" is negative' if number < 0 else f'the price "{shown(text)}" is too large'
        raise CostError(Fault(place, problem, "give 0 or more; 0 where it costs nothing"))
    return Price(number / holds, (match["before"] or match["behind"]).strip())


def _unit_fault(unit: str, text: str, units: Mapping[str, float], per: str, place: str) -> Fault:
    if per == "t" and unit.casefold() in ("bu", "bushel"):
        remedy = 'add the mass of a bushel: bushel = "60 lb" in the table [crop], or --bushel'
        return Fault(place, f'"{shown(text)}" is for a bushel, whose mass is not known', remedy)
    names = ", ".join(name for name in units if len(name) < 4 or " " in name)
    return Fault(place, f'"{shown(unit)}" in "{shown(text)}" is not what this price is for', f"use one of {names}")


def prices_from(written: Mapping[str, tuple[str, str]]) -> Prices:
    """The written prices, read together."""
    faults: list[Fault] = []
    bushel_kg = _quantity(written, "bushel", "mass", 0.1, 1000, faults)
    fuel_use = _quantity(written, "fuel_use", "fuel use", 0, 10_000, faults)
    found: dict[str, Price] = {}
    for name, per in (("labour", "h"), ("machine", "h"), ("fuel", "L"), ("crop_price", "t")):
        if name in written:
            text, place = written[name]
            try:
                found[name] = parse_price(text, per, place=place, bushel_kg=bushel_kg)
            except CostError as error:
                faults += error.faults
    faults += _currency_faults(found, written) + _fuel_faults(written)
    if faults:
        raise CostError(*faults)
    amounts = {name: price.amount for name, price in found.items()}
    return Prices(
        currency=next((price.currency for price in found.values() if price.currency), ""),
        labour_per_h=amounts.get("labour"),
        machine_per_h=amounts.get("machine"),
        fuel_per_l=amounts.get("fuel"),
        fuel_use_l_h=fuel_use,
        crop_per_t=amounts.get("crop_price"),
        bushel_kg=bushel_kg,
    )


def _quantity(
    written: Mapping[str, tuple[str, str]], name: str, kind: str, low: float, high: float, faults: list[Fault]
) -> float | None:
    """A quantity beside the prices, within what can be; its faults join the others."""
    if name not in written:
        return None
    text, place = written[name]
    try:
        value = parse_quantity(text, kind, place=place)
    except QuantityError as error:
        faults += error.faults
        return None
    if not low <= value <= high:
        faults.append(Fault(place, f'"{shown(text)}" can\'t be right', "check the number and its unit"))
    return value


def _currency_faults(found: Mapping[str, Price], written: Mapping[str, tuple[str, str]]) -> list[Fault]:
    named = {price.currency: name for name, price in found.items() if price.currency}
    if len(named) < 2:
        return []
    (first, _), (second, where), *_ = named.items()
    problem = f'prices are in "{shown(first)}" and in "{shown(second)}"'
    return [Fault(written[where][1], problem, "give all prices in one currency; none is turned into another")]


def _fuel_faults(written: Mapping[str, tuple[str, str]]) -> list[Fault]:
    """Fuel takes a price and a use; one alone is a line forgotten."""
    faults = []
    for name, other, example in (("fuel", "fuel_use", "14 L/h"), ("fuel_use", "fuel", "1.15 EUR/L")):
        if name in written and other not in written:
            remedy = f'add {other} = "{example}" to the table [costs], or --{other.replace("_", "-")}'
            faults.append(Fault(written[name][1], f"{name} is given without {other}", remedy))
    return faults
