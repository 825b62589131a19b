"""The header row of a tray sheet's table: which columns of catches it has."""

from __future__ import annotations

import re

from spreadcheck.errors import record, shown
from spreadcheck.sheet.cells import Faults, SheetCells, letter
from spreadcheck.sheet.traytest import MAX_PASSES, CatchColumn

TARE = CatchColumn(0, "tare")
_PASS = re.compile(r"pass *(\d{1,9})(?: */ *(.*))?", re.IGNORECASE | re.ASCII)


@record
class Header:
    """What the header row says: the row it is, the columns of catches, and whether a column of notes follows.

    A column `tare` stands among the catches, with the pass number 0.
    """

    at: int
    columns: tuple[CatchColumn, ...]  # their units stand in the row below
    has_note: bool

    @property
    def passes(self) -> frozenset[int]:
        """The passes that the columns belong to."""
        return frozenset(column.pass_no for column in self.columns if column.pass_no)

    @property
    def names(self) -> list[str]:
        """The columns of the table as messages name them."""
        return ["tray", "offset", *map(_name, self.columns), *(["note"] if self.has_note else [])]


def _name(column: CatchColumn) -> str:
    return column.name if column.pass_no else column.component


def find_header(cells: SheetCells, faults: Faults) -> Header | None:
    """The header row: the first whose cells start with tray, offset."""
    for at, row in enumerate(cells.rows):
        if [cell.strip().casefold() for cell in row[:2]] == ["tray", "offset"]:
            return _header(cells, at, faults)
    example = cells.delimiter.join(("tray", "offset", "pass 1"))
    faults.add(cells.place(), "the table of trays is missing", f"add a header row below the form: {example}")
    return None


def _header(cells: SheetCells, at: int, faults: Faults) -> Header:
    names = [" ".join(name.split()) for name in cells.rows[at][2:]]
    has_note = bool(names) and names[-1].casefold() == "note"
    columns: list[CatchColumn] = []
    spelt: dict[str, str] = {}  # a component's first spelling stands for all of them
    for number, name in enumerate(names[:-1] if has_note else names, start=2):
        column = _column(name)
        if isinstance(column, CatchColumn):
            component = spelt.setdefault(column.component.casefold(), column.component)
            columns.append(CatchColumn(column.pass_no, component))
        else:
            faults.add(cells.place(at, letter(number)), *column)
            columns.append(CatchColumn(0, shown(name)))  # stands in for it, so that its cells are looked at
    if all(column == TARE for column in columns):
        faults.add(cells.place(at), "the table has no pass", "add a column: pass 1")
    _check_clashes(cells, at, columns, faults)
    return Header(at, tuple(columns), has_note)


def _column(name: str) -> CatchColumn | tuple[str, str]:
    """The column that a header cell names, or what is wrong with the name and what to do."""
    if name.casefold() == TARE.component:
        return TARE
    match = _PASS.fullmatch(name)
    if not name:
        return "the column has no name", "name it, such as pass 3, or take the column out"
    if match is None:
        return (
            f'"{shown(name)}" is not a pass',
            "name it pass 1, pass 2 / potash, tare, or note as the last one",
        )
    if not 1 <= int(match[1]) <= MAX_PASSES:
        return f'"{shown(name)}" has no such number', f"number the passes from 1 to {MAX_PASSES}"
    if match[2] == "":
        return f'"{shown(name)}" names no component', f"write pass {int(match[1])}, or the component behind the /"
    return CatchColumn(int(match[1]), match[2] or "")


def _check_clashes(cells: SheetCells, at: int, columns: list[CatchColumn], faults: Faults) -> None:
    """The same column twice, or a pass with its whole catch and its components."""
    seen: dict[tuple[int, str], int] = {}
    whole = {column.pass_no for column in columns if not column.component}
    for number, column in enumerate(columns, start=2):
        if column.pass_no == 0 and column != TARE:  # its name is a fault of its own
            continue
        key = (column.pass_no, column.component)
        if key in seen:
            problem = f'"{shown(_name(column))}" is there twice, first in column {letter(seen[key])}'
            faults.add(cells.place(at, letter(number)), problem, "rename one of the two, or take it out")
        elif column.component and column.pass_no in whole:
            problem = f"pass {column.pass_no} has one column for all and one for {shown(column.component)}"
            remedy = "keep either the whole catch or its components, which add up to it"
            faults.add(cells.place(at, letter(number)), problem, remedy)
        seen.setdefault(key, number)
