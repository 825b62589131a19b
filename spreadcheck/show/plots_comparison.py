"""Figures of tests held against each other: readable in greyscale, left of the travel direction on the left."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.improve.compare import Comparison
from spreadcheck.judge.assessment import Assessment
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.show.format import rate_unit, show_width
from spreadcheck.show.plots import plain, plain_style
from spreadcheck.units import from_inside, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_STYLES: tuple[dict[str, Any], ...] = (
    {"color": "black", "ls": "-", "marker": "o"},
    {"color": "#c0651a", "ls": "--", "marker": "s"},
    {"color": "#1b4f72", "ls": "-.", "marker": "^"},
    {"color": "#777777", "ls": ":", "marker": "D"},
    {"color": "#4a7c3a", "ls": (0, (5, 1)), "marker": "v"},
    {"color": "#8a4f7d", "ls": (0, (3, 1, 1, 1)), "marker": "P"},
)


@plain_style()
def comparison_figure(found: Comparison, system: str = "metric") -> Figure:
    """Three panels: the profiles of all tests; each less the first; CV against bout width."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 10.5), layout="constrained")
    top, middle, bottom = figure.subplots(3, 1)
    middle.sharex(top)
    _draw_profiles(top, found, system)
    _draw_changes(middle, found, system)
    _draw_widths(bottom, found, system)
    for axes in (top, middle, bottom):
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(fontsize=8, frameon=False, loc="best")
    return figure


def _style(number: int) -> dict[str, Any]:
    return _STYLES[number % len(_STYLES)]


def _short(result: Assessment) -> str:
    return plain(textwrap.shorten(result.test.name, 44, placeholder="..."))


def _length(system: str) -> float:
    return from_inside(1.0, shown_unit("length", system), "length")


def _rate(found: Comparison, system: str) -> float:
    return 1.0 if found.results[0].profile.relative else from_inside(1.0, shown_unit("rate", system), "rate")


def _draw_profiles(axes: Axes, found: Comparison, system: str) -> None:
    """The profiles as they are compared, with the centre of each spread at the foot."""
    length, rate = _length(system), _rate(found, system)
    factors = [1.0, *(change.factor for change in found.changes)]
    for number, (result, factor) in enumerate(zip(found.results, factors, strict=True)):
        x, y = result.profile.knots
        label = _short(result) + (f", times {factor:.3f}" if factor != 1.0 else "")
        style = _style(number)
        axes.plot(x * length, y * factor * rate, lw=1.6, ms=3.5, label=label, **style)
        axes.plot(result.profile.centre_m * length, 0, clip_on=False, ms=9, mfc="white", ls="", zorder=5,
                  marker=style["marker"], color=style["color"])  # fmt: skip
    axes.axvline(0, color="#777777", lw=1, ls=":")
    axes.set(
        title="Single-pass profiles",
        xlabel=f"{_offsets(system)}; large open marks: centres",
        ylabel=f"Application rate ({rate_unit(found.results[0], system)})",
    )
    axes.set_ylim(bottom=0)


def _draw_changes(axes: Axes, found: Comparison, system: str) -> None:
    """Each test less the first; filled marks where that is more than chance explains."""
    length, rate = _length(system), _rate(found, system)
    axes.axhline(0, color="black", lw=1)
    for number, change in enumerate(found.changes, start=1):
        x, y = change.place_m * length, change.difference_kg_ha * rate
        style = _style(number)
        axes.plot(x, y, lw=1.4, ms=5, mfc="white", label=f"{_short(change.after)}, less the first", **style)
        beyond = change.trays.beyond
        words = "more than chance explains"
        if change.trays.overall.p is not None:
            axes.plot(x[beyond], y[beyond], ls="", ms=6, marker=style["marker"], color=style["color"],
                      label=f"  {words} ({beyond.sum()} of {len(x)})")  # fmt: skip
    axes.axvline(0, color="#777777", lw=1, ls=":")
    axes.set(
        title="Change of the profile",
        xlabel=_offsets(system),
        ylabel=f"Difference ({rate_unit(found.results[0], system)})",
    )


def _draw_widths(axes: Axes, found: Comparison, system: str) -> None:
    """CV by trays of every test, for the driving method of the first, else back-and-forth."""
    length = _length(system)
    method = found.results[0].driving or BACK_AND_FORTH
    highest = found.limit_pct
    for number, result in enumerate(found.results):
        scan = result.scans[method]
        style = _style(number) | ({"marker": ""} if len(scan.width_m) > 60 else {})
        label = f"{_short(result)}: {show_width(result.effective_width_m(method), system)}"
        axes.plot(scan.width_m * length, scan.cv_trays_pct, lw=1.6, ms=3, label=label, **style)
        highest = max(highest, float(np.nanmax(scan.cv_trays_pct, initial=0.0)))
    axes.axhline(found.limit_pct, color="black", lw=1)
    axes.text(0.995, found.limit_pct, f"limit {found.limit_pct:g} %", transform=axes.get_yaxis_transform(), ha="right",
              va="bottom", fontsize=8)  # fmt: skip
    if found.bout_width_m is not None:
        axes.axvline(found.bout_width_m * length, color="black", lw=3, alpha=0.25,
                     label=f"bout width {show_width(found.bout_width_m, system)}")  # fmt: skip
    axes.set(
        title=f"CV against bout width, {method}",
        xlabel=f"Bout width ({shown_unit('length', system)})",
        ylabel="CV by trays (%)",
    )
    axes.set_ylim(0, min(highest * 1.05, max(4 * found.limit_pct, 60)))


def _offsets(system: str) -> str:
    return f"Offset from the driving centre line ({shown_unit('length', system)}): left - right"
