"""Text files of cells, whatever program saved them: bytes to text, text to rows."""

from __future__ import annotations

import csv
import io

from spreadcheck.errors import Fault, SheetError


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
