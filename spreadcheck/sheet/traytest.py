"""The data model: one tray test as it was recorded.

Offsets are distances of the tray centres from the driving centre line, right of the travel direction positive.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from enum import IntEnum
from functools import cached_property
from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.errors import Fault, SheetError, record
from spreadcheck.sheet.labels import CUMULATIVE, LABELS, TOGETHER, Value, bin_label, known_label, read_value
from spreadcheck.units import KINDS, parse_quantity, show, shown_unit, split_quantity, to_inside, unit_named

FloatArray: TypeAlias = NDArray[np.float64]

MAX_TRAYS = 10_000
MAX_PASSES = 1_000
MAX_OFFSET_M = 1_000.0
MIN_SPACING_M = 1e-3 - 1e-9  # 1 mm, less what rounding may take from it
MAX_CATCH = 1e7  # g or ml; more than any tray holds
MIN_CATCH = 1e-6  # g or ml; less than the dust of a granule
STANDARD_INPUT = "standard input"  # what a sheet without a file is called in messages
MIRRORED = "one side mirrored, not tested"
COPIED = " mirrored"  # ends the name of a tray that was not laid out
_WORDS = ("form", "tray", "columns", "offset_unit", "note", "tare_unit")  # what makes two tests the same,
_ARRAYS = ("offset", "state", "catch", "tare")  # whatever file they came from
_KIND_OF_UNIT = {unit: kind for kind in ("catch volume", "catch mass") for unit in KINDS[kind].factors}


class CatchState(IntEnum):
    """What a cell of the table says: a weight, a blank (not weighed), x (weighed but thrown out), - (no tray there)."""

    WEIGHED = 0
    NOT_WEIGHED = 1
    THROWN_OUT = 2
    NO_TRAY = 3


@record
class FormRow:
    """One row of the form as a person wrote it: label, value, unit."""

    label: str
    value: str
    unit: str = ""


@record
class CatchColumn:
    """One column of catches: pass number, component of a blend ("" for the whole catch), unit of the cells."""

    pass_no: int
    component: str = ""
    unit: str = "g"

    @property
    def name(self) -> str:
        """The column's name in the header row."""
        number = f"pass {self.pass_no}" if self.pass_no else ""
        return " / ".join(filter(None, (number, self.component)))

    @property
    def kind(self) -> str:
        """The kind of quantity in its cells."""
        return _KIND_OF_UNIT.get(self.unit, "catch mass")


@record(eq=False)
class TrayTest:
    """One tray test, exactly as its sheet holds it. Trays stand in order of offset, from left to right.

    `offset` (n trays) is in `offset_unit`; `catch` (n trays x n columns) is in each column's own unit and NaN
    wherever `state` is not `CatchState.WEIGHED`.
    """

    form: tuple[FormRow, ...]
    tray: tuple[str, ...]
    offset: FloatArray
    columns: tuple[CatchColumn, ...]
    catch: FloatArray
    state: NDArray[np.uint8]
    offset_unit: str = "m"
    note: tuple[str, ...] = ()
    tare: FloatArray | None = None  # of each tray, in `tare_unit`, where the sheet has a column of them
    tare_unit: str = "g"
    mirrored: str = ""  # the side that was not tested and was copied from the other one: "left" or "right"
    source: str = ""  # the file it came from; not part of the test itself

    def __post_init__(self) -> None:
        if not self.note:  # no notes at all and an empty note a tray are the same thing
            object.__setattr__(self, "note", ("",) * len(self.tray))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, TrayTest):
            return NotImplemented
        words = all(getattr(self, name) == getattr(other, name) for name in _WORDS)
        mine, theirs = ([np.asarray(getattr(each, name), float) for name in _ARRAYS] for each in (self, other))
        return words and all(np.array_equal(*pair, equal_nan=True) for pair in zip(mine, theirs, strict=True))

    __hash__ = object.__hash__

    @property
    def blank(self) -> bool:
        """Whether nothing has been weighed or thrown out yet."""
        return bool(np.isin(self.state, (CatchState.NOT_WEIGHED, CatchState.NO_TRAY)).all())

    @cached_property
    def values(self) -> dict[str, Value]:
        """Every known label that has a value, in the units used inside."""
        rows = [(label, row) for row in self.form if (label := known_label(row.label))]
        read = {label.name: read_value(label, row.value, row.unit, place=self.source) for label, row in rows}
        return {name: value for name, value in read.items() if value is not None}

    def quantity(self, label: str) -> float | None:
        """The number behind a label in the inside unit, or None where the form does not give it."""
        value = self.values.get(label)
        return float(value) if isinstance(value, (int, float)) else None

    def text(self, label: str) -> str:
        """The words behind a label, or "" where the form does not give them."""
        value = self.values.get(label)
        return value if isinstance(value, str) else ""

    @cached_property
    def unknown_labels(self) -> tuple[str, ...]:
        """Labels of the form that this package does not know; they are kept as they stand."""
        return tuple(row.label for row in self.form if known_label(row.label) is None)

    @property
    def name(self) -> str:
        """What the test is called: its `test` label, else its file, else "tray test"."""
        return self.text("test") or self.source or "tray test"

    @property
    def file(self) -> str:
        """The file as a command is given it; SHEET where there is none."""
        return "SHEET" if self.source in ("", STANDARD_INPUT) else self.source

    @cached_property
    def tray_width_m(self) -> float:
        """Width of a tray across the travel direction. [m]"""
        return self._required("tray width")

    @cached_property
    def tray_length_m(self) -> float:
        """Length of a tray along the travel direction. [m]"""
        return self._required("tray length")

    @cached_property
    def runs_per_catch(self) -> int:
        """How many runs fell into the trays before they were weighed. [-]"""
        return int(self.quantity("runs per catch") or 1)

    @cached_property
    def kg_ha_per_g(self) -> float:
        """The rate of one run that brings 1 g into a tray by all runs of a catch: 1 g/m2 is 10 kg/ha. [kg/ha]"""
        return 10.0 / (self.runs_per_catch * self.tray_width_m * self.tray_length_m)

    @property
    def reversed_passes(self) -> tuple[int, ...]:
        """The passes that were driven the other way over the tray line."""
        value = self.values.get("reversed passes")
        return value if isinstance(value, tuple) else ()

    @property
    def cumulative(self) -> bool:
        """Whether trays were not emptied between passes, so that each weight holds those before it."""
        return self.text("weighing") == CUMULATIVE

    @cached_property
    def tare_g(self) -> FloatArray | float:
        """Mass of the empty trays that the catches still hold: of each tray, or one for all. [g]"""
        if self.tare is not None:
            return self.tare * KINDS["catch mass"].factors[self.tare_unit]
        return self.quantity("tare") or 0.0

    @cached_property
    def no_tray(self) -> NDArray[np.bool_]:
        """Places of the line where no tray stands, as at the wheels; shape (trays,)."""
        return np.asarray((self.state == CatchState.NO_TRAY).all(axis=1))

    @property
    def bout_width_m(self) -> float | None:
        """The bout width that is driven, if the form gives it. [m]"""
        return self.quantity("bout width")

    @cached_property
    def bins(self) -> tuple[int, ...]:
        """The numbers of the bins that the form tells of; bin 1 has the plain labels."""
        named = {label.bin for row in self.form if row.value.strip() and (label := known_label(row.label))}
        return tuple(sorted(named | {1}))

    @cached_property
    def bins_together(self) -> bool:
        """Whether several bins spread at once, so that a tray catches them all and can't tell them apart."""
        return len(self.bins) > 1 and self.text("bins run") == TOGETHER

    @cached_property
    def target_kg_ha(self) -> float | None:
        """The rate that the trays are held against: the sum of the bins' targets where they run together. [kg/ha]"""
        bins = self.bins if self.bins_together else (1,)
        targets = [self.quantity(bin_label("target rate", number)) for number in bins]
        known = [target for target in targets if target is not None]
        return sum(known) if len(known) == len(bins) else None

    @cached_property
    def offset_m(self) -> FloatArray:
        """Offsets of the tray centres. [m]"""
        factor = KINDS["length"].factors[self.offset_unit]
        return self.offset if factor == 1.0 else self.offset * factor

    @cached_property
    def passes(self) -> tuple[int, ...]:
        """The pass numbers, in order."""
        return tuple(sorted({column.pass_no for column in self.columns}))

    @cached_property
    def components(self) -> tuple[str, ...]:
        """The components of a blend, in the order of the sheet; empty for a single product."""
        return tuple(dict.fromkeys(column.component for column in self.columns if column.component))

    def _required(self, label: str) -> float:
        value = self.quantity(label)
        if value is None:
            raise SheetError(
                Fault(self.source, f'"{label}" is missing from the form', f"add a row such as {label}, 0.5, m")
            )
        return value


def column_kind(unit: str) -> tuple[str, str] | None:
    """The kind of quantity a catch column's unit stands for, and the unit as this package writes it."""
    names = {kind: unit_named(unit, kind) for kind in ("catch mass", "catch volume")}
    return next(((kind, name) for kind, name in names.items() if name), None)


def can_be_caught(catch: FloatArray, unit: str) -> NDArray[np.bool_]:
    """Which figures can be catches: 0, or more than dust and less than any tray holds."""
    inside = catch * to_inside(1.0, unit, CatchColumn(1, unit=unit).kind)
    return np.asarray((catch == 0) | ((inside >= MIN_CATCH) & (inside <= MAX_CATCH)))


def catch_g(test: TrayTest, *, relative: bool = False) -> FloatArray:
    """The net catches of a test in grams: tare taken off, cumulative weights told apart, ml turned to g.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    relative : bool
        Take 1 ml for 1 g where no bulk density is given: enough for CV and widths, not for rates. [-]

    Returns
    -------
    ndarray, shape (trays, columns)
        Catches; NaN where not weighed or thrown out. [g]

    Raises
    ------
    SheetError
        If catches are in ml, the form gives no bulk density and rates are asked for.

    Examples
    --------
    >>> test = tray_test([-1, 0, 1], [[5], [10], [5]], tray_width="0.5 m", tray_length="0.5 m", unit="ml",
    ...                  form={"bulk density": "0.8 kg/L"})
    >>> catch_g(test).ravel()
    array([4., 8., 4.])
    """
    masses = np.array([column.kind == "catch mass" for column in test.columns])
    factors = np.array([to_inside(1.0, column.unit, column.kind) for column in test.columns])
    if not (relative or rates_known(test)):
        problem = 'the catches are in ml and the form has no "bulk density"'
        remedy = "add a row such as bulk density, 0.78, kg/L, or ask for relative figures only (--relative)"
        raise SheetError(Fault(test.source, problem, remedy))
    factors[~masses] *= (test.quantity("bulk density") or 1000.0) / 1000.0
    catch = test.catch if (factors == 1.0).all() else test.catch * factors
    if not test.cumulative and not np.any(test.tare_g):
        return catch
    net = catch - np.reshape(test.tare_g, (-1, 1)) * masses
    for component in {column.component for column in test.columns} if test.cumulative else ():
        of_it = [at for at, column in enumerate(test.columns) if column.component == component]
        of_it.sort(key=lambda at: test.columns[at].pass_no)
        net[:, of_it[1:]] = np.diff(net[:, of_it], axis=1)
    return np.asarray(np.maximum(net, 0.0))  # a weight a little under the tare is an empty tray


def rates_known(test: TrayTest) -> bool:
    """Whether the catches can be turned to rates: all are masses, or the form gives a bulk density."""
    return test.quantity("bulk density") is not None or all(column.kind == "catch mass" for column in test.columns)


def tray_test(
    offset_m: ArrayLike,
    catch: ArrayLike,
    *,
    tray_width: str,
    tray_length: str,
    unit: str = "g",
    form: Mapping[str, str] | None = None,
    tray: Sequence[str] | None = None,
) -> TrayTest:
    """A tray test from plain arrays, for those who have their catches in Python already.

    Parameters
    ----------
    offset_m : array_like, shape (trays,)
        Offsets of the tray centres, in any order. [m]
    catch : array_like, shape (trays,) or (trays, passes)
        Catches; NaN where a tray was not weighed. [unit]
    tray_width, tray_length : str
        Size of a tray across and along the travel, with the unit, such as "0.5 m". [-]
    unit : str
        Unit of the catches: a mass or a volume. [-]
    form : mapping of str to str, optional
        Further labels and their values, such as {"bout width": "24 m", "driving": "back-and-forth"}. [-]
    tray : sequence of str, optional
        Names of the trays; L3, C, R3 and so on if not given. [-]

    Returns
    -------
    TrayTest
        The test, trays in order of offset. [-]

    Raises
    ------
    SheetError
        If shapes don't match, a catch is negative or infinite, or two trays stand at one offset.

    Examples
    --------
    >>> test = tray_test([1, 0, -1], [4, 8, 6], tray_width="0.5 m", tray_length="0.5 m")
    >>> test.tray, test.catch.ravel(), test.passes
    (('L1', 'C', 'R1'), array([6., 8., 4.]), (1,))
    """
    offset, caught = np.array(offset_m, dtype=float), np.array(catch, dtype=float)
    caught = caught.reshape(-1, 1) if caught.ndim == 1 else caught
    names = _tray_names(offset) if tray is None and offset.ndim == 1 else [name.strip() for name in tray or ()]
    unit = _check_arrays(offset, caught, names, unit)
    order = np.argsort(offset, kind="stable")
    labels = {"tray width": tray_width, "tray length": tray_length} | dict(form or {})
    caught = np.ascontiguousarray(caught[order])
    test = TrayTest(
        form=tuple(_form_row(label, value) for label, value in labels.items()),
        tray=tuple(names[i] for i in order),
        offset=offset[order],
        columns=tuple(CatchColumn(number + 1, unit=unit) for number in range(caught.shape[1])),
        catch=caught,
        state=np.where(np.isnan(caught), CatchState.NOT_WEIGHED, CatchState.WEIGHED).astype(np.uint8),
    )
    _ = test.values, test.tray_width_m, test.tray_length_m  # a value that can't be read is said now
    return test


def with_labels(test: TrayTest, labels: Mapping[str, str], *, place: str = "{}") -> TrayTest:
    """A test with some labels of its form set anew, for facts that a person gives beside the sheet."""
    rows = [_form_row(label, text) for label, text in labels.items()]
    for row, text in zip(rows, labels.values(), strict=True):
        label, where = LABELS[row.label], place.format(row.label.replace(" ", "-"))
        if label.kind in KINDS:
            parse_quantity(text, label.kind, place=where)
        read_value(label, row.value, row.unit, place=where)
    return replace(
        test, form=(*[row for row in test.form if known_label(row.label) not in map(LABELS.get, labels)], *rows)
    )


def both_sides(test: TrayTest) -> TrayTest:
    """The test with its longer side mirrored onto the other one; every output of it says so in its name.

    Trays of the shorter side are left out, one on the driving line stays. The pattern is then the same left and right,
    so back-and-forth and round-and-round give the same answers.

    Parameters
    ----------
    test : TrayTest
        The test; it is not changed. [-]

    Returns
    -------
    TrayTest
        The test as both sides would be. [-]

    Examples
    --------
    >>> half = tray_test([0, 1, 2], [9, 8, 3], tray_width="0.5 m", tray_length="0.5 m", form={"test": "Half"})
    >>> whole = both_sides(half)
    >>> whole.name, whole.offset, whole.catch.ravel()
    ('Half (one side mirrored, not tested)', array([-2., -1.,  0.,  1.,  2.]), array([3., 8., 9., 8., 3.]))
    """
    side = 1.0 if test.offset_m[-1] >= -test.offset_m[0] else -1.0
    middle = np.abs(test.offset_m) < MIN_SPACING_M
    there = np.flatnonzero(side * test.offset_m >= MIN_SPACING_M)
    rows = np.concatenate((there, np.flatnonzero(middle), there))  # the copies, the line, the side that was tested
    offset = np.where(middle[rows], 0, test.offset[rows]) * np.where(np.arange(len(rows)) < len(there), -1, 1)
    order = np.argsort(offset, kind="stable")
    names = [test.tray[row] + (COPIED if at < len(there) else "") for at, row in enumerate(rows)]
    form = [row for row in test.form if row.label.strip().casefold() not in ("test", "reversed passes")]
    rows = rows[order]
    return replace(
        test,
        form=(FormRow("test", f"{test.name} ({MIRRORED})"), *form),
        tray=tuple(names[at] for at in order),
        offset=offset[order],
        catch=np.ascontiguousarray(test.catch[rows]),
        state=np.ascontiguousarray(test.state[rows]),
        note=tuple(test.note[row] for row in rows),
        tare=None if test.tare is None else test.tare[rows],
        mirrored="left" if side > 0 else "right",
    )


def rising(values: ArrayLike) -> FloatArray:
    """Numbers in rising order, each once; numpy's own `unique` would load its masked arrays for it."""
    ordered = np.sort(np.asarray(values, dtype=float), axis=None)
    return ordered[np.append(True, ordered[1:] != ordered[:-1])] if len(ordered) else ordered


def form_row(label: str, kind: str, value: float, system: str = "metric") -> FormRow:
    """A row with a quantity in the units shown, rounded as it is shown."""
    return FormRow(label, show(value, kind, system, unit=False), shown_unit(kind, system))


def _form_row(label: str, text: str) -> FormRow:
    """Split "24 m" into value and unit where the label takes a unit."""
    known = LABELS.get(label)
    if known is None or known.kind not in KINDS:
        return FormRow(label, text)
    return FormRow(label, *split_quantity(text))


def _tray_names(offset: FloatArray) -> list[str]:
    """L2, L1, C, R1, R2 by side and order from the centre line."""
    names = ["C"] * len(offset)
    for side, sign in (("L", -1), ("R", 1)):
        out = [i for i in np.argsort(np.abs(offset), kind="stable") if sign * offset[i] > 0]
        for number, i in enumerate(out, start=1):
            names[i] = f"{side}{number}"
    return names


def _check_arrays(offset: FloatArray, caught: FloatArray, names: Sequence[str], unit: str) -> str:
    """Refuse what no sheet could hold; returns the unit of the catches as this package writes it."""
    if offset.ndim != 1 or caught.ndim != 2 or len(offset) != len(caught) or len(names) != len(offset):
        problem = f"{offset.shape} offsets, {caught.shape} catches and {len(names)} tray names don't match"
        raise SheetError(Fault("", problem, "give one offset and one row of catches a tray"))
    kind = column_kind(unit)
    if kind is None:
        raise SheetError(Fault("", f'"{unit}" is not a unit of catches', "use g or ml"))
    told = []
    if not np.isfinite(offset).all() or (np.abs(offset) > MAX_OFFSET_M).any():
        told.append(("an offset is not a finite number of metres", f"keep within {MAX_OFFSET_M:g} m"))
    elif (np.diff(np.sort(offset)) < MIN_SPACING_M).any():
        told.append(("two trays stand at the same offset", "give every tray an offset of its own"))
    elif len(set(names)) < len(names) or "" in names:
        told.append(("a tray has no name, or two have the same", "give every tray a name of its own"))
    bad = caught[~np.isnan(caught) & ~can_be_caught(caught, kind[1])]
    if len(bad):
        told.append((f"a catch is {bad[0]:g}", f"catches are 0 or from {MIN_CATCH:g} to {MAX_CATCH:g} g or ml"))
    if told:
        raise SheetError(*(Fault("", *each) for each in told))
    return kind[1]
