"""Tray sheets as workbooks: numbers, dates, formulas and words survive; nothing in a workbook is guessed at."""

import datetime
import io
import re
import sys
import tempfile
import tracemalloc
import zipfile

import openpyxl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tray_sheets import PLAIN, valid_tests

from spreadcheck.errors import MissingExtraError, OutputError, SheetError
from spreadcheck.sheet.traysheet import read_sheet, sheet_text, write_sheet
from spreadcheck.sheet.traytest import CatchState, FormRow, tray_test


def cells_of(text=PLAIN):
    """The plain sheet as rows of cells, numbers as numbers."""

    def cell(word):
        return float(word) if re.fullmatch(r"-?\d+(\.\d+)?", word) else word or None

    return [[cell(word) for word in line.split(",")] for line in text.split("\n")]


def book_of(rows, edit=None):
    """A workbook with these rows, as bytes; `edit` may change its only worksheet."""
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    if edit:
        edit(book.active)
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def edited(data, part, change):
    """A workbook with the XML of one part changed."""
    file = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as old, zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, change(content.decode()) if name == part else content)
    return file.getvalue()


def read(data):
    """A test from the bytes of its workbook."""
    return read_sheet(io.BytesIO(data))


def faults(data):
    """The messages for a workbook that can't be read."""
    with pytest.raises(SheetError) as caught:
        read(data)
    return str(caught.value).split("\n")


def test_a_workbook_is_the_same_test():
    """The cells of a CSV sheet, typed into a spreadsheet."""
    assert read(book_of(cells_of())) == read_sheet(io.StringIO(PLAIN))


def test_text_cells_may_hold_decimal_commas():
    """A number that the spreadsheet took for text."""
    rows = cells_of()
    rows[2][1], rows[8][2] = "0,5", " 10,2"
    assert read(book_of(rows)) == read_sheet(io.StringIO(PLAIN))


def test_dates_and_shares():
    """A real date becomes ISO text; a cell shown as 65% is never read as 0.65 %."""
    rows = cells_of()
    rows[1] = ["date", datetime.date(2026, 4, 14)]
    assert read(book_of(rows)).values["date"] == "2026-04-14"
    rows[1] = ["relative humidity", 0.65, "%"]

    def share(sheet):
        sheet["B2"].number_format = "0%"

    assert faults(book_of(rows, share)) == [
        'tray sheet: row 2, column "B": "relative humidity" is "65%", which is not a number; '
        "write digits only; the unit goes into the third cell"
    ]

    def word(sheet):
        sheet["B2"].number_format = '0.0" % or so"'

    assert read(book_of(rows, word)).values["relative humidity"] == 0.65


def test_the_sheet_with_the_title():
    """Another worksheet may stand first; without the title anywhere, the first one is named."""
    book = openpyxl.load_workbook(io.BytesIO(book_of(cells_of())))
    book.create_sheet("cover", 0)["A1"] = "Tests of the year"
    file = io.BytesIO()
    book.save(file)
    assert read(file.getvalue()).tray == ("L3", "C", "R3")
    del book["Sheet"]
    file = io.BytesIO()
    book.save(file)
    assert faults(file.getvalue()) == [
        'tray sheet: row 1, column "A": the first cell is "Tests of the year", so this is not a tray sheet; '
        "the first row must be spreadcheck tray sheet,1"
    ]


def test_merged_hidden_and_formatted_cells():
    """What a spreadsheet does to looks does not matter."""

    def dress(sheet):
        sheet.merge_cells("A1:A1")
        sheet.merge_cells("B2:C2")
        sheet.row_dimensions[9].hidden = True
        sheet.column_dimensions["C"].hidden = True
        for row in range(1, 200):
            sheet.cell(row, 30).font = openpyxl.styles.Font(bold=True)

    assert read(book_of(cells_of(), dress)) == read_sheet(io.StringIO(PLAIN))


def stored(data, values):
    """Give formulas the values that a spreadsheet program would have stored; a workbook library stores none."""

    def change(xml):
        for cell, value in values.items():
            xml, count = re.subn(
                rf'<c r="{cell}"[^>]*><f>(.*?)</f><v */?>(</v>)?</c>', rf'<c r="{cell}" {value}</c>', xml
            )
            assert count == 1
        return xml

    return edited(data, "xl/worksheets/sheet1.xml", change)


def test_formulas():
    """The stored value counts; an empty text is a blank; a formula never worked out is a fault, not a blank."""
    rows = cells_of()
    rows[8][2], rows[8][3], rows[9][3] = "=15.2-5", '=IF(1,"",1)', "=1/0"
    data = book_of(rows)
    want = (
        'row 9, column "C": the formula has no stored value; '
        "open the workbook in a spreadsheet program and save it, or write the value"
    )
    assert faults(data)[0] == f"tray sheet: {want}"
    assert len(faults(data)) == 3
    good = {"C9": "><f>15.2-5</f><v>10.199999999999999</v>", "D9": 't="str"><f>X()</f><v></v>'}
    assert faults(stored(data, good | {"D10": 't="e"><f>1/0</f><v>#DIV/0!</v>'})) == [
        'tray sheet: row 10, column "D": the cell holds the error #DIV/0!; put the formula right, or write the value'
    ]
    test = read(stored(data, good | {"D10": "><f>4*3</f><v>12</v>"}))
    assert test.catch[0, 0] == 10.2
    assert test.state[0, 1] == CatchState.NOT_WEIGHED
    assert test.catch[1, 1] == 12


def test_error_cells_and_other_faults_at_once():
    """An error cell and a negative catch are told together."""
    rows = cells_of()
    rows[8][2], rows[9][2] = "#REF!", -1
    data = edited(book_of(rows), "xl/worksheets/sheet1.xml", lambda xml: xml)
    found = faults(data)
    assert found == [
        'tray sheet: row 9, column "C": the cell holds the error #REF!; put the formula right, or write the value',
        'tray sheet: row 10, column "pass 1": the catch -1 is negative; '
        "write what was caught, or x to throw it out; the tray's own weight goes into a row or column tare",
    ]


def test_odd_cells_are_named():
    """A catch that the spreadsheet turned into a date, or a truth value."""
    rows = cells_of()
    rows[8][2], rows[9][2] = datetime.datetime(2026, 2, 10), True
    assert [line.split("; ")[0] for line in faults(book_of(rows))] == [
        'tray sheet: row 9, column "pass 1": the catch "2026-02-10" is not a number',
        'tray sheet: row 10, column "pass 1": the catch "TRUE" is not a number',
    ]


@settings(max_examples=15)  # a workbook takes its time
@given(valid_tests())
def test_nothing_is_lost(test):
    """Any valid test is the same after a workbook, and after a workbook and a CSV sheet."""
    with tempfile.TemporaryDirectory() as folder:
        write_sheet(test, f"{folder}/a.xlsx")
        back = read_sheet(f"{folder}/a.xlsx")
    assert back == test
    assert sheet_text(back) == sheet_text(test)


def test_written_cells(tmp_path):
    """Numbers are numbers, words are words even where they start with =, the header stays in sight."""
    test = tray_test([-1, 1], [[0.1 + 0.2, 4], [5, 6]], tray_width="0.50 m", tray_length="0.5 m",
                     form={"product": "=cmd()", "place": "line\r\nbreak _x0041_ \x07", "odd": "+49 1"})  # fmt: skip
    write_sheet(test, tmp_path / "a.xlsx")
    sheet = openpyxl.load_workbook(tmp_path / "a.xlsx").active
    assert [(cell.value, cell.data_type) for cell in sheet["B"][:4]] == [
        (1, "n"), ("0.50", "s"), (0.5, "n"), ("=cmd()", "s"),
    ]  # fmt: skip
    assert [cell.value for cell in sheet[10]] == ["L1", -1, 0.1 + 0.2, 4]
    assert sheet.freeze_panes == "A10"
    assert all(cell.font.bold for cell in sheet[8])
    assert sheet.column_dimensions["A"].width >= len("spreadcheck tray sheet")
    back = read_sheet(tmp_path / "a.xlsx")
    assert back == test
    assert back.form[2:] == (
        FormRow("product", "=cmd()"), FormRow("place", "line\r\nbreak _x0041_ \x07"), FormRow("odd", "+49 1"),
    )  # fmt: skip
    write_sheet(back, tmp_path / "b.xlsx")
    assert read_sheet(tmp_path / "b.xlsx") == test


def test_a_cell_too_long_for_a_workbook(tmp_path):
    """A workbook's cell holds 32,767 characters."""
    test = tray_test([0, 1], [1, 2], tray_width="1 m", tray_length="1 m", form={"notes": "x" * 40_000})
    with pytest.raises(OutputError, match="cell B4 would hold 40000 characters; write CSV, or shorten the text"):
        write_sheet(test, tmp_path / "a.xlsx")
    assert not list(tmp_path.iterdir())


def test_openpyxl_is_an_extra(tmp_path, monkeypatch):
    """Without it, the message says how to get it, or around it; CSV works."""
    data = book_of(cells_of())
    monkeypatch.setitem(sys.modules, "openpyxl", None)
    want = (
        "XLSX workbooks need the library openpyxl, which is not installed; "
        "install spreadcheck[excel], or save the sheet as CSV"
    )
    with pytest.raises(MissingExtraError, match=re.escape(f"tray sheet: {want}")):
        read(data)
    test = read_sheet(io.StringIO(PLAIN))
    with pytest.raises(MissingExtraError, match=re.escape(want)):
        write_sheet(test, tmp_path / "a.xlsx")
    assert not list(tmp_path.iterdir())


DAMAGED = ["tray sheet: is a damaged workbook, or another kind of zip file; save it again as XLSX or CSV"]
TOO_LARGE = [
    "tray sheet: the workbook is too large once it is unpacked; "
    "copy the tray sheet's cells alone into a new workbook, or save it as CSV"
]


def test_damaged_workbooks():
    """Cut short, another zip file, XML that isn't."""
    data = book_of(cells_of())
    assert faults(data[: len(data) // 2]) == DAMAGED
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as other:
        other.writestr("readme.txt", "hello")
    assert faults(file.getvalue()) == DAMAGED
    assert faults(edited(data, "xl/worksheets/sheet1.xml", lambda xml: xml[:-40])) == DAMAGED
    assert faults(edited(data, "xl/workbook.xml", lambda xml: xml[:0])) == DAMAGED


def test_zip_bombs():
    """A small file that would unpack to a great deal is refused before memory is spent on it."""
    data = book_of(cells_of())
    assert len(data) < 10_000
    huge = edited(data, "xl/styles.xml", lambda xml: xml + " " * 40_000_000)
    wide = "".join(f'<row r="{n}"><c r="XFD{n}"><v>1</v></c></row>' for n in range(20, 400))
    far = '<row r="999999999"><c r="A999999999"><v>1</v></c></row>'
    tracemalloc.start()
    assert faults(huge) == TOO_LARGE
    assert tracemalloc.get_traced_memory()[1] < 20e6
    tracemalloc.stop()
    change = edited(data, "xl/worksheets/sheet1.xml", lambda xml: xml.replace("</sheetData>", wide + "</sheetData>"))
    assert faults(change) == TOO_LARGE
    # a row that no worksheet has is not read, nor are the rows before it made up
    assert read(edited(data, "xl/worksheets/sheet1.xml", lambda xml: xml.replace("</sheetData>", far + "</sheetData>")))


BOOK = book_of(cells_of())


@given(st.data())
def test_mutated_workbooks(data):
    """Bytes overwritten in the file, or in the XML of one part: a test or a SheetError."""
    parts = [name for name in zipfile.ZipFile(io.BytesIO(BOOK)).namelist() if name.endswith((".xml", ".rels"))]
    part = data.draw(st.sampled_from(["", *parts, "xl/worksheets/sheet1.xml"]))
    piece = data.draw(st.sampled_from(["", "<", '"', "9", "-", "x", "é", "</c>", "1e999", "#REF!", 't="e"', 't="s"']))

    def change(xml):
        at = data.draw(st.integers(0, len(xml)))
        return xml[:at] + piece + xml[at + data.draw(st.integers(0, 12)) :]

    said = ()
    try:
        test = read(edited(BOOK, part, change) if part else change(BOOK.decode("latin-1")).encode("latin-1"))
        assert sheet_text(test)
    except SheetError as error:
        said = error.faults or [None]
    assert all(fault and fault.place and fault.problem and fault.remedy for fault in said)
