"""Readings as people write them: "1 L: 0.78 kg, 1 L: 0.77 kg" on a command line, or the same in the cells of a row."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from spreadcheck.errors import Fault, QuantityError, SpreadcheckError, shown
from spreadcheck.product.scatter import check_confidence
from spreadcheck.units import parse_number, parse_quantity

Written = TypeVar("Written")
Read = TypeVar("Read")

ROUNDING_PCT = 0.05  # what rounding to 0.1 % can add to or take from one share


@dataclass(frozen=True)
class Part:
    """One reading as written, and where it stands."""

    text: str
    place: str = ""


@dataclass(frozen=True)
class Entry:
    """A labelled row of readings, such as "crush strength" with ten forces."""

    label: str
    parts: tuple[Part, ...]
    place: str = ""


def parted(text: str) -> tuple[str, ...]:
    """The parts of a line of readings: between semicolons if there are any, else between commas."""
    separator = ";" if ";" in text else ","
    return tuple(part.strip() for part in text.split(separator) if part.strip())


def option_entry(label: str, text: str, *, option: str) -> Entry:
    """The value of an option as a labelled row of readings."""
    place = f"option {option}"
    texts = (text.strip(),) if label == "product" else parted(text)  # a name may hold commas
    return Entry(label, tuple(Part(part, place) for part in texts if part), place)


def pair(part: Part, *, such_as: str) -> tuple[str, str]:
    """Both halves of a reading with a colon."""
    halves = [half.strip() for half in part.text.split(":")]
    if len(halves) != 2 or not all(halves):
        raise QuantityError(Fault(part.place, f'"{shown(part.text)}" is not a pair', f'write it as "{such_as}"'))
    return halves[0], halves[1]


def positive(text: str, kind: str, *, place: str = "", zero: bool = False) -> float:
    """A quantity with its unit that must be above 0."""
    value = parse_quantity(text, kind, place=place)
    if value < 0 or (value == 0 and not zero):
        raise QuantityError(
            Fault(place, f'the {kind} "{text}" is {"negative" if zero else "not above 0"}', "check the number")
        )
    return value


def share(text: str, *, place: str = "") -> float:
    """A share, with or without its percent sign."""
    number = parse_number(text.strip().removesuffix("%"), decimal_comma=True)
    if number is None or not 0 <= number <= 100:
        raise QuantityError(Fault(place, f'"{shown(text)}" is not a share', "write a number from 0 to 100, in %"))
    return number


def check_total(shares_pct: Sequence[float], *, what: str, place: str = "", rescale: bool = False) -> float:
    """The total of shares that must add up to 100, apart from what rounding each to 0.1 can do."""
    total = sum(shares_pct)
    off = round(total - 100, 9)
    if total <= 0:
        raise QuantityError(Fault(place, f"the {what} are all 0", "write what was read"))
    if abs(off) > ROUNDING_PCT * len(shares_pct) and not rescale:
        amount = f"{abs(off):g} % too {'much' if off > 0 else 'little'}"
        raise QuantityError(
            Fault(
                place,
                f"the {what} add up to {round(total, 9):g} %, {amount}",
                "check them, or add --rescale to divide by their total",
            )
        )
    return total


def read_all(items: Iterable[Written], read: Callable[[Written], Read]) -> tuple[Read, ...]:
    """Read every item, and raise all faults at once."""
    found: list[Read] = []
    faults: list[Fault] = []
    for item in items:
        try:
            found.append(read(item))
        except SpreadcheckError as error:
            faults += error.faults
    if faults:
        raise QuantityError(*dict.fromkeys(faults))
    return tuple(found)


def confidence_given(confidence_pct: float, *, place: str = "") -> float:
    """A confidence as given, once it is seen to be one."""
    try:
        check_confidence(confidence_pct)
    except QuantityError as error:
        raise QuantityError(*(Fault(place, fault.problem, fault.remedy) for fault in error.faults)) from None
    return confidence_pct


def half_width_given(text: str | None, *, place: str = "") -> tuple[float | None, float | None]:
    """The half-width wanted of a mean crush strength, in % of it or as a force."""
    if text is None:
        return None, None
    if not text.strip().endswith("%"):
        return None, positive(text, "force", place=place)
    wanted = share(text, place=place)
    if wanted < 1e-6:
        raise QuantityError(Fault(place, f"{wanted:g} % is not a half-width", "give one above 0"))
    return wanted, None
