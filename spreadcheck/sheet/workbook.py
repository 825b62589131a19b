"""Tray sheets as XLSX workbooks. Needs the extra `excel` (openpyxl), which is imported only here."""

from __future__ import annotations

import datetime
import io
import re
import warnings
import zipfile
import zlib
from types import ModuleType
from typing import Any

from spreadcheck.errors import Fault, MissingExtraError, OutputError, SheetError, shown
from spreadcheck.sheet.cells import MAX_BYTES, MAX_ROWS, TITLE, Faults, SheetCells, check_first, letter, shortest

MAX_SHEET_BYTES = 256 * 1024 * 1024  # the XML of all worksheets, unpacked
MAX_OTHER_BYTES = 2 * MAX_BYTES  # texts, styles and the rest, unpacked
LAST_ROW = 1_048_576  # of any worksheet
MAX_CELLS = 4_000_000  # looked at, blank or not

# What openpyxl and the zip and XML readers below it raise on a workbook that is damaged or made up.
_DAMAGE = (
    zipfile.BadZipFile, zlib.error, EOFError, OSError, LookupError, ValueError, TypeError, AttributeError,
    SyntaxError, NotImplementedError, RuntimeError, AssertionError, OverflowError,
)  # fmt: skip

_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")  # how a workbook writes a character that XML can't hold
_TO_ESCAPE = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
_LITERAL = re.compile(r'"[^"]*"|\\.')  # words in a number format, which change nothing
_NUMBER = re.compile(r"-?\d+(\.\d+)?(e[+-]\d+)?", re.ASCII)


def read_workbook(data: bytes, source: str = "") -> SheetCells:
    """The rows of a tray sheet in a workbook: the first worksheet whose cell A1 holds the title."""
    name = source or "tray sheet"
    openpyxl = _openpyxl(name)
    _check_size(data, name)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # on styles, printer settings and the like, which don't matter here
            cells = _sheet_cells(openpyxl, data, source)
    except _DAMAGE as error:
        raise _damaged(name) from error
    check_first(cells)
    return cells


def _openpyxl(name: str) -> ModuleType:
    try:
        import openpyxl
    except ImportError:
        raise MissingExtraError(
            Fault(
                name,
                "XLSX workbooks need the library openpyxl, which is not installed",
                "install spreadcheck[excel], or save the sheet as CSV",
            )
        ) from None
    module: ModuleType = openpyxl
    return module


def _damaged(name: str) -> SheetError:
    return SheetError(Fault(name, "is a damaged workbook, or another kind of zip file", "save it again as XLSX or CSV"))


def _check_size(data: bytes, name: str) -> None:
    """A small file may unpack to something huge: look at what it says of itself before unpacking."""
    try:
        parts = zipfile.ZipFile(io.BytesIO(data)).infolist()
    except _DAMAGE as error:
        raise _damaged(name) from error
    sheets = sum(part.file_size for part in parts if part.filename.startswith("xl/worksheets/"))
    others = sum(part.file_size for part in parts) - sheets
    if sheets > MAX_SHEET_BYTES or others > MAX_OTHER_BYTES:
        raise _too_large(name)


def _too_large(name: str) -> SheetError:
    return SheetError(
        Fault(
            name,
            "the workbook is too large once it is unpacked",
            "copy the tray sheet's cells alone into a new workbook, or save it as CSV",
        )
    )


def _sheet_cells(openpyxl: ModuleType, data: bytes, source: str) -> SheetCells:
    """The cells of the tray sheet; a second look, at the stored values, only where there are formulas."""
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False)
    name = source or "tray sheet"
    title = _title(book, name)
    formulas: set[tuple[int, int]] = set()
    faults = Faults()
    rows = _rows(book[title], name, formulas, faults)
    if formulas:
        stored = openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False, data_only=True)
        faults = Faults()
        rows = _rows(stored[title], name, formulas, faults)
    filled = {number: row for number, row in rows.items() if any(cell.strip() for cell in row)}
    return SheetCells(source, list(filled.values()), list(filled), decimal_comma=True, faults=faults)


def _title(book: Any, name: str) -> str:
    """Which worksheet to read: the first whose A1 holds the title, else the first."""
    titles: list[str] = [sheet.title for sheet in book.worksheets]
    if not titles:
        raise SheetError(Fault(name, "the workbook has no worksheet", "give a workbook with a tray sheet in it"))
    for title in titles:
        for row in book[title].iter_rows(min_row=1, max_row=1, max_col=1, values_only=True):
            if row and str(row[0]).strip().casefold() == TITLE:
                return title
    return titles[0]


def _rows(sheet: Any, name: str, formulas: set[tuple[int, int]], faults: Faults) -> dict[int, list[str]]:
    """Row number -> text cells, for rows that hold something.

    Notes which cells are formulas; on the second look, at stored values, says which of these have none.
    """
    sheet.reset_dimensions()  # what the file says of its own size may be wrong
    rows: dict[int, list[str]] = {}
    count = 0
    for number, row in enumerate(sheet.iter_rows(max_row=LAST_ROW), start=1):
        count += len(row)
        if count > MAX_CELLS or len(rows) > MAX_ROWS:
            raise _too_large(name)
        for column, cell in enumerate(row):
            if cell.data_type == "f":
                formulas.add((number, column))
            problem = _cell_problem(cell, (number, column) in formulas)
            if problem:
                faults.add(f'{name}: row {number}, column "{letter(column)}"', *problem)
        cells = ["" if cell.data_type == "e" else _text(cell) for cell in row]
        while cells and not cells[-1]:
            cells.pop()
        if cells:
            rows[number] = cells
    return rows


def _cell_problem(cell: Any, is_formula: bool) -> tuple[str, str] | None:
    if cell.data_type == "e":
        return f"the cell holds the error {shown(str(cell.value))}", "put the formula right, or write the value"
    # A formula whose result is an empty text is a blank cell; one that was never worked out says nothing at all.
    if is_formula and cell.value is None and cell.data_type != "str":
        remedy = "open the workbook in a spreadsheet program and save it, or write the value"
        return "the formula has no stored value", remedy
    return None


def _text(cell: Any) -> str:
    """A cell as a person would type it into a text file."""
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, str):
        return _ESCAPE.sub(lambda match: chr(int(match[1], 16)), value)
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, (int, float)):
        # A cell shown as 65% holds 0.65: give it as it is seen, never a hundredth of it.
        percent = "%" in _LITERAL.sub("", str(cell.number_format))
        return f"{shortest(round(value * 100, 10))}%" if percent else shortest(value)
    if isinstance(value, datetime.datetime):
        return value.date().isoformat() if value.time() == datetime.time() else value.isoformat()
    return str(value)


def workbook_bytes(rows: list[list[str]], *, place: str = "") -> bytes:
    """A workbook with one tray sheet in it: numbers as numbers, all else as text that no program works out."""
    openpyxl = _openpyxl(place)
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "tray sheet"
    for at, row in enumerate(rows, start=1):
        for column, text in enumerate(row, start=1):
            if text:
                _fill(sheet.cell(at, column), text, place)
    _dress(openpyxl, sheet, rows)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def _fill(cell: Any, text: str, place: str) -> None:
    if _NUMBER.fullmatch(text) and shortest(float(text)) == text:
        cell.value = text  # as it stands: given a float, openpyxl would write 16 digits, one too few
        cell.data_type = "n"
        return
    if len(text) > 32_767:
        raise OutputError(
            Fault(place, f"cell {cell.coordinate} would hold {len(text)} characters", "write CSV, or shorten the text")
        )
    cell.value = _TO_ESCAPE.sub(lambda match: f"_x{ord(match[0]):04X}_", text)
    cell.data_type = "s"  # a text that starts with = stays a text
    cell.quotePrefix = text[0] in "=+-@"


def _dress(openpyxl: ModuleType, sheet: Any, rows: list[list[str]]) -> None:
    """Bold title and header, widths that show every word, and the trays scrolling below their units."""
    header = next((at for at, row in enumerate(rows, start=1) if row[:2] == ["tray", "offset"]), 1)
    bold = openpyxl.styles.Font(bold=True)
    for cell in (sheet.cell(1, 1), *sheet[header]):
        cell.font = bold
    sheet.freeze_panes = sheet.cell(header + 2, 1)
    for column in range(max(map(len, rows))):
        longest = max(len(row[column]) for row in rows if column < len(row))
        sheet.column_dimensions[letter(column)].width = min(max(longest + 2, 10), 40)
