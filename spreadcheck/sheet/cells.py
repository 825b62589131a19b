"""Files of cells, whatever program saved them: bytes to text, text to rows, and the rows of a tray sheet.

The delimiter is the character right behind "spreadcheck tray sheet" on the first line: nothing is guessed.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import field

from spreadcheck.errors import Fault, SheetError, record, shown

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
    faults: Faults = field(default_factory=Faults)  # what is wrong with the cells as far as they were looked at
    names: list[str] = field(default_factory=list)  # of the columns of the table, once its header row was found

    def place(self, at: int | None = None, column: str | int = "") -> str:
        """How a message names a cell, a whole row, or the whole sheet; a column by its name, else by its letter."""
        name = self.source or "tray sheet"
        if at is None:
            return name
        if isinstance(column, int):
            column = self.names[column] if column < len(self.names) else letter(column)
        row = f"{name}: row {self.numbers[at]}"
        return f'{row}, column "{shown(column)}"' if column else row

    def fault(self, at: int | None, column: str | int, problem: str, remedy: str) -> None:
        """Note what is wrong with a cell, a whole row, or the whole sheet."""
        self.faults.add(self.place(at, column), problem, remedy)


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


def unread(name: str, error: Exception) -> Fault:
    """Why a file can't be read, and what to do about it."""
    if not name:
        return Fault("", "the name of a file is empty", "give the file's name")
    reason = getattr(error, "strerror", None) or str(error)
    for kind, problem, remedy in (
        (FileNotFoundError, "the file does not exist", "check its name and folder"),
        (IsADirectoryError, "is a folder", "give the name of a file in it"),
        (PermissionError, "may not be read", "check who may read the file"),
        (OSError, f"can't be read ({reason})", "check the file and its disk"),
    ):
        if isinstance(error, kind):
            return Fault(name, problem, remedy)
    return Fault(name, "can't be read as text", "check its name, or open it as bytes")  # or no file can have the name


def decoded(data: bytes) -> str | None:
    """The text of a file: UTF-8 with or without byte-order mark, UTF-16 with one, or Windows-1252."""
    wide = data[:2] in (b"\xff\xfe", b"\xfe\xff")
    for encoding in ("utf-16",) if wide else ("utf-8", "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        return None if "\0" in text else text.removeprefix("\ufeff")
    return None


def csv_rows(text: str, *, delimiter: str, name: str, most: int) -> tuple[list[list[str]], list[int]]:
    """The cells of each row that is not blank, without trailing empty ones, and the line each row starts on."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[list[str]] = []
    numbers: list[int] = []
    start = 1
    try:
        for row in reader:
            while row and not row[-1]:
                row.pop()
            if any(cell.strip() for cell in row):
                rows.append(row)
                numbers.append(start)
            if len(rows) > most:
                raise SheetError(Fault(name, f"has more than {most} rows", "a tray sheet holds one test; split it up"))
            start = reader.line_num + 1
    except csv.Error:
        raise SheetError(
            Fault(
                f"{name}: row {start}",
                "a quoted cell is not closed, is followed by more text, or is too long",
                'start and end such a cell with ", and write every " inside it twice',
            )
        ) from None
    return rows, numbers
