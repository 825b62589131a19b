"""A new tray sheet by asking for its details: the tray line, the passes, then what else is worth noting.

Nothing here reads a keyboard or writes a file: a line of text goes in, the next state and what to say come out.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from spreadcheck.crew.recording import MAX_TYPED, printable
from spreadcheck.errors import Fault, QuantityError, SpreadcheckError, record
from spreadcheck.sheet.labels import LABELS, REQUIRED, Label, known_label, read_value
from spreadcheck.sheet.traytest import (
    MAX_PASSES,
    MAX_TRAYS,
    CatchState,
    FormRow,
    TrayTest,
    column_kind,
    tray_test,
)
from spreadcheck.units import KINDS, parse_number, to_inside, unit_named

MIN_TRAYS = 2
_LINE = (*REQUIRED, "trays", "spacing", "passes", "unit")
_SIGNED = r"[+-]?(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_WITH_UNIT = re.compile(rf"({_SIGNED})\s*(.*)", re.ASCII)
_OFFSETS = re.compile(rf"({_SIGNED}(?:[\s;]+{_SIGNED})+)\s*([^\W\d_]+)", re.ASCII)

# Labels of the tray line and the machine, which a second test on the same line has in common with the first.
_SHARED = frozenset(
    {*REQUIRED, "place", "operator", "customer", "adviser", "machine", "product", "runs per catch", "reversed passes",
     "travel speed",
     "spinner speed", "target rate", "bout width", "driving", "wheel track", "swath height", "surface",
     "scale resolution", "spreader type", "disc diameter", "highest spinner speed", "expected width", "bulk density",
     "size guide number", "uniformity index", "granule density", "crush strength", "calibration factor",
     "gate setting", "metered width", "bins run"}
)  # fmt: skip

Given = str | int | tuple[float, ...]


@record(eq=False)
class NewSheet:
    """What has been asked and given so far: `steps` in the order of asking, `at` the next, `test` once it is complete.

    `given` holds the answers about the tray line; `rows` the form's rows, in the order of the sheet.
    """

    steps: tuple[str, ...]
    at: int = 0
    given: tuple[tuple[str, Given], ...] = ()
    rows: tuple[FormRow, ...] = ()
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
        answers = dict(self.given)
        if not {"trays", "passes", "unit"} <= answers.keys() or "offsets" not in answers:
            return None
        return _test_of(answers, self.rows)


def new_sheet(like: TrayTest | None = None) -> NewSheet:
    """The state before the first question."""
    if like is None:
        return NewSheet((*_LINE, *(name for name, label in LABELS.items() if name not in REQUIRED and label.bin == 1)))
    rows = tuple(row for row in like.form if (label := known_label(row.label)) and label.of in _SHARED)
    have = {label.name for row in rows if (label := known_label(row.label))}
    bare = replace(
        like,
        catch=np.full(like.catch.shape, np.nan),
        state=np.where(like.state == CatchState.NO_TRAY, like.state, np.uint8(CatchState.NOT_WEIGHED)),
        note=("",) * len(like.tray),
        source="",
    )
    asked = tuple(name for name, label in LABELS.items() if name not in have and label.bin == 1)
    return NewSheet(asked, rows=rows, like=bare)


def question(new: NewSheet) -> str:
    """What is asked next."""
    step = new.steps[new.at]
    now = _now(new, step)
    if now:
        return f"{step[0].upper()}{step[1:]} (now {now}; Enter keeps it)"
    if step in _QUESTIONS:
        return _QUESTIONS[step]
    label = LABELS[step]
    name = label.name[0].upper() + label.name[1:]
    if label.kind in KINDS:
        hint = f"a number and its unit, {label.unit} or another; "
    else:
        hints = {"date": "year-month-day; ", "passes": "such as 2; 4; ", "choice": f"{', '.join(label.choices)}; "}
        hint = hints.get(label.kind, "")
    return f"{name} ({hint}Enter to skip)"


def reply_to(new: NewSheet, text: str) -> tuple[NewSheet, str]:
    """What a typed line does: the next question, or the reason why the same one is asked again."""
    line = printable(" ".join(text.replace("\u2212", "-").split()))
    if len(line) > MAX_TYPED:
        return new, f"More than {MAX_TYPED} signs were typed; make it shorter."
    word = line.casefold()
    step = new.steps[new.at]
    if word == "back":
        return _back(new)
    if word == "start":
        if new.test is None or step in _LINE:
            return new, "The tray line must be known before weighing can start; answer this first."
        return replace(new, at=len(new.steps)), ""
    if not line and _now(new, step):
        return _on(new), ""
    try:
        answered = _READERS[step](new, line) if step in _READERS else _label(new, LABELS[step], line)
    except QuantityError as error:
        # a message of the form, in the words of one line of text instead of three cells
        said = re.sub(r"write one of (.*) in the third cell", r"write it behind the number, one of \1", str(error))
        return new, f"{said}."
    return _on(answered), ""


# --- the questions ---------------------------------------------------------------------------------------------------

_QUESTIONS = {
    "tray width": "Tray width, across the travel (such as 0.5 m)",
    "tray length": "Tray length, along the travel (such as 0.5 m)",
    "trays": "How many trays, or their offsets from the centre line, left negative (such as 21, or -3 -1 1 3 m)",
    "spacing": "Spacing from tray centre to tray centre (such as 1 m)",
    "passes": "How many passes (or runs weighed on their own) over the line (such as 3)",
    "unit": "Unit of the catches (g, ml or another; Enter for g)",
}


def _tray_size(new: NewSheet, line: str) -> NewSheet:
    name = new.steps[new.at]
    if not line:
        raise QuantityError(Fault("", f'"{name}" is needed', "no rate can be worked out without it"))
    sized = _label(new, LABELS[name], line)
    return _checked(sized) if "offsets" in dict(sized.given) else sized


def _trays(new: NewSheet, line: str) -> NewSheet:
    """A count, or the offsets one by one, which leave no spacing to ask for."""
    listed = _OFFSETS.fullmatch(line)
    if listed:
        offsets = tuple(sorted(float(part.replace(",", ".")) for part in re.split(r"[\s;]+", listed[1])))
        unit = unit_named(listed[2], "length")
        if unit is None:
            raise QuantityError(Fault("", f'"{listed[2]}" is not a unit of length', "write m, cm, ft or in"))
        return _checked(_give(new, trays=len(offsets), offsets=offsets, offset_unit=unit, spacing=""))
    count = _count(line, MIN_TRAYS, MAX_TRAYS, "trays", "or their offsets with a unit, such as -3 -1 1 3 m")
    given = tuple((name, what) for name, what in new.given if name not in ("offsets", "offset_unit", "spacing"))
    return _give(replace(new, given=given), trays=count)


def _spacing(new: NewSheet, line: str) -> NewSheet:
    """Trays evenly spaced about the driving centre line."""
    number, unit = _quantity_parts(line)
    spacing_m = read_value(Label("spacing", "length", 0.01, 100), number, unit)
    if not isinstance(spacing_m, float):
        raise QuantityError(Fault("", "the spacing is needed", "write it with its unit, such as 1 m"))
    count = int(str(dict(new.given)["trays"]))
    places = np.arange(count) - (count - 1) / 2
    offsets = tuple(round(float(place) * float(number), 9) + 0.0 for place in places)
    name = unit_named(unit, "length") or "m"
    return _checked(_give(new, offsets=offsets, offset_unit=name, spacing=line))


def _passes(new: NewSheet, line: str) -> NewSheet:
    rows = tuple(row for row in new.rows if row.label != "reversed passes")  # asked again further down
    return _give(replace(new, rows=rows), passes=_count(line, 1, MAX_PASSES, "passes", ""))


def _unit(new: NewSheet, line: str) -> NewSheet:
    unit = column_kind(line or "g")
    if unit is None:
        raise QuantityError(Fault("", f'"{line}" is not a unit of catches', "write g or ml"))
    return _give(new, unit=unit[1])


def _label(new: NewSheet, label: Label, line: str) -> NewSheet:
    """A row of the form, checked as a sheet checks it; an empty answer leaves the row out."""
    number, unit = _quantity_parts(line) if label.kind in KINDS else (line, "")
    if label.kind in ("number", "count") and parse_number(line, decimal_comma=True) is not None:
        number = line.replace(",", ".")
    value = read_value(label, number, unit)
    passes = dict(new.given).get("passes", len(new.like.passes) if new.like else MAX_PASSES)
    if label.kind == "passes" and isinstance(value, tuple) and max(value) > int(str(passes)):
        raise QuantityError(Fault("", f"there is no pass {max(value)}", f"the test has {passes}"))
    if value is None:
        return new
    own = FormRow(label.name, number, unit)
    if label.name not in (row.label for row in new.rows):
        return replace(new, rows=(*new.rows, own))
    return replace(new, rows=tuple(own if row.label == label.name else row for row in new.rows))


_READERS: dict[str, Callable[[NewSheet, str], NewSheet]] = {
    **dict.fromkeys(REQUIRED, _tray_size),
    "trays": _trays,
    "spacing": _spacing,
    "passes": _passes,
    "unit": _unit,
}


# --- the steps they are made of --------------------------------------------------------------------------------------


def _now(new: NewSheet, step: str) -> str:
    """What was answered before to a question that is asked again."""
    row = next((row for row in new.rows if row.label == step), None)
    if row is not None:
        return f"{row.value} {row.unit}".strip()
    return str(dict(new.given).get(step, ""))


def _on(new: NewSheet) -> NewSheet:
    """The next step that still has to be asked."""
    at = new.at + 1
    if at < len(new.steps) and new.steps[at] == "spacing" and "offsets" in dict(new.given):
        at += 1
    return replace(new, at=at)


def _back(new: NewSheet) -> tuple[NewSheet, str]:
    if new.at == 0:
        return new, "This is the first question; there is nothing to go back to."
    at = new.at - 1
    if new.steps[at] == "spacing" and dict(new.given).get("spacing") == "":
        at -= 1
    return replace(new, at=at), ""


def _give(new: NewSheet, **given: Given) -> NewSheet:
    return replace(new, given=tuple((dict(new.given) | given).items()))


def _checked(new: NewSheet) -> NewSheet:
    """Refuse a line whose trays stand into one another, or too far out."""
    answers = dict(new.given) | {"passes": 1, "unit": "g"}
    try:
        test = _test_of(answers, new.rows)
    except SpreadcheckError as error:
        raise QuantityError(*error.faults) from None
    nearest_m = float(np.diff(test.offset_m).min())
    if nearest_m < test.tray_width_m - 1e-9:
        problem = f"trays {test.tray_width_m:g} m wide can't stand {nearest_m:g} m apart"
        raise QuantityError(Fault("", problem, "check the spacing, or go back to the tray width"))
    return new


def _test_of(answers: dict[str, Given], rows: tuple[FormRow, ...]) -> TrayTest:
    offsets, unit = answers["offsets"], str(answers["offset_unit"])
    places = np.asarray(offsets, dtype=float)
    size = {row.label: f"{row.value} {row.unit}" for row in rows if row.label in REQUIRED}
    test = tray_test(
        [to_inside(float(place), unit, "length") for place in places],
        np.full((len(places), int(str(answers["passes"]))), np.nan),
        tray_width=size["tray width"],
        tray_length=size["tray length"],
        unit=str(answers["unit"]),
    )
    return replace(test, form=rows, offset=places, offset_unit=unit)


def _count(line: str, low: int, high: int, what: str, more: str) -> int:
    number = parse_number(line)
    if number is None or number != int(number) or not low <= number <= high:
        remedy = f"write a whole number from {low} to {high}{f', {more}' if more else ''}"
        raise QuantityError(Fault("", f'"{line}" is not a number of {what}' if line else f"{what} are needed", remedy))
    return int(number)


def _quantity_parts(line: str) -> tuple[str, str]:
    """ "0,5 m" as number and unit; what does not start with a number is left whole for the message."""
    match = _WITH_UNIT.fullmatch(line)
    return (match[1].replace(",", "."), match[2]) if match else (line, "")
