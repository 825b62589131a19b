"""What the readers of workbooks share: a worksheet as it is read, its limits, and cells as a person would type them."""

from __future__ import annotations

import datetime
import re
from dataclasses import dataclass, field

from spreadcheck.errors import Fault, SheetError
from spreadcheck.sheet.cells import MAX_ROWS, TITLE, Faults, SheetCells, letter, shortest

MAX_TAGS = 1_000_000  # elements in the XML that is read: a reader keeps some 100 bytes for each
MAX_CELLS = 250_000  # of a workbook, blank ones between filled ones included: some four seconds of reading
_LITERAL = re.compile(r'"[^"]*"|\\.')  # words in a number format, which change nothing


@dataclass
class Worksheet:
    """A worksheet as far as it is read: all of a tray sheet, the first row of any other."""

    name: str  # the workbook's, for messages
    title: str
    rows: dict[int, list[str]] = field(default_factory=dict)
    faults: Faults = field(default_factory=Faults)

    @property
    def is_tray_sheet(self) -> bool:
        """Whether its first cell says so."""
        return bool(self.rows.get(1)) and self.rows[1][0].strip().casefold() == TITLE

    def add_row(self, number: int, cells: list[str]) -> None:
        """Keep a row that holds something, without trailing empty cells."""
        while cells and not cells[-1]:
            cells.pop()
        if any(cell.strip() for cell in cells):
            self.rows[number] = cells
        if len(self.rows) > MAX_ROWS:
            raise too_large(self.name)

    def add_fault(self, row: int, column: int, problem: str, remedy: str) -> None:
        """Note what is wrong with a cell."""
        self.faults.add(f'{self.name}: row {row}, column "{letter(column)}"', problem, remedy)

    def cells(self, source: str) -> SheetCells:
        """The rows as every reader hands them on."""
        return SheetCells(source, list(self.rows.values()), list(self.rows), decimal_comma=True, faults=self.faults)


class Counter:
    """Counts cells while they are read, so that a small file can't grow large in memory."""

    def __init__(self, name: str) -> None:
        self._name, self._count = name, 0

    def add(self, cells: int) -> None:
        """Count more cells; too many end the reading."""
        self._count += cells
        if self._count > MAX_CELLS:
            raise too_large(self._name)


def too_large(name: str) -> SheetError:
    """The refusal of a workbook that is too large, with the way out."""
    remedy = "copy the tray sheet's cells alone into a new workbook, or save it as CSV"
    return SheetError(Fault(name, "the workbook is too large once it is unpacked", remedy))


def text_of(value: object, number_format: str = "") -> str:
    """The value of a cell as a person would type it into a text file."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, (int, float)):
        return percent_of(value) if "%" in _LITERAL.sub("", number_format) else shortest(value)
    if isinstance(value, datetime.datetime):
        return value.date().isoformat() if value.time() == datetime.time() else value.isoformat()
    return str(value)


def percent_of(value: float) -> str:
    """A cell shown as 65% holds 0.65: as it is seen, never a hundredth of it."""
    return f"{shortest(round(value * 100, 10))}%"
