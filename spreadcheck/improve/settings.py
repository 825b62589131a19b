"""The settings in which tests differ: which of them are numbers that can be tuned, and what else the forms say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from spreadcheck.errors import Fault, SheetError, SpreadcheckError, record, shown
from spreadcheck.sheet.labels import BIN_LABELS, LABELS, bin_label, known_label
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.units import KINDS, from_inside, parse_number, show, split_quantity

SPEED = "spinner speed"
TUNABLE = (
    SPEED, "drop point", "vane angle", "vane length", "tilt", "disc height", "gate setting", "swath height",
)  # fmt: skip
SETTINGS = (
    "machine", "spreader type", "product", "tray width", "tray length", "travel speed", SPEED, "disc diameter",
    "target rate", "gate setting", "vanes", "vane angle", "vane length", "tilt", "disc height", "drop point",
    "swath height", "wind speed", "wind from", "size guide number", "bulk density", "granule density",
)  # fmt: skip


@record
class Setting:
    """One setting that was varied: its label, its unit ("" for the marks of a scale), and a step that can be set."""

    label: str
    unit: str
    step: float

    def shown(self, value: float) -> str:
        """A value of it with its unit."""
        return f"{self.number(value)} {self.unit}".rstrip()

    def typed(self, value: float) -> str:
        """A tested value as it stands on the sheet, with its unit."""
        return f"{value:.6g} {self.unit}".rstrip()

    def number(self, value: float) -> str:
        """A value of it to the step that can be set, with no more digits than that needs."""
        digits = max(0, -int(np.floor(np.log10(self.step) + 1e-9)))
        text = f"{value:.{digits}f}"
        return text.removeprefix("-") if float(text) == 0 else text


def varied_settings(tests: Sequence[TrayTest], labels: Sequence[str] = ()) -> tuple[tuple[Setting, ...], FloatArray]:
    """The settings to tune, and their values in every test."""
    asked = [_compared(label) for label in labels]
    if len(asked) > 2 or len(set(asked)) < len(asked):
        raise SpreadcheckError(Fault("option --setting", ", ".join(asked), "name one label, or two different ones"))
    if not asked:
        for label in TUNABLE:  # forms that give different numbers, or some a number and some words
            cells = [_cell(test, label) for test in tests]
            told = {number for number, _, _ in cells} - {None}
            if len(told) > 1 or (told and any(number is None and said for number, _, said in cells)):
                asked.append(label)
        if not asked:
            remedy = f"write {', '.join(TUNABLE[:-1])} or {TUNABLE[-1]} on them, or name another with --setting"
            raise SpreadcheckError(Fault("", "the forms differ in no setting that is a number", remedy))
        if len(asked) > 2:
            problem = f"the forms differ in {', '.join(asked)}"
            raise SpreadcheckError(Fault("", problem, "say which one or two are tuned: --setting LABEL"))
    columns = [_column(tests, label) for label in asked]
    for setting, values in columns:
        if len(np.unique(values)) < 2:
            problem = f"all tests have the same {setting.label}, {setting.shown(values[0])}"
            raise SpreadcheckError(Fault("", problem, "give tests at two settings or more"))
    return tuple(setting for setting, _ in columns), np.stack([values for _, values in columns], axis=1)


def _cell(test: TrayTest, label: str) -> tuple[float | None, str, str]:
    """The number of a label, in the unit in which the forms write it, that unit, and the words; None if no number."""
    row = next((row for row in test.form if _compared(row.label) == label), None)
    said = row.value.strip() if row else ""
    known = known_label(label)
    if known is not None and known.kind in KINDS:
        value = test.quantity(label)
        unit = known.unit or KINDS[known.kind].metric
        return (None if value is None else round(from_inside(value, unit, known.kind), 9)), unit, said
    if known is not None and known.kind in ("number", "count"):
        return test.quantity(label), "", said
    number, unit = split_quantity(said)
    if row is None or any(sign.isdigit() for sign in unit):  # a date, or a list
        return None, "", said
    return parse_number(number), " ".join((unit or row.unit).split()), said


def _column(tests: Sequence[TrayTest], label: str) -> tuple[Setting, FloatArray]:
    """One setting and its value in every test; forms without a number are named, all at once."""
    cells = [_cell(test, label) for test in tests]
    example = {SPEED: f"{SPEED}, 800, rpm"}.get(label, f"{label}, 12" + (", mm" if label == "drop point" else ""))
    faults = []
    for test, (number, _, said) in zip(tests, cells, strict=True):
        if number is None:
            problem = f'"{label}" is "{shown(said)}", no number' if said else f'the form has no "{label}"'
            faults.append(Fault(test.source or test.name, problem, f"add a row such as {example}"))
    if faults:
        raise SheetError(*faults)
    units = list(dict.fromkeys(unit for _, unit, _ in cells))
    if len(units) > 1:
        told = ", ".join(f'"{shown(unit)}"' if unit else "none" for unit in units)
        raise SheetError(Fault("", f'"{label}" is written in different units: {told}', "write all in one unit"))
    values = np.array([number for number, _, _ in cells], dtype=float)
    step = 10.0
    if label != SPEED:  # 1, 2 or 5 times a power of ten near a twentieth of the range
        wanted = max(float(np.ptp(values)) / 20.0, 1e-9)
        power = float(10.0 ** np.floor(np.log10(wanted)))
        step = power * min((1.0, 2.0, 5.0, 10.0), key=lambda factor: abs(np.log(factor * power / wanted)))
    return Setting(label, units[0], step), values


def of_bins(test: TrayTest, bin_no: int | None) -> tuple[TrayTest, tuple[int, ...]]:
    """A test as one of the bins that it threw from, whose rows stand under the plain labels, and the bins.

    These are all that run together, else the one asked for, else the first.
    """
    if bin_no is not None and (test.bins_together or bin_no not in test.bins):
        problem = f"the form names no bin {bin_no}"
        if test.bins_together:
            problem = "its bins run together, so that a tray catches them all"
        raise SheetError(Fault(test.source or test.name, problem, f"leave --bin {bin_no} out, or put its bins right"))
    if test.bins_together:
        return test, test.bins
    number, form = bin_no or 1, []
    for row in test.form:
        label = known_label(row.label)
        if number == 1 or label is None or label.of not in BIN_LABELS:
            form.append(row)
        elif label.bin == number:
            form.append(replace(row, label=label.of))
    return replace(test, form=tuple(form)), (number,)


def product_of(test: TrayTest) -> str:
    """What a test threw: the products of all bins that run together, else the one."""
    names = [test.text(bin_label("product", number)) for number in (test.bins if test.bins_together else (1,))]
    return " + ".join(name for name in names if name)


def setting_changes(tests: Sequence[TrayTest], *, system: str = "metric") -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What the forms say differently about machine, product, settings and wind."""
    found = []
    for label in SETTINGS:
        values, kind, said = [test.values.get(label) for test in tests], LABELS[label].kind, []
        for value in values:
            if isinstance(value, (int, float)):
                said.append(show(float(value), kind, system) if kind in KINDS else f"{value:g}")
            else:
                said.append(str(value or "not stated"))
        if len({_compared(value) for value in values}) > 1:
            found.append((label, tuple(said)))
    return tuple(found)


def settings_said(test: TrayTest) -> tuple[str, ...]:
    """What a form says of machine, product and settings, but not of the wind: alike where nothing was changed."""
    return tuple(_compared(test.values.get(label)) for label in SETTINGS if not label.startswith("wind"))


def _compared(value: object) -> str:
    """A value as it is compared: without letter case and spacing, and without what rounding of units leaves."""
    return f"{value:.6g}" if isinstance(value, (int, float)) else " ".join(str(value or "").casefold().split())
