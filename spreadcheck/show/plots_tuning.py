"""Figures of the best spinner speed: readable in greyscale."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spreadcheck.improve.speedcurve import NONE, sampled_speeds
from spreadcheck.improve.tune import SpeedAnswer, Tuning
from spreadcheck.show.tables import show_width
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_INK, _BAND = "#1b4f72", "#d9d9d9"


def tuning_figure(found: Tuning, system: str = "metric") -> Figure:
    """CV at the wanted bout width and effective width against spinner speed: tests, curve, band and best speed."""
    from matplotlib.figure import Figure

    answers = [one for one in (found.cv, found.width) if one is not None]
    rows = max(len(answers), 1)
    figure = Figure(figsize=(8, 4.2 * rows), layout="constrained")
    panels = figure.subplots(rows, 1, squeeze=False)[:, 0]
    for axes, one in zip(panels, answers, strict=False):
        _draw(axes, found, one, system)
    if not answers:
        panels[0].set_title("No test has an effective width within the limit")
    return figure


def _draw(axes: Axes, found: Tuning, one: SpeedAnswer, system: str) -> None:
    is_cv = one.code == "CV"
    unit = "%" if is_cv else shown_unit("length", system)
    scale = 1.0 if is_cv else from_inside(1.0, unit, "length")
    _draw_curve(axes, found, one, scale)
    axes.plot(one.curve.speed_rpm, one.curve.value * scale, "o", ms=6, color="black", label="tests", zorder=4)
    low, high = one.stretch_rpm or (one.best_rpm, one.best_rpm)
    if low < high:
        words = f"can't be told from the best: {low:.0f} to {high:.0f} rpm"
        axes.axvspan(low, high, ymax=0.03, color="black", alpha=0.6, lw=0, label=words)
    words = "best" if one.band is not None else "best test"
    axes.axvline(one.best_rpm, color="black", lw=1.2, ls="-.",
                 label=f"{words}: {show(one.best_rpm, 'turning speed')}, {one.value * scale:.1f} {unit}")  # fmt: skip
    if found.highest_rpm is not None:
        axes.axvline(found.highest_rpm, color="#c0651a", lw=2, ls=":",
                     label=f"highest speed: {show(found.highest_rpm, 'turning speed')}")  # fmt: skip
    if is_cv:
        axes.axhline(found.limit_pct, color="black", lw=1)
        axes.text(0.995, found.limit_pct, f"limit {found.limit_pct:g} %", transform=axes.get_yaxis_transform(),
                  ha="right", va="bottom", fontsize=8)  # fmt: skip
        axes.set_ylim(bottom=0)
    title = f"Effective width, CV up to {found.limit_pct:g} %"
    title = f"CV at {show_width(found.bout_width_m, system)}" if is_cv else title
    axes.set(title=f"{title}, {found.method}", xlabel="Spinner speed (rpm)")
    axes.set_ylabel(f"CV by trays ({unit})" if is_cv else f"Effective width ({unit})")
    axes.spines[["top", "right"]].set_visible(False)
    axes.legend(fontsize=8, frameon=False, loc="best")


def _draw_curve(axes: Axes, found: Tuning, one: SpeedAnswer, scale: float) -> None:
    """The curve and its band; dashed and without a band where it misses the tests."""
    curve = one.curve
    if curve.kind == NONE:
        return
    speed = np.array(sampled_speeds(curve, 201))
    value, half = curve.at(speed)
    if curve.misses:
        axes.plot(speed, value * scale, color="#777777", lw=1.2, ls="--", label=f"{curve.kind}: misses the tests")
        return
    axes.fill_between(speed, (value - half) * scale, (value + half) * scale, color=_BAND, lw=0,
                      label=f"{found.level_pct:g} % band of the curve")  # fmt: skip
    axes.plot(speed, value * scale, color=_INK, lw=2, label=curve.kind)
