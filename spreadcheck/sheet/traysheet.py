"""Read and write tray sheets, version 1: the one place that knows the format.

What is written reads back as the same test; a test that would not is refused, and nothing is written.
"""

from __future__ import annotations

import os
from typing import IO

from spreadcheck.errors import Fault, OutputError, SheetError, shown
from spreadcheck.sheet.cells import BOOKS, MAX_BYTES, TITLE, VERSION, SheetCells, read_text, shortest, unread
from spreadcheck.sheet.traytable import HEAD, read_cells
from spreadcheck.sheet.traytest import STANDARD_INPUT, CatchState, TrayTest


def read_sheet(
    path_or_file: str | os.PathLike[str] | IO[bytes] | IO[str], *, worksheet: str = "", day_first: bool | None = None
) -> TrayTest:
    """Read a tray sheet: CSV, or a workbook (.xlsx, .ods, .xls).

    Parameters
    ----------
    path_or_file : str, path-like, or open file
        The sheet: its name, or a file open for reading bytes or text. [-]
    worksheet : str
        Which worksheet of a workbook with several tray sheets. [-]
    day_first : bool, optional
        Whether 3/10/2026 is 3 October; without it, such a date is refused unless only one reading is a date. [-]

    Returns
    -------
    TrayTest
        The test, trays in order of offset. [-]

    Raises
    ------
    SheetError
        If it can't be read as it stands, or holds several tray sheets and none is chosen; carries every fault found.
    MissingExtraError
        If it is a workbook and the library that reads it is not installed.

    Examples
    --------
    >>> import io
    >>> test = read_sheet(io.StringIO('''spreadcheck tray sheet;1
    ... tray width;0,5;m
    ... tray length;0,5;m
    ...
    ... tray;offset;pass 1;pass 2
    ... ;m;g;g
    ... L3;-3;10,2;x
    ... C;0;12,1;11,7
    ... R3;3;9,9;
    ... '''))
    >>> test.tray, test.tray_width_m, test.catch[:, 0]
    (('L3', 'C', 'R3'), 0.5, array([10.2, 12.1, 9.9]))
    """
    source, data = _loaded(path_or_file)
    return _read(data, source, worksheet, day_first=day_first)


def worksheets_of(path_or_file: str | os.PathLike[str] | IO[bytes] | IO[str]) -> tuple[str, ...]:
    """The titles of the tray sheets in a workbook with several; one empty title for any other file."""
    source, data = _loaded(path_or_file)
    titles = tuple(_cells(data, source)) if isinstance(data, bytes) and data.startswith(BOOKS) else ()
    return titles if len(titles) > 1 else ("",)


def sheet_text(test: TrayTest) -> str:
    """The text of a CSV tray sheet.

    Parameters
    ----------
    test : TrayTest
        The test. [-]

    Returns
    -------
    str
        The sheet: comma-delimited, decimal points, one line feed at the end of a line. [-]

    Raises
    ------
    SheetError
        If the sheet would not read back as the same test.

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-1, 1], [4.5, float("nan")], tray_width="0.5 m", tray_length="50 cm",
    ...                  form={"notes": "Windy, gusts"})
    >>> print(sheet_text(test))
    spreadcheck tray sheet,1
    tray width,0.5,m
    tray length,50,cm
    notes,"Windy, gusts"
    <BLANKLINE>
    tray,offset,pass 1
    ,m,g
    L1,-1,4.5
    R1,1,
    <BLANKLINE>
    """
    text = "".join(",".join(map(_quoted, row)) + "\n" for row in _rows(test))
    _check_same(test, text)
    return text


def write_sheet(test: TrayTest, path: str | os.PathLike[str], *, overwrite: bool = False) -> None:
    """Write a tray sheet, CSV or XLSX by the ending of the file's name.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    path : str or path-like
        Where to write. [-]
    overwrite : bool
        Whether a file that is there already may be replaced. [-]

    Returns
    -------
    None
        Nothing; when it returns, the sheet is on the disk. [-]

    Raises
    ------
    OutputError
        If the file can't go there, or its name ends neither in .csv nor in .xlsx.
    SheetError
        If the sheet would not read back as the same test.
    MissingExtraError
        If a workbook is wanted and openpyxl is not installed.

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> write_sheet(tray_test([0, 1], [4, 5], tray_width="1 m", tray_length="1 m"), "test.doc")
    Traceback (most recent call last):
    ...
    spreadcheck.errors.OutputError: test.doc: a tray sheet is a .csv or an .xlsx file; give it one of these endings
    """
    from spreadcheck.sheet.files import write_whole  # reading a sheet needs none of it

    name = os.fspath(path)
    check_ending(name)
    write_whole(name, sheet_bytes(test, name), overwrite=overwrite, is_sheet=True)


def check_ending(name: str) -> None:
    """Refuse a name that no tray sheet is written under."""
    if os.path.splitext(name)[1].casefold() not in (".csv", ".xlsx"):
        raise OutputError(Fault(name, "a tray sheet is a .csv or an .xlsx file", "give it one of these endings"))


def sheet_bytes(test: TrayTest, name: str) -> bytes:
    """The file of a tray sheet, CSV or XLSX by the ending of its name; it reads back as the same test."""
    if not name.casefold().endswith(".xlsx"):
        return sheet_text(test).encode("utf-8")
    from spreadcheck.sheet.workbook import workbook_bytes

    book = workbook_bytes(_rows(test), place=name)
    _check_same(test, book)
    return book


def _loaded(source: str | os.PathLike[str] | IO[bytes] | IO[str]) -> tuple[str, bytes | str]:
    """The name of a sheet and what is in it, never more of it than a sheet may hold."""
    if isinstance(source, (str, os.PathLike)):
        name = place = os.fspath(source)
    else:
        given = getattr(source, "name", "")
        name = STANDARD_INPUT if given == "<stdin>" else given if isinstance(given, str) else ""
        place = name or "tray sheet"
    data: bytes | str
    try:
        if isinstance(source, (str, os.PathLike)):
            with open(name, "rb") as file:
                data = file.read(MAX_BYTES + 1)
        else:
            data = source.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        raise SheetError(unread(place, error)) from None
    if len(data) > MAX_BYTES:
        problem = f"is larger than {MAX_BYTES // 2**20} MiB"
        raise SheetError(Fault(place, problem, "a tray sheet holds one test; split it up"))
    return name, data


def _read(data: bytes | str, source: str, worksheet: str = "", *, day_first: bool | None = None) -> TrayTest:
    """A test from the content of its sheet."""
    found, place = _cells(data, source), source or "tray sheet"
    titles = ", ".join(f'"{shown(title)}"' for title in found if title) or "none that it could name"
    if worksheet and worksheet not in found:
        problem = f'has no tray sheet in a worksheet "{shown(worksheet)}"'
        raise SheetError(Fault(place, problem, f"its tray sheets are: {titles}"))
    if not worksheet and len(found) > 1:
        problem = f"the workbook holds {len(found)} tray sheets: {titles}"
        raise SheetError(Fault(place, problem, "choose one with --worksheet NAME"))
    return read_cells(found[worksheet] if worksheet else next(iter(found.values())), day_first=day_first)


def _cells(data: bytes | str, source: str) -> dict[str, SheetCells]:
    """The cells of every tray sheet in a file by its worksheet's title; a text file holds one, without a title."""
    if isinstance(data, bytes) and data.startswith(BOOKS):
        from spreadcheck.sheet.workbook import read_workbook

        return read_workbook(data, source)
    return {"": read_text(data, source)}


def _rows(test: TrayTest) -> list[list[str]]:
    """The cells of a sheet; rows of the form end with their last cell that holds something."""
    rows = [[TITLE, str(VERSION)]]
    for row in test.form:
        cells = [row.label, row.value, row.unit]
        while cells and not cells[-1]:
            cells.pop()
        rows.append(cells)
    note, tare = (["note"] if any(test.note) else []), ([] if test.tare is None else ["tare"])
    rows += [[], [*HEAD, *tare, *(column.name for column in test.columns), *note]]
    units = [*(test.tare_unit for _ in tare), *(column.unit for column in test.columns)]
    rows.append(["", test.offset_unit, *units, *("" for _ in note)])
    for at, (catches, states) in enumerate(zip(test.catch.tolist(), test.state.tolist(), strict=True)):
        own = [] if test.tare is None else [shortest(test.tare[at])]
        cells = [test.tray[at], shortest(test.offset[at]), *own, *map(catch_cell, catches, states)]
        rows.append([*cells, test.note[at]] if note else cells)
    return rows


def catch_cell(catch: float, state: int, *, blank: str = "") -> str:
    """A catch as a sheet writes it: x for thrown out, - where no tray stands, `blank` where it was not weighed."""
    if state == CatchState.WEIGHED:
        return shortest(catch)
    return {CatchState.THROWN_OUT: "x", CatchState.NO_TRAY: "-"}.get(CatchState(state), blank)


def _quoted(cell: str) -> str:
    """A cell of a comma-delimited file, in double quotes where it needs them."""
    return '"' + cell.replace('"', '""') + '"' if any(mark in cell for mark in ',"\r\n') else cell


def _check_same(test: TrayTest, written: bytes | str) -> None:
    """Refuse to write a test that would read back as another one."""
    place = test.source or "the new sheet"
    if _read(written.encode("utf-8", "replace") if isinstance(written, str) else written, place) != test:
        remedy = "take control characters and blanks around names out of its words"
        raise SheetError(Fault(place, "would not read back as the same test", remedy))
