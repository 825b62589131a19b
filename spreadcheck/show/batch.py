"""A batch of tests: its table, its summary as CSV, Parquet and data, what is said at its end, the trend over dates."""

from __future__ import annotations

import io
import os
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from spreadcheck.errors import Fault, MissingExtraError, visible
from spreadcheck.judge.batch import COLUMNS, SheetResult
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.data import csv_text, envelope
from spreadcheck.show.document import Column, Document, Table
from spreadcheck.show.format import show_figure, show_width
from spreadcheck.show.plots import line_style, panels, plain, plain_style
from spreadcheck.show.verdict import width_down
from spreadcheck.units import counted, from_inside, shown_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure


def batch_csv(results: Iterable[SheetResult]) -> str:
    """All rows as CSV, in the order they came."""
    rows = (result.row for result in results if result.row is not None)
    return csv_text(rows, columns=COLUMNS)


def batch_document(results: Iterable[SheetResult], folder: str, system: str = "metric") -> Document:
    """What a terminal shows: a line a sheet, for the way it is driven; where that is not known, for the less even."""
    rows = []
    for row in (result.row for result in results if result.row is not None):
        method = row["driving"] or max(METHODS, key=lambda each: row[f"cv_{each.replace('-', '_')}_pct"] or 0.0)
        name = method.replace("-", "_")
        width, least, most = (row[f"effective_width_{name}{end}_m"] for end in ("", "_least", "_most"))
        low, high = (width_down(end, system).split()[0] if end else "" for end in (least, most))
        ends = low if width and most else f"{low} to {high}" if most else f"at least {low}" if least else "-"
        bout, cv = row["bout_width_m"], row[f"cv_{name}_pct"]
        verdict = row["verdict"] or "no bout width"
        said = show_width(bout, system, unit=False) if bout else "-", show_figure(cv) if cv is not None else "-"
        rows.append((row["sheet"], said[0], said[1], ends, verdict, (row["blocking"] or row["warnings"]) or "-"))
    unit = shown_unit("length", system)
    columns = (
        Column("sheet", align="left"), Column("bout", unit), Column("CV", "%"),
        Column("effective", unit), Column("verdict", align="left"),
        Column("doubts", align="left"),
    )  # fmt: skip
    more = "Widths and CV for the way each is driven; --summary FILE.csv writes all figures."
    return Document(f"Tray tests below {folder}", (Table(columns, tuple(rows), notes=(more,)),))


def batch_parquet(results: Iterable[SheetResult]) -> bytes:
    """All rows as Parquet, through pandas; needs the extra `parquet`."""
    import pandas as pd

    target, rows = io.BytesIO(), [result.row for result in results if result.row is not None]
    seen = [{key: visible(v) if isinstance(v, str) else v for key, v in row.items()} for row in rows]
    pd.DataFrame.from_records(seen, columns=list(COLUMNS)).to_parquet(target, index=False)
    return target.getvalue()


def batch_json(results: Iterable[SheetResult]) -> dict[str, Any]:
    """All rows and all faults as plain data."""
    rows, bad = [], []
    for result in results:
        if result.row is None:
            bad.append({"sheet": result.sheet, "faults": result.faults})
        else:
            rows.append(result.row)
    return envelope("batch/1", rows, bad=bad)


def check_parquet() -> None:
    """Say early that Parquet can't be written here."""
    from importlib.util import find_spec

    if find_spec("pyarrow") is None:
        remedy = "install it with: pip install 'spreadcheck[parquet]', or write .csv"
        raise MissingExtraError(Fault("Parquet", "the library pyarrow is not installed", remedy))


def following(results: Iterable[SheetResult], folder: str) -> tuple[str, ...]:
    """The command to go on with: a sheet that blocks, else two tests of one machine; none where there is neither."""
    alike: tuple[str, ...] = ()
    machines: dict[str, tuple[str, str]] = {}  # date and file of the first test of each
    for result in results:
        if (row := result.row) is None:
            continue
        dated = row["date"], os.path.join(folder, result.file or result.sheet)
        if row["blocking"]:
            return "analyse", dated[1], "--doubts"
        first = machines.setdefault(row["machine"], dated) if row["machine"] else dated
        if not alike and first[1] != dated[1]:
            alike = "compare", *(name for _, name in sorted((first, dated)))
    return alike


def closing_words(results: Sequence[SheetResult], others: tuple[str, ...]) -> str:
    """What is said at the end of a batch."""
    bad = [result for result in results if result.row is None]
    good = len(results) - len(bad)
    words = [f"{counted(good, 'sheet')} summarised"]
    if bad:
        words.append(f"{len(bad)} can't be used")
    if others:
        shown = others[0] + (", ..." if len(others) > 1 else "")
        words.append(f"{counted(len(others), 'other file')} passed over ({shown})")
    return "\n".join([", ".join(words), *(fault for result in bad for fault in result.faults)])


_NAMED = 12  # machines in the legend


@plain_style()
def trend_figure(results: Iterable[SheetResult], system: str = "metric") -> Figure:
    """Effective width by machine over dates: of the driving method on the sheet, else the smaller one of both."""
    from datetime import date

    unit = shown_unit("length", system)
    series: dict[str, list[tuple[date, float]]] = {}
    for row in (result.row for result in results if result.row is not None):
        known = {method: row[f"effective_width_{method.replace('-', '_')}_m"] for method in METHODS}
        asked = [known[row["driving"]]] if row["driving"] else list(known.values())
        if row["date"] and None not in asked:
            point = (date.fromisoformat(row["date"]), from_inside(min(asked), unit, "length"))
            series.setdefault(row["machine"] or "machine not named", []).append(point)
    figure, (axes,) = panels("", 9, 5.5)
    for number, (machine, points) in enumerate(sorted(series.items())):
        days, widths = zip(*sorted(points), strict=True)
        label = plain(machine) if number < _NAMED else f"_{number}"
        axes.plot(days, widths, ms=5, label=label, **line_style(number, marks=True))
    count = sum(len(points) for points in series.values())
    axes.set(
        title=f"Effective width over time ({counted(count, 'dated test')})",
        xlabel="Date of the test",
        ylabel=f"Effective width ({unit})",
    )
    axes.tick_params(axis="x", rotation=30)
    dated = {day for points in series.values() for day, _ in points}
    if len(dated) == 1:  # else the axis of one day is years long
        day = sum(axes.get_xlim()) / 2
        axes.set_xlim(day - 15, day + 15)
    if series:
        axes.set_ylim(0, 1.1 * axes.dataLim.y1)  # widths that lie close together keep room above them
        axes.legend(loc="lower left")
    return figure
