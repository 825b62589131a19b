"""The table of a tray sheet: header row, unit row, and one row a tray.

1. `Heading`, `find_heading`   where the table starts, and what its columns are
2. `read_table`                trays, offsets and catches, in order of offset, with every fault found

A blank cell is a tray not weighed, x one that was thrown out, 0 one in which nothing fell.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from spreadcheck.errors import Fault, shown
from spreadcheck.sheetcells import SheetCells, letter, shortest
from spreadcheck.traytest import (
    MAX_CATCH,
    MAX_OFFSET_M,
    MAX_PASSES,
    MAX_TRAYS,
    MIN_CATCH,
    MIN_SPACING_M,
    CatchColumn,
    CatchState,
    FloatArray,
    TrayTest,
    column_kind,
)
from spreadcheck.units import KINDS, parse_number, unit_named, units_of

MAX_FAULTS = 10_000  # beyond this many the memory that messages take is no help to anybody

_PASS = re.compile(r"pass *(\d{1,9})(?: */ *(.*))?", re.IGNORECASE | re.ASCII)
_UNIT_WORDS = {"", "unit", "units"}


@dataclass(frozen=True)
class Heading:
    """What the header row says: the row it is, the columns of catches, and whether a column of notes follows."""

    at: int
    columns: tuple[CatchColumn, ...]  # their units are in the row below
    has_note: bool

    @property
    def passes(self) -> frozenset[int]:
        """The passes that the columns belong to."""
        return frozenset(column.pass_no for column in self.columns)

    @property
    def width(self) -> int:
        """How many columns the table has."""
        return 2 + len(self.columns) + self.has_note


def find_heading(cells: SheetCells, faults: list[Fault]) -> Heading | None:
    """The header row: the first whose cells start with tray, offset.

    Parameters
    ----------
    cells : SheetCells
        The sheet. [-]
    faults : list of Fault
        What is wrong is added here. [-]

    Returns
    -------
    Heading or None
        What it says; None if there is no such row. [-]

    Examples
    --------
    >>> rows = [["spreadcheck tray sheet", "1"], ["Tray", "Offset", "Pass 1", "pass 2/potash", "note"]]
    >>> heading = find_heading(SheetCells("", rows, [1, 2], False), [])
    >>> [column.name for column in heading.columns], heading.has_note
    (['pass 1', 'pass 2 / potash'], True)
    """
    for at, row in enumerate(cells.rows):
        if [cell.strip().casefold() for cell in row[:2]] == ["tray", "offset"]:
            return _heading(cells, at, faults)
    faults.append(
        Fault(
            cells.place(),
            "the table of trays is missing",
            f"add a header row below the form: {cells.delimiter.join(('tray', 'offset', 'pass 1'))}",
        )
    )
    return None


def _heading(cells: SheetCells, at: int, faults: list[Fault]) -> Heading:
    names = [" ".join(name.split()) for name in cells.rows[at][2:]]
    has_note = bool(names) and names[-1].casefold() == "note"
    columns: list[CatchColumn] = []
    spelt: dict[str, str] = {}  # a component's first spelling stands for all of them
    for number, name in enumerate(names[: len(names) - has_note]):
        match = _PASS.fullmatch(name)
        component = match[2] or "" if match else ""
        problem = _name_problem(name, match)
        if match is None or problem:
            faults.append(Fault(cells.place(at, letter(number + 2)), *problem))
        pass_no = int(match[1]) if match else 0
        columns.append(CatchColumn(pass_no, spelt.setdefault(component.casefold(), component)))
    if not columns:
        faults.append(Fault(cells.place(at), "the table has no pass", "add a column: pass 1"))
    faults += _clashes(cells, at, columns)
    return Heading(at, tuple(columns), has_note)


def _name_problem(name: str, match: re.Match[str] | None) -> tuple[str, str] | tuple[()]:
    if not name:
        return "the column has no name", "name it, such as pass 3, or take the column out"
    if match is None:
        return f'"{shown(name)}" is not a pass', "name it pass 1, pass 2 / potash, or note for a last column of notes"
    if not 1 <= int(match[1]) <= MAX_PASSES:
        return f'"{shown(name)}" can\'t be', f"number the passes from 1 to {MAX_PASSES}"
    if match[2] == "":
        return f'"{shown(name)}" names no component', f"write pass {int(match[1])}, or the component behind the /"
    return ()


def _clashes(cells: SheetCells, at: int, columns: list[CatchColumn]) -> list[Fault]:
    """The same column twice, or a pass with its whole catch and its components."""
    faults: list[Fault] = []
    seen: dict[tuple[int, str], int] = {}
    whole = {column.pass_no for column in columns if not column.component}
    for number, column in enumerate(columns):
        if column.pass_no == 0:  # its name can't be read
            continue
        key = (column.pass_no, column.component)
        place = cells.place(at, letter(number + 2))
        if key in seen:
            faults.append(
                Fault(
                    place, f'"{shown(column.name)}" is there twice, first in column {letter(seen[key])}', "rename one"
                )
            )
        elif column.component and column.pass_no in whole:
            faults.append(
                Fault(
                    place,
                    f"pass {column.pass_no} has a column of its own and one of its component {shown(column.component)}",
                    "keep the whole catch or the components, which add up to it",
                )
            )
        seen.setdefault(key, number + 2)
    return faults


class _Table:
    """A table as it is read, row by row."""

    def __init__(self, cells: SheetCells, heading: Heading, faults: list[Fault]) -> None:
        self.cells = cells
        self.faults = faults
        self.names = ["tray", "offset", *(column.name for column in heading.columns)] + ["note"] * heading.has_note
        self.catches = slice(2, 2 + len(heading.columns))
        self.offset_unit = "m"
        self.units = ["g"] * len(heading.columns)
        self.rows: list[int] = []  # which row of the sheet each tray stands in
        self.tray: list[str] = []
        self.offset: list[float] = []
        self.catch: list[float] = []
        self.state = bytearray()
        self.note: list[str] = []

    def fault(self, at: int, column: int, problem: str, remedy: str) -> None:
        self.faults.append(Fault(self.cells.place(at, self.names[column]), problem, remedy))

    def read_units(self, at: int) -> bool:
        """Take the unit row, and say whether there is one."""
        row = self.cells.rows[at] if at < len(self.cells.rows) else []
        row = row + [""] * (len(self.names) - len(row))
        if row[0].strip().casefold() not in _UNIT_WORDS or parse_number(row[1], decimal_comma=True) is not None:
            example = self.cells.delimiter.join(("", "m", *("g" for _ in self.units)))
            self.faults.append(
                Fault(self.cells.place(at - 1), "the row of units is missing below it", f"add the row {shown(example)}")
            )
            return False
        self._take_offset_unit(at, row[1])
        for number, cell in enumerate(row[self.catches]):
            kind = column_kind(cell)
            if kind is None:
                self.fault(at, number + 2, _not_a_unit(cell, "catches"), "write g or ml")
            else:
                self.units[number] = kind[1]
        for number in range(self.catches.stop, len(row)):
            if row[number].strip():
                column = self.names[number] if number < len(self.names) else letter(number)
                place = self.cells.place(at, column)
                self.faults.append(Fault(place, f'"{shown(row[number])}" stands where no unit goes', "clear the cell"))
        return True

    def _take_offset_unit(self, at: int, cell: str) -> None:
        unit = unit_named(cell, "length")
        if unit is None:
            self.fault(at, 1, _not_a_unit(cell, "length"), f"write one of {units_of('length')}")
        else:
            self.offset_unit = unit

    def read_tray(self, at: int) -> None:
        """Take one tray's row."""
        row = self.cells.rows[at]
        short = len(self.names) - len(row)
        if short < 0:
            self._spilt(at, row)
        elif short:
            row = row + [""] * short
        self.rows.append(at)
        self._take_tray(at, row[0])
        self._take_offset(at, row[1])
        for number, cell in enumerate(row[self.catches], start=2):
            # Nearly every cell is digits and a point: float() alone would take "nan" and "1_0" as well.
            if cell.isascii() and cell.replace(".", "", 1).isdigit():
                self.catch.append(float(cell))
                self.state.append(CatchState.WEIGHED)
            else:
                self._take_catch(at, number, cell)
        note = row[-1] if self.catches.stop < len(self.names) and short >= 0 else ""
        self.note.append(note)

    def _spilt(self, at: int, row: list[str]) -> None:
        remedy = "empty the cells behind the last column"
        if self.cells.delimiter == ",":
            remedy = "decimal commas need ; or a tab as delimiter; put a note with a comma in it in double quotes"
        self.faults.append(
            Fault(self.cells.place(at), f"the row has {len(row)} cells and the table {len(self.names)} columns", remedy)
        )

    def _take_tray(self, at: int, cell: str) -> None:
        name = cell.strip()
        if not name:
            self.fault(at, 0, "the tray has no name", "give every tray a name of its own, such as L3")
        self.tray.append(name)

    def _take_offset(self, at: int, cell: str) -> None:
        number = parse_number(cell, decimal_comma=self.cells.decimal_comma)
        if number is None:
            found = f'the offset "{shown(cell)}" is not a number' if cell.strip() else "the tray has no offset"
            self.fault(at, 1, found, "write its distance from the centre line, left of it with a minus")
            number = math.nan
        elif abs(number) * KINDS["length"].factors[self.offset_unit] > MAX_OFFSET_M:
            self.fault(
                at,
                1,
                f"the offset {shown(cell)} {self.offset_unit} can't be right",
                f"offsets reach {MAX_OFFSET_M:g} m at most; check the number and its unit",
            )
            number = math.nan
        self.offset.append(number)

    def _take_catch(self, at: int, column: int, cell: str) -> None:
        text = cell.strip()
        number = math.nan
        state = CatchState.NOT_WEIGHED
        if text in ("x", "X"):
            state = CatchState.THROWN_OUT
        elif text:
            found = parse_number(text, decimal_comma=self.cells.decimal_comma)
            state = CatchState.WEIGHED
            if found is None:
                self._not_a_catch(at, column, text)
            elif found < 0:
                self.fault(
                    at,
                    column,
                    f"the catch {shown(text)} is negative",
                    "write what the tray caught without the tray's own weight, or x to throw it out",
                )
            else:
                number = found
        self.catch.append(number)
        self.state.append(state)

    def _not_a_catch(self, at: int, column: int, text: str) -> None:
        remedy = "write digits, x for a catch thrown out, or leave it blank for a tray not weighed"
        if parse_number(text, decimal_comma=True) is not None:
            remedy = "write a decimal point, or use ; or a tab as delimiter"
        self.fault(at, column, f'the catch "{shown(text)}" is not a number', remedy)


def _not_a_unit(cell: str, what: str) -> str:
    return f'"{shown(cell)}" is not a unit of {what}' if cell.strip() else "the column has no unit"


def read_table(cells: SheetCells, heading: Heading, faults: list[Fault]) -> TrayTest | None:
    """The trays below the header row, in order of offset.

    Parameters
    ----------
    cells : SheetCells
        The sheet. [-]
    heading : Heading
        Its header row. [-]
    faults : list of Fault
        What is wrong is added here. [-]

    Returns
    -------
    TrayTest or None
        The trays and catches, the form still empty; None if they can't be put together. [-]

    Examples
    --------
    >>> rows = [["tray", "offset", "pass 1"], ["", "m", "g"], ["R1", "1,5", "x"], ["L1", "-1,5", "8,25"]]
    >>> cells, faults = SheetCells("", rows, [1, 2, 3, 4], True), []
    >>> test = read_table(cells, find_heading(cells, faults), faults)
    >>> test.tray, test.offset, test.catch.ravel(), faults
    (('L1', 'R1'), array([-1.5, 1.5]), array([8.25, nan]), [])
    """
    table = _Table(cells, heading, faults)
    below = [at for at in range(heading.at + 1, len(cells.rows)) if not cells.blank(at)]
    first = below[0] if below else len(cells.rows)
    has_units = table.read_units(first)
    trays = below[has_units:]
    if len(trays) > MAX_TRAYS:
        faults.append(
            Fault(cells.place(), f"the table has {len(trays)} trays", f"{MAX_TRAYS} are the most it may have")
        )
        return None
    for at in trays:
        table.read_tray(at)
        if len(faults) >= MAX_FAULTS:
            faults.append(Fault(cells.place(at), "more faults may follow", "put these right first"))
            return None
    if len(trays) < 2:
        found = "one tray" if trays else "no tray"
        faults.append(Fault(cells.place(), f"the table has {found}", "a spread pattern needs two at the very least"))
    offset = np.array(table.offset)
    catch = np.array(table.catch).reshape(len(trays), len(heading.columns))
    _check_range(table, catch)
    _check_apart(table, offset)
    return None if faults else _in_order(table, heading, offset, catch)


def _in_order(table: _Table, heading: Heading, offset: FloatArray, catch: FloatArray) -> TrayTest:
    order = np.argsort(offset, kind="stable")
    at = order.tolist()
    columns = zip(heading.columns, table.units, strict=True)
    return TrayTest(
        form=(),
        tray=tuple(table.tray[i] for i in at),
        offset=offset[order],
        columns=tuple(CatchColumn(column.pass_no, column.component, unit) for column, unit in columns),
        catch=catch[order],
        state=np.frombuffer(bytes(table.state), dtype=np.uint8).reshape(catch.shape)[order],
        offset_unit=table.offset_unit,
        note=tuple(table.note[i] if table.note[i] else "" for i in at),
        source=table.cells.source,
    )


def _check_range(table: _Table, catch: FloatArray) -> None:
    for column, unit in enumerate(table.units):
        kind, name = column_kind(unit) or ("catch mass", "g")
        inside = catch[:, column] * KINDS[kind].factors[name]
        bad = (inside > MAX_CATCH) | ((inside < MIN_CATCH) & (inside != 0))
        for i in np.flatnonzero(bad).tolist():
            table.fault(
                table.rows[i],
                column + 2,
                f"the catch {shortest(catch[i, column])} {name} can't be right",
                f"a catch is 0 or from {MIN_CATCH:g} to {MAX_CATCH:g} {KINDS[kind].inside}; "
                "check the number and its unit",
            )


def _check_apart(table: _Table, offset: FloatArray) -> None:
    """No two trays of one name, and none at the same place."""
    row_of: dict[str, int] = {}
    for at, name in zip(table.rows, table.tray, strict=True):
        if name and name in row_of:
            table.fault(
                at,
                0,
                f'"{shown(name)}" is there twice, first in row {table.cells.numbers[row_of[name]]}',
                "give every tray a name of its own",
            )
        row_of.setdefault(name, at)
    order = np.argsort(offset, kind="stable")  # offsets that can't be read (NaN) come last and clash with none
    apart = np.diff(offset[order]) * KINDS["length"].factors[table.offset_unit]
    for i in np.flatnonzero(apart < MIN_SPACING_M).tolist():
        one, other = sorted(order[i : i + 2].tolist())
        _say_too_close(table, one, other, offset)


def _say_too_close(table: _Table, one: int, other: int, offset: FloatArray) -> None:
    def named(i: int) -> str:
        return f'"{shown(table.tray[i])}" (row {table.cells.numbers[table.rows[i]]})'

    where = f"at {shortest(offset[one])} and {shortest(offset[other])} {table.offset_unit}, less than 1 mm apart"
    if offset[one] == offset[other]:
        where = f"both at {shortest(offset[one])} {table.offset_unit}"
    table.fault(
        table.rows[other],
        1,
        f"trays {named(one)} and {named(other)} stand {where}",
        "give every tray an offset of its own",
    )
