"""A new tray sheet by asking for its details; what a step of the job found, filled into the form of a sheet."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Iterable, Mapping
from dataclasses import field, replace
from typing import Any

import numpy as np

from spreadcheck.crew.lock import lock_sheet, take_up
from spreadcheck.crew.recording import MAX_TYPED, printable
from spreadcheck.errors import Fault, OutputError, QuantityError, SheetError, SpreadcheckError, record, shown
from spreadcheck.sheet.labels import BIN_LABELS, LABELS, REQUIRED, Label, bin_label, known_label, read_value
from spreadcheck.sheet.traytest import MAX_PASSES, MAX_TRAYS, CatchState, FormRow, TrayTest, column_kind, tray_test
from spreadcheck.units import KINDS, parse_number, to_inside, unit_named

_LINE = (*REQUIRED, "trays", "spacing", "passes", "unit")
_SIGNED = r"[+-]?(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_WITH_UNIT = re.compile(rf"({_SIGNED})\s*(.*)", re.ASCII)
_OFFSETS = re.compile(rf"({_SIGNED}(?:[\s;]+{_SIGNED})+)\s*([^\W\d_]+)", re.ASCII)

# Labels of the tray line and the machine, which a second test on the same line has in common with the first.
_SHARED = frozenset(
    {*REQUIRED, "place", "operator", "customer", "adviser", "machine", "product", "runs per catch", "reversed passes",
     "travel speed", "spinner speed", "target rate", "bout width", "driving", "wheel track", "swath height", "surface",
     "scale resolution", "spreader type", "number of outlets", "outlet spacing", "disc diameter",
     "highest spinner speed", "expected width", "bulk density", "size guide number", "uniformity index",
     "granule density", "crush strength", "calibration factor", "gate setting", "metered width", "vanes", "vane angle",
     "vane length", "tilt", "disc height", "drop point", "bins run"}
)  # fmt: skip


@record(eq=False)
class NewSheet:
    """What has been asked and given so far: `steps` in the order of asking, `at` the next one."""

    steps: tuple[str, ...]
    at: int = 0
    given: Mapping[str, Any] = field(default_factory=dict)  # about the tray line
    rows: tuple[FormRow, ...] = ()  # of the form
    like: TrayTest | None = None

    @property
    def over(self) -> bool:
        """Whether everything has been asked."""
        return self.at >= len(self.steps)

    @property
    def test(self) -> TrayTest | None:
        """The test without catches, or None while the tray line is not complete."""
        if self.like is not None:
            return replace(self.like, form=self.rows)
        complete = self.given.keys() >= {"trays", "passes", "unit", "offsets"}
        return _test_of(self.given, self.rows) if complete else None

    @property
    def now(self) -> str:
        """What was answered before to the question that is asked next."""
        step = self.steps[self.at]
        row = next((f"{row.value} {row.unit}".strip() for row in self.rows if row.label == step), "")
        return row or str(self.given.get(step, ""))


def new_sheet(like: TrayTest | None = None) -> NewSheet:
    """The state before the first question."""
    if like is None:
        return NewSheet((*_LINE, *(name for name, label in LABELS.items() if name not in REQUIRED and label.bin == 1)))
    shared = ((row, label) for row in like.form if (label := known_label(row.label)) and label.of in _SHARED)
    labels = {label.name: row for row, label in shared}
    bare = replace(
        like,
        catch=np.full(like.catch.shape, np.nan),
        state=np.where(like.state == CatchState.NO_TRAY, like.state, np.uint8(CatchState.NOT_WEIGHED)),
        note=("",) * len(like.tray),
        source="",
    )
    asked = tuple(name for name, label in LABELS.items() if name not in _SHARED and label.bin == 1)
    return NewSheet(asked, rows=tuple(labels.values()), like=bare)


def unnamed(test: TrayTest) -> NewSheet:
    """The state in which a test that nothing was weighed of yet is asked for the name and the date that it lacks."""
    steps = tuple(name for name in ("test", "date") if test.blank and name not in test.values)
    return NewSheet(steps, rows=test.form, like=test)


def question(new: NewSheet) -> str:
    """What is asked next."""
    step = new.steps[new.at]
    name = step[0].upper() + step[1:]
    if new.now:
        return f"{name} (now {new.now}; Enter keeps it)"
    if step in _QUESTIONS:
        return _QUESTIONS[step]
    label = LABELS[step]
    hints = {"date": "year-month-day; ", "passes": "such as 2; 4; ", "choice": f"{', '.join(label.choices)}; "}
    hint = f"a number and its unit, {label.unit} or another; " if label.kind in KINDS else hints.get(label.kind, "")
    return f"{name} ({hint}Enter to skip)"


def reply_to(new: NewSheet, text: str) -> tuple[NewSheet, str]:
    """What a typed line does: the next question, or the reason why the same one is asked again."""
    line = printable(" ".join(text.replace("\u2212", "-").split()))
    if len(line) > MAX_TYPED:
        return new, f"More than {MAX_TYPED} signs were typed; make it shorter."
    word, step, at = line.casefold(), new.steps[new.at], new.at
    if word == "back" and at == 0:
        return new, "This is the first question; there is nothing to go back to."
    if word == "back":
        listed = new.steps[at - 1] == "spacing" and new.given.get("spacing") == ""  # never asked for
        return replace(new, at=at - 2 if listed else at - 1), ""
    if word == "start":
        if new.test is None or step in _LINE:
            return new, "The tray line must be known before weighing can start; answer this first."
        return replace(new, at=len(new.steps)), ""
    if line or not new.now:
        try:
            new = _answered(new, step, line)
        except QuantityError as error:
            # a message of the form, in the words of one line of text instead of three cells
            said = re.sub(r"write one of (.*) in the third cell", r"write it behind the number, one of \1", str(error))
            said = said.replace("the unit goes into the third cell", "its unit behind them")
            return new, f"{said}."
    listed = new.steps[at + 1 : at + 2] == ("spacing",) and "offsets" in new.given
    return replace(new, at=at + 2 if listed else at + 1), ""


_QUESTIONS = {
    "tray width": "Tray width, across the travel (such as 0.5 m)",
    "tray length": "Tray length, along the travel (such as 0.5 m)",
    "trays": "How many trays, or their offsets from the centre line, left negative (such as 21, or -3 -1 1 3 m)",
    "spacing": "Spacing from tray centre to tray centre (such as 1 m)",
    "passes": "How many passes (or runs weighed on their own) over the line (such as 3)",
    "unit": "Unit of the catches (g, ml or another; Enter for g)",
}


def _answered(new: NewSheet, step: str, line: str) -> NewSheet:
    """The state after the answer to a question."""
    match step:
        case "test" if _is_weight(line):  # a scale that types like a keyboard
            raise QuantityError(Fault("", f'"{line}" is a weight and no name', "name the test in words, or type start"))
        case "trays" if listed := _OFFSETS.fullmatch(line):  # one by one, which leaves no spacing to ask for
            offsets = tuple(sorted(float(part.replace(",", ".")) for part in re.split(r"[\s;]+", listed[1])))
            length = unit_named(listed[2], "length")
            if length is None:
                raise QuantityError(Fault("", f'"{listed[2]}" is not a unit of length', "write m, cm, ft or in"))
            return _laid(new, trays=len(offsets), offsets=offsets, offset_unit=length, spacing="")
        case "trays":
            count = _count(line, 2, MAX_TRAYS, "trays", ", or their offsets with a unit, such as -3 -1 1 3 m")
            kept = {name: what for name, what in new.given.items() if name not in ("offsets", "offset_unit", "spacing")}
            return replace(new, given=kept | {"trays": count})
        case "spacing":  # evenly about the driving centre line
            number, length = _quantity_parts(line)
            if read_value(Label("spacing", "length", 0.01, 100), number, length) is None:
                raise QuantityError(Fault("", "the spacing is needed", "write it with its unit, such as 1 m"))
            places = np.arange(new.given["trays"]) - (new.given["trays"] - 1) / 2
            offsets = tuple((np.round(places * float(number), 9) + 0.0).tolist())
            return _laid(new, offsets=offsets, offset_unit=unit_named(length, "length") or "m", spacing=line)
        case "passes":
            rows = tuple(row for row in new.rows if row.label != "reversed passes")  # asked again further down
            return replace(new, rows=rows, given={**new.given, step: _count(line, 1, MAX_PASSES, "passes")})
        case "unit":
            unit = column_kind(line or "g")
            if unit is None:
                raise QuantityError(Fault("", f'"{line}" is not a unit of catches', "write g or ml"))
            return replace(new, given={**new.given, step: unit[1]})
        case "tray width" | "tray length" if not line:
            raise QuantityError(Fault("", f'"{step}" is needed', "no rate can be worked out without it"))
    labelled = _label(new, LABELS[step], line)
    return _laid(labelled) if step in REQUIRED and "offsets" in labelled.given else labelled


def _label(new: NewSheet, label: Label, line: str) -> NewSheet:
    """A row of the form, checked as a sheet checks it; an empty answer leaves the row out."""
    number, unit = _quantity_parts(line) if label.kind in KINDS else (line, "")
    if label.kind in ("number", "count") and parse_number(line, decimal_comma=True) is not None:
        number = line.replace(",", ".")
    value = read_value(label, number, unit)
    passes = new.given.get("passes", len(new.like.passes) if new.like else MAX_PASSES)
    if label.kind == "passes" and isinstance(value, tuple) and max(value) > passes:
        raise QuantityError(Fault("", f"there is no pass {max(value)}", f"the test has {passes}"))
    if value is None:
        return new
    rows = {label.name if known_label(row.label) is label else row.label: row for row in new.rows}
    rows[label.name] = FormRow(label.name, number, unit)
    return replace(new, rows=tuple(rows.values()))


def _laid(new: NewSheet, **given: Any) -> NewSheet:
    """The state with its tray line; one whose trays stand into one another, or too far out, is refused."""
    laid = replace(new, given={**new.given, **given})
    try:
        test = _test_of({**laid.given, "passes": 1, "unit": "g"}, laid.rows)
    except SpreadcheckError as error:
        raise QuantityError(*error.faults) from None
    nearest_m = float(np.diff(test.offset_m).min())
    if nearest_m < test.tray_width_m - 1e-9:
        problem = f"trays {test.tray_width_m:g} m wide can't stand {nearest_m:g} m apart"
        raise QuantityError(Fault("", problem, "check the spacing, or go back to the tray width"))
    return laid


def _test_of(answers: Mapping[str, Any], rows: tuple[FormRow, ...]) -> TrayTest:
    offsets, unit = answers["offsets"], answers["offset_unit"]
    width, length = (f"{row.value} {row.unit}" for name in REQUIRED for row in rows if row.label == name)
    blank = np.full((len(offsets), answers["passes"]), np.nan)
    places = [to_inside(at, unit, "length") for at in offsets]
    test = tray_test(places, blank, tray_width=width, tray_length=length, unit=answers["unit"])
    return replace(test, form=rows, offset=np.asarray(offsets, dtype=float), offset_unit=unit)


def _count(line: str, low: int, high: int, what: str, more: str = "") -> int:
    number = parse_number(line)
    if number is None or number != int(number) or not low <= number <= high:
        remedy = f"write a whole number from {low} to {high}{more}"
        raise QuantityError(Fault("", f'"{line}" is not a number of {what}' if line else f"{what} are needed", remedy))
    return int(number)


def _quantity_parts(line: str) -> tuple[str, str]:
    """ "0,5 m" as number and unit; what does not start with a number is left whole for the message."""
    match = _WITH_UNIT.fullmatch(line)
    return (match[1].replace(",", "."), match[2]) if match else (line, "")


def _is_weight(line: str) -> bool:
    """Whether it is what a scale sends: a number, with or without a unit of catches."""
    number, unit = _quantity_parts(line)
    return parse_number(number) is not None and (not unit or column_kind(unit) is not None)


def layout_differences(test: TrayTest, other: TrayTest) -> tuple[str, ...]:
    """How the tray lines of two tests differ: tray size, trays, offsets, passes; empty where they are the same."""
    sizes = {"tray width": "tray_width_m", "tray length": "tray_length_m"}
    pairs = {name: (getattr(test, field), getattr(other, field)) for name, field in sizes.items()}
    found = [f"the {name} is {a:g} m, not {b:g} m" for name, (a, b) in pairs.items() if abs(a - b) > 1e-9]
    if len(test.tray) != len(other.tray):
        found.append(f"it has {len(test.tray)} trays, not {len(other.tray)}")
    else:
        for name, at, place, called in zip(test.tray, test.offset_m, other.offset_m, other.tray, strict=True):
            if name.casefold() != called.casefold():
                found.append(f"the tray at {at:g} m is {name}, not {called}")
                break
            if abs(at - place) > 1e-6:
                found.append(f"tray {name} stands at {at:g} m, not at {place:g} m")
                break
    if test.columns != other.columns:
        told = []
        for columns in (test.columns, other.columns):
            plain = all(column.unit == "g" for column in columns)
            told.append(", ".join(column.name if plain else f"{column.name} in {column.unit}" for column in columns))
        found.append(f"it has {told[0]}, not {told[1]}")
    return tuple(found)


@record
class FilledIn:
    """A test with its form filled in: the rows that are new in it, and what stood where one was replaced."""

    test: TrayTest
    written: tuple[FormRow, ...]
    replaced: tuple[FormRow, ...]
    to_be_weighed: bool  # whether trays are still blank
    like: str = ""  # the sheet that a new one was made like


def fill_in(test: TrayTest, rows: Iterable[FormRow], *, overwrite: bool = False) -> FilledIn:
    """Fill rows into the form of a test; a label that stands there with another value is replaced only on request."""
    form, written, replaced, faults = list(test.form), [], [], []
    for row in rows:
        at = next((n for n, old in enumerate(form) if _called(old) == _called(row)), None)
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
    blank = bool((test.state == CatchState.NOT_WEIGHED).any())
    return FilledIn(replace(test, form=tuple(form)), tuple(written), tuple(replaced), blank)


def fill_in_sheet(
    path: str | os.PathLike[str], rows: Iterable[FormRow], *, overwrite: bool = False, like: TrayTest | None = None
) -> FilledIn:
    """Fill rows into a tray sheet on the disk, whole or not at all; one that is not there is made like another."""
    with lock_sheet(path):
        sheet, test = take_up(path)
        start = new_sheet(like).test if test is None and like is not None else test
        if start is None:
            remedy = "give the name of a tray sheet, or make one with spreadcheck plan --sheet"
            raise OutputError(Fault(os.fspath(path), "is not there", remedy))
        filled = fill_in(start, rows, overwrite=overwrite or test is None)
        if filled.written or test is None:
            sheet.keep(filled.test)
    if test is None and like is not None:
        return replace(filled, replaced=(), like=like.source or like.name)
    return filled


def rows_of_bin(rows: Iterable[FormRow], number: int) -> tuple[FormRow, ...]:
    """The rows of one of a machine's bins; what a bin has no row of its own for is left out behind the first."""
    machine = ("highest spinner speed", "expected width")
    named = (replace(row, label=bin_label(row.label, number)) if row.label in BIN_LABELS else row for row in rows)
    return tuple(row for row in named if number == 1 or row.label in machine or row.label.startswith("bin "))


def row_words(row: FormRow) -> str:
    """The value of a row with its unit, as it stands."""
    return shown(f"{row.value} {row.unit}".strip())


def _called(row: FormRow) -> str:
    """The label of a row, whatever its letter case and spacing; also one of the user's own."""
    label = known_label(row.label)
    return label.name if label else " ".join(row.label.casefold().split())


def _same(old: FormRow, new: FormRow) -> bool:
    """Whether two rows of one label hold the same, whatever their units."""
    label = known_label(old.label)
    if label is None:  # a row of the user's own
        return row_words(old) == row_words(new)
    before, after = (read_value(label, row.value, row.unit) for row in (old, new))
    if isinstance(before, float) and isinstance(after, float):
        return math.isclose(before, after, rel_tol=1e-9)
    return before == after
