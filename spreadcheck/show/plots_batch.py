"""The trend over many tests: effective width by machine over dates."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

from spreadcheck.sheet.labels import BACK_AND_FORTH, ROUND_AND_ROUND
from spreadcheck.show.plots import plain, plain_style
from spreadcheck.units import from_inside, shown_unit

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_LINES = ("-", "--", "-.", ":")
_MARKS = "osD^v<>Ph*"
_SHADES = ("black", "#1b4f72", "#c0651a", "#777777", "#4a7c3a", "#8a4f7d")
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
        style: dict[str, Any] = {"ls": _LINES[number % 4], "marker": _MARKS[number % len(_MARKS)], "ms": 5}
        label = plain(machine) if number < _NAMED else f"_{number}"
        axes.plot(days, widths, color=_SHADES[number % len(_SHADES)], label=label, **style)
    count = sum(len(points) for points in series.values())
    axes.set(
        title=f"Effective width over time ({count} dated test{'' if count == 1 else 's'})",
        xlabel="Date of the test",
        ylabel=f"Effective width ({unit})",
    )
    axes.set_ylim(bottom=0)
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(axis="x", rotation=30)
    if series:
        axes.legend(fontsize=8, frameon=False, loc="lower left")
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
