"""Small CSV files that a person types: a title row, then rows of cells, read whatever program saved them.

1. `TitledCells`   the rows, and how a message names a cell
2. `read_titled`   a file with the title asked for -> its rows

The first row is the title and the version. The character right behind the title is the delimiter: comma, semicolon or
tab; with the last two, numbers may have decimal commas.
"""

from __future__ import annotations

import csv
import io
import os
import re
from dataclasses import dataclass

from spreadcheck.errors import Fault, SheetError, shown

VERSION = "1"
MAX_BYTES = 1024 * 1024


@dataclass(frozen=True)
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
    """The rows of a small CSV file that starts with a title and a version.

    Parameters
    ----------
    path : str or path-like
        The file: UTF-8 with or without byte-order mark, UTF-16 with one, or Windows-1252; any line ends. [-]
    title : str
        What its first cell must say. [-]

    Returns
    -------
    TitledCells
        The rows below the title. [-]

    Raises
    ------
    SheetError
        If the file can't be read, is not text, has another title or version, or has nothing below it.

    Examples
    --------
    >>> import pathlib, tempfile; folder = tempfile.TemporaryDirectory()
    >>> file = pathlib.Path(folder.name) / "urea.csv"
    >>> _ = file.write_text("spreadcheck product;1\\ncrush strength;3,1 kgf;2,8 kgf\\n")
    >>> read_titled(file, "spreadcheck product").rows
    (('crush strength', '3,1 kgf', '2,8 kgf'),)
    >>> folder.cleanup()
    """
    name = os.fspath(path)
    text = _decoded(_taken(name), name, title)
    first = re.match(rf'\ufeff?\s*"?{re.escape(title)}"?\s*([,;\t])\s*"?{VERSION}"?\s*(?:[,;\t\r\n]|$)', text, re.I)
    if first is None:
        start = text.removeprefix("\ufeff").lstrip().split("\n", 1)[0]
        raise SheetError(
            Fault(f"{name}: row 1", f'starts with "{shown(start)}"', f"the first row must be {title},{VERSION}"),
        )
    rows, numbers = _split(text.removeprefix("\ufeff"), first[1], name)
    if len(rows) < 2:
        raise SheetError(Fault(name, "has nothing below its title", "add the rows that were left out"))
    return TitledCells(name, tuple(rows[1:]), tuple(numbers[1:]), first[1] != ",")


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


def _decoded(data: bytes, name: str, title: str) -> str:
    coded = "utf-16" if data[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8"
    for encoding in (coded, "cp1252"):
        try:
            text = data.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise SheetError(Fault(name, "is not text", f"save it as CSV, its first row {title},{VERSION}"))


def _split(text: str, delimiter: str, name: str) -> tuple[list[tuple[str, ...]], list[int]]:
    """The cells of each row that is not blank, and the line it starts on."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    rows: list[tuple[str, ...]] = []
    numbers: list[int] = []
    start = 1
    try:
        for row in reader:
            cells = [" ".join(cell.split()) for cell in row]
            while cells and not cells[-1]:
                cells.pop()
            if cells:
                rows.append(tuple(cells))
                numbers.append(start)
            start = reader.line_num + 1
    except csv.Error:
        raise SheetError(
            Fault(
                f"{name}: row {start}",
                "a quoted cell is not closed, or is followed by more text",
                'start and end such a cell with ", and write every " inside it twice',
            )
        ) from None
    return rows, numbers
