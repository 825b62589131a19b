"""Small files that a person types: CSV below a title row, and TOML. Every fault is named by file, row or key.

The first row of the CSV is the title and the version. The character right behind the title is the delimiter: comma,
semicolon or tab; with the last two, numbers may have decimal commas.
"""

from __future__ import annotations

import os
import re
from collections.abc import Mapping
from typing import Any

from spreadcheck.errors import Fault, QuantityError, SheetError, SpreadcheckError, record, shown
from spreadcheck.sheet.cells import MAX_ROWS, csv_rows, decoded, unread

VERSION = "1"
MAX_CSV_BYTES = 1024 * 1024
MAX_TOML_BYTES = 65_536
LARGEST = 1e300  # a larger number is a slip, and a whole one may not fit a float


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
    text = decoded(_taken(name, MAX_CSV_BYTES, SheetError))
    if text is None:
        raise SheetError(Fault(name, "is not text", f"save it as CSV, its first row {title},{VERSION}"))
    first = re.match(rf'\s*"?{re.escape(title)}"?\s*([,;\t])\s*"?{VERSION}"?\s*(?:[,;\t\r\n]|$)', text, re.I)
    if first is None:
        start = text.lstrip().split("\n", 1)[0]
        raise SheetError(
            Fault(f"{name}: row 1", f'starts with "{shown(start)}"', f"the first row must be {title},{VERSION}"),
        )
    cells, numbers = csv_rows(text, delimiter=first[1], name=name, most=MAX_ROWS)
    rows = []
    for row in cells:  # single blanks between words, and no cells of blanks at the end
        rows.append([" ".join(cell.split()) for cell in row])
        while rows[-1] and not rows[-1][-1]:
            rows[-1].pop()
    if len(rows) < 2:
        raise SheetError(Fault(name, "has nothing below its title", "add the rows that were left out"))
    return TitledCells(name, tuple(map(tuple, rows[1:])), tuple(numbers[1:]), first[1] != ",")


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
