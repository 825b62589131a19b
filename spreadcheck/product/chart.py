"""A machine's own setting chart, typed once by the technician: bands of size and strength -> speed and width.

Nothing is interpolated. Both ends belong to a band, so a reading on the edge that two rows share lies in both, and so
does one where rows overlap: all of them are shown, and the maker's chart decides. The highest speed that all of them
allow is the safe side. The word `open` in place of an end means that the band has no end there.

A chart file is `spreadcheck setting chart,1`, rows of remarks (label, text), then a header row, a unit row and rows.
"""

from __future__ import annotations

import itertools
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass

from spreadcheck.doubts.doubt import Doubt, Quantity
from spreadcheck.doubts.register import doubt
from spreadcheck.errors import Fault, QuantityError, SheetError, shown
from spreadcheck.sheet.labels import LABELS, Label
from spreadcheck.sheet.titledcells import TitledCells, read_titled
from spreadcheck.sheet.traytest import FormRow, form_row
from spreadcheck.units import KINDS, parse_number, show, to_inside, unit_named, units_of

TITLE = "spreadcheck setting chart"
OPEN = "open"

# column -> the label whose kind and bounds it has; bands of any other label with a number may stand beside them:
# such as "bulk density from" and "bulk density to"
COLUMNS = {
    "SGN from": "size guide number",
    "SGN to": "size guide number",
    "strength from": "crush strength",
    "strength to": "crush strength",
    "highest spinner speed": "spinner speed",
    "expected width": "bout width",
}
_BANDS = {"SGN": "size guide number", "strength": "crush strength"}
Band = tuple[float, float]


@dataclass(frozen=True)
class ChartRow:
    """One row of a chart: a band of SGN, a band of crush strength (N), the speed (rpm) and width (m) printed there."""

    number: int  # row of the file
    size: tuple[float, float]
    strength_n: tuple[float, float]
    highest_speed_rpm: float
    expected_width_m: float
    others: tuple[tuple[str, Band], ...] = ()  # further bands by their label, in the unit used inside

    @property
    def bands(self) -> dict[str, Band]:
        """Every band of the row by its label."""
        return {"size guide number": self.size, "crush strength": self.strength_n, **dict(self.others)}

    def holds(self, readings: Mapping[str, float]) -> bool:
        """Whether the readings lie in all bands, ends included."""
        return all(_within(readings[label], band) for label, band in self.bands.items())


@dataclass(frozen=True)
class Chart:
    """A setting chart: the remarks above it and its rows."""

    source: str
    remarks: tuple[tuple[str, str], ...]
    rows: tuple[ChartRow, ...]


@dataclass(frozen=True)
class ChartAnswer:
    """What a chart says to a pair of readings: its rows that hold them, and `why_none` where there is none."""

    size_guide_number: float
    strength_n: float
    rows: tuple[ChartRow, ...]
    why_none: str
    doubts: tuple[Doubt, ...]
    others: tuple[tuple[str, float], ...] = ()  # further readings that the chart asks for, by label

    @property
    def highest_speed_rpm(self) -> float | None:
        """The highest spinner speed that every row found allows."""
        return min((row.highest_speed_rpm for row in self.rows), default=None)

    def form_rows(self, system: str = "metric") -> tuple[FormRow, ...]:
        """The rows that the form of a tray sheet takes: how fast at most, and how wide it should spread."""
        found = (
            ("highest spinner speed", "turning speed", self.highest_speed_rpm),
            ("expected width", "length", self.expected_width_m),
        )
        return tuple(form_row(label, kind, value, system) for label, kind, value in found if value is not None)

    @property
    def expected_width_m(self) -> float | None:
        """The smallest expected width of the rows found."""
        return min((row.expected_width_m for row in self.rows), default=None)


def read_chart(path: str | os.PathLike[str]) -> Chart:
    """A setting chart from its file.

    Parameters
    ----------
    path : str or path-like
        The file. [-]

    Returns
    -------
    Chart
        The chart. [-, N, rpm, m]

    Raises
    ------
    SheetError
        With every empty or unreadable cell by row and column, a missing column or a unit that is none.

    Examples
    --------
    >>> import pathlib, tempfile; folder = tempfile.TemporaryDirectory()
    >>> file = pathlib.Path(folder.name) / "chart.csv"
    >>> lines = ["spreadcheck setting chart,1", ",".join(COLUMNS), ",,kgf,kgf,rpm,m", "200,250,2,open,700,18"]
    >>> _ = file.write_text("\\n".join(lines))
    >>> read_chart(file).rows[0].size
    (200.0, 250.0)
    >>> folder.cleanup()
    """
    cells = read_titled(path, TITLE)
    at = _header_at(cells)
    columns = _columns(cells, at)
    units = _units(cells, at + 1, columns)
    faults: list[Fault] = []
    rows = [_row(cells, below, columns, units, faults) for below in range(at + 2, len(cells.rows))]
    if not rows:
        faults.append(Fault(cells.source, "the chart has no rows", "write a row for each band of the printed chart"))
    if faults:
        raise SheetError(*faults)
    remarks = tuple((row[0], ", ".join(row[1:])) for row in cells.rows[:at])
    return Chart(cells.source, remarks, tuple(row for row in rows if row is not None))


def _key(cell: str) -> str:
    key = " ".join(cell.casefold().split())
    return key.replace("size guide number", "sgn").replace("crush strength", "strength")


def _stem(column: str) -> str:
    return column.removesuffix(" from").removesuffix(" to")


def _label(column: str) -> Label | None:
    """The label that a column is about; None where no chart has such a column."""
    if column in COLUMNS:
        return LABELS[COLUMNS[column]]
    label = LABELS.get(_stem(column)) if column != _stem(column) else None
    return label if label and (label.kind in KINDS or label.kind == "number") else None


def _header_at(cells: TitledCells) -> int:
    known = {_key(column) for column in COLUMNS}
    for at, row in enumerate(cells.rows):
        if sum(_key(cell) in known for cell in row) >= 2:
            return at
    raise SheetError(Fault(cells.source, "there is no header row", f"write one: {','.join(COLUMNS)}"))


def _columns(cells: TitledCells, at: int) -> dict[str, int]:
    """Where each column stands; an unknown, missing or doubled one is a fault."""
    header = [_key(cell) for cell in cells.rows[at]]
    faults = []
    usual = {_key(column) for column in COLUMNS}
    stems = dict.fromkeys(_stem(key) for key in header if key not in usual and _label(key))
    wanted = [*COLUMNS, *(f"{stem} {end}" for stem in stems for end in ("from", "to"))]
    for column in wanted:
        if header.count(_key(column)) != 1:
            wrong = "is missing" if _key(column) not in header else "is there twice"
            faults.append(Fault(cells.place(at), f'the column "{column}" {wrong}', "give each column once"))
    for cell, key in zip(cells.rows[at], header, strict=True):
        if key not in usual | {"note"} and not _label(key):
            remedy = f'use {", ".join(COLUMNS)}, note, or a pair such as "bulk density from" and "bulk density to"'
            faults.append(Fault(cells.place(at), f'"{shown(cell)}" is not a column of a setting chart', remedy))
    if faults:
        raise SheetError(*faults)
    return {column: header.index(_key(column)) for column in wanted}


def _units(cells: TitledCells, at: int, columns: dict[str, int]) -> dict[str, str]:
    row = cells.rows[at] if at < len(cells.rows) else ()
    faults, units = [], {}
    for column, where in columns.items():
        label = _label(column)
        if label is None or label.kind not in KINDS:
            continue
        kind = label.kind
        written = row[where] if where < len(row) else ""
        unit = unit_named(written, kind) if written else None
        if unit is None:
            wrong = f'"{shown(written)}" is not a unit of {kind}' if written else "the unit is missing"
            place = cells.place(at, column) if row else cells.source
            faults.append(Fault(place, wrong, f"write one of {units_of(kind)} in the row below the header"))
        else:
            units[column] = unit
    if faults:
        raise SheetError(*faults)
    return units


def _row(
    cells: TitledCells, at: int, columns: dict[str, int], units: dict[str, str], faults: list[Fault]
) -> ChartRow | None:
    row = cells.rows[at]
    before = len(faults)
    values: dict[str, float] = {}
    for column, where in columns.items():
        written = row[where] if where < len(row) else ""
        value = _value(written, column, units.get(column), cells.decimal_comma)
        if isinstance(value, Fault):
            faults.append(Fault(cells.place(at, column), value.problem, value.remedy))
        else:
            values[column] = value
    stems = dict.fromkeys(_stem(column) for column in columns if column != _stem(column))
    for low, high in ((f"{stem} from", f"{stem} to") for stem in stems):
        if low in values and high in values and not values[low] < values[high]:
            faults.append(
                Fault(cells.place(at, high), f'the band ends below or at its "{low}"', "swap or correct them")
            )
    if len(faults) > before:
        return None
    bands = {_BANDS.get(stem, stem): (values[f"{stem} from"], values[f"{stem} to"]) for stem in stems}
    size, strength = bands.pop("size guide number"), bands.pop("crush strength")
    speed, width = values["highest spinner speed"], values["expected width"]
    return ChartRow(cells.numbers[at], size, strength, speed, width, tuple(bands.items()))


def _value(written: str, column: str, unit: str | None, decimal_comma: bool) -> float | Fault:
    """A cell in the inside unit, or what is wrong with it."""
    band = column.endswith((" from", " to"))
    if not written:
        remedy = f"copy the number from the printed chart{', or write open for a band without an end' if band else ''}"
        return Fault("", "the cell is empty", remedy)
    if band and written.casefold() == OPEN:
        return 0.0 if column.endswith("from") else math.inf
    label = _label(column)
    assert label is not None  # other columns were refused
    number = parse_number(written, decimal_comma=decimal_comma)
    if number is None:
        return Fault("", f'"{shown(written)}" is not a number', f"write digits only{', or open' if band else ''}")
    value = to_inside(number, unit, label.kind) if unit else number
    low = 0.0 if band else label.low
    if not low <= value <= label.high:
        inside = f" {KINDS[label.kind].inside}" if unit else ""
        return Fault(
            "", f'"{shown(written)}" can\'t be right', f"it must lie between {low:g} and {label.high:g}{inside}"
        )
    return value


def ask_chart(chart: Chart, readings: Mapping[str, float | None], *, half_width_n: float = math.nan) -> ChartAnswer:
    """Look a product up by its readings under their labels, or say which one the chart still needs."""
    asked = chart.rows[0].bands
    found = {label: value for label in asked if (value := readings.get(label)) is not None}
    missing = [label for label in asked if label not in found]
    if missing:
        faults = [
            Fault(chart.source, f"the chart needs {_a(label)}", _HOW[label]) for label in missing if label in _HOW
        ]
        other = [label for label in missing if label not in _HOW]
        faults += [Fault(chart.source, f"no reading says {_a(label)}", "leave its two columns out") for label in other]
        raise QuantityError(*faults)
    return find_settings(
        chart,
        size_guide_number=found.pop("size guide number"),
        strength_n=found.pop("crush strength"),
        strength_half_width_n=half_width_n,
        others=found,
    )


_HOW = {  # label -> how to come by its reading
    "size guide number": "read a sieve: --sieve-box, --sieve-stack or --sgn",
    "crush strength": "crush about ten granules: --crush",
    "bulk density": "weigh a filled container: --density",
    "granule density": "give it: --granule-density",
    "uniformity index": "read a sieve stack: --sieve-stack",
}


def _a(label: str) -> str:
    return f"{'an' if label[0] in 'aeio' else 'a'} {label}"


def find_settings(
    chart: Chart,
    *,
    size_guide_number: float,
    strength_n: float,
    strength_half_width_n: float = math.nan,
    others: Mapping[str, float] | None = None,
) -> ChartAnswer:
    """The rows of a chart that hold a size and a crush strength, and what else the chart has bands of.

    Parameters
    ----------
    chart : Chart
        The chart. [-]
    size_guide_number : float
        SGN. [-]
    strength_n : float
        Crush strength: the mean, or the weakest component's. [N]
    strength_half_width_n : float
        How far the mean strength may be off, if known. [N]
    others : mapping, optional
        A reading for every further band of the chart, by its label. [inside units]

    Returns
    -------
    ChartAnswer
        The rows, or why there is none. [-]

    Examples
    --------
    >>> rows = (ChartRow(4, (200, 250), (20, 40), 700, 18), ChartRow(5, (250, 300), (20, 40), 800, 24))
    >>> chart = Chart("chart.csv", (), rows)
    >>> find_settings(chart, size_guide_number=240, strength_n=30).highest_speed_rpm
    700
    >>> find_settings(chart, size_guide_number=250, strength_n=30).doubts[0].code
    'two-rows-of-the-chart'
    >>> find_settings(chart, size_guide_number=310, strength_n=30).why_none
    'SGN 310 is above every band of size'
    """
    readings = {"size guide number": size_guide_number, "crush strength": strength_n, **(others or {})}
    found = tuple(row for row in chart.rows if row.holds(readings))
    doubts = [_several(found, readings)] if len(found) > 1 else []
    if found:
        doubts += _uncertain(found, strength_n, strength_half_width_n)
    doubts += [_overlap(first, second) for first, second in overlaps(chart)]
    why = "" if found else _why_none(chart, readings)
    return ChartAnswer(size_guide_number, strength_n, found, why, tuple(doubts), tuple((others or {}).items()))


def _why_none(chart: Chart, readings: Mapping[str, float]) -> str:
    for label, value in readings.items():
        where = _outside(value, [row.bands[label] for row in chart.rows])
        if where:
            of = {"size guide number": "size", "crush strength": "strength"}.get(label, label)
            return f"{reading_words(label, value)} is {where} of {of}"
    *first, last = (reading_words(label, value) for label, value in readings.items())
    return f"no row holds {', '.join(first)} together with {last}"


def reading_words(label: str, value: float) -> str:
    """A reading with its label, in both systems of units where it has one."""
    if label == "size guide number":
        return f"SGN {round(value, 1):g}"
    kind = LABELS[label].kind
    return f"{label} {show(value, kind)} ({show(value, kind, 'us')})" if kind in KINDS else f"{label} {value:.4g}"


def _outside(value: float, bands: list[Band]) -> str:
    if any(_within(value, span) for span in bands):
        return ""
    if value < min(low for low, _ in bands):
        return "below every band"
    return "above every band" if value > max(high for _, high in bands) else "in a gap between the bands"


def _within(value: float, band: tuple[float, float]) -> bool:
    """Whether a value lies in a band, ends included; a unit turned there and back may move it by rounding."""
    low, high = band
    return low * (1 - 1e-9) <= value <= high * (1 + 1e-9)


def _several(rows: tuple[ChartRow, ...], readings: Mapping[str, float]) -> Doubt:
    numbers = " and ".join(str(row.number) for row in rows)
    edge = any(_on_edge(readings[label], band) for row in rows for label, band in row.bands.items())
    why = "a reading stands on the edge that they share" if edge else "their bands overlap"
    return doubt("two-rows-of-the-chart", rows=numbers, why=why)


def _overlap(first: int, second: int) -> Doubt:
    return doubt("chart-rows-overlap", first=first, second=second)


def _on_edge(value: float, band: tuple[float, float]) -> bool:
    return any(math.isclose(value, end, rel_tol=1e-9) for end in band)


def _uncertain(rows: tuple[ChartRow, ...], strength_n: float, half_width_n: float) -> list[Doubt]:
    """A mean strength that may really lie below the band it was found in."""
    least = strength_n - half_width_n
    if not any(row.strength_n[0] > least for row in rows):  # NaN, an unknown half-width, is below nothing
        return []
    return [doubt("strength-near-an-edge", least=Quantity(least, "force"))]


def overlaps(chart: Chart) -> tuple[tuple[int, int], ...]:
    """Pairs of rows whose bands overlap by more than a shared edge."""

    def common(first: tuple[float, float], second: tuple[float, float]) -> bool:
        return min(first[1], second[1]) > max(first[0], second[0])

    return tuple(
        (first.number, second.number)
        for first, second in itertools.combinations(chart.rows, 2)
        if all(common(band, second.bands[label]) for label, band in first.bands.items())
    )
