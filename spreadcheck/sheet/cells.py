"""Files that a person types, whatever program saved them: bytes to text, text to rows of cells, and TOML.

The delimiter is the character right behind the title on the first line: nothing is guessed.
"""

from __future__ import annotations

import csv
import io
import os
import re
from collections.abc import Mapping
from dataclasses import field, replace
from typing import Any

from spreadcheck.errors import Fault, QuantityError, SheetError, SpreadcheckError, record, shown

TITLE = "spreadcheck tray sheet"
BOOKS = (b"PK\x03\x04", b"\xd0\xcf\x11\xe0")  # how workbooks start: zipped ones, old and encrypted ones
VERSION = 1
MAX_BYTES = 16 * 1024 * 1024
MAX_ROWS = 20_000  # that hold something: form and trays have closer limits of their own
MAX_FAULTS = 10_000  # messages beyond this take more memory than they help

MAX_CSV_BYTES = 1024 * 1024
MAX_TOML_BYTES = 65_536
LARGEST = 1e300  # a larger number is a slip, and a whole one may not fit a float


class Faults(list[Fault]):
    """What is wrong with a sheet. All of it is collected; only a sheet with thousands of faults is given up early."""

    def add(self, place: str, problem: str, remedy: str) -> None:
        """Note one more fault."""
        self.append(Fault(place, problem, remedy))
        if len(self) == MAX_FAULTS:
            raise SheetError(*self, Fault(place, "more faults may follow", "put these right first"))


@record
class SheetCells:
    """The rows of a file as text cells, blank rows left out. `numbers` holds the row number that a person sees."""

    source: str
    rows: list[list[str]]
    numbers: list[int]
    decimal_comma: bool  # whether a comma may stand for the decimal point
    delimiter: str = ","  # for messages that show a row
    faults: Faults = field(default_factory=Faults)  # what is wrong with the cells as far as they were looked at
    names: list[str] = field(default_factory=list)  # of the columns of the table, once its header row was found

    def place(self, at: int | None = None, column: str | int = "") -> str:
        """How a message names a cell, a whole row, or the whole file; a column by its name, else by its letter."""
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


def read_text(data: bytes | str, source: str = "", title: str = TITLE) -> SheetCells:
    """The rows of a text file that starts with its title and the version."""
    what = "tray sheet" if title == TITLE else f"{title.removeprefix('spreadcheck ')} file"
    name = source or what
    text = decoded(data) if isinstance(data, bytes) else data.removeprefix("\ufeff")
    if text is None or "\0" in text:
        told = "is neither text nor a workbook (a picture, perhaps)", f"give a {what} saved as CSV or XLSX"
        raise SheetError(Fault(name, *(told if title == TITLE else ("is not text", f"give a {what} saved as CSV"))))
    if not text.strip():
        raise SheetError(Fault(name, "is empty", f"start it with the row {title},{VERSION}"))
    first = re.match(rf' *"? *{title} *"? *([,;\t]|[\r\n]|$)', text, re.IGNORECASE)
    delimiter = first[1] if first and first[1] in {",", ";", "\t"} else ","
    if first:
        rows, numbers = csv_rows(text, delimiter, name)
    else:  # its first cell, up to any delimiter, is named as what it is not
        rows, numbers = [re.split(r"[,;\t\r\n]", text.lstrip(), maxsplit=1)], [1]
    cells = SheetCells(source, rows, numbers, delimiter != ",", delimiter)
    check_first(cells, title, what)
    return cells


def check_first(cells: SheetCells, title: str = TITLE, what: str = "tray sheet") -> None:
    """Make sure that the first row says what a file of version 1 says."""
    first, version = (*(cells.rows[0] if cells.rows else []), "", "")[:2]
    place, found = cells.place(0, "B") if cells.rows else "", version.strip()
    if first.strip().casefold() != title:
        said = f'"{shown(first)}"' if first.strip() else "empty"
        problem = f"the first cell is {said}, so this is not a {what}"
        place = f'{cells.source or what}: row 1, column "A"'
        raise SheetError(Fault(place, problem, f"the first row must be {title},{VERSION}"))
    if not found:
        raise SheetError(Fault(place, "the version is missing", f"write {title},{VERSION}"))
    if found not in (str(VERSION), f"{VERSION}.0"):
        problem = f'the version is "{shown(found)}", and this program reads version {VERSION}'
        raise SheetError(Fault(place, problem, f"write {VERSION}, or get a newer spreadcheck"))


def read_titled(path: str | os.PathLike[str], title: str) -> SheetCells:
    """The rows below the title of a small CSV file; single blanks between words, and no cells of blanks at the end."""
    name = os.fspath(path)
    cells = read_text(_taken(name, MAX_CSV_BYTES, SheetError), name, title)
    rows = [[" ".join(cell.split()) for cell in row] for row in cells.rows[1:]]
    for row in rows:
        while not row[-1]:
            row.pop()
    if not rows:
        raise SheetError(Fault(name, "has nothing below its title", "add the rows that were left out"))
    return replace(cells, rows=rows, numbers=cells.numbers[1:])


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


def csv_rows(text: str, delimiter: str, name: str) -> tuple[list[list[str]], list[int]]:
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
            if len(rows) > MAX_ROWS:
                raise SheetError(
                    Fault(name, f"has more than {MAX_ROWS} rows", "a tray sheet holds one test; split it up")
                )
            start = reader.line_num + 1
    except csv.Error:
        problem = "a quoted cell is not closed, is followed by more text, or is too long"
        remedy = 'start and end such a cell with ", and write every " inside it twice'
        raise SheetError(Fault(f"{name}: row {start}", problem, remedy)) from None
    return rows, numbers


def read_toml(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read a TOML file."""
    import tomllib  # most commands read none

    name = os.fspath(path)
    content = _taken(name, MAX_TOML_BYTES, QuantityError)
    try:
        return tomllib.loads(content.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise QuantityError(Fault(name, "is not text", "save it as text, in UTF-8")) from error
    except (ValueError, RecursionError) as error:  # no TOML, a number of thousands of digits
        raise QuantityError(Fault(name, f"is not a TOML file ({error})", "write such as: N = 46")) from error


def number_at(table: Mapping[str, Any], key: str, *, place: str, low: float = 0.0, high: float = float("inf")) -> float:
    """One number of a table."""
    value = table.get(key)
    bounds = f"write a number from {low:g} to {high:g}" if high < float("inf") else f"write a number of {low:g} or more"
    if value is None:
        raise QuantityError(Fault(place, f'"{key}" is missing', bounds))
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not low <= value <= min(high, LARGEST):
        raise QuantityError(Fault(place, f'"{key}" is {value}', bounds))
    return float(value)


def _taken(name: str, most: int, refusal: type[SpreadcheckError]) -> bytes:
    try:
        with open(name, "rb") as file:
            data = file.read(most + 1)
    except (OSError, ValueError) as error:
        raise refusal(unread(name, error)) from None
    if len(data) > most:
        raise refusal(Fault(name, f"is larger than {most // 1024} KiB", "give a small file that a person typed"))
    return data
