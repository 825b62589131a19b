"""Readings of a product as a technician writes them: rows of a small CSV file, or options of a command.

A product file is `spreadcheck product,1` and then rows of a label with its readings in the cells behind it:
sieve box, sieve stack, size guide number, uniformity index, bulk density, granule density, crush strength,
density entered and component (a row each). The same label may come again: a second sieve stack is a second reading.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from spreadcheck.errors import Fault, QuantityError, SheetError, shown
from spreadcheck.product.density import bulk_density
from spreadcheck.product.readings import Entry, Part, pair, parted, positive, read_all, share
from spreadcheck.product.scatter import scatter_of
from spreadcheck.product.segregation import Component
from spreadcheck.product.sieve import MM_TO_SIZE_NUMBER, SieveBox, SieveCurve, box_of, curve_of
from spreadcheck.sheet.labels import LABELS
from spreadcheck.sheet.titledcells import TitledCells, read_titled
from spreadcheck.units import KINDS, parse_number, parse_quantity, unit_named

TITLE = "spreadcheck product"
STACK_TITLE = "spreadcheck sieve stack"

# ASTM E11 (ISO 565): opening of the sieves that the US know by number. [mm]
US_SIEVES_MM = {
    4: 4.75, 5: 4.0, 6: 3.35, 7: 2.8, 8: 2.36, 10: 2.0, 12: 1.7, 14: 1.4, 16: 1.18, 18: 1.0, 20: 0.85, 25: 0.71,
    30: 0.6, 35: 0.5, 40: 0.425, 45: 0.355, 50: 0.3, 60: 0.25,
}  # fmt: skip
_NUMBERED = re.compile(r"(?:no\.?|number|#|mesh)\s*(\d+)|(\d+)\s*mesh", re.ASCII | re.IGNORECASE)


@dataclass(frozen=True)
class Readings:
    """All readings of one product. Densities in kg/m3, strengths in N; empty where nothing was read."""

    name: str = ""
    boxes: tuple[SieveBox, ...] = ()
    curves: tuple[SieveCurve, ...] = ()
    size_guide_numbers: tuple[float, ...] = ()
    uniformity_indices: tuple[float, ...] = ()
    bulk_kg_m3: tuple[float, ...] = ()
    granule_kg_m3: tuple[float, ...] = ()
    strength_n: tuple[float, ...] = ()
    entered_kg_m3: tuple[float, ...] = ()
    components: tuple[Component, ...] = ()


def sieve_mm(text: str, *, place: str = "") -> float:
    """The aperture of a sieve: a size with its unit, or the number of a US sieve (ASTM E11)."""
    numbered = _NUMBERED.fullmatch(text.strip())
    if numbered is None:
        return positive(text, "granule size", place=place)
    number = int(numbered[1] or numbered[2])
    if number not in US_SIEVES_MM:
        known = ", ".join(str(known) for known in US_SIEVES_MM)
        raise QuantityError(
            Fault(place, f'"{shown(text)}" is not a US sieve', f"use one of No. {known}, or write the mm")
        )
    return US_SIEVES_MM[number]


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
        With every reading that can't be used.

    Examples
    --------
    >>> from spreadcheck.product.readings import option_entry
    >>> read_readings([option_entry("bulk density", "1 L: 0.78 kg, 0.79 kg/L", option="--density")]).bulk_kg_m3
    (780.0, 790.0)
    """
    found = Readings()
    for read in read_all(entries, lambda entry: _entry(entry, rescale)):
        found = _joined(found, read)
    return found


def _joined(first: Readings, second: Readings) -> Readings:
    """The readings of both; the name of the second where it has one."""
    return Readings(
        name=second.name or first.name,
        boxes=first.boxes + second.boxes,
        curves=first.curves + second.curves,
        size_guide_numbers=first.size_guide_numbers + second.size_guide_numbers,
        uniformity_indices=first.uniformity_indices + second.uniformity_indices,
        bulk_kg_m3=first.bulk_kg_m3 + second.bulk_kg_m3,
        granule_kg_m3=first.granule_kg_m3 + second.granule_kg_m3,
        strength_n=first.strength_n + second.strength_n,
        entered_kg_m3=first.entered_kg_m3 + second.entered_kg_m3,
        components=first.components + second.components,
    )


def _entry(entry: Entry, rescale: bool) -> Readings:
    """The readings of one row."""
    label = " ".join(entry.label.casefold().split())
    if not entry.parts:
        raise QuantityError(
            Fault(entry.place, f'"{shown(entry.label)}" has no reading', "write one, or leave the row out")
        )
    if label == "product":
        return Readings(name=entry.parts[0].text)
    if label == "sieve box":
        return Readings(boxes=(_box(entry, rescale),))
    if label == "sieve stack":
        return Readings(curves=(_stack(entry, rescale),))
    if label == "component":
        return Readings(components=(_component(entry),))
    if label not in _SINGLE:
        known = ", ".join(("product", "sieve box", "sieve stack", *_SINGLE, "component"))
        raise QuantityError(
            Fault(entry.place, f'"{shown(entry.label)}" is not a row of a product file', f"use {known}")
        )
    kept, read = _SINGLE[label]
    return kept(read_all(entry.parts, read))


def _labelled(label: str) -> Callable[[Part], float]:
    """Reads a quantity or number within the bounds that its label has on a tray sheet."""
    known = LABELS[label]

    def read(part: Part) -> float:
        quantity = known.kind in KINDS
        number = (
            parse_quantity(part.text, known.kind, place=part.place)
            if quantity
            else parse_number(part.text, decimal_comma=True)
        )
        if number is None or not known.low <= number <= known.high:
            unit = f" {KINDS[known.kind].inside}" if quantity else ""
            remedy = f"it must be a number from {known.low:g} to {known.high:g}{unit}"
            raise QuantityError(Fault(part.place, f'the {label} is "{shown(part.text)}"', remedy))
        return number

    return read


def _bulk(part: Part) -> float:
    """A filled container, "1 L: 0.78 kg", or a density as it stands."""
    if ":" not in part.text:
        return _labelled("bulk density")(part)
    first, second = pair(part, such_as="1 L: 0.78 kg")
    volume = positive(first, "volume", place=part.place)
    density = bulk_density(volume_l=volume, mass_kg=positive(second, "mass", place=part.place))
    limits = LABELS["bulk density"]
    if not limits.low <= density <= limits.high:
        raise QuantityError(
            Fault(
                part.place,
                f'"{shown(part.text)}" makes {density:g} kg/m3, which can\'t be right',
                f"it must lie between {limits.low:g} and {limits.high:g} kg/m3; check volume, mass and their units",
            )
        )
    return density


_SINGLE: dict[str, tuple[Callable[[tuple[float, ...]], Readings], Callable[[Part], float]]] = {
    "size guide number": (lambda read: Readings(size_guide_numbers=read), _labelled("size guide number")),
    "uniformity index": (lambda read: Readings(uniformity_indices=read), _labelled("uniformity index")),
    "bulk density": (lambda read: Readings(bulk_kg_m3=read), _bulk),
    "granule density": (lambda read: Readings(granule_kg_m3=read), _labelled("granule density")),
    "crush strength": (lambda read: Readings(strength_n=read), _labelled("crush strength")),
    "density entered": (lambda read: Readings(entered_kg_m3=read), _labelled("bulk density")),
}


def _box(entry: Entry, rescale: bool) -> SieveBox:
    numbers, shares = zip(*read_all(entry.parts, _compartment), strict=True)
    return box_of(numbers, shares, rescale=rescale, place=entry.place)


def _compartment(part: Part) -> tuple[float, float]:
    """ "250: 40" by size number, or "2.5 mm: 40 %" by size."""
    first, second = pair(part, such_as="250: 40")
    number = parse_number(first, decimal_comma=True)
    if number is None:
        number = MM_TO_SIZE_NUMBER * positive(first, "granule size", place=part.place)
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
        raise QuantityError(
            Fault(entry.place, 'there is no "pan"', 'write what fell through all sieves, such as "pan: 0 g"')
        )
    return curve_of(
        [size for size, _ in sieves],
        [amount for _, amount in sieves],
        pan=extra["pan"],
        shares=kinds == {"share"},
        sample=extra.get("sample"),
        rescale=rescale,
        place=entry.place,
    )


def _sieve_row(part: Part) -> tuple[float | str, float, str]:
    """Aperture (or "pan", "sample"), amount, and whether that is a mass or a share."""
    first, second = pair(part, such_as="2.5 mm: 40 g")
    name = first.casefold()
    size: float | str = name if name in ("pan", "sample") else sieve_mm(first, place=part.place)
    if second.endswith("%") and name != "sample":
        return size, share(second, place=part.place), "share"
    if parse_number(second, decimal_comma=True) is not None:
        raise QuantityError(Fault(part.place, f'"{second}" has no unit', f'write "{second} g" or "{second} %"'))
    amount = positive(second, "catch mass", place=part.place, zero=name != "sample")
    return size, amount, "mass"


_PROPERTIES = {
    "size guide number": "size guide number", "sgn": "size guide number",
    "uniformity index": "uniformity index", "ui": "uniformity index",
    "granule density": "granule density", "bulk density": "bulk density", "density": "bulk density",
    "crush strength": "crush strength", "strength": "crush strength",
}  # fmt: skip
_SUCH_AS = "urea: 60 %, SGN 280, UI 48, density 0.76 kg/L, strength 3.1 kgf"


def _component(entry: Entry) -> Component:
    """ "urea: 60 %", then its properties by name; a property given again is a further reading of it."""
    name, amount = pair(entry.parts[0], such_as=_SUCH_AS)
    found: dict[str, list[float]] = {}
    for label, value in read_all(entry.parts[1:], _property):
        found.setdefault(label, []).append(value)
    means = {label: scatter_of(values).mean for label, values in found.items()}
    return Component(
        name,
        share(amount, place=entry.place),
        size_guide_number=means.get("size guide number"),
        uniformity_index=means.get("uniformity index"),
        bulk_kg_m3=means.get("bulk density"),
        granule_kg_m3=means.get("granule density"),
        strength_n=means.get("crush strength"),
    )


def _property(part: Part) -> tuple[str, float]:
    written = " ".join(part.text.split())
    for word, label in _PROPERTIES.items():
        if written.casefold().startswith(f"{word} "):
            value = Part(written[len(word) :].strip(" :"), part.place)
            return label, _SINGLE[label][1](value)
    raise QuantityError(
        Fault(part.place, f'"{shown(part.text)}" is not a property of a component', f'write it as in "{_SUCH_AS}"')
    )


def read_product_file(path: str | os.PathLike[str]) -> tuple[Entry, ...]:
    """The labelled rows of a product file.

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
    >>> import pathlib, tempfile; folder = tempfile.TemporaryDirectory()
    >>> file = pathlib.Path(folder.name) / "urea.csv"
    >>> _ = file.write_text("spreadcheck product,1\\ncrush strength,3.1 kgf,2.8 kgf\\n")
    >>> [part.text for part in read_product_file(file)[0].parts]
    ['3.1 kgf', '2.8 kgf']
    >>> folder.cleanup()
    """
    cells = read_titled(path, TITLE)
    return tuple(
        Entry(row[0], tuple(_cell_parts(cells, at, row)), cells.place(at)) for at, row in enumerate(cells.rows)
    )


def _cell_parts(cells: TitledCells, at: int, row: tuple[str, ...]) -> list[Part]:
    """The readings of a row: one a cell, or several in a cell with semicolons between them."""
    if row[0].casefold() == "product":
        return [Part(cell, cells.place(at, column)) for column, cell in enumerate(row) if column and cell]
    return [
        Part(text, cells.place(at, column))
        for column, cell in enumerate(row)
        if column
        for text in (parted(cell) if ";" in cell else [cell] if cell else [])
    ]


def read_stack_file(path: str | os.PathLike[str]) -> Entry:
    """A sieve stack in a file of its own: header `sieve, retained`, a unit row, a row a sieve, and pan."""
    cells = read_titled(path, STACK_TITLE)
    header = tuple(cell.casefold() for cell in cells.rows[0])
    if header != ("sieve", "retained"):
        raise SheetError(Fault(cells.place(0), f'the header is "{shown(", ".join(header))}"', "write sieve,retained"))
    units = cells.rows[1] if len(cells.rows) > 1 else ()
    size = unit_named(units[0], "granule size") if len(units) == 2 else None
    amount = "%" if len(units) == 2 and units[1] == "%" else unit_named(units[-1], "catch mass") if units else None
    if size is None or amount is None:
        place = cells.place(1) if units else cells.source
        raise SheetError(Fault(place, "this is not a unit row", "write mm,g or mm,% below the header"))
    parts = []
    for at, row in enumerate(cells.rows[2:], start=2):
        if len(row) != 2 or not all(row):
            column = "sieve" if not row[0] else "retained"
            raise SheetError(
                Fault(cells.place(at, column), "the cell is empty", "write a number; 0 if nothing lay there")
            )
        named = parse_number(row[0], decimal_comma=cells.decimal_comma) is None
        parts.append(Part(f"{row[0]}{'' if named else f' {size}'}: {row[1]} {amount}", cells.place(at)))
    return Entry("sieve stack", tuple(parts), cells.source)
