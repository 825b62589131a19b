"""Workbooks that unpack to far more than they seem, or that stay just under every limit: time and memory until refused.

    python tests/studies/refused_books.py

Prints a line a workbook: its size, the processor time and the largest memory of a process that reads it alone.
"""

import io
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path

from openpyxl import Workbook

ONE = "xl/worksheets/sheet1.xml"
MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
OPEN = " ".join(
    f'xmlns:{short}="urn:oasis:names:tc:opendocument:xmlns:{short}:1.0"' for short in ("office", "table", "text")
)
TITLE = b'<c t="inlineStr"><is><t>spreadcheck tray sheet</t></is></c>'
ODS_TITLE = b'<table:table-cell office:value-type="string"><text:p>spreadcheck tray sheet</text:p></table:table-cell>'
ALONE = """
import re, sys, time
from pathlib import Path
from spreadcheck.errors import SpreadcheckError
from spreadcheck.sheet.traysheet import read_sheet
try:
    read_sheet(sys.argv[1])
except SpreadcheckError as error:
    took = time.process_time()
    most = int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1])
    print(took, most / 1024, error, sep="|")
"""


def sheet(inner):
    """The XML of a worksheet."""
    return f'<worksheet xmlns="{MAIN}"><sheetData>'.encode() + inner + b"</sheetData></worksheet>"


def xlsx(parts, sheets=1):
    """A workbook of so many worksheets, some of its parts replaced."""
    book = Workbook()
    for number in range(1, sheets):
        book.create_sheet(f"s{number}")
    plain, file = io.BytesIO(), io.BytesIO()
    book.save(plain)
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.namelist():
            if part not in parts:
                new.writestr(part, old.read(part))
        for part, content in parts.items():
            new.writestr(part, content)
    return file.getvalue()


def ods(inner):
    """An OpenDocument spreadsheet with one table."""
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
        new.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        start = f'<office:document-content {OPEN}><office:body><office:spreadsheet><table:table table:name="a">'
        end = b"</table:table></office:spreadsheet></office:body></office:document-content>"
        new.writestr("content.xml", start.encode() + inner + end)
    return file.getvalue()


def ods_row(cells):
    """A table row behind the title."""
    return b"<table:table-row>" + ODS_TITLE + cells + b"</table:table-row>"


def xls():
    """An old workbook with a million numbers; none where xlwt is not installed."""
    try:
        import xlwt
    except ImportError:
        return None
    book, file = xlwt.Workbook(), io.BytesIO()
    rows = book.add_sheet("a")
    rows.write(0, 0, "spreadcheck tray sheet")
    for number in range(1, 65_536):
        for column in range(15):
            rows.write(number, column, number + 0.37)
    book.save(file)
    return file.getvalue()


NUMBERS = b"<row>" + b"<c><v>1</v></c>" * 1000 + b"</row>"
BOOKS = {
    "a row of 5,000,000 cells.xlsx": lambda: xlsx({ONE: sheet(b"<row>" + TITLE + b"<c/>" * 5_000_000 + b"</row>")}),
    "300 sheets of 15,000 cells.xlsx": lambda: xlsx(
        {f"xl/worksheets/sheet{n}.xml": sheet(b"<row>" + TITLE + b"</row>" + NUMBERS * 15) for n in range(1, 301)}, 300
    ),
    "3,000,000 empty rows.xlsx": lambda: xlsx({ONE: sheet(b"<row>" + TITLE + b"</row>" + b"<row/>" * 3_000_000)}),
    "1 GB of texts.xlsx": lambda: xlsx({"xl/sharedStrings.xml": b"a" * (1 << 30)}),
    "1 GB of zeros.xlsx": lambda: xlsx({ONE: bytes(1 << 30)}),
    "a cell of 60 MB.xlsx": lambda: xlsx(
        {ONE: sheet(b"<row>" + TITLE + b'<c t="inlineStr"><is><t>' + b"a" * (60 << 20) + b"</t></is></c></row>")}
    ),
    "249,000 cells, just under the limit.xlsx": lambda: xlsx(
        {ONE: sheet(b"<row>" + TITLE + b"</row>" + NUMBERS * 249)}
    ),
    "a row of 5,000,000 cells.ods": lambda: ods(ods_row(b"<table:table-cell/>" * 5_000_000)),
    "a row of 950,000 cells, just under the limit.ods": lambda: ods(ods_row(b"<table:table-cell/>" * 950_000)),
    "500,000 tables in one another.ods": lambda: ods(ods_row(b"") + b"<table:table>" * 500_000),
    "a text of 900,000 parts in one another.ods": lambda: ods(
        b'<table:table-row><table:table-cell office:value-type="string"><text:p>'
        + b"<text:span>" * 900_000 + b"</text:span>" * 900_000 + b"</text:p></table:table-cell></table:table-row>"
    ),
    "1 GB of text.ods": lambda: ods(b"a" * (1 << 30)),
    "983,025 numbers.xls": xls,
}  # fmt: skip


def refused(name, folder):
    """Processor time and largest memory of a process that reads one of these workbooks, and what it says. [s], [MB]"""
    path = Path(folder, name)
    path.write_bytes(BOOKS[name]())
    done = subprocess.run([sys.executable, "-c", ALONE, str(path)], capture_output=True, text=True, check=True)
    seconds, megabytes, told = done.stdout.split("|", 2)
    return float(seconds), float(megabytes), told


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        for title in BOOKS:
            took, most, words = refused(title, place)
            print(f"{title:52} {took:4.1f} s {most:4.0f} MB  {words.split(': ', 1)[1].strip()[:60]}")
