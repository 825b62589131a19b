"""A machine's own setting chart, typed once: bands of what was read of a product -> highest speed, expected width."""

from __future__ import annotations

import itertools
import math
import os
from collections.abc import Mapping

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, QuantityError, SheetError, collected, read_all, record, shown
from spreadcheck.sheet.cells import SheetCells, read_titled
from spreadcheck.sheet.labels import LABELS, Label
from spreadcheck.sheet.plausible import BOUNDS, check
from spreadcheck.sheet.traytest import FormRow, form_row
from spreadcheck.units import KINDS, parse_number, show, to_inside, unit_named, units_of

ANSWERS = ("highest spinner speed", "expected width")  # the columns that say what to set
_SHORT = {"size guide number": "SGN", "crush strength": "strength"}
_SUCH_AS = "SGN from,SGN to,strength from,strength to,highest spinner speed,expected width"
_SMALLEST = 0.2  # of a product's bounds: a band may begin below all products
Band = tuple[float, float]
Column = tuple[str, str]  # its label, and "from" or "to" where it is the end of a band


@record
class ChartRow:
    """One row of a chart: its bands by their label, in the unit used inside, and the speed and width printed there."""

    number: int  # row of the file
    bands: Mapping[str, Band]
    highest_speed_rpm: float
    expected_width_m: float


@record
class Chart:
    """A setting chart: the remarks above it and its rows."""

    source: str
    remarks: tuple[tuple[str, str], ...]
    rows: tuple[ChartRow, ...]


@record
class ChartAnswer:
    """What a chart says to readings by their label: its rows that hold them, and `why_none` where there is none."""

    chart: Chart
    readings: Mapping[str, float]
    rows: tuple[ChartRow, ...]
    highest_speed_rpm: float | None  # that every row found allows
    expected_width_m: float | None  # the smallest of the rows found
    why_none: str
    doubts: tuple[Doubt, ...]

    def form_rows(self, system: str = "metric") -> tuple[FormRow, ...]:
        """The rows that the form of a tray sheet takes: how fast at most, and how wide it should spread."""
        speed, width = self.highest_speed_rpm, self.expected_width_m
        if speed is None or width is None:
            return ()
        return form_row(ANSWERS[0], "turning speed", speed, system), form_row(ANSWERS[1], "length", width, system)


def read_chart(path: str | os.PathLike[str]) -> Chart:
    """A setting chart from its file: `spreadcheck setting chart,1`, rows of remarks, a header, a unit row and rows.

    The word `open` in place of an end means that the band has no end there.

    Parameters
    ----------
    path : str or path-like
        The file. [-]

    Returns
    -------
    Chart
        The chart. [inside units]

    Raises
    ------
    SheetError
        With every empty or unreadable cell by row and column, a missing column or a unit that is none.

    Examples
    --------
    >>> row = read_chart("sample_trays/example_setting_chart.csv").rows[0]
    >>> row.bands["size guide number"], row.highest_speed_rpm
    ((200.0, 250.0), 550.0)
    """
    cells = read_titled(path, "spreadcheck setting chart")
    at = next(
        (at for at, row in enumerate(cells.rows) if sum(_label(_key(cell)) is not None for cell in row) > 1), None
    )
    if at is None:
        raise SheetError(Fault(cells.source, "there is no header row", f"write one: {_SUCH_AS}"))
    columns = _columns(cells, at)
    units = dict(read_all(columns, lambda column: (column, _unit(cells, at + 1, column, columns[column])), SheetError))
    below = range(at + 2, len(cells.rows))
    if not below:
        raise SheetError(Fault(cells.source, "the chart has no rows", "write a row for each band of the printed chart"))
    rows = read_all(below, lambda at: _row(cells, at, columns, units), SheetError)
    remarks = tuple((row[0], ", ".join(row[1:])) for row in cells.rows[:at])
    return Chart(cells.source, remarks, rows)


def _key(cell: str) -> tuple[str, str]:
    """A column by its label and, where it is the end of a band, "from" or "to"."""
    stem, _, end = " ".join(cell.casefold().split()).rpartition(" ")
    if end not in ("from", "to"):
        stem, end = f"{stem} {end}".strip(), ""
    return next((label for label, short in _SHORT.items() if stem == short.casefold()), stem), end


def _named(column: Column) -> str:
    """A column as its header has it."""
    return " ".join(filter(None, (_SHORT.get(column[0], column[0]), column[1])))


def _label(column: Column) -> Label | None:
    """The label that a column is about; None where no chart has such a column."""
    label = LABELS.get(column[0])
    numeric = label is not None and (label.kind in KINDS or label.kind == "number")
    return label if numeric and (column[1] or column[0] in ANSWERS) else None


def _columns(cells: SheetCells, at: int) -> dict[Column, int]:
    """Where each column stands; an unknown, missing or doubled one is a fault."""
    header = [_key(cell) for cell in cells.rows[at]]
    stems = dict.fromkeys(stem for stem, end in header if end and _label((stem, end)))
    wanted = [*((stem, end) for stem in stems for end in ("from", "to")), *((answer, "") for answer in ANSWERS)]
    faults = []
    for column in wanted:
        if header.count(column) != 1:
            wrong = "is missing" if column not in header else "is there twice"
            faults.append(Fault(cells.place(at), f'the column "{_named(column)}" {wrong}', "give each column once"))
    use = f'use {_SUCH_AS}, note, or a pair such as "bulk density from" and "bulk density to"'
    for cell, column in zip(cells.rows[at], header, strict=True):
        if column[0] != "note" and not _label(column):
            faults.append(Fault(cells.place(at), f'"{shown(cell)}" is not a column of a setting chart', use))
    if not stems:
        faults.append(Fault(cells.place(at), "no column is a band", f"write some: {_SUCH_AS}"))
    if faults:
        raise SheetError(*faults)
    return {column: header.index(column) for column in wanted}


def _unit(cells: SheetCells, at: int, column: Column, where: int) -> str:
    """The unit of a column as the row below the header has it; "" for a plain number."""
    kind, row = LABELS[column[0]].kind, cells.rows[at] if at < len(cells.rows) else ()
    if kind not in KINDS:
        return ""
    written = row[where] if where < len(row) else ""
    unit = unit_named(written, kind)
    if unit is None:
        wrong = f'"{shown(written)}" is not a unit of {kind}' if written else "the unit is missing"
        place = cells.place(at, _named(column)) if row else cells.source
        raise SheetError(Fault(place, wrong, f"write one of {units_of(kind)} in the row below the header"))
    return unit


def _row(cells: SheetCells, at: int, columns: dict[Column, int], units: dict[Column, str]) -> ChartRow:
    """One row of a chart; all of its faults are told at once."""
    row, values = cells.rows[at], dict[Column, float]()
    faults: list[Fault] = []
    for column, where in columns.items():
        written, place = row[where] if where < len(row) else "", cells.place(at, _named(column))
        with collected(faults):
            values[column] = _value(written, column, units[column], cells.decimal_comma, place)
    bands = {}
    for stem in dict.fromkeys(stem for stem, end in columns if end):
        low, high = (values.get((stem, end), math.nan) for end in ("from", "to"))
        bands[stem] = (low, high)
        if low >= high:
            problem = f'the band ends below or at its "{_named((stem, "from"))}"'
            faults.append(Fault(cells.place(at, _named((stem, "to"))), problem, "swap or correct them"))
    if faults:
        raise SheetError(*faults)
    return ChartRow(cells.numbers[at], bands, *(values[answer, ""] for answer in ANSWERS))


def _value(written: str, column: Column, unit: str, decimal_comma: bool, place: str) -> float:
    """A cell in the inside unit; one that can't be is said with the likely slip."""
    label, end = LABELS[column[0]], column[1]
    if not written:
        remedy = f"copy the number from the printed chart{', or write open for a band without an end' if end else ''}"
        raise QuantityError(Fault(place, "the cell is empty", remedy))
    if end and written.casefold() == "open":
        return 0.0 if end == "from" else math.inf
    number = parse_number(written, decimal_comma=decimal_comma)
    if number is None:
        remedy = f"write digits only{', or open' if end else ''}"
        raise QuantityError(Fault(place, f'"{shown(written)}" is not a number', remedy))
    if end and number == 0:
        return 0.0
    if label.name in BOUNDS:
        return check(label.name, number, unit, place=place, low=_SMALLEST * label.low if end else None)
    value = to_inside(number, unit, label.kind) if unit else number
    if not label.low <= value <= label.high:
        remedy = f"it must lie between {label.low:g} and {label.high:g} {KINDS[label.kind].inside if unit else ''}"
        raise QuantityError(Fault(place, f'"{shown(written)}" can\'t be right', remedy.rstrip()))
    return value


_HOW = {  # label -> how to come by its reading
    "size guide number": "read a sieve: --sieve-box, --sieve-stack or --sgn",
    "crush strength": "crush about ten granules: --crush",
    "bulk density": "weigh a filled container: --density",
    "granule density": "give it: --granule-density",
    "uniformity index": "read a sieve stack: --sieve-stack",
}


def find_settings(
    chart: Chart, readings: Mapping[str, float | None], *, strength_half_width_n: float = math.nan
) -> ChartAnswer:
    """The rows of a chart that hold a product's readings, ends included, all of them where rows meet or overlap.

    Parameters
    ----------
    chart : Chart
        The chart. [-]
    readings : mapping
        What was read of the product by the labels of the form; the chart's bands alone count. [inside units]
    strength_half_width_n : float
        How far the mean strength may be off, if known. [N]

    Returns
    -------
    ChartAnswer
        The rows, or why there is none. [-]

    Raises
    ------
    QuantityError
        If the chart has bands of something that was not read.

    Examples
    --------
    >>> def row(number, sizes, speed): return ChartRow(number, {"size guide number": sizes}, speed, 18)
    >>> chart = Chart("chart.csv", (), (row(4, (200, 250), 700), row(5, (250, 300), 800)))
    >>> find_settings(chart, {"size guide number": 240}).highest_speed_rpm
    700
    >>> find_settings(chart, {"size guide number": 250}).doubts[0].code
    'two-rows-of-the-chart'
    >>> find_settings(chart, {"size guide number": 310}).why_none
    'SGN 310 is above every band of size'
    """
    bands = chart.rows[0].bands
    found = {label: value for label in bands if (value := readings.get(label)) is not None}
    missing = [label for label in bands if label not in found]
    if missing:
        needed = [f"the chart needs {'an' if label[0] in 'aeio' else 'a'} {label}" for label in missing]
        remedies = [_HOW.get(label, "leave its two columns out") for label in missing]
        raise QuantityError(*(Fault(chart.source, *each) for each in zip(needed, remedies, strict=True)))
    rows = tuple(row for row in chart.rows if all(_within(found[label], band) for label, band in row.bands.items()))
    doubts = []
    if len(rows) > 1:
        ends = [(found[label], end) for row in rows for label, band in row.bands.items() for end in band]
        edge = any(math.isclose(value, end, rel_tol=1e-9) for value, end in ends)
        why = "a reading stands on the edge that they share" if edge else "their bands overlap"
        doubts.append(doubt("two-rows-of-the-chart", rows=" and ".join(str(row.number) for row in rows), why=why))
    least = found.get("crush strength", math.inf) - strength_half_width_n
    if any(row.bands["crush strength"][0] > least for row in rows if "crush strength" in bands):
        doubts.append(doubt("strength-near-an-edge", least=Quantity(least, "force")))
    for one, other in itertools.combinations(chart.rows, 2):  # by more than a shared edge
        if all(min(end, other.bands[x][1]) > max(start, other.bands[x][0]) for x, (start, end) in one.bands.items()):
            doubts.append(doubt("chart-rows-overlap", first=one.number, second=other.number))
    speed = min((row.highest_speed_rpm for row in rows), default=None)
    width = min((row.expected_width_m for row in rows), default=None)
    return ChartAnswer(chart, found, rows, speed, width, "" if rows else _why_none(chart, found), tuple(doubts))


def _why_none(chart: Chart, readings: Mapping[str, float]) -> str:
    for label, value in readings.items():
        bands = [row.bands[label] for row in chart.rows]
        if not any(_within(value, band) for band in bands):
            below, above = value < min(low for low, _ in bands), value > max(high for _, high in bands)
            where = "below every band" if below else "above every band" if above else "in a gap between the bands"
            plain = _SHORT.get(label, label).replace("SGN", "size")
            return f"{reading_words(label, value, 'metric', 'us')} is {where} of {plain}"
    *first, last = (reading_words(label, value, "metric", "us") for label, value in readings.items())
    return f"no row holds {', '.join(first)} together with {last}"


def reading_words(label: str, value: float, *systems: str) -> str:
    """A reading with its label, in one or both systems of units where it has one."""
    if LABELS[label].kind not in KINDS:
        return f"{_SHORT.get(label, label)} {value:.4g}"
    first, *more = (show(value, LABELS[label].kind, system) for system in systems)
    return f"{label} {first}{''.join(f' ({other})' for other in more)}"


def _within(value: float, band: Band) -> bool:
    """Whether a value lies in a band, ends included; a unit turned there and back may move it by rounding."""
    low, high = band
    return low * (1 - 1e-9) <= value <= high * (1 + 1e-9)
