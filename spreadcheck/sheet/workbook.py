"""Tray sheets in workbooks: .xlsx, .ods and .xls. The libraries of the extra `excel` are imported when used.

Every reader gives the rows of a worksheet as a person would type them; a cell that can't be read is its fault instead.
"""

from __future__ import annotations

import datetime
import importlib
import io
import re
import warnings
import zipfile
from collections import deque
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias
from xml.etree import ElementTree

from spreadcheck.errors import Fault, MissingExtraError, OutputError, SheetError, SpreadcheckError, shown
from spreadcheck.sheet.cells import MAX_BYTES, MAX_ROWS, TITLE, SheetCells, check_first, letter, shortest

MAX_OTHER_BYTES = 2 * MAX_BYTES  # texts, styles and the rest, unpacked
MAX_TEXT_BYTES = 4 * MAX_BYTES  # the XML of all worksheets, unpacked
MAX_TAGS = 1_000_000  # elements in the XML that is read: a reader keeps some 100 bytes for each
MAX_CELLS = 250_000  # of a workbook, blank ones between filled ones included: some four seconds of reading
LAST_ROW = 1_048_576  # of any worksheet

_ESCAPE = re.compile(r"_x([0-9A-Fa-f]{4})_")  # how a workbook writes a character that XML can't hold
_TO_ESCAPE = re.compile(r"[\x00-\x08\x0b-\x1f\ufffe\uffff]|_(?=x[0-9A-Fa-f]{4}_)")
_NUMBER = re.compile(r"-?\d+(\.\d+)?(e[+-]\d+)?", re.ASCII)
_CELL = re.compile(rb"<(?:\w+:)?c[ />]")  # where a cell starts in the XML of a worksheet
_DATES = re.compile(rb"(<dcterms:(?:created|modified)[^>]*>)[^<]*")
_BEFORE_ALL = (1980, 1, 1, 0, 0, 0)  # the first moment that a zip file knows
_LITERAL = re.compile(r'"[^"]*"|\\.')  # words in a number format, which change nothing
_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"
_CALC = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}"

Cell: TypeAlias = str | tuple[str, str]  # its text, or what is wrong with it and what to do
Row: TypeAlias = tuple[int, list[Cell]]  # with its number
_UNWORKED = (
    "the formula has no stored value",
    "open the workbook in a spreadsheet program and save it, or write the value",
)


def read_workbook(data: bytes, source: str = "") -> dict[str, SheetCells]:
    """The rows of every tray sheet in a workbook by the worksheet's title: those whose cell A1 holds the title."""
    counter = _Counter(source or "tray sheet")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # on styles, printer settings and the like, which don't matter here
            found = list(_worksheets(data, source, counter))
    except SpreadcheckError:
        raise
    except Exception as error:  # the libraries raise errors of many kinds on a workbook that is damaged or made up
        problem = "is a damaged workbook, or another kind of zip file"
        raise SheetError(Fault(counter.name, problem, "save it again as XLSX or CSV")) from error
    if not found:
        problem = "the workbook has no worksheet"
        raise SheetError(Fault(counter.name, problem, "give a workbook with a tray sheet in it"))
    tray_sheets = {title: cells for title, cells in found if cells.numbers[:1] == [1] and _starts_one(cells.rows[0])}
    for cells in (tray_sheets or dict(found[:1])).values():
        check_first(cells)
    return tray_sheets


@dataclass
class _Counter:
    """Counts the cells of a workbook while they are read, so that a small file can't grow large in memory."""

    name: str  # the workbook's, for messages
    count: int = 0

    def add(self, cells: int) -> None:
        """Count more cells; too many end the reading."""
        self.count += cells
        if self.count > MAX_CELLS:
            raise self.too_large()

    def too_large(self) -> SheetError:
        """The refusal of a workbook that is too large, with the way out."""
        remedy = "copy the tray sheet's cells alone into a new workbook, or save it as CSV"
        return SheetError(Fault(self.name, "the workbook is too large once it is unpacked", remedy))


def _gathered(source: str, rows: Iterable[Row], counter: _Counter) -> SheetCells:
    """The rows that hold something as far as they are read: all of a tray sheet, the first one of any other."""
    cells = SheetCells(source, [], [], decimal_comma=True)
    for number, row in rows:
        if number > 1 and not (cells.numbers[:1] == [1] and _starts_one(cells.rows[0])):
            break
        for column, cell in enumerate(row):
            if not isinstance(cell, str):
                cells.faults.add(f'{counter.name}: row {number}, column "{letter(column)}"', *cell)
        texts = [cell if isinstance(cell, str) else "" for cell in row]
        while texts and not texts[-1]:
            texts.pop()
        if any(text.strip() for text in texts):
            cells.rows.append(texts)
            cells.numbers.append(number)
        if len(cells.rows) > MAX_ROWS:
            raise counter.too_large()
    return cells


def _starts_one(row: Sequence[Cell]) -> bool:
    """Whether the first row of a worksheet says that it is a tray sheet."""
    return bool(row) and isinstance(row[0], str) and row[0].strip().casefold() == TITLE


def _worksheets(data: bytes, source: str, counter: _Counter) -> Iterator[tuple[str, SheetCells]]:
    """Title and rows of each. A small file may unpack to something huge: its own word first, then a count."""
    if not zipfile.is_zipfile(io.BytesIO(data)) and not data.startswith(b"PK"):
        return _xls_worksheets(data, source, counter)
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        sizes = {part.filename: part.file_size for part in book.infolist()}
        is_ods = "content.xml" in sizes
        if is_ods:
            sizes = {"content.xml": sizes["content.xml"]}
        texts = sum(size for part, size in sizes.items() if part.startswith(("xl/worksheets/", "content.xml")))
        if texts > MAX_TEXT_BYTES or sum(sizes.values()) - texts > MAX_OTHER_BYTES or _is_too_large(book, sizes):
            raise counter.too_large()
    return (_ods_worksheets if is_ods else _xlsx_worksheets)(data, source, counter)


def _is_too_large(book: zipfile.ZipFile, names: Iterable[str]) -> bool:
    """Whether parts of a zip file are too long, or have too many cells or elements, counted while they are unpacked."""
    cells = tags = size = 0
    for name in names:
        with book.open(name) as part:
            while chunk := part.read(1 << 20):
                size += len(chunk)
                tags += chunk.count(b"<") - chunk.count(b"</")
                cells += len(_CELL.findall(chunk))
                if size > MAX_TEXT_BYTES + MAX_OTHER_BYTES or tags > MAX_TAGS or cells > MAX_CELLS:
                    return True
    return False


def filled_worksheets(data: bytes) -> int:
    """How many worksheets of an .xlsx workbook hold a cell."""
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        names = [name for name in parts.namelist() if name.startswith("xl/worksheets/") and name.endswith(".xml")]
        return sum(_CELL.search(parts.read(name)) is not None for name in names)


def _library(place: str, name: str, what: str, instead: str) -> Any:
    """A library of the extra `excel`, or how to get it."""
    try:
        return importlib.import_module(name)
    except ImportError:
        problem = f"{what} workbooks need the library {name}, which is not installed"
        remedy = f"install spreadcheck[excel], or save the sheet as {instead}"
        raise MissingExtraError(Fault(place, problem, remedy)) from None


def _error(value: object) -> Cell:
    return f"the cell holds the error {shown(str(value))}", "put the formula right, or write the value"


def _typed(value: object, number_format: str = "") -> str:
    """The value of a cell as a person would type it into a text file; what is shown as 65% is never read as 0.65."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, (int, float)):
        percent = "%" in _LITERAL.sub("", number_format)
        return f"{shortest(round(value * 100, 10))}%" if percent else shortest(value)
    if isinstance(value, datetime.datetime):
        return value.date().isoformat() if value.time() == datetime.time() else value.isoformat()
    return str(value)


# --- .xlsx -----------------------------------------------------------------------------------------------------------


def _xlsx_worksheets(data: bytes, source: str, counter: _Counter) -> Iterator[tuple[str, SheetCells]]:
    """Every worksheet; a second look, at the stored values, only where there are formulas."""
    openpyxl = _library(counter.name, "openpyxl", "XLSX", "CSV")
    for sheet in openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False).worksheets:
        formulas: set[tuple[int, int]] = set()
        cells = _gathered(source, _xlsx_rows(sheet, formulas, counter), counter)
        if formulas:
            stored = openpyxl.load_workbook(io.BytesIO(data), read_only=True, keep_links=False, data_only=True)
            again = _Counter(counter.name)
            cells = _gathered(source, _xlsx_rows(stored[sheet.title], formulas, again), again)
        yield sheet.title, cells


def _xlsx_rows(sheet: Any, formulas: set[tuple[int, int]], counter: _Counter) -> Iterator[Row]:
    """Rows of a worksheet. Notes which cells are formulas; on the second look says which of these have no value."""
    sheet.reset_dimensions()  # what the file says of its own size may be wrong
    for number, row in enumerate(sheet.iter_rows(max_row=LAST_ROW), start=1):
        counter.add(len(row))
        cells: list[Cell] = []
        for column, cell in enumerate(row):
            value = cell.value
            if cell.data_type == "f":
                formulas.add((number, column))
            if cell.data_type == "e":
                cells.append(_error(value))
            elif isinstance(value, str):
                cells.append(_ESCAPE.sub(lambda match: chr(int(match[1], 16)), value))
            elif value is None and cell.data_type != "str" and (number, column) in formulas:
                cells.append(_UNWORKED)  # an empty text as a result is a blank cell
            else:
                cells.append(_typed(value, str(cell.number_format) if isinstance(value, (int, float)) else ""))
        yield number, cells


def workbook_bytes(rows: list[list[str]], *, place: str = "") -> bytes:
    """A workbook with one tray sheet in it: numbers as numbers, all else as text that no program works out."""
    openpyxl = _library(place, "openpyxl", "XLSX", "CSV")
    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "tray sheet"
    for at, row in enumerate(rows, start=1):
        for column, text in enumerate(row, start=1):
            if text:
                _fill(sheet.cell(at, column), text, place)
    # Bold title and header, widths that show every word, and the trays scrolling below their units.
    header = next((at for at, row in enumerate(rows, start=1) if row[:2] == ["tray", "offset"]), 1)
    bold = openpyxl.styles.Font(bold=True)
    for cell in (sheet.cell(1, 1), *sheet[header]):
        cell.font = bold
    sheet.freeze_panes = sheet.cell(header + 2, 1)
    for column in range(max(map(len, rows))):
        longest = max(len(row[column]) for row in rows if column < len(row))
        sheet.column_dimensions[letter(column)].width = min(max(longest + 2, 10), 40)
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
        problem = f"cell {cell.coordinate} would hold {len(text)} characters"
        raise OutputError(Fault(place, problem, "write CSV, or shorten the text"))
    cell.value = _TO_ESCAPE.sub(lambda match: f"_x{ord(match[0]):04X}_", text)
    cell.data_type = "s"  # a text that starts with = stays a text
    cell.quotePrefix = text[0] in "=+-@"


# --- .ods, as ISO/IEC 26300 writes cells ------------------------------------------------------------------------------


def _ods_worksheets(data: bytes, source: str, counter: _Counter) -> Iterator[tuple[str, SheetCells]]:
    with zipfile.ZipFile(io.BytesIO(data)) as parts, parts.open("content.xml") as content:
        events = ElementTree.iterparse(content, ("start", "end"))
        for event, element in events:
            if event == "start" and element.tag == f"{_TABLE}table":
                rows = _ods_rows(events, counter)
                yield element.get(f"{_TABLE}name", ""), _gathered(source, rows, counter)
                deque(rows, maxlen=0)  # to the end of the worksheet
                element.clear()


def _ods_rows(events: Iterator[Any], counter: _Counter) -> Iterator[Row]:
    """Rows up to the end of a worksheet, repeated ones counted first; tables inside of cells are none of them."""
    number, depth, wanted = 1, 1, True
    for event, element in events:
        if element.tag == f"{_TABLE}table":
            depth += 1 if event == "start" else -1
            if depth == 0:
                return
        elif event == "end" and element.tag == f"{_TABLE}table-row" and depth == 1:
            cells = _ods_row(element, counter) if wanted else []
            after = number + _repeats(element, "rows")
            for at in range(number, after if cells else number):
                counter.add(len(cells))
                yield at, cells
            wanted = wanted and (number > 1 or _starts_one(cells))
            number = after
            element.clear()


def _repeats(element: ElementTree.Element, what: str) -> int:
    return max(1, int(element.get(f"{_TABLE}number-{what}-repeated", "1")))


def _ods_row(element: ElementTree.Element, counter: _Counter) -> list[Cell]:
    """The cells of a row; empty ones, which are repeated to the edge of the sheet, count only before a filled one."""
    cells: list[Cell] = []
    blank = 0
    for cell in element:
        if cell.tag not in (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell"):
            continue
        repeats, found = _repeats(cell, "columns"), _ods_cell(cell)
        if not found:
            blank += repeats
            continue
        counter.add(blank + repeats)
        cells += ["" for _ in range(blank)] + [found] * repeats
        blank = 0
    return cells


def _ods_cell(cell: ElementTree.Element) -> Cell:
    """A cell as a person would type it into a text file."""
    kind, value = cell.get(f"{_OFFICE}value-type", ""), cell.get(f"{_OFFICE}value")
    text = "\n".join(map(_words, cell.findall(f"{_TEXT}p")))  # not the paragraphs of a comment on it
    if cell.get(f"{_CALC}value-type") == "error":
        return _error(text)
    if cell.get(f"{_TABLE}formula") and not kind:
        return _UNWORKED
    if kind == "date":
        return cell.get(f"{_OFFICE}date-value", "").removesuffix("T00:00:00")
    if kind == "boolean":
        return cell.get(f"{_OFFICE}boolean-value", "").upper()
    if kind in ("float", "currency", "percentage") and value is not None:
        return _typed(float(value), "%" if kind == "percentage" else "")
    return text


def _words(element: ElementTree.Element) -> str:
    """The text of a paragraph, with the blanks and breaks that it writes as elements."""
    text = element.text or ""
    for child in element:
        if child.tag == f"{_TEXT}s":
            text += " " * min(int(child.get(f"{_TEXT}c", "1")), 1000)
        elif child.tag in (f"{_TEXT}tab", f"{_TEXT}line-break"):
            text += "\t" if child.tag == f"{_TEXT}tab" else "\n"
        else:
            text += _words(child)
        text += child.tail or ""
    return text


# --- .xls ------------------------------------------------------------------------------------------------------------


def _xls_worksheets(data: bytes, source: str, counter: _Counter) -> Iterator[tuple[str, SheetCells]]:
    """The worksheets of an old workbook; an xlsx one with a password looks like one and is told apart."""
    xlrd = _library(counter.name, "xlrd", "old .xls", ".xlsx or CSV")
    try:
        book = xlrd.open_workbook(
            file_contents=data, logfile=io.StringIO(), formatting_info=True, on_demand=True, ragged_rows=True
        )
    except Exception as error:  # xlrd has several of its own
        remedy = "save it as .xlsx without a password, or as CSV"
        raise SheetError(Fault(counter.name, "is a workbook with a password, or a damaged one", remedy)) from error
    for title in book.sheet_names():
        yield title, _gathered(source, _xls_rows(xlrd, book, book.sheet_by_name(title), counter), counter)
        book.unload_sheet(title)


def _xls_rows(xlrd: Any, book: Any, sheet: Any, counter: _Counter) -> Iterator[Row]:
    for at in range(sheet.nrows):
        counter.add(sheet.row_len(at))
        cells: list[Cell] = []
        for cell in sheet.row(at):
            value, form = cell.value, ""
            if cell.ctype == xlrd.XL_CELL_ERROR:
                cells.append(_error(xlrd.error_text_from_code.get(value, value)))
                continue
            if cell.ctype == xlrd.XL_CELL_NUMBER:  # in the form that its format gives it
                form = book.format_map[book.xf_list[cell.xf_index].format_key].format_str
            elif cell.ctype == xlrd.XL_CELL_DATE:  # in days
                value = xlrd.xldate_as_datetime(value, book.datemode)
            elif cell.ctype == xlrd.XL_CELL_BOOLEAN:
                value = bool(value)
            cells.append(_typed(value, form))
        yield at + 1, cells
