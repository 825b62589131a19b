"""A tray sheet as rows of cells, whatever file it was saved in.

The delimiter is the character right behind "spreadcheck tray sheet" on the first line: nothing is guessed.
"""

from __future__ import annotations

import re
from dataclasses import field

from spreadcheck.errors import Fault, SheetError, record, shown
from spreadcheck.sheet.csvrows import csv_rows, decoded

TITLE = "spreadcheck tray sheet"
VERSION = 1
MAX_BYTES = 16 * 1024 * 1024
MAX_ROWS = 20_000  # that hold something: form and trays have closer limits of their own
MAX_FAULTS = 10_000  # messages beyond this take more memory than they help

_FIRST = re.compile(rf' *"? *{TITLE} *"? *([,;\t]|[\r\n]|$)', re.IGNORECASE)
NOT_TEXT = "is neither text nor a workbook (a picture, perhaps)"


class Faults(list[Fault]):
    """What is wrong with a sheet. All of it is collected; only a sheet with thousands of faults is given up early."""

    def add(self, place: str, problem: str, remedy: str) -> None:
        """Note one more fault."""
        self.append(Fault(place, problem, remedy))
        if len(self) == MAX_FAULTS:
            raise SheetError(*self, Fault(place, "more faults may follow", "put these right first"))


@record
class SheetCells:
    """The rows of a sheet as text cells, blank rows left out. `numbers` holds the row number that a person sees."""

    source: str
    rows: list[list[str]]
    numbers: list[int]
    decimal_comma: bool  # whether a comma may stand for the decimal point
    delimiter: str = ","  # for messages that show a row
    faults: Faults = field(default_factory=Faults)  # what was wrong with cells already

    def place(self, at: int | None = None, column: str = "") -> str:
        """How a message names a cell, a whole row, or the whole sheet."""
        name = self.source or "tray sheet"
        if at is None:
            return name
        row = f"{name}: row {self.numbers[at]}"
        return f'{row}, column "{shown(column)}"' if column else row


def letter(at: int) -> str:
    """The letter over a column of a spreadsheet."""
    name, rest = "", at + 1
    while rest:
        rest, digit = divmod(rest - 1, 26)
        name = chr(ord("A") + digit) + name
    return name


def shortest(value: float) -> str:
    """A number in the shortest writing that reads back as the same number, whole numbers without a point."""
    return repr(float(value) + 0.0).removesuffix(".0")  # + 0.0 turns -0 into 0


def read_text(data: bytes | str, source: str = "") -> SheetCells:
    """The rows of a tray sheet that is a text file."""
    name = source or "tray sheet"
    text = decoded(data) if isinstance(data, bytes) else data.removeprefix("\ufeff")
    if text is None or "\0" in text:
        raise SheetError(Fault(name, NOT_TEXT, "give a tray sheet saved as CSV or XLSX"))
    if not text.strip():
        raise SheetError(Fault(name, "is empty", f"start it with the row {TITLE},{VERSION}"))
    first = _FIRST.match(text)
    if first is None:
        line = re.split(r"[,;\t\r\n]", text.lstrip(), maxsplit=1)[0]
        raise SheetError(_not_a_sheet(name, line))
    delimiter = first[1] if first[1] in {",", ";", "\t"} else ","
    cells = SheetCells(
        source, *csv_rows(text, delimiter=delimiter, name=name, most=MAX_ROWS), delimiter != ",", delimiter
    )
    check_first(cells)
    return cells


def check_first(cells: SheetCells) -> None:
    """Make sure that the first row says what a version-1 tray sheet says."""
    title, version = (*(cells.rows[0] if cells.rows else []), "", "")[:2]
    if title.strip().casefold() != TITLE:
        raise SheetError(_not_a_sheet(cells.place(), title))
    place, found = cells.place(0, "B"), version.strip()
    if not found:
        raise SheetError(Fault(place, "the version is missing", f"write {TITLE},{VERSION}"))
    if found not in (str(VERSION), f"{VERSION}.0"):
        raise SheetError(
            Fault(
                place,
                f'the version is "{shown(found)}", and this program reads version {VERSION}',
                f"write {VERSION}, or get a newer spreadcheck",
            )
        )


def _not_a_sheet(name: str, first: str) -> Fault:
    found = f'"{shown(first)}"' if first.strip() else "empty"
    return Fault(
        f'{name}: row 1, column "A"',
        f"the first cell is {found}, so this is not a tray sheet",
        f"the first row must be {TITLE},{VERSION}",
    )
