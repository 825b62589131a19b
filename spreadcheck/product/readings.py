"""Readings as people write them: "1 L: 0.78 kg, 1 L: 0.77 kg" on a command line, or the same in the cells of a row.

1. `Part`, `Entry`    one reading and where it stands; a labelled row of readings
2. `parted`           a line of readings -> its parts
3. `option_entry`     an option of a command -> a labelled row
4. `pair`             "1 L: 0.78 kg" -> both halves
5. `positive`         a quantity with its unit that must be above 0
6. `share`            "40" or "40 %"
7. `check_total`      shares that must add up to 100
8. `read_all`         read many, collect every fault, raise them at once
9. `confidence_given`, `half_width_given`   how well a mean should be known
"""

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
    """The parts of a line of readings: between semicolons if there are any, else between commas.

    Parameters
    ----------
    text : str
        The line. [-]

    Returns
    -------
    tuple of str
        The parts, without blanks around them and without empty ones. [-]

    Examples
    --------
    >>> parted("3.1 kgf, 2.8 kgf"), parted("3,1 kgf; 2,8 kgf")
    (('3.1 kgf', '2.8 kgf'), ('3,1 kgf', '2,8 kgf'))
    """
    separator = ";" if ";" in text else ","
    return tuple(part.strip() for part in text.split(separator) if part.strip())


def option_entry(label: str, text: str, *, option: str) -> Entry:
    """The value of an option as a labelled row of readings.

    Parameters
    ----------
    label : str
        What the readings are of. [-]
    text : str
        The value of the option. [-]
    option : str
        The option's name, for messages. [-]

    Returns
    -------
    Entry
        The row. [-]

    Examples
    --------
    >>> option_entry("crush strength", "3.1 kgf, 2.8 kgf", option="--crush").parts[1]
    Part(text='2.8 kgf', place='option --crush')
    """
    place = f"option {option}"
    texts = (text.strip(),) if label == "product" else parted(text)  # a name may hold commas
    return Entry(label, tuple(Part(part, place) for part in texts if part), place)


def pair(part: Part, *, such_as: str) -> tuple[str, str]:
    """Both halves of a reading with a colon.

    Parameters
    ----------
    part : Part
        The reading. [-]
    such_as : str
        An example, for the message. [-]

    Returns
    -------
    tuple of str
        What stands before and after the colon. [-]

    Raises
    ------
    QuantityError
        If there is not exactly one colon with something on both sides.

    Examples
    --------
    >>> pair(Part("1 L: 0.78 kg"), such_as="1 L: 0.78 kg")
    ('1 L', '0.78 kg')
    """
    halves = [half.strip() for half in part.text.split(":")]
    if len(halves) != 2 or not all(halves):
        raise QuantityError(Fault(part.place, f'"{shown(part.text)}" is not a pair', f'write it as "{such_as}"'))
    return halves[0], halves[1]


def positive(text: str, kind: str, *, place: str = "", zero: bool = False) -> float:
    """A quantity with its unit that must be above 0.

    Parameters
    ----------
    text : str
        What was written. [-]
    kind : str
        A key of `units.KINDS`. [-]
    place : str
        Where it stands, for the message. [-]
    zero : bool
        Whether 0 is allowed as well. [-]

    Returns
    -------
    float
        The value. [inside unit]

    Raises
    ------
    QuantityError
        If it can't be read, or is 0 or negative.

    Examples
    --------
    >>> positive("0 kg", "mass", place="option --density")
    Traceback (most recent call last):
    ...
    spreadcheck.errors.QuantityError: option --density: the mass "0 kg" is not above 0; check the number
    """
    value = parse_quantity(text, kind, place=place)
    if value < 0 or (value == 0 and not zero):
        raise QuantityError(
            Fault(place, f'the {kind} "{text}" is {"negative" if zero else "not above 0"}', "check the number")
        )
    return value


def share(text: str, *, place: str = "") -> float:
    """A share, with or without its percent sign.

    Parameters
    ----------
    text : str
        What was written. [-]
    place : str
        Where it stands, for the message. [-]

    Returns
    -------
    float
        The share, from 0 to 100. [%]

    Raises
    ------
    QuantityError
        If it is not a number from 0 to 100.

    Examples
    --------
    >>> share("40"), share("2,5 %")
    (40.0, 2.5)
    """
    number = parse_number(text.strip().removesuffix("%"), decimal_comma=True)
    if number is None or not 0 <= number <= 100:
        raise QuantityError(Fault(place, f'"{shown(text)}" is not a share', "write a number from 0 to 100, in %"))
    return number


def check_total(shares_pct: Sequence[float], *, what: str, place: str = "", rescale: bool = False) -> float:
    """The total of shares that must add up to 100, apart from what rounding each to 0.1 can do.

    Parameters
    ----------
    shares_pct : sequence of float
        The shares. [%]
    what : str
        What they are shares of, for the message. [-]
    place : str
        Where they stand. [-]
    rescale : bool
        Whether another total is allowed, because the reader was asked to divide by it. [-]

    Returns
    -------
    float
        The total. [%]

    Raises
    ------
    QuantityError
        If the total is 0, or is not 100 and may not be rescaled.

    Examples
    --------
    >>> check_total([20, 45, 30], what="sieve shares")
    Traceback (most recent call last):
    ...
    spreadcheck.errors.QuantityError: the sieve shares add up to 95 %, 5 % too little;
    check them, or add --rescale to divide by their total
    """
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
    """Read every item, and raise all faults at once.

    Parameters
    ----------
    items : iterable
        What was written. [-]
    read : callable
        Reads one item; raises a `SpreadcheckError` where it can't. [-]

    Returns
    -------
    tuple
        What was read, in order. [as read]

    Raises
    ------
    QuantityError
        With the faults of all items that can't be read.

    Examples
    --------
    >>> read_all(["1 L", "500 ml"], lambda text: positive(text, "volume"))
    (1.0, 0.5)
    """
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
    """A confidence as given, once it is seen to be one.

    Parameters
    ----------
    confidence_pct : float
        What was given. [%]
    place : str
        Where, for the message. [-]

    Returns
    -------
    float
        The same. [%]

    Raises
    ------
    QuantityError
        If it is not between 50 and 99.99.

    Examples
    --------
    >>> confidence_given(0.95, place="option --confidence")
    Traceback (most recent call last):
    ...
    spreadcheck.errors.QuantityError: option --confidence: 0.95 is not a confidence in %;
    give one from 50 to 99.99, such as 95
    """
    try:
        check_confidence(confidence_pct)
    except QuantityError as error:
        raise QuantityError(*(Fault(place, fault.problem, fault.remedy) for fault in error.faults)) from None
    return confidence_pct


def half_width_given(text: str | None, *, place: str = "") -> tuple[float | None, float | None]:
    """The half-width wanted of a mean crush strength, in % of it or as a force.

    Parameters
    ----------
    text : str or None
        "10 %" or "0.3 kgf". [-]
    place : str
        Where, for the message. [-]

    Returns
    -------
    tuple of float or None
        The share and the force; the one that was not given is None. [%], [N]

    Raises
    ------
    QuantityError
        If it is neither, or not above 0.

    Examples
    --------
    >>> half_width_given("10 %"), half_width_given("2 N"), half_width_given(None)
    ((10.0, None), (None, 2.0), (None, None))
    """
    if text is None:
        return None, None
    if not text.strip().endswith("%"):
        return None, positive(text, "force", place=place)
    wanted = share(text, place=place)
    if wanted == 0:
        raise QuantityError(Fault(place, "0 % is not a half-width", "give one above 0"))
    return wanted, None
