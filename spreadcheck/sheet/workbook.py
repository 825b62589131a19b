"""Tray sheets in workbooks: .xlsx, .ods and .xls. The libraries of the extra `excel` are imported when used."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from types import ModuleType
from typing import Any

from spreadcheck.errors import Fault, MissingExtraError, OutputError, SheetError, SpreadcheckError
from spreadcheck.sheet.cells import MAX_BYTES, SheetCells, check_first, letter, shortest
from spreadcheck.sheet.worksheets import (
    MAX_CELLS,
    MAX_TAGS,
    Counter,
    Worksheet,
    ods_worksheets,
    text_of,
    too_large,
    xls_worksheets,
)

MAX_OTHER_BYTES = 2 * MAX_BYTES  # texts, styles and the rest, unpacked
MAX_TEXT_BYTES = 4 * MAX_BYTES  # the XML of all worksheets, unpacked
LAST_ROW = 1_048_576  # of any worksheet

_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")  # how a workbook writes a character that XML can't hold
_TO_ESCAPE = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
_NUMBER = re.compile(r"-?\d+(\.\d+)?(e[+-]\d+)?", re.ASCII)
_CELL = re.compile(rb"<(?:\w+:)?c[ />]")  # where a cell starts in the XML of a worksheet
_DATES = re.compile(rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*")
_BEFORE_ALL = (1980, 1, 1, 0, 0, 0)  # the first moment that a zip file knows


def read_workbook(data: bytes, source: str = "") -> dict[str, SheetCells]:
    """The rows of every tray sheet in a workbook by the worksheet's title: those whose cell A1 holds the title."""
    name = source or "tray sheet"
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # on styles, printer settings and the like, which don't matter here
            found = _worksheets(data, name)
    except SpreadcheckError:
        raise
    except Exception as error:  # the libraries raise errors of many kinds on a workbook that is damaged or made up
        remedy = "save it again as XLSX or CSV"
        raise SheetError(Fault(name, "is a damaged workbook, or another kind of zip file", remedy)) from error
    if not found:
        raise SheetError(Fault(name, "the workbook has no worksheet", "give a workbook with a tray sheet in it"))
    tray_sheets = {sheet.title: sheet.cells(source) for sheet in found if sheet.is_tray_sheet}
    for cells in (tray_sheets or {"": found[0].cells(source)}).values():
        check_first(cells)
    return tray_sheets


def _worksheets(data: bytes, name: str) -> list[Worksheet]:
    """A small file may unpack to something huge: look at what it says of itself before unpacking, then count."""
    if not zipfile.is_zipfile(io.BytesIO(data)) and not data.startswith(b"PK"):
        return xls_worksheets(data, name)
    parts = {part.filename: part.file_size for part in zipfile.ZipFile(io.BytesIO(data)).infolist()}
    if "content.xml" in parts:
        if parts["content.xml"] > MAX_TEXT_BYTES or _is_too_large(data, ["content.xml"]):
            raise too_large(name)
        return ods_worksheets(data, name)
    others = sum(size for part, size in parts.items() if not part.startswith("xl/worksheets/"))
    size = sum(parts.values())
    if others > MAX_OTHER_BYTES or size - others > MAX_TEXT_BYTES or _is_too_large(data, list(parts)):
        raise too_large(name)
    return _xlsx_worksheets(data, name)


def filled_worksheets(data: bytes) -> int:
    """How many worksheets of an .xlsx workbook hold a cell."""
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        names = [name for name in parts.namelist() if name.startswith("xl/worksheets/") and name.endswith(".xml")]
        return sum(_CELL.search(parts.read(name)) is not None for name in names)


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


def _xlsx_worksheets(data: bytes, name: str) -> list[Worksheet]:
    """Every worksheet; a second look, at the stored values, only where there are formulas."""
    openpyxl = _openpyxl(name)
    book = openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False)
    counter, found = Counter(name), []
    for sheet in book.worksheets:
        formulas: set[tuple[int, int]] = set()
        read = _xlsx_rows(sheet, name, formulas, counter)
        if formulas:
            stored = openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False, data_only=True)
            read = _xlsx_rows(stored[sheet.title], name, formulas, Counter(name))
        found.append(read)
    return found


def _is_too_large(data: bytes, names: list[str]) -> bool:
    """Whether parts of a zip file are too long, or have too many cells or elements, counted while they are unpacked."""
    cells = tags = size = 0
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        for name in names:
            with parts.open(name) as part:
                while chunk := part.read(1 << 20):
                    size += len(chunk)
                    tags += chunk.count(b"<") - chunk.count(b"</")
                    cells += len(_CELL.findall(chunk))
                    if size > MAX_TEXT_BYTES + MAX_OTHER_BYTES or tags > MAX_TAGS or cells > MAX_CELLS:
                        return True
    return False


def _xlsx_rows(sheet: Any, name: str, formulas: set[tuple[int, int]], counter: Counter) -> Worksheet:
    """A worksheet, whole where it is a tray sheet.

    Notes which cells are formulas; on the second look, at stored values, says which of these have none.
    """
    sheet.reset_dimensions()  # what the file says of its own size may be wrong
    found = Worksheet(name, sheet.title)
    for number, row in enumerate(sheet.iter_rows(max_row=LAST_ROW), start=1):
        if number > 1 and not found.is_tray_sheet:
            break
        counter.add(len(row))
        texts = []
        for column, cell in enumerate(row):
            value, text = cell.value, ""
            if cell.data_type == "f":
                formulas.add((number, column))
            if cell.data_type == "e":
                found.add_error(number, column, value)
            elif isinstance(value, str):
                text = _ESCAPE.sub(lambda match: chr(int(match[1], 16)), value)
            elif value is None and cell.data_type != "str" and (number, column) in formulas:
                # An empty text as a result is a blank cell; one that was never worked out says nothing at all.
                found.add_unworked(number, column)
            else:
                text = text_of(value, str(cell.number_format) if isinstance(value, (int, float)) else "")
            texts.append(text)
        found.add_row(number, texts)
    return found


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
    dated, file = io.BytesIO(), io.BytesIO()
    book.save(dated)
    # Without the moment it was written: the same sheet gives the same bytes.
    with zipfile.ZipFile(dated) as old, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            content = _DATES.sub(rb"\g<1>1980-01-01T00:00:00Z", old.read(part))
            new.writestr(zipfile.ZipInfo(part.filename, _BEFORE_ALL), content, zipfile.ZIP_DEFLATED)
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
