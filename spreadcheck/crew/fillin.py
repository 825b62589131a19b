"""What a step of the job found, filled into the form of a tray sheet, so that nobody types it again."""

from __future__ import annotations

import math
import os
from collections.abc import Iterable
from dataclasses import replace

from spreadcheck.crew.lock import lock_sheet, take_up
from spreadcheck.crew.newsheet import new_sheet
from spreadcheck.errors import Fault, OutputError, SheetError, record, shown
from spreadcheck.sheet.labels import BIN_LABELS, bin_label, known_label, read_value
from spreadcheck.sheet.traytest import CatchState, FormRow, TrayTest


@record
class FilledIn:
    """A test with its form filled in: the rows that are new in it, and what stood where one was replaced."""

    test: TrayTest
    written: tuple[FormRow, ...]
    replaced: tuple[FormRow, ...]
    like: str = ""  # the sheet that a new one was made like

    @property
    def to_be_weighed(self) -> bool:
        """Whether trays are still blank."""
        return bool((self.test.state == CatchState.NOT_WEIGHED).any())


def fill_in(test: TrayTest, rows: Iterable[FormRow], *, overwrite: bool = False) -> FilledIn:
    """Fill rows into the form of a test; a label that stands there with another value is replaced only on request."""
    form, written, replaced, faults = list(test.form), [], [], []
    for row in rows:
        at = next((n for n, old in enumerate(form) if known_label(old.label) is known_label(row.label)), None)
        if at is None:
            form.append(row)
        elif _same(form[at], row):
            continue
        else:
            if form[at].value.strip():
                replaced.append(form[at])
                problem = f'"{row.label}" is {row_words(form[at])} there, and {row_words(row)} was found'
                faults.append(Fault(test.source, problem, "add --overwrite to replace what stands there"))
            form[at] = replace(row, label=form[at].label)
        written.append(row)
    if faults and not overwrite:
        raise SheetError(*faults)
    return FilledIn(replace(test, form=tuple(form)), tuple(written), tuple(replaced))


def fill_in_sheet(
    path: str | os.PathLike[str], rows: Iterable[FormRow], *, overwrite: bool = False, like: TrayTest | None = None
) -> FilledIn:
    """Fill rows into a tray sheet on the disk, whole or not at all, and never while it is being recorded on.

    A sheet that is not there is made for a further test on the line of another one, if that is given.
    """
    with lock_sheet(path):
        sheet, test = take_up(path)
        if test is None and like is not None:
            made = new_sheet(like).test
            assert made is not None  # the line of the other test is whole
            filled = fill_in(made, rows, overwrite=True)
            sheet.keep(filled.test)
            return FilledIn(filled.test, filled.written, (), like.source or like.name)
        if test is None:
            remedy = "give the name of a tray sheet, or make one with spreadcheck plan --sheet"
            raise OutputError(Fault(os.fspath(path), "is not there", remedy))
        filled = fill_in(test, rows, overwrite=overwrite)
        if filled.written:
            sheet.keep(filled.test)
    return filled


def rows_of_bin(rows: Iterable[FormRow], number: int) -> tuple[FormRow, ...]:
    """The rows of one of a machine's bins; what a bin has no row of its own for is left out behind the first."""
    machine = ("highest spinner speed", "expected width")
    named = (replace(row, label=bin_label(row.label, number)) if row.label in BIN_LABELS else row for row in rows)
    return tuple(row for row in named if number == 1 or row.label in machine or row.label.startswith("bin "))


def row_words(row: FormRow) -> str:
    """The value of a row with its unit, as it stands."""
    return shown(f"{row.value} {row.unit}".strip())


def _same(old: FormRow, new: FormRow) -> bool:
    """Whether two rows of one label hold the same, whatever their units."""
    label = known_label(old.label)
    assert label is not None  # the rows are those of a test that was read
    before, after = (read_value(label, row.value, row.unit) for row in (old, new))
    if isinstance(before, float) and isinstance(after, float):
        return math.isclose(before, after, rel_tol=1e-9)
    return before == after
