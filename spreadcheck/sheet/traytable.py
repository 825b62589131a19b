"""What the cells of a tray sheet say: the form, the header row of the table, its row of units, and one row a tray.

A blank cell is a tray not weighed, x one that was thrown out, 0 one in which nothing fell, - a place without a tray.
"""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np

from spreadcheck.errors import SheetError, collected, shown
from spreadcheck.sheet.cells import SheetCells, letter, shortest
from spreadcheck.sheet.labels import MOST_BINS, REQUIRED, Value, bin_label, known_label, local_date, nearest, read_value
from spreadcheck.sheet.plausible import density_faults
from spreadcheck.sheet.traytest import (
    MAX_CATCH,
    MAX_OFFSET_M,
    MAX_PASSES,
    MAX_TRAYS,
    MIN_CATCH,
    MIN_SPACING_M,
    CatchColumn,
    CatchState,
    FloatArray,
    FormRow,
    TrayTest,
    can_be_caught,
    column_kind,
)
from spreadcheck.units import KINDS, parse_number, unit_named, units_of

MAX_FORM_ROWS = 1_000
HEAD = ("tray", "offset")
TARE = CatchColumn(0, "tare")  # a column of empty trays stands among the catches
_PASS = re.compile(r"pass *(\d{1,9})(?: */ *(.*))?", re.IGNORECASE | re.ASCII)
_SIGNS = {"": CatchState.NOT_WEIGHED, "x": CatchState.THROWN_OUT, "X": CatchState.THROWN_OUT, "-": CatchState.NO_TRAY}
_UNIT_WORDS = {"", "unit", "units"}


def read_cells(cells: SheetCells, *, day_first: bool | None = None) -> TrayTest:
    """The test that the cells of a sheet hold, trays in order of offset; every fault of them is told at once."""
    head = next((at for at, row in enumerate(cells.rows) if tuple(map(_plain, row[:2])) == HEAD), None)
    if head is None:
        example = cells.delimiter.join((*HEAD, "pass 1"))
        near = next((at for at, row in enumerate(cells.rows) if any(map(_PASS.fullmatch, map(_plain, row)))), None)
        if near is None:
            cells.fault(None, "", "the table of trays is missing", f"add a header row below the form: {example}")
        else:
            begins, wanted = (cells.delimiter.join(row) for row in (cells.rows[near][:2], HEAD))
            remedy = f"begin it with {wanted} and give each tray a name in the first column"
            cells.fault(near, "", f'the header row of the table begins with "{shown(begins)}"', remedy)
        raise SheetError(*cells.faults)
    columns = _columns(cells, head)
    form = _form(cells, head, {column.pass_no for column in columns} - {0}, day_first)
    test = _table(cells, head, columns)
    if cells.faults or test is None:
        raise SheetError(*cells.faults)
    return replace(test, form=form)


# --- the header row --------------------------------------------------------------------------------------------------


def _columns(cells: SheetCells, at: int) -> list[CatchColumn]:
    """The columns of catches that the header row names; their units stand in the row below."""
    names = [" ".join(name.split()) for name in cells.rows[at][2:]]
    note = names[-1:] if names and names[-1].casefold() == "note" else []
    columns: list[CatchColumn] = []
    spelt: dict[str, str] = {}  # a component's first spelling stands for all of them
    for number, name in enumerate(names[: len(names) - len(note)], start=2):
        column = _column(name)
        if isinstance(column, CatchColumn):
            column = replace(column, component=spelt.setdefault(column.component.casefold(), column.component))
        else:
            cells.fault(at, letter(number), *column)
            column = CatchColumn(0, shown(name))  # stands in for it, so that its cells are looked at
        columns.append(column)
    if all(column == TARE for column in columns):
        cells.fault(at, "", "the table has no pass", "add a column: pass 1")
    whole = {column.pass_no for column in columns if not column.component}
    seen: dict[CatchColumn, int] = {}
    for number, column in enumerate(columns, start=2):
        if column.pass_no == 0 and column != TARE:  # its name is a fault of its own
            continue
        if column in seen:
            problem = f'"{shown(column.name)}" is there twice, first in column {letter(seen[column])}'
            cells.fault(at, letter(number), problem, "rename one of the two, or take it out")
        elif column.component and column.pass_no in whole:
            problem = f"pass {column.pass_no} has one column for all and one for {shown(column.component)}"
            remedy = "keep either the whole catch or its components, which add up to it"
            cells.fault(at, letter(number), problem, remedy)
        seen.setdefault(column, number)
    cells.names.extend([*HEAD, *(column.name for column in columns), *(["note"] if note else [])])
    return columns


def _column(name: str) -> CatchColumn | tuple[str, str]:
    """The column that a header cell names, or what is wrong with the name and what to do."""
    if name.casefold() == TARE.component:
        return TARE
    match = _PASS.fullmatch(name)
    if not name:
        return "the column has no name", "name it, such as pass 3, or take the column out"
    if match is None:
        return f'"{shown(name)}" is not a pass', "name it pass 1, pass 2 / potash, tare, or note as the last one"
    if not 1 <= int(match[1]) <= MAX_PASSES:
        return f'"{shown(name)}" has no such number', f"number the passes from 1 to {MAX_PASSES}"
    if match[2] == "":
        return f'"{shown(name)}" names no component', f"write pass {int(match[1])}, or the component behind the /"
    return CatchColumn(int(match[1]), match[2] or "")


# --- the form --------------------------------------------------------------------------------------------------------


def _form(cells: SheetCells, end: int, passes: set[int], day_first: bool | None) -> tuple[FormRow, ...]:
    """The rows of the form: those between the first row and the header row of the trays."""
    if end > MAX_FORM_ROWS:
        cells.fault(None, "", f"the form has {end} rows", f"{MAX_FORM_ROWS} are the most it may have")
        return ()
    form: dict[str, FormRow] = {}  # by label in small letters
    first: dict[str, int] = {}  # the row that gives it first
    values: dict[str, Value | None] = {}
    for at in range(1, end):
        row = _form_row(cells, at, day_first)
        label = known_label(row.label)
        name = label.name if label else _plain(row.label)
        if name in first:
            problem = f'"{shown(row.label)}" is on the form twice, first in row {cells.numbers[first[name]]}'
            cells.fault(at, "A", problem, "keep one of the two")
            continue
        first[name], form[name] = at, row
        with collected(cells.faults):
            values[name] = read_value(label, row.value, row.unit, place=cells.place(at, "B")) if label else None
        value = values.get(name)
        lost = [number for number in value if number not in passes] if isinstance(value, tuple) else []
        if lost and passes:  # a table whose passes can't be read has faults of its own
            problem = f'"{name}" names pass {lost[0]}, which is not in the table'
            cells.fault(at, "B", problem, "correct the number, or add the pass to the table")
    for number in range(1, MOST_BINS + 1):
        product, bulk, granule = (bin_label(name, number) for name in ("product", "bulk density", "granule density"))
        densities = [value if isinstance(value := values.get(name), float) else None for name in (bulk, granule)]
        for fault in density_faults(str(values.get(product) or ""), *densities):
            at = first[granule if fault.problem.startswith("the granule") else bulk]
            cells.fault(at, "B", fault.problem, fault.remedy)
    for name in REQUIRED:
        if name not in form or not form[name].value.strip():
            _say_missing(cells, name, first, form)
    return tuple(form.values())


def _plain(label: str) -> str:
    return " ".join(label.casefold().split())


def _commas(cells: SheetCells) -> str:
    """Why a row may have a cell too many."""
    return "decimal commas need ; or a tab as delimiter; " if cells.delimiter == "," else ""


def _form_row(cells: SheetCells, at: int, day_first: bool | None) -> FormRow:
    row = cells.rows[at]
    label, value, unit = (*row[:3], "", "")[:3]
    if not label.strip():
        cells.fault(at, "A", "the row has no label", "write what it is in its first cell, or clear the row")
    if any(cell.strip() for cell in row[3:]):
        mark = {",": "a comma", "\t": "a tab"}.get(cells.delimiter, cells.delimiter)
        problem = f'"{shown(label)}" has {len(row)} cells, and a form row has three: label, value, unit'
        cells.fault(at, "D", problem, f"{_commas(cells)}put a value with {mark} in it in double quotes")
    known = known_label(label)
    if cells.decimal_comma and known and (known.kind in KINDS or known.kind in ("number", "count")):
        value = value.replace(",", ".") if parse_number(value, decimal_comma=True) is not None else value
    if known and known.kind == "date" and (cells.decimal_comma or day_first is not None):
        value = local_date(value, day_first=day_first)
    return FormRow(label, value, unit)


def _say_missing(cells: SheetCells, label: str, first: dict[str, int], form: dict[str, FormRow]) -> None:
    """A required label that is not there: left empty, misspelt, or left out."""
    example = "such as 0.5 and m" if cells.delimiter == "\t" else f"such as {cells.delimiter.join((label, '0.5', 'm'))}"
    if label in first:
        cells.fault(first[label], "B", f'"{label}" is empty', f"write its value and unit, {example}")
        return
    remedy = f"add a row {example}"
    alike = (name for name, row in form.items() if known_label(row.label) is None and nearest(row.label) == label)
    if name := next(alike, None):
        remedy = f'did row {cells.numbers[first[name]]}, "{shown(form[name].label)}", mean it?'
    cells.fault(None, "", f'"{label}" is missing from the form', remedy)


# --- the table -------------------------------------------------------------------------------------------------------


def _table(cells: SheetCells, head: int, columns: list[CatchColumn]) -> TrayTest | None:
    """The trays below the header row, in order of offset; None where one of them can't be read."""
    first, offset_unit, units = _units(cells, head, len(columns))
    count = len(cells.rows) - first
    if count > MAX_TRAYS:
        cells.fault(None, "", f"the table has {count} trays", f"{MAX_TRAYS} are the most it may have")
        return None
    tray, notes = list[str](), list[str]()
    offsets, catches, states = list[float](), list[float](), list[int]()
    for at in range(first, len(cells.rows)):
        row = cells.rows[at]
        tray.append(row[0].strip())
        if not tray[-1]:
            cells.fault(at, 0, "the tray has no name", "give every tray a name of its own, such as L3")
        if len(row) > len(cells.names):  # its cells have moved, and looking at each of them would only mislead
            problem = f"the row has {len(row)} cells and the table {len(cells.names)} columns"
            note = "put a note with a comma in it in double quotes"
            note = note if cells.delimiter == "," else "empty the cells behind the last column"
            cells.fault(at, "", problem, f"{_commas(cells)}{note}")
            offsets.append(math.nan)
            catches += [math.nan] * len(columns)
            continue
        row = row + [""] * (len(cells.names) - len(row))
        offsets.append(_offset(cells, at, row[1], offset_unit))
        read = [_catch(cells, at, column, row[column]) for column in range(2, 2 + len(columns))]
        catches += [number for number, _ in read]
        states += [state for _, state in read]
        notes.append(row[-1] if cells.names[-1] == "note" else "")
    if count < 2:
        found = "one tray" if count == 1 else "no trays"
        cells.fault(None, "", f"the table has {found}", "a spread pattern needs at least two")
    offset, catch = np.array(offsets), np.array(catches).reshape(count, len(columns))
    _check_catches(cells, first, catch, columns, units)
    _check_apart(cells, first, tray, offset, offset_unit)
    if cells.faults:
        return None
    order = np.argsort(offset, kind="stable")
    passes = [at for at, column in enumerate(columns) if column != TARE]
    tares = [at for at, column in enumerate(columns) if column == TARE]
    state = np.array(states, dtype=np.uint8).reshape(catch.shape)
    return TrayTest(
        form=(),
        tray=tuple(tray[i] for i in order),
        offset=offset[order],
        columns=tuple(replace(columns[at], unit=units[at]) for at in passes),
        catch=np.ascontiguousarray(catch[order][:, passes]),
        state=np.ascontiguousarray(state[order][:, passes]),
        tare=catch[order, tares[0]] if tares else None,
        tare_unit=units[tares[0]] if tares else "g",
        offset_unit=offset_unit,
        note=tuple(notes[i] for i in order),
        source=cells.source,
    )


def _units(cells: SheetCells, head: int, count: int) -> tuple[int, str, list[str]]:
    """The row of the first tray, the unit of the offsets, and the unit of each column of catches."""
    at, units = head + 1, ["g"] * count
    row = cells.rows[at] if at < len(cells.rows) else ["no row at all"]
    row = row + [""] * (len(cells.names) - len(row))
    if row[0].strip().casefold() not in _UNIT_WORDS or parse_number(row[1], decimal_comma=True) is not None:
        example = cells.delimiter.join(("", "m", *units))
        cells.fault(head, "", "the row of units is missing below it", f"add the row {shown(example)}")
        return at, "m", units
    offset_unit = unit_named(row[1], "length")
    if offset_unit is None:
        cells.fault(at, 1, _not_a_unit(row[1], "length"), f"write one of {units_of('length')}")
    for number, cell in enumerate(row[2 : 2 + count]):
        kind = column_kind(cell)
        if kind is None:
            cells.fault(at, number + 2, _not_a_unit(cell, "catches"), "write g or ml")
        else:
            units[number] = kind[1]
    for column in range(2 + count, len(row)):
        if row[column].strip():
            cells.fault(at, column, f'"{shown(row[column])}" stands where no unit goes', "clear the cell")
    return at + 1, offset_unit or "m", units


def _not_a_unit(cell: str, what: str) -> str:
    return f'"{shown(cell)}" is not a unit of {what}' if cell.strip() else "the column has no unit"


def _offset(cells: SheetCells, at: int, cell: str, unit: str) -> float:
    number = parse_number(cell, decimal_comma=cells.decimal_comma)
    if number is None:
        found = f'the offset "{shown(cell)}" is not a number' if cell.strip() else "the tray has no offset"
        cells.fault(at, 1, found, "write its distance from the centre line, with a minus on the left of it")
    elif abs(number) * KINDS["length"].factors[unit] > MAX_OFFSET_M:
        remedy = f"offsets reach {MAX_OFFSET_M:g} m at most; check the number and its unit"
        cells.fault(at, 1, f"the offset {shown(cell)} {unit} can't be right", remedy)
    else:
        return number
    return math.nan


def _catch(cells: SheetCells, at: int, column: int, cell: str) -> tuple[float, CatchState]:
    """What a cell of the table says; nearly every one is digits and a point."""
    if cell.isascii() and cell.replace(".", "", 1).isdigit():  # float() alone would take "nan" and "1_0" as well
        return float(cell), CatchState.WEIGHED
    text = cell.strip()
    if text in _SIGNS:
        return math.nan, _SIGNS[text]
    number = parse_number(text, decimal_comma=cells.decimal_comma)
    if number is None:
        remedy = "write digits, x for a catch thrown out, - where no tray stands, or nothing if it was not weighed"
        if parse_number(text, decimal_comma=True) is not None:
            remedy = "write a decimal point, or use ; or a tab as delimiter"
        cells.fault(at, column, f'the catch "{shown(text)}" is not a number', remedy)
    elif number < 0:
        remedy = "write what was caught, or x to throw it out; the tray's own weight goes into a row or column tare"
        cells.fault(at, column, f"the catch {shown(text)} is negative", remedy)
    else:
        return number, CatchState.WEIGHED
    return math.nan, CatchState.WEIGHED


def _check_catches(
    cells: SheetCells, first: int, catch: FloatArray, columns: list[CatchColumn], units: list[str]
) -> None:
    """Catches are within what a tray holds; a tare is a mass, and every tray has one."""
    remedy = f"a catch is 0 or from {MIN_CATCH:g} to {MAX_CATCH:g} g or ml; check the number and its unit"
    for at, unit in enumerate(units):
        weights = catch[:, at]
        for i in np.flatnonzero(~np.isnan(weights) & ~can_be_caught(weights, unit)).tolist():
            cells.fault(first + i, at + 2, f"the catch {shortest(weights[i])} {unit} can't be right", remedy)
    for at in (at for at, column in enumerate(columns) if column == TARE):
        if CatchColumn(0, unit=units[at]).kind != "catch mass":
            cells.fault(first - 1, "tare", "the tare is no mass", "write g")
        for i in np.flatnonzero(np.isnan(catch[:, at])).tolist():
            cells.fault(first + i, at + 2, "the tray has no tare", "weigh it empty, or write 0")


def _check_apart(cells: SheetCells, first: int, tray: list[str], offset: FloatArray, unit: str) -> None:
    """Every tray has a name and a place of its own."""
    seen: dict[str, int] = {}
    for i, name in enumerate(tray):
        if name and name in seen:
            problem = f'the tray "{shown(name)}" is there twice, first in row {cells.numbers[first + seen[name]]}'
            cells.fault(first + i, 0, problem, "give every tray a name of its own")
        seen.setdefault(name, i)
    order = np.argsort(offset, kind="stable")  # offsets that can't be read (NaN) come last and clash with none
    apart = np.diff(offset[order]) * KINDS["length"].factors[unit]
    for i in np.flatnonzero(apart < MIN_SPACING_M).tolist():
        one, other = sorted(order[i : i + 2].tolist())
        here, there = shortest(offset[one]), shortest(offset[other])
        where = f"both at {here} {unit}" if here == there else f"at {here} and {there} {unit}, less than 1 mm apart"
        pair = " and ".join(f'"{shown(tray[at])}" (row {cells.numbers[first + at]})' for at in (one, other))
        cells.fault(first + other, 1, f"trays {pair} stand {where}", "give every tray an offset of its own")
