"""Figures of how sure an assessment is, for screen and paper: readable in greyscale.

1. `analysis_confidence_figure`   the analysis with its errors
2. `confidence_figure`   the profile with tray errors; CV against bout width with band and noise floor, a panel a method
3. `draw_tray_errors`, `draw_cv_band`   its panels

matplotlib is imported inside, so that nothing else waits for it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.confidence import SURE_PCT, Confidence, CvBand
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.format import rate_unit, show_width
from spreadcheck.show.plots import draw_deposit, draw_widths, plain, plain_style, shown_bout
from spreadcheck.units import from_inside, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ERRORS_SHOWN = 2.0  # standard errors each way


@plain_style()
def confidence_figure(sure: Confidence, system: str = "metric") -> Figure:
    """The profile with tray errors, and CV against bout width for each driving method."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 10.5), layout="constrained")
    figure.suptitle(plain(sure.assessment.test.name), fontsize=13, fontweight="bold")
    panels = np.atleast_1d(figure.subplots(1 + len(sure.bands), 1))
    draw_tray_errors(panels[0], sure, system)
    for axes, method in zip(panels[1:], METHODS, strict=False):
        draw_cv_band(axes, sure, method, system)
    for axes in panels:
        axes.spines[["top", "right"]].set_visible(False)
    return figure


@plain_style()
def analysis_confidence_figure(sure: Confidence, system: str = "metric") -> Figure:
    """The analysis with its errors: profile with tray errors, overlapped deposit, CV with its band for each method."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 13.5), layout="constrained")
    figure.suptitle(plain(sure.assessment.test.name), fontsize=13, fontweight="bold")
    panels = figure.subplots(2 + max(len(sure.bands), 1), 1)
    draw_tray_errors(panels[0], sure, system)
    draw_deposit(panels[1], sure.assessment, system)
    if not sure.bands:
        draw_widths(panels[2], sure.assessment, system)
    for axes, method in zip(panels[2:], sure.bands, strict=False):
        draw_cv_band(axes, sure, method, system)
    for axes in panels:
        axes.spines[["top", "right"]].set_visible(False)
    return figure


def draw_tray_errors(axes: Axes, sure: Confidence, system: str = "metric") -> None:
    """The single-pass profile with the sampling error of each tray."""
    result, profile = sure.assessment, sure.assessment.profile
    length = from_inside(1.0, shown_unit("length", system), "length")
    rate = 1.0 if profile.relative else from_inside(1.0, shown_unit("rate", system), "rate")
    x, y = profile.knots
    axes.plot(x * length, y * rate, color="black", lw=1.5)
    known = ~np.isnan(sure.tray_error_kg_ha)
    if known.any():
        axes.errorbar(
            profile.offset_m[known] * length,
            profile.rate_kg_ha[known] * rate,
            ERRORS_SHOWN * sure.tray_error_kg_ha[known] * rate,
            fmt="o",
            ms=3,
            color="black",
            ecolor="#777777",
            capsize=2,
            label=f"mean and {ERRORS_SHOWN:g} standard errors each way",
        )
        axes.legend(fontsize=8, frameon=False, loc="best")
    axes.axvline(0, color="#777777", lw=1, ls=":")
    passes = "one pass" if sure.noise.passes == 1 else f"mean of {sure.noise.passes} passes"
    axes.set(
        title=f"Single-pass profile, {passes}, with the sampling error of each tray",
        xlabel=f"Offset from the driving centre line ({shown_unit('length', system)}): left - right",
        ylabel=f"Application rate ({rate_unit(result, system)})",
    )
    axes.set_ylim(bottom=0)


def draw_cv_band(axes: Axes, sure: Confidence, method: str, system: str = "metric") -> None:
    """CV against bout width for one driving method: as read, its interval, its noise floor, the limit."""
    band, limit = sure.bands[method], sure.assessment.limit_pct
    unit = shown_unit("length", system)
    length = from_inside(1.0, unit, "length")
    width = band.width_m * length
    axes.fill_between(
        width, band.low_pct, band.high_pct, color="#c8c8c8", lw=0, label=f"{sure.level_pct:g} % interval of the true CV"
    )
    axes.plot(width, band.cv_trays_pct, color="black", lw=1.5, label="CV by trays, as read")
    axes.plot(width, band.cv_without_noise_pct, color="#1b4f72", lw=1.5, ls="--", label="with the noise taken out")
    axes.plot(width, band.noise_floor_pct, color="#a04000", lw=1.5, ls=":", label="noise floor")
    axes.axhline(limit, color="black", lw=1)
    axes.text(0.005, limit, f"limit {limit:g} %", transform=axes.get_yaxis_transform(), va="bottom", fontsize=8)
    _mark_widths(axes, sure, band, length, system)
    axes.set(title=f"CV against bout width, {method}", xlabel=f"Bout width ({unit})", ylabel="CV by trays (%)")
    top = float(np.nanmax(band.high_pct, initial=limit))
    axes.set_ylim(0, min(1.05 * top, 3 * limit))
    axes.legend(fontsize=8, frameon=True, framealpha=0.9, loc="upper left")


def draw_band(sure: Confidence, axes: Axes, result: Assessment, system: str = "metric") -> None:
    """CV with its band for the driving method of the form, else back-and-forth; as the other panels are drawn."""
    draw_cv_band(axes, sure, shown_bout(result)[0], system)


def _mark_widths(axes: Axes, sure: Confidence, band: CvBand, length: float, system: str) -> None:
    """The interval of the effective width on the axis, the widest sure width and the bout driven."""
    low, high = band.effective_low_m * length, band.effective_high_m * length
    if band.effective_high_m > 0:
        left = max(low, float(band.width_m[0]) * length)
        axes.plot(
            [left, high],
            [0, 0],
            color="black",
            lw=6,
            solid_capstyle="butt",
            clip_on=False,
            label=f"{sure.level_pct:g} % interval of the effective width",
        )
    if band.sure_width_m is not None:
        label = f"widest with {SURE_PCT:g} % probability: {show_width(band.sure_width_m, system)}"
        axes.axvline(band.sure_width_m * length, color="#1b4f72", lw=1.2, ls="-.", label=label)
    driven = sure.assessment.bout_width_m
    if driven is not None:
        axes.axvline(driven * length, color="black", lw=3, alpha=0.25, label=f"driven: {show_width(driven, system)}")
