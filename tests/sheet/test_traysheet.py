"""Tray sheets as text: what is tolerated, what is refused and in which words, and that nothing is lost on the way."""

import io
import os
import re
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tray_sheets import PLAIN, valid_tests, with_line

import spreadcheck
from spreadcheck.errors import Fault, OutputError, SheetError
from spreadcheck.sheet.cells import MAX_BYTES
from spreadcheck.sheet.traysheet import read_sheet, sheet_text, write_sheet
from spreadcheck.sheet.traytest import CatchState, FormRow, catch_g, tray_test


def read(text):
    """A test from the text of its sheet."""
    return read_sheet(io.StringIO(text))


def faults(sheet):
    """The messages for a sheet that can't be read, one a line."""
    with pytest.raises(SheetError) as caught:
        read_sheet(io.BytesIO(sheet)) if isinstance(sheet, bytes) else read(sheet)
    return str(caught.value).split("\n")


def test_plain_sheet():
    """Every part of a small sheet arrives where it belongs."""
    test = read(PLAIN)
    assert test.name == "Before vane change"
    assert (test.tray_width_m, test.tray_length_m, test.reversed_passes) == (0.5, 0.5, (2,))
    assert test.tray == ("L3", "C", "R3")
    assert test.offset.tolist() == [-3, 0, 3]
    assert [column.name for column in test.columns] == ["pass 1", "pass 2"]
    weighed, blank, out = CatchState.WEIGHED, CatchState.NOT_WEIGHED, CatchState.THROWN_OUT
    assert test.state.tolist() == [[weighed, weighed], [weighed, out], [weighed, blank]]
    assert np.array_equal(test.catch, [[10.2, 11], [12.1, np.nan], [9.9, np.nan]], equal_nan=True)
    assert test.note == ("", "", "")
    assert spreadcheck.read_sheet is read_sheet


def test_nothing_fell_in_is_not_a_blank():
    """0, blank and x are three things."""
    test = read(with_line(9, "L3,-3,0,X"))
    assert test.catch[0, 0] == 0
    assert test.state[0].tolist() == [CatchState.WEIGHED, CatchState.THROWN_OUT]


SEMICOLON = re.sub(r"(\d)\.(\d)", r"\1,\2", PLAIN.replace(",", ";"))
SHOUTED = re.sub(r"(?m)^(test|tray width|tray,offset,pass 1)", lambda m: m[0].upper(), PLAIN)
SAME = {
    "semicolon": SEMICOLON,
    "semicolon with points": PLAIN.replace(",", ";"),
    "tab": SEMICOLON.replace(";", "\t"),
    "windows line ends": PLAIN.replace("\n", "\r\n"),
    "old line ends": PLAIN.replace("\n", "\r"),
    "no last line end": PLAIN.rstrip("\n"),
    "trailing cells": PLAIN.replace("\n", ",,,\n"),
    "trailing rows": PLAIN + "\n\n,,,\n  , \n",
    "blank rows between": PLAIN.replace("\n", "\n\n"),
    "no blank row": PLAIN.replace("\n\n", "\n"),
    "any order": with_line(9, None) + "L3,-3,10.2,11\n",
    "capitals": PLAIN.replace("spreadcheck tray sheet", "Spreadcheck Tray Sheet").replace("pass 1", "Pass1"),
    "quoted title": PLAIN.replace("spreadcheck tray sheet", '"spreadcheck tray sheet"'),
    "unit words": PLAIN.replace(",m,g,g", "Units, Metres ,grams,G"),
    "blanks around": PLAIN.replace("L3,-3,10.2,11", " L3 , -3 ,\u00a010.2 , 11 "),
    "real minus": PLAIN.replace("-3", "\u22123"),
    "plus": PLAIN.replace("R3,3", "R3,+3"),
    "powers": PLAIN.replace("10.2", "1.02e1"),
}  # fmt: skip


@pytest.mark.parametrize("text", SAME.values(), ids=SAME)
def test_tolerated(text):
    """Other delimiters, line ends, cases, orders and spellings are the same test."""
    assert read(text) == read(PLAIN)


def test_labels_in_any_case():
    """A label keeps the letters it was written in and means the same."""
    test = read(SHOUTED)
    assert test.form[1] == FormRow("TRAY WIDTH", "0.5", "m")
    assert test.values == read(PLAIN).values


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_encodings(encoding):
    """UTF-8 with and without mark, UTF-16 with one, Windows-1252."""
    text = PLAIN.replace("Before vane change", "Grünland – Süd")
    assert read_sheet(io.BytesIO(text.encode(encoding))).name == "Grünland – Süd"


def test_components_and_notes():
    """A blend's components in their own columns, in one spelling, and a note a tray."""
    text = PLAIN.replace("pass 1,pass 2", "pass 1 / Urea,PASS 1/potash,Pass 2/urea,note").replace(",m,g,g", ",m,g,g,kg")
    test = read(text.replace("10.2,11", '10.2,11,0.1,"wet, then dry"').replace(",2\n", ",2\n"))
    assert [column.name for column in test.columns] == ["pass 1 / Urea", "pass 1 / potash", "pass 2 / Urea"]
    assert [column.unit for column in test.columns] == ["g", "g", "kg"]
    assert test.components == ("Urea", "potash")
    assert test.passes == (1, 2)
    assert test.note == ("wet, then dry", "", "")


def test_a_sheet_still_to_be_filled():
    """All-blank catches are a planned test."""
    test = read(re.sub(r"(?m)^((L3|C|R3),-?\d),.*$", r"\1,,", PLAIN))
    assert (test.state == CatchState.NOT_WEIGHED).all()


def test_decimal_commas_become_points():
    """Numbers of known labels take a point; words stay as typed."""
    form = read(SEMICOLON.replace("Before vane change", "Gate 3,5")).form
    assert form[:2] == (FormRow("test", "Gate 3,5"), FormRow("tray width", "0.5", "m"))


FAULTY = {
    # line put differently -> the messages
    (1, "tray test,1"): [
        'tray sheet: row 1, column "A": the first cell is "tray test", so this is not a tray sheet; '
        "the first row must be spreadcheck tray sheet,1"
    ],
    (1, ",1"): [
        'tray sheet: row 1, column "A": the first cell is empty, so this is not a tray sheet; '
        "the first row must be spreadcheck tray sheet,1"
    ],
    (1, "spreadcheck tray sheet"): [
        'tray sheet: row 1, column "B": the version is missing; write spreadcheck tray sheet,1'
    ],
    (1, "spreadcheck tray sheet,2"): [
        'tray sheet: row 1, column "B": the version is "2", and this program reads version 1; '
        "write 1, or get a newer spreadcheck"
    ],
    (3, None): ['tray sheet: "tray width" is missing from the form; add a row such as tray width,0.5,m'],
    (3, "tray widht,0.5,m"): [
        'tray sheet: "tray width" is missing from the form; did row 3, "tray widht", mean it?'
    ],
    (3, "tray width"): [
        'tray sheet: row 3, column "B": "tray width" is empty; write its value and unit, such as tray width,0.5,m'
    ],
    (3, "tray width,0,5,m"): [
        'tray sheet: row 3, column "D": "tray width" has 4 cells, and a form row has three: label, value, unit; '
        "decimal commas need ; or a tab as delimiter; put a value with a comma in it in double quotes",
        'tray sheet: row 3, column "B": "tray width" can\'t be in "5"; '
        "write one of m, cm, mm, km, ft, in, yd in the third cell",
    ],
    (3, "tray width,0.5"): [
        'tray sheet: row 3, column "B": "tray width" has no unit; '
        "write one of m, cm, mm, km, ft, in, yd in the third cell"
    ],
    (3, "tray width,half,m"): [
        'tray sheet: row 3, column "B": "tray width" is "half", which is not a number; '
        "write digits only; the unit goes into the third cell"
    ],
    (3, "tray width,500,m"): [
        'tray sheet: row 3, column "B": "tray width" is 500 m, which can\'t be right; '
        "it must lie between 0.01 and 20 m; check the number and its unit"
    ],
    (2, "Tray  length,0.5,m"): [
        'tray sheet: row 4, column "A": "tray length" is on the form twice, first in row 2; keep one of the two'
    ],
    (2, ",0.5,m"): [
        'tray sheet: row 2, column "A": the row has no label; write what it is in its first cell, or clear the row'
    ],
    (2, "notes,Windy,gusts"): [
        'tray sheet: row 2, column "B": "notes" takes no unit, and its third cell is "gusts"; '
        "clear it, or put a value with the delimiter in it in double quotes"
    ],
    (5, "reversed passes,2,4"): [
        'tray sheet: row 5, column "B": "reversed passes" takes no unit, and its third cell is "4"; '
        "write the pass numbers with semicolons, such as 2; 4, "
        "or put a value with the delimiter in it in double quotes"
    ],
    (5, "reversed passes,2; 4"): [
        'tray sheet: row 5, column "B": "reversed passes" names pass 4, which is not in the table; '
        "correct the number, or add the pass to the table"
    ],
    (5, "gate setting,3,5"): [
        'tray sheet: row 5, column "B": "gate setting" takes no unit, and its third cell is "5"; '
        "clear it, or put a value with the delimiter in it in double quotes"
    ],
    (5, "date,14 April"): [
        'tray sheet: row 5, column "B": "date" is "14 April"; '
        "write year-month-day, such as 2026-04-14, or leave it empty"
    ],
    (7, "tray,distance,pass 1,pass 2"): [
        'tray sheet: row 7: the header row of the table begins with "tray,distance"; '
        "begin it with tray,offset and give each tray a name in the first column"
    ],
    (7, "tray,offset,pass 1,run 2"): [
        'tray sheet: row 7, column "D": "run 2" is not a pass; '
        "name it pass 1, pass 2 / potash, tare, or note as the last one",
    ],
    (7, "tray,offset,,pass 2"): [
        'tray sheet: row 7, column "C": the column has no name; name it, such as pass 3, or take the column out'
    ],
    (7, "tray,offset,pass 1001,pass 2"): [
        'tray sheet: row 7, column "C": "pass 1001" has no such number; number the passes from 1 to 1000'
    ],
    (7, "tray,offset,pass 1 /,pass 2"): [
        'tray sheet: row 7, column "C": "pass 1 /" names no component; write pass 1, or the component behind the /'
    ],
    (7, "tray,offset,pass 2,Pass 2"): [
        'tray sheet: row 7, column "D": "pass 2" is there twice, first in column C; '
        "rename one of the two, or take it out"
    ],
    (7, "tray,offset,pass 2,pass 2 / potash"): [
        'tray sheet: row 7, column "D": pass 2 has one column for all and one for potash; '
        "keep either the whole catch or its components, which add up to it"
    ],
    (8, None): ["tray sheet: row 7: the row of units is missing below it; add the row ,m,g,g"],
    (8, ",paces,g,"): [
        'tray sheet: row 8, column "offset": "paces" is not a unit of length; '
        "write one of m, cm, mm, km, ft, in, yd",
        'tray sheet: row 8, column "pass 2": the column has no unit; write g or ml',
    ],
    (8, ",m,g,bar"): ['tray sheet: row 8, column "pass 2": "bar" is not a unit of catches; write g or ml'],
    (9, "L3,-3,-10.2,11"): [
        'tray sheet: row 9, column "pass 1": the catch -10.2 is negative; '
        "write what was caught, or x to throw it out; the tray's own weight goes into a row or column tare"
    ],
    (9, "L3,-3,wet,nan"): [
        'tray sheet: row 9, column "pass 1": the catch "wet" is not a number; '
        "write digits, x for a catch thrown out, - where no tray stands, or nothing if it was not weighed",
        'tray sheet: row 9, column "pass 2": the catch "nan" is not a number; '
        "write digits, x for a catch thrown out, - where no tray stands, or nothing if it was not weighed",
    ],
    (9, 'L3,-3,"10,2",1_0'): [
        'tray sheet: row 9, column "pass 1": the catch "10,2" is not a number; '
        "write a decimal point, or use ; or a tab as delimiter",
        'tray sheet: row 9, column "pass 2": the catch "1_0" is not a number; '
        "write digits, x for a catch thrown out, - where no tray stands, or nothing if it was not weighed",
    ],
    (9, "L3,-3,1e8,0.0000001"): [
        'tray sheet: row 9, column "pass 1": the catch 100000000 g can\'t be right; '
        "a catch is 0 or from 1e-06 to 1e+07 g or ml; check the number and its unit",
        'tray sheet: row 9, column "pass 2": the catch 1e-07 g can\'t be right; '
        "a catch is 0 or from 1e-06 to 1e+07 g or ml; check the number and its unit",
    ],
    (9, "L3,-3,10,2,11"): [
        "tray sheet: row 9: the row has 5 cells and the table 4 columns; "
        "decimal commas need ; or a tab as delimiter; put a note with a comma in it in double quotes"
    ],
    (9, "L3,3,10.2,11"): [
        'tray sheet: row 11, column "offset": trays "L3" (row 9) and "R3" (row 11) stand both at 3 m; '
        "give every tray an offset of its own"
    ],
    (9, "L3,2.9995,10.2,11"): [
        'tray sheet: row 11, column "offset": trays "L3" (row 9) and "R3" (row 11) stand at 2.9995 and 3 m, '
        "less than 1 mm apart; give every tray an offset of its own"
    ],
    (9, "L3,-1000.1,10.2,11"): [
        'tray sheet: row 9, column "offset": the offset -1000.1 m can\'t be right; '
        "offsets reach 1000 m at most; check the number and its unit"
    ],
    (9, "L3,,10.2,11"): [
        'tray sheet: row 9, column "offset": the tray has no offset; '
        "write its distance from the centre line, with a minus on the left of it"
    ],
    (9, "L3,left,10.2,11"): [
        'tray sheet: row 9, column "offset": the offset "left" is not a number; '
        "write its distance from the centre line, with a minus on the left of it"
    ],
    (9, "R3,-3,10.2,11"): [
        'tray sheet: row 11, column "tray": the tray "R3" is there twice, first in row 9; '
        "give every tray a name of its own"
    ],
    (9, ",-3,10.2,11"): [
        'tray sheet: row 9, column "tray": the tray has no name; give every tray a name of its own, such as L3'
    ],
    (9, 'L3,-3,"10.2'): [
        "tray sheet: row 9: a quoted cell is not closed, is followed by more text, or is too long; "
        'start and end such a cell with ", and write every " inside it twice'
    ],
}  # fmt: skip


@pytest.mark.parametrize(("change", "messages"), FAULTY.items(), ids=[f"{n} {text}" for n, text in FAULTY])
def test_messages(change, messages):
    """What a person reads, word for word."""
    sheet = with_line(*change)
    if change[0] == 7:  # the pass that row 5 names may be gone
        sheet = with_line(5, "", sheet)
    assert faults(sheet) == messages


def test_all_faults_at_once():
    """Faults of form, header and trays are told together, in that order or row by row, never one at a time."""
    sheet = with_line(3, "tray width,0.5", with_line(9, "L3,-3,-1,wet", with_line(8, ",m,g,bar")))
    found = [(line.split(": ")[1]) for line in faults(sheet)]
    assert found == [
        'row 3, column "B"', 'row 8, column "pass 2"', 'row 9, column "pass 1"', 'row 9, column "pass 2"',
    ]  # fmt: skip


def test_too_few_trays():
    """No tray and one tray have clear messages."""
    head = "\n".join(PLAIN.split("\n")[:8])
    needs = "; a spread pattern needs at least two"
    assert faults(head) == [f"tray sheet: the table has no trays{needs}"]
    assert faults(head + "\nC,0,1,2\n") == [f"tray sheet: the table has one tray{needs}"]


def test_row_numbers_count_lines_inside_quotes():
    """A quoted cell over three lines: later rows are named by the line an editor shows."""
    sheet = with_line(2, 'notes,"one\ntwo\nthree"', with_line(9, "L3,-3,wet,11"))
    assert faults(sheet)[0].startswith('tray sheet: row 11, column "pass 1": the catch "wet"')


NOT_SHEETS = {
    b"": "tray sheet: is empty; start it with the row spreadcheck tray sheet,1",
    b" \r\n\n": "tray sheet: is empty; start it with the row spreadcheck tray sheet,1",
    b"\xff\xfe": "tray sheet: is empty; start it with the row spreadcheck tray sheet,1",
    b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR": "tray sheet: is neither text nor a workbook (a picture, perhaps); "
    "give a tray sheet saved as CSV or XLSX",
    b"\xff\xfe\x00\xd8": "tray sheet: is neither text nor a workbook (a picture, perhaps); "
    "give a tray sheet saved as CSV or XLSX",
    b"\x81 not cp1252": "tray sheet: is neither text nor a workbook (a picture, perhaps); "
    "give a tray sheet saved as CSV or XLSX",
    b"\xd0\xcf\x11\xe0 old": "tray sheet: is a workbook with a password, or a damaged one; "
    "save it as .xlsx without a password, or as CSV",
    b"a,b\n1,2\n3": 'tray sheet: row 1, column "A": the first cell is "a", so this is not a tray sheet; '
    "the first row must be spreadcheck tray sheet,1",
    b"x\x1b[2J" + b"y" * 99: 'tray sheet: row 1, column "A": the first cell is "x\\x1b[2J' + "y" * 29 + '...", '
    "so this is not a tray sheet; the first row must be spreadcheck tray sheet,1",
}  # fmt: skip


@pytest.mark.parametrize(("data", "message"), NOT_SHEETS.items(), ids=lambda v: repr(v)[:20])
def test_not_a_tray_sheet(data, message):
    """A file that plainly is something else gives one message."""
    assert faults(data) == [message]


def test_files_that_cannot_be_opened(tmp_path):
    """A missing file, a folder, a name no file can have."""
    for name, message in {
        tmp_path / "no.csv": "the file does not exist; check its name and folder",
        tmp_path: "is a folder; give the name of a file in it",
        f"{tmp_path}/a\0b": "can't be read as text; check its name, or open it as bytes",
    }.items():
        with pytest.raises(SheetError) as caught:
            read_sheet(name)
        assert caught.value.faults == (Fault(os.fspath(name), *message.split("; ")),)
    with pytest.raises(SheetError, match=r"^the name of a file is empty; give the file's name$"):
        read_sheet("")


def test_no_permission(monkeypatch):
    """A file that may not be read, and a disk that fails; tests may run as a user who may read everything."""
    for error, message in {
        PermissionError(13, "Permission denied"): "f.csv: may not be read; check who may read the file",
        OSError(5, "Input/output error"): "f.csv: can't be read (Input/output error); check the file and its disk",
    }.items():

        def refuse(*_, error=error):
            raise error

        monkeypatch.setattr("builtins.open", refuse)
        with pytest.raises(SheetError) as caught:
            read_sheet("f.csv")
        monkeypatch.undo()
        assert str(caught.value) == message


def test_the_file_names_the_place(tmp_path):
    """Messages and the test carry the name as given."""
    path = tmp_path / "field.csv"
    path.write_text(PLAIN, encoding="utf-8")
    assert read_sheet(path).source == str(path)
    path.write_text(with_line(9, "L3,-3,wet,11"), encoding="utf-8")
    with pytest.raises(SheetError, match=re.escape(f'{path}: row 9, column "pass 1": the catch "wet"')):
        read_sheet(str(path))
    with open(path, "rb") as file, pytest.raises(SheetError, match=re.escape(f"{path}: row 9")):
        read_sheet(file)


def test_limits():
    """10,000 trays, 1,000 passes, 16 MiB, 1,000 form rows: at the limit fine, past it one clear message."""
    head = PLAIN[: PLAIN.index("L3")]
    trays = [f"{n},{n / 100},1,2\n" for n in range(10_001)]
    assert len(read(head + "".join(trays[:-1])).tray) == 10_000
    assert faults(head + "".join(trays)) == ["tray sheet: the table has 10001 trays; 10000 are the most it may have"]
    passes = range(1, 1001)
    wide = PLAIN[: PLAIN.index("tray,off")] + "tray,offset," + ",".join(f"pass {n}" for n in passes) + "\n,m"
    wide += ",g" * 1000 + "\na,0" + ",1" * 1000 + "\nb,1" + ",1" * 1000
    assert read(wide).catch.shape == (2, 1000)
    large = "tray sheet: is larger than 16 MiB; a tray sheet holds one test; split it up"
    assert faults(PLAIN.encode() + b"\n" * MAX_BYTES) == [large]
    rows = PLAIN.replace("test,", "".join(f"odd {n},1\n" for n in range(1000)) + "test,", 1)
    assert faults(rows)[0] == "tray sheet: the form has 1005 rows; 1000 are the most it may have"


def test_thousands_of_faults_end():
    """A hostile sheet can't fill the memory with messages."""
    sheet = PLAIN[: PLAIN.index("L3")] + "".join(f"{n},{n},a,b\n" for n in range(900)) * 11
    messages = faults(sheet)
    assert len(messages) == 10_001
    assert messages[-1].endswith("more faults may follow; put these right first")


@pytest.mark.parametrize("filler", ["a\n", '"', "a,"])
def test_hostile_files_end_soon(filler):
    """Sixteen MiB of delimiters, rows or quotes are refused in seconds."""
    start = time.monotonic()
    assert len(faults(PLAIN + filler * (MAX_BYTES // len(filler) - 1000))) == 1
    assert time.monotonic() - start < 30


def test_written_text():
    """The text itself: what a person would have typed, and no more."""
    assert sheet_text(read(PLAIN)) == PLAIN
    test = tray_test([-10.5, 10.5], [[4.5], [0]], tray_width="20 in", tray_length="0.5 m", form={"odd": "a, b"})
    assert sheet_text(test) == (
        "spreadcheck tray sheet,1\ntray width,20,in\ntray length,0.5,m\nodd,\"a, b\"\n\n"
        "tray,offset,pass 1\n,m,g\nL1,-10.5,4.5\nR1,10.5,0\n"
    )  # fmt: skip


@given(valid_tests())
def test_nothing_is_lost(test):
    """Any valid test: written, read and written again, it is the same, to the byte."""
    text = sheet_text(test)
    back = read_sheet(io.BytesIO(text.encode()))
    assert back == test
    assert sheet_text(back) == text


@pytest.mark.parametrize("text", [PLAIN, SEMICOLON, SHOUTED])
def test_files_are_lossless(tmp_path, text):
    """From file to file, bytes equal."""
    write_sheet(read(text), tmp_path / "a.csv")
    test = read_sheet(tmp_path / "a.csv")
    write_sheet(test, tmp_path / "b.csv")
    assert test == read(text)
    assert (tmp_path / "a.csv").read_bytes() == (tmp_path / "b.csv").read_bytes()


def test_refused_writing(tmp_path):
    """An existing file, an unknown ending, and a test that would not read back; the old file stays."""
    path = tmp_path / "a.csv"
    path.write_text("old", encoding="utf-8")
    with pytest.raises(OutputError, match=r"a\.csv: exists already; add --overwrite"):
        write_sheet(read(PLAIN), path)
    with pytest.raises(OutputError, match=r"a\.txt: a tray sheet is a \.csv or an \.xlsx file; give it one"):
        write_sheet(read(PLAIN), tmp_path / "a.txt")
    lone = tray_test([0], [1], tray_width="1 m", tray_length="1 m")
    with pytest.raises(SheetError, match="the new sheet: the table has one tray; a spread pattern needs at least two"):
        write_sheet(lone, path, overwrite=True)
    half = tray_test([0, 1], [1, 1], tray_width="1 m", tray_length="1 m", form={"place": "\ud800"})
    with pytest.raises(SheetError, match="the new sheet: would not read back as the same test; take control"):
        write_sheet(half, path, overwrite=True)
    assert path.read_text(encoding="utf-8") == "old"
    write_sheet(read(PLAIN), path, overwrite=True)
    assert read_sheet(path) == read(PLAIN)


@given(st.binary(max_size=300))
def test_random_bytes(data):
    """Whatever the bytes, the answer is a test or a SheetError."""
    for start in (b"", b"spreadcheck tray sheet,1\n", b"\xff\xfe"):
        assert_reads_or_says(start + data)


@given(valid_tests(), st.data())
def test_mutated_sheets(test, data):
    """A valid sheet with pieces cut out, doubled or overwritten: a test or a SheetError."""
    sheet = bytearray(sheet_text(test).encode())
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(sheet)))
        end = data.draw(st.integers(at, min(len(sheet), at + 20)))
        piece = data.draw(st.sampled_from([b"", b",", b"\n", b'"', b"-", b"x", b"nan", b"1e999", b"9", b"\xff", b";"]))
        sheet[at:end] = piece
    assert_reads_or_says(bytes(sheet))


def assert_reads_or_says(data):
    """The test can be written again, or there is at least one fault, and each says where, what, and what to do."""
    said = ()
    try:
        assert sheet_text(read_sheet(io.BytesIO(data)))
    except SheetError as error:
        said = error.faults or [None]
    assert all(fault and fault.place and fault.problem and fault.remedy for fault in said)


GROSS = """spreadcheck tray sheet,1
tray width,0.5,m
tray length,0.5,m
weighing,cumulative

tray,offset,tare,pass 1,pass 2
,m,g,g,oz
L1,-1,10,15,0.7
C,0,12,-,-
R1,1,9,8.9,x
"""


def test_tare_cumulative_weights_and_places_without_a_tray():
    """Net catches by hand: 15 - 10 = 5 g; 0.7 oz is 19.845 g, less the 15 of before; 8.9 g is an empty tray of 9 g."""
    test = read_sheet(io.StringIO(GROSS))
    assert sheet_text(test) == GROSS
    assert test.passes == (1, 2)
    assert test.no_tray.tolist() == [False, True, False]
    np.testing.assert_allclose(catch_g(test), [[5, 0.7 * 28.349523125 - 15], [np.nan, np.nan], [0, np.nan]], rtol=1e-12)
    one_for_all = read_sheet(io.StringIO(GROSS.replace("weighing,cumulative", "tare,8,g").replace(",tare,", ",")
                                         .replace(",m,g,g", ",m,g").replace("-1,10,", "-1,")
                                         .replace("0,12,", "0,").replace("1,9,", "1,")))  # fmt: skip
    np.testing.assert_allclose(catch_g(one_for_all)[:, 0], [7, np.nan, 0.9])


@pytest.mark.parametrize(
    ("wrong", "message"),
    [
        (("C,0,12", "C,0,"), 'row 9, column "tare": the tray has no tare; weigh it empty, or write 0'),
        (("C,0,12", "C,0,x"), 'row 9, column "tare": the tray has no tare; weigh it empty, or write 0'),
        ((",m,g,", ",m,ml,"), 'row 7, column "tare": the tare is no mass; write g'),
        (("tare,pass 1", "tare,tare"), 'column "D": "tare" is there twice, first in column C'),
    ],
)
def test_a_tare_that_can_not_be_used(wrong, message):
    with pytest.raises(SheetError, match=re.escape(message)):
        read_sheet(io.StringIO(GROSS.replace(*wrong)))
