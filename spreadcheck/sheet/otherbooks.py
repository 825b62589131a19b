"""The worksheets of OpenDocument spreadsheets (.ods) and of old Excel workbooks (.xls) as rows of text cells."""

from __future__ import annotations

import datetime
import io
import zipfile
from collections.abc import Iterator
from typing import Any
from xml.etree import ElementTree

from spreadcheck.errors import Fault, MissingExtraError, SheetError
from spreadcheck.sheet.cells import TITLE, shortest
from spreadcheck.sheet.workbookcells import Counter, Worksheet, percent_of, text_of

_OFFICE = "{urn:oasis:names:tc:opendocument:xmlns:office:1.0}"
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"
_TEXT = "{urn:oasis:names:tc:opendocument:xmlns:text:1.0}"
_CALC = "{urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0}"


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
        problem = _ods_problem(cell, text)
        if problem:
            sheet.add_fault(number, len(cells) + blank, *problem)
            text = ""
        if not text:
            blank += repeats
            continue
        counter.add(blank + repeats)
        cells += [""] * blank + [text] * repeats
        blank = 0
    return cells


def _ods_problem(cell: ElementTree.Element, text: str) -> tuple[str, str] | None:
    if cell.get(f"{_CALC}value-type") == "error":
        return f"the cell holds the error {text}", "put the formula right, or write the value"
    if cell.get(f"{_TABLE}formula") and not cell.get(f"{_OFFICE}value-type"):
        return "the formula has no stored value", "open it in a spreadsheet program and save it, or write the value"
    return None


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
    found = Worksheet(name, sheet.name)
    is_tray_sheet = sheet.nrows and sheet.row_len(0) and str(sheet.cell_value(0, 0)).strip().casefold() == TITLE
    for at in range(sheet.nrows if is_tray_sheet else min(1, sheet.nrows)):
        counter.add(sheet.row_len(at))
        cells = []
        for column, cell in enumerate(sheet.row(at)):
            if cell.ctype == 5:  # an error, by its number
                from xlrd.biffh import error_text_from_code

                error = error_text_from_code.get(cell.value, cell.value)
                problem = f"the cell holds the error {error}"
                found.add_fault(at + 1, column, problem, "put the formula right, or write the value")
            cells.append("" if cell.ctype == 5 else _xls_text(book, cell))
        found.add_row(at + 1, cells)
    return found


def _xls_text(book: Any, cell: Any) -> str:
    if cell.ctype == 2:  # a number, in the form that its format gives it
        form = book.format_map[book.xf_list[cell.xf_index].format_key].format_str
        return text_of(cell.value, form)
    if cell.ctype == 3:  # a date, in days
        import xlrd

        moment = xlrd.xldate_as_datetime(cell.value, book.datemode)
        return text_of(moment if isinstance(moment, datetime.datetime) else str(moment))
    if cell.ctype == 4:
        return text_of(bool(cell.value))
    return str(cell.value)
