"""Small CSV files that a person types: a title row, then rows of cells, read whatever program saved them.

The first row is the title and the version. The character right behind the title is the delimiter: comma, semicolon or
tab; with the last two, numbers may have decimal commas.
"""

from __future__ import annotations

import os
import re

from spreadcheck.errors import Fault, SheetError, record, shown
from spreadcheck.sheet.csvrows import csv_rows, decoded

VERSION = "1"
MAX_BYTES = 1024 * 1024
MAX_ROWS = 20_000


@record
class TitledCells:
    """The rows below the title as text cells, blank rows left out; `numbers` are the row numbers a person sees."""

    source: str
    rows: tuple[tuple[str, ...], ...]
    numbers: tuple[int, ...]
    decimal_comma: bool

    def place(self, at: int | None = None, column: str | int | None = None) -> str:
        """How a message names a cell, a whole row, or the whole file; a column is named by its header or number."""
        if at is None:
            return self.source
        row = f"{self.source}: row {self.numbers[at]}"
        if column is None:
            return row
        return f'{row}, column "{column}"' if isinstance(column, str) else f"{row}, cell {column + 1}"


def read_titled(path: str | os.PathLike[str], title: str) -> TitledCells:
    """The rows of a small CSV file that starts with a title and a version."""
    name = os.fspath(path)
    text = decoded(_taken(name))
    if text is None:
        raise SheetError(Fault(name, "is not text", f"save it as CSV, its first row {title},{VERSION}"))
    first = re.match(rf'\s*"?{re.escape(title)}"?\s*([,;\t])\s*"?{VERSION}"?\s*(?:[,;\t\r\n]|$)', text, re.I)
    if first is None:
        start = text.lstrip().split("\n", 1)[0]
        raise SheetError(
            Fault(f"{name}: row 1", f'starts with "{shown(start)}"', f"the first row must be {title},{VERSION}"),
        )
    cells, numbers = csv_rows(text, delimiter=first[1], name=name, most=MAX_ROWS)
    rows = [_words(row) for row in cells]
    if len(rows) < 2:
        raise SheetError(Fault(name, "has nothing below its title", "add the rows that were left out"))
    return TitledCells(name, tuple(rows[1:]), tuple(numbers[1:]), first[1] != ",")


def _words(row: list[str]) -> tuple[str, ...]:
    """The cells with single blanks between words, without cells of blanks at the end."""
    cells = [" ".join(cell.split()) for cell in row]
    while cells and not cells[-1]:
        cells.pop()
    return tuple(cells)


def _taken(name: str) -> bytes:
    try:
        with open(name, "rb") as file:
            data = file.read(MAX_BYTES + 1)
    except FileNotFoundError:
        raise SheetError(Fault(name, "the file does not exist", "check its name and folder")) from None
    except IsADirectoryError:
        raise SheetError(Fault(name, "is a folder", "give the name of a file in it")) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise SheetError(
            Fault(name, f"can't be read ({reason})", "check the file's name and who may read it")
        ) from None
    if len(data) > MAX_BYTES:
        raise SheetError(Fault(name, "is larger than 1 MiB", "this is not a file that a person typed"))
    return data
