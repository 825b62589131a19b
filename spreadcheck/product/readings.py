"""Readings of a product or a run as people write them, their mean and scatter, and how many are needed."""

from __future__ import annotations

import math
import os
import re
import statistics
from bisect import bisect_left
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

from spreadcheck.errors import Fault, QuantityError, SheetError, read_all, record, shown
from spreadcheck.product.size import MM_TO_SIZE_NUMBER, Component, SieveCurve, sieve_box, sieve_curve
from spreadcheck.sheet.cells import read_titled
from spreadcheck.sheet.plausible import BOUNDS, ONE_GRANULE_N, check, check_alike, check_quantity
from spreadcheck.units import KINDS, from_inside, parse_number, parse_quantity, parted, split_quantity, unit_named

CONFIDENCE_PCT = 95.0
MOST_READINGS = 1_000_000

# ASTM E11 (ISO 565): opening of the sieves that the US know by number. [mm]
US_SIEVES_MM = {
    4: 4.75, 5: 4.0, 6: 3.35, 7: 2.8, 8: 2.36, 10: 2.0, 12: 1.7, 14: 1.4, 16: 1.18, 18: 1.0, 20: 0.85, 25: 0.71,
    30: 0.6, 35: 0.5, 40: 0.425, 45: 0.355, 50: 0.3, 60: 0.25,
}  # fmt: skip
_NUMBERED = re.compile(r"(?:no\.?|number|#|mesh)\s*(\d+)|(\d+)\s*mesh", re.ASCII | re.IGNORECASE)


@record
class Scatter:
    """Repeated readings of one property: all is NaN without any, `sd` for a single one."""

    readings: tuple[float, ...] = ()
    count: int = 0
    mean: float = math.nan
    lowest: float = math.nan
    highest: float = math.nan
    sd: float = math.nan
    cv_pct: float = math.nan  # the standard deviation as a share of the mean


def scatter_of(readings: Sequence[float]) -> Scatter:
    """Mean, extremes and standard deviation of repeated readings."""
    if not readings:
        return Scatter()
    count, mean = len(readings), statistics.fmean(readings)
    sd = statistics.stdev(readings) if count > 1 else math.nan
    return Scatter(tuple(readings), count, mean, min(readings), max(readings), sd, 100.0 * sd / mean)


def half_width(sd: float, count: int, *, confidence_pct: float = CONFIDENCE_PCT) -> float:
    """How far the mean of the readings may be off: t s / sqrt(n) with n - 1 degrees of freedom; NaN for one reading."""
    check_confidence(confidence_pct)
    if count < 2:
        return math.nan
    from scipy.special import stdtrit

    return float(stdtrit(count - 1, 0.5 + confidence_pct / 200)) * sd / math.sqrt(count)


def readings_needed(sd: float, wanted: float, *, confidence_pct: float = CONFIDENCE_PCT) -> int:
    """How many readings in all bring the half-width of the mean down to what is wanted, if the SD seen is true."""
    if not wanted > 0:
        raise QuantityError(Fault("", f"{wanted:g} is not a half-width", "give one above 0"))

    def surplus(count: int) -> float:
        return wanted - half_width(sd, count, confidence_pct=confidence_pct)

    if surplus(MOST_READINGS) < 0:
        problem = f"it would take more than {MOST_READINGS:,} readings"
        raise QuantityError(Fault("", problem, "ask for a wider half-width"))
    return 2 + bisect_left(range(2, MOST_READINGS), 0.0, key=surplus)


def check_confidence(confidence_pct: float, *, place: str = "") -> None:
    """Refuse a confidence that nobody can mean."""
    if not 50 <= confidence_pct <= 99.99:
        problem = f"{confidence_pct:g} is not a confidence in %"
        raise QuantityError(Fault(place, problem, "give one from 50 to 99.99, such as 95"))


@record
class Part:
    """One reading as written, and where it stands."""

    text: str
    place: str = ""


@record
class Entry:
    """A labelled row of readings, such as "crush strength" with ten forces."""

    label: str
    parts: tuple[Part, ...]
    place: str = ""


def _texts(label: str, text: str) -> list[str]:
    """The readings of a row; commas may stand in a product's name, and in a component's whose parts have a ;."""
    if label == "product":
        return [text.strip()]
    return [part.strip() for part in text.split(";")] if label == "component" and ";" in text else [*parted(text)]


def option_entry(label: str, text: str, *, option: str) -> Entry:
    """The value of an option as a labelled row of readings."""
    place = f"option {option}"
    return Entry(label, tuple(Part(part, place) for part in _texts(label, text) if part), place)


def pair(part: Part, *, such_as: str) -> tuple[str, str]:
    """Both halves of a reading with a colon."""
    halves = [half.strip() for half in part.text.split(":")]
    if len(halves) != 2 or not all(halves):
        raise QuantityError(Fault(part.place, f'"{shown(part.text)}" is not a pair', f'write it as "{such_as}"'))
    return halves[0], halves[1]


def positive(text: str, kind: str, *, place: str = "", zero: bool = False) -> float:
    """A quantity with its unit that must be above 0."""
    value, wrong = parse_quantity(text, kind, place=place), "negative" if zero else "not above 0"
    if value < 0 or (value == 0 and not zero):
        raise QuantityError(Fault(place, f'the {kind} "{text}" is {wrong}', "check the number"))
    return value


def share(text: str, *, place: str = "") -> float:
    """A share, with or without its percent sign."""
    number = parse_number(text.strip().removesuffix("%"), decimal_comma=True)
    if number is None or not 0 <= number <= 100:
        raise QuantityError(Fault(place, f'"{shown(text)}" is not a share', "write a number from 0 to 100, in %"))
    return number


@record
class Readings:
    """All readings of one product. Densities in kg/m3, strengths in N; empty where nothing was read."""

    name: str = ""
    boxes: tuple[tuple[float, float], ...] = ()  # SGN, and what the shares added up to
    curves: tuple[SieveCurve, ...] = ()
    size_guide_numbers: tuple[float, ...] = ()
    uniformity_indices: tuple[float, ...] = ()
    bulk_kg_m3: tuple[float, ...] = ()
    granule_kg_m3: tuple[float, ...] = ()
    strength_n: tuple[float, ...] = ()
    entered_kg_m3: tuple[float, ...] = ()
    components: tuple[Component, ...] = ()


def read_readings(entries: Sequence[Entry], *, rescale: bool = False) -> Readings:
    """The readings of a product from labelled rows.

    Parameters
    ----------
    entries : sequence of Entry
        The rows, in order. [-]
    rescale : bool
        Divide sieve shares by their total where they don't add up to 100. [-]

    Returns
    -------
    Readings
        The readings. [inside units]

    Raises
    ------
    QuantityError
        With every reading that can't be used, and the likely slip behind one that can't be.

    Examples
    --------
    >>> read_readings([option_entry("bulk density", "1 L: 0.78 kg, 0.79 kg/L", option="--density")]).bulk_kg_m3
    (780.0, 790.0)
    """
    found: dict[str, Any] = {}
    for field, values in read_all(entries, lambda entry: _entry(entry, rescale)):
        found[field] = values[0] if field == "name" else (*found.get(field, ()), *values)
    if forces := found.get("strength_n"):  # refuse readings in two units, and a mean that no product has
        first = next(entry for entry in entries if " ".join(entry.label.casefold().split()) == "crush strength")
        check_alike("crush strength", forces, place=first.place)
        unit = unit_named(split_quantity(first.parts[0].text)[1], "force") or "N"
        check("crush strength", from_inside(statistics.fmean(forces), unit, "force"), unit, place=first.place)
    return Readings(**found)


def _entry(entry: Entry, rescale: bool) -> tuple[str, tuple[Any, ...]]:
    """The field of the readings that a row fills, and what it says."""
    label, named = " ".join(entry.label.casefold().split()), f'"{shown(entry.label)}"'
    if not entry.parts:
        raise QuantityError(Fault(entry.place, f"{named} has no reading", "write one, or leave the row out"))
    if label == "product":
        return "name", (entry.parts[0].text,)
    if label == "sieve box":
        numbers, shares = zip(*read_all(entry.parts, _compartment), strict=True)
        return "boxes", (sieve_box(numbers, shares, rescale=rescale, place=entry.place),)
    if label == "sieve stack":
        return "curves", (_stack(entry, rescale),)
    if label == "component":
        return "components", (_component(entry),)
    if label not in _SINGLE:
        known = ", ".join(("product", "sieve box", "sieve stack", *_SINGLE, "component"))
        raise QuantityError(Fault(entry.place, f"{named} is not a row of a product file", f"use {known}"))
    field, read = _SINGLE[label]
    return field, read_all(entry.parts, read)


def _number(label: str, part: Part, *, low: float | None = None) -> float:
    """A number that a product can have; a size number may be written in mm."""
    if BOUNDS[label].kind in KINDS:
        return check_quantity(label, part.text, place=part.place, low=low)
    if label == "size guide number" and part.text.strip().casefold().endswith("mm"):
        return MM_TO_SIZE_NUMBER * check("granule size", positive(part.text, "granule size", place=part.place))
    plain = parse_number(part.text, decimal_comma=True)
    if plain is None:
        raise QuantityError(Fault(part.place, f'the {label} is "{shown(part.text)}"', "write a plain number"))
    return check(label, plain, place=part.place)


def _bulk(part: Part) -> float:
    """A filled container, "1 L: 0.78 kg", or a density as it stands."""
    if ":" not in part.text:
        return _number("bulk density", part)
    first, second = pair(part, such_as="1 L: 0.78 kg")
    volume_l, mass_kg = (positive(x, k, place=part.place) for x, k in ((first, "volume"), (second, "mass")))
    density = mass_kg / volume_l
    return check("bulk density", density, "kg/L", place=part.place, written=f'"{part.text}": {density:g} kg/L')


# row -> the field of the readings, and how one is read
_SINGLE: dict[str, tuple[str, Callable[[Part], float]]] = {
    "size guide number": ("size_guide_numbers", partial(_number, "size guide number")),
    "uniformity index": ("uniformity_indices", partial(_number, "uniformity index")),
    "bulk density": ("bulk_kg_m3", _bulk),
    "granule density": ("granule_kg_m3", partial(_number, "granule density")),
    "crush strength": ("strength_n", partial(_number, "crush strength", low=ONE_GRANULE_N)),
    "density entered": ("entered_kg_m3", partial(_number, "bulk density")),
}


def sieve_mm(text: str, *, place: str = "") -> float:
    """The aperture of a sieve: a size with its unit, or the number of a US sieve (ASTM E11)."""
    numbered = _NUMBERED.fullmatch(text.strip())
    if numbered is None:
        return check("granule size", positive(text, "granule size", place=place), place=place)
    number = int(numbered[1] or numbered[2])
    if number not in US_SIEVES_MM:
        remedy = f"use one of No. {', '.join(map(str, US_SIEVES_MM))}, or write the mm"
        raise QuantityError(Fault(place, f'"{shown(text)}" is not a US sieve', remedy))
    return US_SIEVES_MM[number]


def _compartment(part: Part) -> tuple[float, float]:
    """ "250: 40" by size number, or "2.5 mm: 40 %" by size."""
    first, second = pair(part, such_as="250: 40")
    number = parse_number(first, decimal_comma=True)
    if number is None:
        number = MM_TO_SIZE_NUMBER * sieve_mm(first, place=part.place)
    elif number > 0:
        check("size guide number", number, place=part.place)
    return number, share(second, place=part.place)


def _stack(entry: Entry, rescale: bool) -> SieveCurve:
    rows = read_all(entry.parts, _sieve_row)
    kinds = {kind for _, _, kind in rows}
    if len(kinds) > 1:
        raise QuantityError(Fault(entry.place, "masses and shares stand side by side", "write all in g or all in %"))
    sieves = [(size, amount) for size, amount, _ in rows if isinstance(size, float)]
    extra = {name: amount for name, amount, _ in rows if isinstance(name, str)}
    if len(sieves) + len(extra) < len(rows):
        raise QuantityError(Fault(entry.place, '"pan" or "sample" is there twice', "give each one once"))
    if "pan" not in extra:
        remedy = 'write what fell through all sieves, such as "pan: 0 g"'
        raise QuantityError(Fault(entry.place, 'there is no "pan"', remedy))
    sizes, amounts = zip(*sieves, strict=True) if sieves else ((), ())
    return sieve_curve(sizes, amounts, **extra, shares=kinds == {"share"}, rescale=rescale, place=entry.place)


def _sieve_row(part: Part) -> tuple[float | str, float, str]:
    """Aperture (or "pan", "sample"), amount, and whether that is a mass or a share."""
    first, second = pair(part, such_as="2.5 mm: 40 g")
    name = first.casefold()
    size: float | str = name if name in ("pan", "sample") else sieve_mm(first, place=part.place)
    if second.endswith("%") and name != "sample":
        return size, share(second, place=part.place), "share"
    if parse_number(second, decimal_comma=True) is not None:
        raise QuantityError(Fault(part.place, f'"{second}" has no unit', f'write "{second} g" or "{second} %"'))
    return size, positive(second, "catch mass", place=part.place, zero=name != "sample"), "mass"


# how a property of a component is called, the whole label first -> its row; and the row's field of a component
_SHORT = {"sgn": "size guide number", "ui": "uniformity index", "density": "bulk density", "strength": "crush strength"}
_FIELDS = {
    "size guide number": "size_guide_number", "uniformity index": "uniformity_index", "bulk density": "bulk_kg_m3",
    "granule density": "granule_kg_m3", "crush strength": "strength_n",
}  # fmt: skip
_SUCH_AS = "urea: 60 %, SGN 280, UI 48, density 0.76 kg/L, strength 3.1 kgf"


def _component(entry: Entry) -> Component:
    """ "urea: 60 %", then its properties by name; a property given again is a further reading of it."""
    name, amount = pair(entry.parts[0], such_as=_SUCH_AS)
    found = read_all(entry.parts[1:], _property)
    means = {field: statistics.fmean(value for name, value in found if name == field) for field, _ in found}
    return Component(name, share(amount, place=entry.place), **means)


def _property(part: Part) -> tuple[str, float]:
    written = " ".join(part.text.split())
    for word in (*_FIELDS, *_SHORT):
        if written.casefold().startswith(f"{word} "):
            label, value = _SHORT.get(word, word), Part(written[len(word) :].strip(" :"), part.place)
            read = partial(_number, label) if label == "crush strength" else _SINGLE[label][1]
            return _FIELDS[label], read(value)
    problem = f'"{shown(part.text)}" is not a property of a component'
    raise QuantityError(Fault(part.place, problem, f'write it as in "{_SUCH_AS}"'))


def read_product_file(path: str | os.PathLike[str]) -> tuple[Entry, ...]:
    """The labelled rows of a product file: a label a row, its readings behind it; a label may come again.

    Parameters
    ----------
    path : str or path-like
        The file. [-]

    Returns
    -------
    tuple of Entry
        Its rows, each reading with the place it stands at. [-]

    Raises
    ------
    SheetError
        If the file can't be read or is not a product file.

    Examples
    --------
    >>> [entry.label for entry in read_product_file("sample_trays/example_product.csv")][:2]
    ['product', 'sieve stack']
    """
    cells = read_titled(path, "spreadcheck product")
    entries = []
    for at, (label, *readings) in enumerate(cells.rows):
        parts: list[Part] = []
        for column, cell in enumerate(readings, start=1):  # one reading a cell, or several with semicolons between
            texts = _texts(label.casefold().strip(), cell) if ";" in cell else [cell]
            parts += [Part(text, cells.place(at, column)) for text in texts if text]
        entries.append(Entry(label, tuple(parts), cells.place(at)))
    return tuple(entries)


def read_stack_file(path: str | os.PathLike[str]) -> Entry:
    """A sieve stack in a file of its own: header `sieve, retained`, a unit row, a row a sieve, and pan."""
    cells = read_titled(path, "spreadcheck sieve stack")
    header = tuple(cell.casefold() for cell in cells.rows[0])
    if header != ("sieve", "retained"):
        raise SheetError(Fault(cells.place(0), f'the header is "{shown(", ".join(header))}"', "write sieve,retained"))
    first, second = (*cells.rows[1], "", "")[:2] if len(cells.rows) > 1 else ("", "")
    size, amount = unit_named(first, "granule size"), "%" if second == "%" else unit_named(second, "catch mass")
    if size is None or amount is None:
        place = cells.place(1) if len(cells.rows) > 1 else cells.source
        raise SheetError(Fault(place, "this is not a unit row", "write mm,g or mm,% below the header"))
    parts = []
    for at, row in enumerate(cells.rows[2:], start=2):
        if len(row) != 2 or not all(row):
            place = cells.place(at, "sieve" if not row[0] else "retained")
            raise SheetError(Fault(place, "the cell is empty", "write a number; 0 if nothing lay there"))
        named = parse_number(row[0], decimal_comma=cells.decimal_comma) is None
        parts.append(Part(f"{row[0]}{'' if named else f' {size}'}: {row[1]} {amount}", cells.place(at)))
    return Entry("sieve stack", tuple(parts), cells.source)
