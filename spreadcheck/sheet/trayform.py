"""The form of a tray sheet: its rows of label, value and unit."""

from __future__ import annotations

import contextlib

from spreadcheck.errors import QuantityError, shown
from spreadcheck.sheet.cells import Faults, SheetCells
from spreadcheck.sheet.labels import MOST_BINS, REQUIRED, Value, bin_label, known_label, local_date, nearest, read_value
from spreadcheck.sheet.plausible import density_faults
from spreadcheck.sheet.traytest import FormRow
from spreadcheck.units import KINDS, parse_number

MAX_FORM_ROWS = 1_000


def read_form(
    cells: SheetCells, end: int, passes: frozenset[int], faults: Faults, *, day_first: bool | None = None
) -> tuple[FormRow, ...]:
    """The rows of the form: those between the first row and the header row of the trays."""
    if end > MAX_FORM_ROWS:
        faults.add(cells.place(), f"the form has {end} rows", f"{MAX_FORM_ROWS} are the most it may have")
        return ()
    form: list[FormRow] = []
    first: dict[str, int] = {}  # label in small letters -> the row that gives it first
    for at in range(1, end):
        row = _form_row(cells, at, faults, day_first)
        known = known_label(row.label)
        name = known.name if known else " ".join(row.label.casefold().split())
        if name in first:
            faults.add(
                cells.place(at, "A"),
                f'"{shown(row.label)}" is on the form twice, first in row {cells.numbers[first[name]]}',
                "keep one of the two",
            )
            continue
        first[name] = at
        form.append(row)
        _check_value(cells, at, row, passes, faults)
    _check_densities(cells, form, first, faults)
    for label in REQUIRED:
        if not _given(label, form):
            faults.add(*_missing(cells, label, first, form))
    return tuple(form)


def _form_row(cells: SheetCells, at: int, faults: Faults, day_first: bool | None) -> FormRow:
    row = cells.rows[at]
    label, value, unit = (*row[:3], "", "")[:3]
    if not label.strip():
        faults.add(cells.place(at, "A"), "the row has no label", "write what it is in its first cell, or clear the row")
    if any(cell.strip() for cell in row[3:]):
        faults.add(
            cells.place(at, "D"),
            f'"{shown(label)}" has {len(row)} cells, and a form row has three: label, value, unit',
            _spilt(cells.delimiter),
        )
    known = known_label(label)
    if cells.decimal_comma and known and (known.kind in KINDS or known.kind in ("number", "count")):
        value = value.replace(",", ".") if parse_number(value, decimal_comma=True) is not None else value
    if known and known.kind == "date" and (cells.decimal_comma or day_first is not None):
        value = local_date(value, day_first=day_first)
    return FormRow(label, value, unit)


def _spilt(delimiter: str) -> str:
    """What to do about a row with too many cells."""
    if delimiter == ",":
        return "decimal commas need ; or a tab as delimiter; put a value with a comma in it in double quotes"
    return f"put a value with {'a tab' if delimiter == chr(9) else delimiter} in it in double quotes"


def _check_value(cells: SheetCells, at: int, row: FormRow, passes: frozenset[int], faults: Faults) -> None:
    label = known_label(row.label)
    if label is None:
        return
    try:
        value = read_value(label, row.value, row.unit, place=cells.place(at, "B"))
    except QuantityError as error:
        for fault in error.faults:
            faults.add(fault.place, fault.problem, fault.remedy)
        return
    lost = [number for number in value if number not in passes] if isinstance(value, tuple) else []
    if lost and passes:  # a table whose passes can't be read has faults of its own
        faults.add(
            cells.place(at, "B"),
            f'"{label.name}" names pass {lost[0]}, which is not in the table',
            "correct the number, or add the pass to the table",
        )


def _check_densities(cells: SheetCells, form: list[FormRow], first: dict[str, int], faults: Faults) -> None:
    """Densities that the product of a bin can't have, or that were swapped."""
    values: dict[str, Value | None] = {}
    for row in form:
        label = known_label(row.label)
        with contextlib.suppress(QuantityError):  # told already
            values |= {label.name: read_value(label, row.value, row.unit)} if label else {}
    for number in range(1, MOST_BINS + 1):
        product, bulk, granule = (bin_label(name, number) for name in ("product", "bulk density", "granule density"))
        densities = [value if isinstance(value := values.get(name), float) else None for name in (bulk, granule)]
        for fault in density_faults(str(values.get(product) or ""), densities[0], densities[1]):
            at = first[granule if fault.problem.startswith("the granule") else bulk]
            faults.add(cells.place(at, "B"), fault.problem, fault.remedy)


def _given(label: str, form: list[FormRow]) -> bool:
    return any((known := known_label(row.label)) and known.name == label and row.value.strip() for row in form)


def _missing(cells: SheetCells, label: str, first: dict[str, int], form: list[FormRow]) -> tuple[str, str, str]:
    """A required label that is not there: left empty, misspelt, or left out."""
    example = "such as 0.5 and m" if cells.delimiter == "\t" else f"such as {cells.delimiter.join((label, '0.5', 'm'))}"
    if label in first:
        return cells.place(first[label], "B"), f'"{label}" is empty', f"write its value and unit, {example}"
    for row in form:
        if known_label(row.label) is None and nearest(row.label) == label:
            number = cells.numbers[first[" ".join(row.label.casefold().split())]]
            remedy = f'did row {number}, "{shown(row.label)}", mean it?'
            return cells.place(), f'"{label}" is missing from the form', remedy
    return cells.place(), f'"{label}" is missing from the form', f"add a row {example}"
