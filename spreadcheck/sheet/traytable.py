"""The table of a tray sheet below its header row: the unit row, and one row a tray.

A blank cell is a tray not weighed, x one that was thrown out, 0 one in which nothing fell, - a place without a tray.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from spreadcheck.errors import shown
from spreadcheck.sheet.cells import Faults, SheetCells, letter, shortest
from spreadcheck.sheet.trayheader import TARE, Header
from spreadcheck.sheet.traytest import (
    MAX_CATCH,
    MAX_OFFSET_M,
    MAX_TRAYS,
    MIN_CATCH,
    MIN_SPACING_M,
    CatchState,
    FloatArray,
    TrayTest,
    can_be_caught,
    column_kind,
)
from spreadcheck.units import KINDS, parse_number, unit_named, units_of

_UNIT_WORDS = {"", "unit", "units"}


def read_table(cells: SheetCells, header: Header, faults: Faults) -> TrayTest | None:
    """The trays below the header row, in order of offset."""
    table = _Table(cells, header, faults)
    first = header.at + 1 + table.read_units(header.at + 1)
    count = len(cells.rows) - first
    if count > MAX_TRAYS:
        faults.add(cells.place(), f"the table has {count} trays", f"{MAX_TRAYS} are the most it may have")
        return None
    for at in range(first, len(cells.rows)):
        table.read_tray(at)
    if count < 2:
        found = "one tray" if count == 1 else "no trays"
        faults.add(cells.place(), f"the table has {found}", "a spread pattern needs at least two")
    catch = np.array(table.catch).reshape(count, len(header.columns))
    offset = np.array(table.offset)
    _check_catches(table, catch)
    _check_tare(table, catch)
    _check_names(table)
    _check_apart(table, offset)
    return None if faults else _in_order(table, header, offset, catch)


def _in_order(table: _Table, header: Header, offset: FloatArray, catch: FloatArray) -> TrayTest:
    order = np.argsort(offset, kind="stable")
    at = order.tolist()
    columns = zip(header.columns, table.units, strict=True)
    passes = [column != TARE for column in header.columns]
    state = np.array(table.state, dtype=np.uint8).reshape(catch.shape)[order]
    tare_at = passes.index(False) if False in passes else None
    return TrayTest(
        form=(),
        tray=tuple(table.tray[i] for i in at),
        offset=offset[order],
        columns=tuple(replace(column, unit=unit) for column, unit in columns if column != TARE),
        catch=np.ascontiguousarray(catch[order][:, passes]),
        state=np.ascontiguousarray(state[:, passes]),
        tare=None if tare_at is None else catch[order][:, tare_at],
        tare_unit="g" if tare_at is None else table.units[tare_at],
        offset_unit=table.offset_unit,
        note=tuple(table.note[i] for i in at),
        source=table.cells.source,
    )


class _Table:
    """A table as it is read, row by row."""

    def __init__(self, cells: SheetCells, header: Header, faults: Faults) -> None:
        self.cells = cells
        self.header = header
        self.faults = faults
        self.names = header.names
        self.catches = slice(2, 2 + len(header.columns))
        self.offset_unit = "m"
        self.units = ["g"] * len(header.columns)
        self.first = 0  # which row of the sheet the first tray stands in
        self.tray: list[str] = []
        self.offset: list[float] = []
        self.catch: list[float] = []
        self.state: list[int] = []
        self.note: list[str] = []

    def fault(self, at: int, column: int, problem: str, remedy: str) -> None:
        """Note what is wrong with a cell."""
        name = self.names[column] if column < len(self.names) else letter(column)
        self.faults.add(self.cells.place(at, name), problem, remedy)

    def tray_place(self, i: int) -> str:
        """A tray and its row, as messages that name two trays put it."""
        return f'"{shown(self.tray[i])}" (row {self.cells.numbers[self.first + i]})'

    def read_units(self, at: int) -> bool:
        """Take the unit row, and say whether there is one."""
        row = self.cells.rows[at] if at < len(self.cells.rows) else ["no row at all"]
        row = row + [""] * (len(self.names) - len(row))
        is_there = row[0].strip().casefold() in _UNIT_WORDS and parse_number(row[1], decimal_comma=True) is None
        self.first = at + is_there
        if not is_there:
            example = self.cells.delimiter.join(("", "m", *("g" for _ in self.units)))
            self.faults.add(
                self.cells.place(self.header.at),
                "the row of units is missing below it",
                f"add the row {shown(example)}",
            )
            return False
        self._take_units(at, row)
        return True

    def _take_units(self, at: int, row: list[str]) -> None:
        unit = unit_named(row[1], "length")
        if unit is None:
            self.fault(at, 1, _not_a_unit(row[1], "length"), f"write one of {units_of('length')}")
        self.offset_unit = unit or "m"
        for number, cell in enumerate(row[self.catches]):
            kind = column_kind(cell)
            if kind is None:
                self.fault(at, number + 2, _not_a_unit(cell, "catches"), "write g or ml")
            else:
                self.units[number] = kind[1]
        for column in range(self.catches.stop, len(row)):
            if row[column].strip():
                self.fault(at, column, f'"{shown(row[column])}" stands where no unit goes', "clear the cell")

    def read_tray(self, at: int) -> None:
        """Take one tray's row."""
        row = self.cells.rows[at]
        missing = len(self.names) - len(row)
        self._take_name(at, row[0])
        if missing < 0:
            self._say_spilt(at, row)
            return
        row = row + [""] * missing
        self._take_offset(at, row[1])
        for column, cell in enumerate(row[self.catches], start=2):
            # Nearly every cell is digits and a point: float() alone would take "nan" and "1_0" as well.
            if cell.isascii() and cell.replace(".", "", 1).isdigit():
                self.catch.append(float(cell))
                self.state.append(CatchState.WEIGHED)
            else:
                self._take_catch(at, column, cell.strip())
        self.note.append(row[-1] if self.header.has_note else "")

    def _say_spilt(self, at: int, row: list[str]) -> None:
        """More cells than columns: they have moved, and looking at each of them would only mislead."""
        self.offset.append(math.nan)
        self.catch += [math.nan] * len(self.units)
        remedy = "empty the cells behind the last column"
        if self.cells.delimiter == ",":
            remedy = "decimal commas need ; or a tab as delimiter; put a note with a comma in it in double quotes"
        self.faults.add(
            self.cells.place(at), f"the row has {len(row)} cells and the table {len(self.names)} columns", remedy
        )

    def _take_name(self, at: int, cell: str) -> None:
        name = cell.strip()
        if not name:
            self.fault(at, 0, "the tray has no name", "give every tray a name of its own, such as L3")
        self.tray.append(name)

    def _take_offset(self, at: int, cell: str) -> None:
        number = parse_number(cell, decimal_comma=self.cells.decimal_comma)
        if number is None:
            found = f'the offset "{shown(cell)}" is not a number' if cell.strip() else "the tray has no offset"
            self.fault(at, 1, found, "write its distance from the centre line, with a minus on the left of it")
        elif abs(number) * KINDS["length"].factors[self.offset_unit] > MAX_OFFSET_M:
            found = f"the offset {shown(cell)} {self.offset_unit} can't be right"
            self.fault(at, 1, found, f"offsets reach {MAX_OFFSET_M:g} m at most; check the number and its unit")
            number = None
        self.offset.append(math.nan if number is None else number)

    def _take_catch(self, at: int, column: int, text: str) -> None:
        number, state = math.nan, CatchState.NOT_WEIGHED
        if text in ("x", "X"):
            state = CatchState.THROWN_OUT
        elif text == "-":
            state = CatchState.NO_TRAY
        elif text:
            number, state = self._weight(at, column, text), CatchState.WEIGHED
        self.catch.append(number)
        self.state.append(state)

    def _weight(self, at: int, column: int, text: str) -> float:
        number = parse_number(text, decimal_comma=self.cells.decimal_comma)
        if number is None:
            remedy = "write digits, x for a catch thrown out, - where no tray stands, or nothing if it was not weighed"
            if parse_number(text, decimal_comma=True) is not None:
                remedy = "write a decimal point, or use ; or a tab as delimiter"
            self.fault(at, column, f'the catch "{shown(text)}" is not a number', remedy)
        elif number < 0:
            remedy = "write what was caught, or x to throw it out; the tray's own weight goes into a row or column tare"
            self.fault(at, column, f"the catch {shown(text)} is negative", remedy)
        else:
            return number
        return math.nan


def _not_a_unit(cell: str, what: str) -> str:
    return f'"{shown(cell)}" is not a unit of {what}' if cell.strip() else "the column has no unit"


def _check_catches(table: _Table, catch: FloatArray) -> None:
    for column, unit in enumerate(table.units):
        weights = catch[:, column]
        for i in np.flatnonzero(~np.isnan(weights) & ~can_be_caught(weights, unit)).tolist():
            table.fault(
                table.first + i,
                column + 2,
                f"the catch {shortest(weights[i])} {unit} can't be right",
                f"a catch is 0 or from {MIN_CATCH:g} to {MAX_CATCH:g} g or ml; check the number and its unit",
            )


def _check_tare(table: _Table, catch: FloatArray) -> None:
    """A tare is a mass, and every tray has one."""
    for column in (at for at, known in enumerate(table.header.columns) if known == TARE):
        if (column_kind(table.units[column]) or ("", ""))[0] != "catch mass":
            table.faults.add(table.cells.place(table.header.at + 1, "tare"), "the tare is no mass", "write g")
        for i in np.flatnonzero(np.isnan(catch[:, column])).tolist():
            table.fault(table.first + i, column + 2, "the tray has no tare", "weigh it empty, or write 0")


def _check_names(table: _Table) -> None:
    seen: dict[str, int] = {}
    for i, name in enumerate(table.tray):
        if name and name in seen:
            problem = f'the tray "{shown(name)}" is there twice, first in row '
            problem += str(table.cells.numbers[table.first + seen[name]])
            table.fault(table.first + i, 0, problem, "give every tray a name of its own")
        seen.setdefault(name, i)


def _check_apart(table: _Table, offset: FloatArray) -> None:
    order = np.argsort(offset, kind="stable")  # offsets that can't be read (NaN) come last and clash with none
    apart = np.diff(offset[order]) * KINDS["length"].factors[table.offset_unit]
    for i in np.flatnonzero(apart < MIN_SPACING_M).tolist():
        one, other = sorted(order[i : i + 2].tolist())
        here, there = shortest(offset[one]), shortest(offset[other])
        where = f"at {here} and {there} {table.offset_unit}, less than 1 mm apart"
        if here == there:
            where = f"both at {here} {table.offset_unit}"
        problem = f"trays {table.tray_place(one)} and {table.tray_place(other)} stand {where}"
        table.fault(table.first + other, 1, problem, "give every tray an offset of its own")
