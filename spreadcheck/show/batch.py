"""A batch of tests: its summary as CSV, as Parquet and as data, what is said at its end, and the trend over dates."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from spreadcheck.errors import Fault, MissingExtraError, visible
from spreadcheck.judge.batch import COLUMNS, SheetResult
from spreadcheck.sheet.labels import BACK_AND_FORTH, ROUND_AND_ROUND
from spreadcheck.show.data import csv_line, envelope
from spreadcheck.show.plots import line_style, plain, plain_style
from spreadcheck.units import from_inside, shown_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure


@dataclass
class Summary:
    """A growing summary. `keep_rows` keeps the rows themselves too, for JSON and pictures."""

    keep_rows: bool = False
    lines: list[str] = field(default_factory=lambda: [csv_line(COLUMNS)])
    rows: list[dict[str, Any]] = field(default_factory=list)
    bad: list[SheetResult] = field(default_factory=list)
    blocked: str = ""  # the first sheet that can't be judged
    alike: tuple[str, ...] = ()  # the first two tests of one machine, by their dates
    machines: dict[str, tuple[str, str]] = field(default_factory=dict)  # date and file of the first test of each

    def add(self, result: SheetResult) -> None:
        """Take in what became of one sheet."""
        if result.row is None:
            self.bad.append(result)
            return
        row, file = result.row, result.file or result.sheet
        self.blocked = self.blocked or (file if row["blocking"] else "")
        dated = row["date"], file
        first = self.machines.setdefault(row["machine"], dated) if row["machine"] else dated
        if not self.alike and first[1] != file:
            self.alike = tuple(name for _, name in sorted((first, dated)))
        self.lines.append(csv_line(result.row[column] for column in COLUMNS))
        if self.keep_rows:
            self.rows.append(result.row)

    def csv_text(self) -> str:
        """All rows as CSV, in the order they came."""
        return "".join(self.lines)

    def parquet_bytes(self) -> bytes:
        """All rows as Parquet, through pandas; needs the extra `parquet`."""
        check_parquet()
        import pandas as pd

        target = io.BytesIO()
        seen = [{key: visible(v) if isinstance(v, str) else v for key, v in row.items()} for row in self.rows]
        pd.DataFrame.from_records(seen, columns=list(COLUMNS)).to_parquet(target, index=False)
        return target.getvalue()

    def json_data(self) -> dict[str, Any]:
        """All rows and all faults as plain data."""
        bad = [{"sheet": result.sheet, "faults": list(result.faults)} for result in self.bad]
        return envelope("batch/1", self.rows, bad=bad)


def check_parquet() -> None:
    """Say early that Parquet can't be written here."""
    from importlib.util import find_spec

    if find_spec("pyarrow") is None:
        remedy = "install it with: pip install 'spreadcheck[parquet]', or write .csv"
        raise MissingExtraError(Fault("Parquet", "the library pyarrow is not installed", remedy))


def following(summary: Summary, folder: str) -> tuple[str, ...]:
    """The command to go on with: a sheet that blocks, else two tests of one machine; none where there is neither."""
    if summary.blocked:
        return "analyse", os.path.join(folder, summary.blocked), "--doubts"
    return ("compare", *(os.path.join(folder, file) for file in summary.alike)) if summary.alike else ()


def closing_words(summary: Summary, others: tuple[str, ...]) -> str:
    """What is said at the end of a batch."""
    good, bad = len(summary.lines) - 1, len(summary.bad)
    words = [f"{good} sheet{'' if good == 1 else 's'} summarised"]
    if bad:
        words.append(f"{bad} can't be used")
    if others:
        shown = others[0] + (", ..." if len(others) > 1 else "")
        words.append(f"{len(others)} other file{'' if len(others) == 1 else 's'} passed over ({shown})")
    return "\n".join([", ".join(words), *(fault for result in summary.bad for fault in result.faults)])


_NAMED = 12  # machines in the legend


@plain_style()
def trend_figure(rows: Iterable[Mapping[str, Any]], system: str = "metric") -> Figure:
    """Effective width by machine over dates, for tests that say their date.

    The width is that of the driving method on the sheet, else the smaller one of both.
    """
    from datetime import date

    from matplotlib.figure import Figure

    unit = shown_unit("length", system)
    series: dict[str, list[tuple[date, float]]] = {}
    for row in rows:
        width = _width(row)
        if row["date"] and width is not None:
            point = (date.fromisoformat(row["date"]), from_inside(width, unit, "length"))
            series.setdefault(row["machine"] or "machine not named", []).append(point)
    figure = Figure(figsize=(9, 5.5), layout="constrained")
    axes = figure.subplots()
    for number, (machine, points) in enumerate(sorted(series.items())):
        days, widths = zip(*sorted(points), strict=True)
        label = plain(machine) if number < _NAMED else f"_{number}"
        axes.plot(days, widths, ms=5, label=label, **line_style(number, marks=True))
    count = sum(len(points) for points in series.values())
    axes.set(
        title=f"Effective width over time ({count} dated test{'' if count == 1 else 's'})",
        xlabel="Date of the test",
        ylabel=f"Effective width ({unit})",
    )
    axes.set_ylim(bottom=0)
    axes.tick_params(axis="x", rotation=30)
    if series:
        axes.legend(loc="lower left")
    return figure


def _width(row: Mapping[str, Any]) -> float | None:
    both = {
        BACK_AND_FORTH: row["effective_width_back_and_forth_m"],
        ROUND_AND_ROUND: row["effective_width_round_and_round_m"],
    }
    if row["driving"]:
        width: float | None = both[row["driving"]]
        return width
    known = [width for width in both.values() if width is not None]
    return min(known) if len(known) == len(both) else None
