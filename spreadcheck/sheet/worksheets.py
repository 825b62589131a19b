"""Worksheets as rows of text cells, as a person would type them: their limits, and those of .ods and .xls workbooks."""

from __future__ import annotations

import datetime
import io
import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any
from xml.etree import ElementTree

from spreadcheck.errors import Fault, MissingExtraError, SheetError, shown
from spreadcheck.sheet.cells import MAX_ROWS, TITLE, Faults, SheetCells, letter, shortest

MAX_TAGS = 1_000_000  # elements in the XML that is read: a reader keeps some 100 bytes for each
MAX_CELLS = 250_000  # of a workbook, blank ones between filled ones included: some four seconds of reading
_LITERAL = re.compile(r'"[^"]*"|\\.')  # words in a number format, which change nothing
_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"
_CALC = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}"


@dataclass
class Worksheet:
    """A worksheet as far as it is read: all of a tray sheet, the first row of any other."""

    name: str  # the workbook's, for messages
    title: str
    rows: dict[int, list[str]] = field(default_factory=dict)
    faults: Faults = field(default_factory=Faults)

    @property
    def is_tray_sheet(self) -> bool:
        """Whether its first cell says so."""
        return bool(self.rows.get(1)) and self.rows[1][0].strip().casefold() == TITLE

    def add_row(self, number: int, cells: list[str]) -> None:
        """Keep a row that holds something, without trailing empty cells."""
        while cells and not cells[-1]:
            cells.pop()
        if any(cell.strip() for cell in cells):
            self.rows[number] = cells
        if len(self.rows) > MAX_ROWS:
            raise too_large(self.name)

    def add_fault(self, row: int, column: int, problem: str, remedy: str) -> None:
        """Note what is wrong with a cell."""
        self.faults.add(f'{self.name}: row {row}, column "{letter(column)}"', problem, remedy)

    def add_error(self, row: int, column: int, error: object) -> None:
        """Note a cell whose value is an error of the spreadsheet program."""
        problem = f"the cell holds the error {shown(str(error))}"
        self.add_fault(row, column, problem, "put the formula right, or write the value")

    def add_unworked(self, row: int, column: int) -> None:
        """Note a formula that no program has worked out."""
        remedy = "open the workbook in a spreadsheet program and save it, or write the value"
        self.add_fault(row, column, "the formula has no stored value", remedy)

    def cells(self, source: str) -> SheetCells:
        """The rows as every reader hands them on."""
        return SheetCells(source, list(self.rows.values()), list(self.rows), decimal_comma=True, faults=self.faults)


class Counter:
    """Counts cells while they are read, so that a small file can't grow large in memory."""

    def __init__(self, name: str) -> None:
        self._name, self._count = name, 0

    def add(self, cells: int) -> None:
        """Count more cells; too many end the reading."""
        self._count += cells
        if self._count > MAX_CELLS:
            raise too_large(self._name)


def too_large(name: str) -> SheetError:
    """The refusal of a workbook that is too large, with the way out."""
    remedy = "copy the tray sheet's cells alone into a new workbook, or save it as CSV"
    return SheetError(Fault(name, "the workbook is too large once it is unpacked", remedy))


def text_of(value: object, number_format: str = "") -> str:
    """The value of a cell as a person would type it into a text file."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, (int, float)):
        return percent_of(value) if "%" in _LITERAL.sub("", number_format) else shortest(value)
    if isinstance(value, datetime.datetime):
        return value.date().isoformat() if value.time() == datetime.time() else value.isoformat()
    return str(value)


def percent_of(value: float) -> str:
    """A cell shown as 65% holds 0.65: as it is seen, never a hundredth of it."""
    return f"{shortest(round(value * 100, 10))}%"


def ods_worksheets(data: bytes, name: str) -> list[Worksheet]:
    """The worksheets of an OpenDocument spreadsheet, as ISO/IEC 26300 writes cells; repeated ones are counted first."""
    with zipfile.ZipFile(io.BytesIO(data)) as parts, parts.open("content.xml") as content:
        return list(_ods_tables(content, name, Counter(name)))


def _ods_tables(content: Any, name: str, counter: Counter) -> Iterator[Worksheet]:
    sheet, row, depth = Worksheet(name, ""), 0, 0
    for event, element in ElementTree.iterparse(content, ("start", "end")):
        if element.tag == f"{_TABLE}table":
            depth += 1 if event == "start" else -1
            if event == "start" and depth == 1:
                sheet, row = Worksheet(name, element.get(f"{_TABLE}name", "")), 0
            elif event == "end" and depth == 0:
                element.clear()
                yield sheet
        elif event == "end" and element.tag == f"{_TABLE}table-row" and depth == 1:
            repeats = _repeats(element, "rows")
            if row == 0 or sheet.is_tray_sheet:
                cells = _ods_row(element, row + 1, sheet, counter)
                for number in range(row + 1, row + 1 + (repeats if cells else 0)):
                    counter.add(len(cells))
                    sheet.add_row(number, list(cells))
            row += repeats
            element.clear()


def _repeats(element: ElementTree.Element, what: str) -> int:
    return max(1, int(element.get(f"{_TABLE}number-{what}-repeated", "1")))


def _ods_row(element: ElementTree.Element, number: int, sheet: Worksheet, counter: Counter) -> list[str]:
    """The cells of a row; empty ones, which are repeated to the edge of the sheet, count only before a filled one."""
    cells: list[str] = []
    blank = 0
    for cell in element:
        if cell.tag not in (f"{_TABLE}table-cell", f"{_TABLE}covered-table-cell"):
            continue
        repeats, text = _repeats(cell, "columns"), _ods_text(cell)
        if cell.get(f"{_CALC}value-type") == "error":
            sheet.add_error(number, len(cells) + blank, text)
            text = ""
        elif cell.get(f"{_TABLE}formula") and not cell.get(f"{_OFFICE}value-type"):
            sheet.add_unworked(number, len(cells) + blank)
            text = ""
        if not text:
            blank += repeats
            continue
        counter.add(blank + repeats)
        cells += [""] * blank + [text] * repeats
        blank = 0
    return cells


def _ods_text(cell: ElementTree.Element) -> str:
    """A cell as a person would type it into a text file."""
    kind, value = cell.get(f"{_OFFICE}value-type", ""), cell.get(f"{_OFFICE}value")
    if kind == "date":
        return cell.get(f"{_OFFICE}date-value", "").removesuffix("T00:00:00")
    if kind == "boolean":
        return cell.get(f"{_OFFICE}boolean-value", "").upper()
    if kind in ("float", "currency", "percentage") and value is not None:
        return percent_of(float(value)) if kind == "percentage" else shortest(float(value))
    return "\n".join(_words(paragraph) for paragraph in cell.findall(f"{_TEXT}p"))  # not those of a comment on it


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


def xls_worksheets(data: bytes, name: str) -> list[Worksheet]:
    """The worksheets of an old workbook; an xlsx one with a password looks like one and is told apart."""
    try:
        import xlrd
    except ImportError:
        problem = "old .xls workbooks need the library xlrd, which is not installed"
        remedy = "install spreadcheck[excel], or save the sheet as .xlsx or CSV"
        raise MissingExtraError(Fault(name, problem, remedy)) from None
    try:
        book = xlrd.open_workbook(
            file_contents=data, logfile=io.StringIO(), formatting_info=True, on_demand=True, ragged_rows=True
        )
    except Exception as error:  # xlrd has several of its own
        remedy = "save it as .xlsx without a password, or as CSV"
        raise SheetError(Fault(name, "is a workbook with a password, or a damaged one", remedy)) from error
    counter = Counter(name)
    found = []
    for title in book.sheet_names():
        found.append(_xls_worksheet(book, book.sheet_by_name(title), name, counter))
        book.unload_sheet(title)
    return found


def _xls_worksheet(book: Any, sheet: Any, name: str, counter: Counter) -> Worksheet:
    import xlrd

    found = Worksheet(name, sheet.name)
    is_tray_sheet = sheet.nrows and sheet.row_len(0) and str(sheet.cell_value(0, 0)).strip().casefold() == TITLE
    for at in range(sheet.nrows if is_tray_sheet else min(1, sheet.nrows)):
        counter.add(sheet.row_len(at))
        cells = []
        for column, cell in enumerate(sheet.row(at)):
            value, form = cell.value, ""
            if cell.ctype == xlrd.XL_CELL_ERROR:
                found.add_error(at + 1, column, xlrd.error_text_from_code.get(value, value))
                value = None
            elif cell.ctype == xlrd.XL_CELL_NUMBER:  # in the form that its format gives it
                form = book.format_map[book.xf_list[cell.xf_index].format_key].format_str
            elif cell.ctype == xlrd.XL_CELL_DATE:  # in days
                value = xlrd.xldate_as_datetime(value, book.datemode)
            elif cell.ctype == xlrd.XL_CELL_BOOLEAN:
                value = bool(value)
            cells.append(text_of(value, form))
        found.add_row(at + 1, cells)
    return found
