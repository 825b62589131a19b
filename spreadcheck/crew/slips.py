"""Which typed weights are asked for again: the slips of tongue, ear and finger that ruin a test.

The factor of ten is the slip itself: a decimal mark left out or put in wrongly moves a weight by ten. Which trays are
compared, and below how many steps of the scale a comparison says nothing, has no published source: it is this
package's own choice, made so that the edges of a pattern are not asked about.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

import numpy as np

from spreadcheck.crew.recording import Entry
from spreadcheck.sheet.traytest import MAX_CATCH, MIN_CATCH, CatchState, TrayTest, column_kind
from spreadcheck.units import from_inside

SLIP = 10.0  # times larger or smaller
NEAR = 2  # trays to either side in which a neighbour is looked for
USUAL_STEP = 0.1  # g or ml: taken where the form does not say what the scale shows
STEPS = 5  # a catch of fewer steps of the scale is too small to be compared

Reference = tuple[str, float]  # what a weight is compared with: its name, its catch


def refusal_of(number: float, unit: str) -> str:
    """Why a weight can't stand in a sheet, however much one insists; "" for one that can."""
    shown = f"{number:.10g} {unit}"
    if number < 0:
        return (
            f"{shown} is less than nothing: the scale has drifted or was tared with something on it. "
            "Tare it again and weigh again; type 0 if nothing fell in"
        )
    if number > MAX_CATCH:
        return f"{shown} is more than any tray holds (a sheet takes up to {MAX_CATCH:g} {unit}); read the scale again"
    if 0 < number < MIN_CATCH:
        return f"{shown} is less than the dust of a granule; type 0 if nothing fell in"
    return ""


def doubts_of(test: TrayTest, tray: int, column: int, entry: Entry) -> tuple[str, ...]:
    """Why a weight may be a slip; empty where nothing speaks against it."""
    own = test.columns[column]
    neighbours = _neighbours(test, tray, column)
    others: list[Reference] = [  # the same tray's catches of the same product in the other passes
        (other.name, float(test.catch[tray, at]))
        for at, other in enumerate(test.columns)
        if at != column
        and (other.component, other.unit) == (own.component, own.unit)
        and test.state[tray, at] == CatchState.WEIGHED
    ]
    floor = STEPS * _step(test, column, entry, [*neighbours, *others])
    unit = own.unit
    beside = "its neighbours" if len(neighbours) > 1 else "its neighbour"
    if others:  # where another pass has the like weight, a steep edge of the pattern is no slip
        slip = _slip(entry, unit, others, floor, "the same tray in the other passes")
        if slip and neighbours and max(catch for _, catch in others) < floor:  # they caught next to nothing: too little
            slip = _slip(entry, unit, neighbours, floor, beside)
    elif neighbours:
        slip = _slip(entry, unit, neighbours, floor, beside)
    else:
        slip = _over_target(test, column, entry)
    step, fine, comma = _resolution(test, column), "", ""
    if step is not None and Decimal(entry.written) % step != 0:
        fine = f"{entry.written} {unit} is not a reading of a scale that shows steps of {step} {unit}"
    if entry.thousands and (step is None or step > Decimal("0.001")):  # "1,234": decimals, or a thousand and more
        comma = f"the comma is taken as a decimal mark, {entry.written} {unit}; leave it out to mean thousands"
    return tuple(doubt for doubt in (slip, fine, comma) if doubt)


def _neighbours(test: TrayTest, tray: int, column: int) -> list[Reference]:
    """The nearest weighed tray on either side in the same pass."""
    found = []
    for way in (-1, 1):
        for step in range(1, NEAR + 1):
            at = tray + way * step
            if 0 <= at < len(test.tray) and test.state[at, column] == CatchState.WEIGHED:
                found.append((test.tray[at], float(test.catch[at, column])))
                break
    return found


def _slip(entry: Entry, unit: str, references: Sequence[Reference], floor: float, word: str) -> str:
    """The doubt if a weight is ten times, or a tenth of, every catch it is compared with."""
    if not references:
        return ""
    catches = np.maximum([catch for _, catch in references], floor)
    number = max(entry.number, floor)
    close = 1 + 1e-9  # ten times 1.1 is 11, whatever the last bit says
    if number * close >= SLIP * catches.max():
        how = f"at least ten times {word}"
    elif number * SLIP <= catches.min() * close:
        how = f"at most a tenth of {word}"
    else:
        return ""
    shown = ", ".join(f"{name} {catch:.10g} {unit}" for name, catch in references[:4])
    return f"{entry.written} {unit} is {how}: {shown}{' and others' if len(references) > 4 else ''}"


def _over_target(test: TrayTest, column: int, entry: Entry) -> str:
    """The doubt if the first weight of a line is ten times what the target rate would bring into a tray."""
    target = test.target_kg_ha
    kind, unit = column_kind(test.columns[column].unit) or ("catch mass", "g")
    if target is None or kind != "catch mass":
        return ""
    expected_g = target * test.tray_width_m * test.tray_length_m / 10.0 * test.runs_per_catch
    expected = from_inside(expected_g, unit, kind)
    if entry.number < SLIP * expected:
        return ""
    return (
        f"{entry.written} {unit} is at least ten times what the target rate brings into a tray, {expected:.3g} {unit}"
    )


def _resolution(test: TrayTest, column: int) -> Decimal | None:
    """The scale's step in the unit of a column, where the form gives it."""
    grams = test.quantity("scale resolution")
    kind, unit = column_kind(test.columns[column].unit) or ("catch mass", "g")
    if grams is None or kind != "catch mass":
        return None
    return Decimal(f"{from_inside(grams, unit, kind):.9g}")


def _step(test: TrayTest, column: int, entry: Entry, references: Sequence[Reference]) -> float:
    """The scale's step: that of the form, or the finest that the weights themselves show, but no finer than usual."""
    resolution = _resolution(test, column)
    if resolution is not None:
        return float(resolution)
    shown = [entry.written, *(np.format_float_positional(catch, trim="-") for _, catch in references)]
    kind, unit = column_kind(test.columns[column].unit) or ("catch mass", "g")
    return max(float(10.0 ** -max(len(text.partition(".")[2]) for text in shown)), from_inside(USUAL_STEP, unit, kind))
