"""Tray sheets as workbooks: numbers, dates, formulas and words survive; nothing in a workbook is guessed at."""

import contextlib
import datetime
import io
import json
import re
import sys
import tempfile
import time
import tracemalloc
import zipfile
from pathlib import Path

import openpyxl
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st
from tray_sheets import PLAIN, valid_tests

from spreadcheck.cli import main
from spreadcheck.errors import MissingExtraError, OutputError, SheetError
from spreadcheck.sheet.traysheet import read_sheet, sheet_text, worksheets_of, write_sheet
from spreadcheck.sheet.traytest import CatchState, FormRow, tray_test

sys.path.insert(0, str(Path(__file__).parents[1] / "studies"))
import refused_books


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


BOOK = book_of(cells_of())


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
    huge = edited(data, "xl/styles.xml", lambda xml: xml + " " * 34_000_000)
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


def test_one_row_of_too_many_cells():
    """A workbook of some 100 KB unpacking to 260,000 cells or a million elements: refused before they are taken up."""
    cells = '<c r="A2"><v>1</v></c>' * 1000
    many = '<row r="2">' + cells * 260 + "</row>"
    junk = "<a/>" * 1_050_000
    for more in (many, junk):
        data = edited(
            BOOK, "xl/worksheets/sheet1.xml", lambda xml, more=more: xml.replace("</sheetData>", more + "</sheetData>")
        )
        assert len(data) < 500_000
        tracemalloc.start()
        start = time.process_time()
        assert faults(data) == TOO_LARGE
        assert time.process_time() - start < 5
        assert tracemalloc.get_traced_memory()[1] < 50e6
        tracemalloc.stop()


@pytest.mark.parametrize("name", list(refused_books.BOOKS)[:2])
def test_time_and_memory_of_a_refusal(name, tmp_path):
    """In a process of its own: at most 5 s and 300 MB; the study has more workbooks."""
    seconds, megabytes, told = refused_books.refused(name, tmp_path)
    assert "too large once it is unpacked" in told
    assert (seconds < 5, megabytes < 300) == (True, True)


def two_tests():
    """A workbook with a cover and two tray sheets; the second has another product."""
    book = openpyxl.load_workbook(io.BytesIO(book_of(cells_of())))
    book["Sheet"].title = "morning"
    copy = book.copy_worksheet(book["morning"])
    copy.title = "after noon"
    copy["A2"], copy["B2"] = "product", "Potash"
    book.create_sheet("cover", 0)["A1"] = "Tests of the year"
    file = io.BytesIO()
    book.save(file)
    return file.getvalue()


def test_two_tray_sheets_in_one_workbook(tmp_path):
    """None is taken without a word: the message names both, and each can be had by its name."""
    data = two_tests()
    assert faults(data) == [
        'tray sheet: the workbook holds 2 tray sheets: "morning", "after noon"; choose one with --worksheet NAME'
    ]
    assert worksheets_of(io.BytesIO(data)) == ("morning", "after noon")
    assert read_sheet(io.BytesIO(data), worksheet="after noon").text("product") == "Potash"
    with pytest.raises(
        SheetError, match=r'no tray sheet in a worksheet "cover"; its tray sheets are: "morning", "after'
    ):
        read_sheet(io.BytesIO(data), worksheet="cover")
    path = tmp_path / "year.xlsx"
    path.write_bytes(data)
    chosen = CliRunner().invoke(
        main, ["analyse", str(path), "--worksheet", "after noon", "--json", "-", "--widths", "3 m"]
    )
    assert json.loads(chosen.stdout)["test"]["product"] == "Potash"
    asked = CliRunner().invoke(main, ["record", str(path)], input="5\n")
    assert asked.exit_code == 2
    assert path.read_bytes() == data  # a recording would drop the other test


ODS = """<?xml version="1.0"?><office:document-content xmlns:office="urn:oasis:names:tc:opendocument:xmlns:office:1.0"
 xmlns:table="urn:oasis:names:tc:opendocument:xmlns:table:1.0"
 xmlns:text="urn:oasis:names:tc:opendocument:xmlns:text:1.0"
 xmlns:calcext="urn:org:documentfoundation:names:experimental:calc:xmlns:calcext:1.0"><office:body><office:spreadsheet>
{}</office:spreadsheet></office:body></office:document-content>"""


def ods_cell(text, attributes=""):
    return f"<table:table-cell {attributes}><text:p>{text}</text:p></table:table-cell>"


def ods_of(rows, title="tests"):
    """An OpenDocument spreadsheet as ISO/IEC 26300 describes it; numbers as numbers, None as a blank."""

    def cell(value):
        if value is None:
            return "<table:table-cell/>"
        if isinstance(value, (int, float)):
            return ods_cell(f"{value:.1f}", f'office:value-type="float" office:value="{value}"')
        return value if value.startswith("<") else ods_cell(value)

    lines = "".join(f"<table:table-row>{''.join(map(cell, row))}</table:table-row>" for row in rows)
    return ods_zip(f'<table:table table:name="{title}">{lines}</table:table>')


def ods_zip(tables):
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w", zipfile.ZIP_DEFLATED) as book:
        book.writestr("mimetype", "application/vnd.oasis.opendocument.spreadsheet")
        book.writestr("content.xml", ODS.format(tables))
    return file.getvalue()


def test_an_opendocument_spreadsheet():
    """The cells of a CSV sheet, typed into another spreadsheet program; blanks to the edge of the sheet are nothing."""
    rows = cells_of()
    for row in rows:
        row.append('<table:table-cell table:number-columns-repeated="16380"/>')
    edge = ['<table:table-cell table:number-columns-repeated="16384"/>']
    assert read(ods_of([*rows, *[edge] * 3])) == read_sheet(io.StringIO(PLAIN))
    rows = cells_of()
    rows[1] = [
        "date",
        ods_cell("14.4.", 'office:value-type="date" office:date-value="2026-04-14"'),
    ]
    rows[8][2] = ods_cell("#DIV/0!", 'calcext:value-type="error" table:formula="of:=1/0"')
    rows[9][2] = '<table:table-cell table:formula="of:=2*3"/>'
    assert [line.split("; ")[0] for line in faults(ods_of(rows))] == [
        'tray sheet: row 9, column "C": the cell holds the error #DIV/0!',
        'tray sheet: row 10, column "C": the formula has no stored value',
    ]


def test_an_opendocument_spreadsheet_by_another_library(tmp_path):
    """pandas writes it through odfpy."""
    pandas = pytest.importorskip("pandas")
    pytest.importorskip("odf")
    rows = cells_of()
    frame = pandas.DataFrame([[*row, *[None] * (9 - len(row))] for row in rows])
    frame.to_excel(tmp_path / "a.ods", header=False, index=False, engine="odf")
    assert read_sheet(tmp_path / "a.ods") == read_sheet(io.StringIO(PLAIN))


def test_repeated_cells_are_counted_before_they_are_made():
    """A few bytes may stand for 17 thousand million cells."""
    one = '<table:table-cell table:number-columns-repeated="16384" office:value-type="float" office:value="1"/>'
    first = f"<table:table-row>{ods_cell('spreadcheck tray sheet')}</table:table-row>"
    bomb = f'<table:table-row table:number-rows-repeated="1048576">{one}</table:table-row>'
    tracemalloc.start()
    assert faults(ods_zip(f"<table:table>{first}{bomb}</table:table>")) == TOO_LARGE
    assert faults(ods_zip("<a/>" * 1_050_000)) == TOO_LARGE
    assert tracemalloc.get_traced_memory()[1] < 50e6
    tracemalloc.stop()


def test_an_old_workbook(tmp_path):
    """BIFF 8, as spreadsheet programs wrote it until 2007, made by another library."""
    xlwt = pytest.importorskip("xlwt")

    def made(rows, name):
        book = xlwt.Workbook()
        sheet = book.add_sheet("tests")
        for at, row in enumerate(rows):
            for column, value in enumerate(row):
                if isinstance(value, datetime.date):
                    sheet.write(at, column, value, xlwt.easyxf(num_format_str="DD.MM.YYYY"))
                elif isinstance(value, tuple):
                    sheet.write(at, column, value[0], xlwt.easyxf(num_format_str="0%"))
                elif value is not None:
                    sheet.write(at, column, value)
        book.save(str(tmp_path / name))
        return (tmp_path / name).read_bytes()

    data = made(cells_of(), "plain.xls")
    assert read(data) == read_sheet(io.StringIO(PLAIN))
    rows = cells_of()
    rows[1] = ["date", datetime.date(2026, 4, 14)]
    assert read(made(rows, "dated.xls")).values["date"] == "2026-04-14"
    rows[1] = ["relative humidity", (0.65,), "%"]
    assert '"relative humidity" is "65%"' in faults(made(rows, "share.xls"))[0]
    for end in range(600, len(data), 97):
        with contextlib.suppress(SheetError):
            read(data[:end])


def test_an_old_workbook_with_a_damaged_head():
    """The library that reads it has errors of its own."""
    assert faults(bytes.fromhex("d0cf11e0a1b11ae1") + b"9" * 600) == [
        "tray sheet: is a workbook with a password, or a damaged one; save it as .xlsx without a password, or as CSV"
    ]


def test_the_same_sheet_gives_the_same_bytes(tmp_path, monkeypatch):
    """Today and in ten years."""
    test = read_sheet(io.StringIO(PLAIN))
    write_sheet(test, tmp_path / "a.xlsx")
    real = time.time()
    monkeypatch.setattr(time, "time", lambda: real + 3.2e8)
    monkeypatch.setattr(time, "localtime", lambda *_: time.gmtime(real + 3.2e8))
    write_sheet(test, tmp_path / "b.xlsx")
    assert (tmp_path / "a.xlsx").read_bytes() == (tmp_path / "b.xlsx").read_bytes()
    assert b"1980-01-01" in zipfile.ZipFile(tmp_path / "a.xlsx").read("docProps/core.xml")


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
