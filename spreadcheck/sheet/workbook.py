"""Tray sheets in workbooks: .xlsx, .ods and .xls. The libraries of the extra `excel` are imported when used."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from types import ModuleType
from typing import Any

from spreadcheck.errors import Fault, MissingExtraError, OutputError, SheetError, SpreadcheckError, shown
from spreadcheck.sheet.cells import MAX_BYTES, SheetCells, check_first, letter, shortest
from spreadcheck.sheet.workbookcells import MAX_CELLS, MAX_TAGS, Counter, Worksheet, text_of, too_large

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
        raise _damaged(name) from error
    if not found:
        raise SheetError(Fault(name, "the workbook has no worksheet", "give a workbook with a tray sheet in it"))
    tray_sheets = {sheet.title: sheet.cells(source) for sheet in found if sheet.is_tray_sheet}
    for cells in (tray_sheets or {"": found[0].cells(source)}).values():
        check_first(cells)
    return tray_sheets


def _worksheets(data: bytes, name: str) -> list[Worksheet]:
    if not zipfile.is_zipfile(io.BytesIO(data)) and not data.startswith(b"PK"):
        from spreadcheck.sheet.otherbooks import xls_worksheets

        return xls_worksheets(data, name)
    parts = {part.filename: part.file_size for part in zipfile.ZipFile(io.BytesIO(data)).infolist()}
    if "content.xml" in parts:
        from spreadcheck.sheet.otherbooks import ods_worksheets

        if parts["content.xml"] > MAX_TEXT_BYTES or _is_too_large(data, ["content.xml"]):
            raise too_large(name)
        return ods_worksheets(data, name)
    _check_size(data, parts, name)
    return _xlsx_worksheets(_openpyxl(name), data, name)


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


def _damaged(name: str) -> SheetError:
    return SheetError(Fault(name, "is a damaged workbook, or another kind of zip file", "save it again as XLSX or CSV"))


def _check_size(data: bytes, parts: dict[str, int], name: str) -> None:
    """A small file may unpack to something huge: look at what it says of itself before unpacking, then count."""
    others = sum(size for part, size in parts.items() if not part.startswith("xl/worksheets/"))
    size = sum(parts.values())
    if others > MAX_OTHER_BYTES or size - others > MAX_TEXT_BYTES or _is_too_large(data, list(parts)):
        raise too_large(name)


def _xlsx_worksheets(openpyxl: ModuleType, data: bytes, name: str) -> list[Worksheet]:
    """Every worksheet; a second look, at the stored values, only where there are formulas."""
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
        for column, cell in enumerate(row):
            if cell.data_type == "f":
                formulas.add((number, column))
            problem = _cell_problem(cell, (number, column) in formulas)
            if problem:
                found.add_fault(number, column, *problem)
        found.add_row(number, ["" if cell.data_type == "e" else _text(cell) for cell in row])
    return found


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
    if isinstance(value, str):
        return _ESCAPE.sub(lambda match: chr(int(match[1], 16)), value)
    return text_of(value, str(cell.number_format) if isinstance(value, (int, float)) else "")


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
    return _timeless(file.getvalue())


def _timeless(book: bytes) -> bytes:
    """The same workbook without the moment it was written: the same sheet gives the same bytes."""
    file = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(book)) as old, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
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
