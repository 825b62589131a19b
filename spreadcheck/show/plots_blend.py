"""Figures of a blend: where each component goes, and CV against bout width part by part."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.judge.blend import BlendAssessment
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.show.plots import plain, plain_style
from spreadcheck.units import from_inside, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LINES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1, 1, 1)), (0, (1, 3)))
_SHADES = ("black", "#1b4f72", "#c0651a", "#777777", "#4a7c3a", "#8a4f7d")


@plain_style()
def blend_figure(blend: BlendAssessment, system: str = "metric") -> Figure:
    """Share of each component against offset, and CV against bout width of every part."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8, 8), layout="constrained")
    figure.suptitle(plain(blend.test.name), fontsize=13, fontweight="bold")
    top, bottom = figure.subplots(2, 1)
    length = from_inside(1.0, shown_unit("length", system), "length")
    _draw_shares(top, blend, length, shown_unit("length", system))
    _draw_cv(bottom, blend, length, shown_unit("length", system))
    for axes in (top, bottom):
        axes.spines[["top", "right"]].set_visible(False)
    return figure


def _draw_shares(axes: Axes, blend: BlendAssessment, length: float, unit: str) -> None:
    whole = blend.parts[0].profile
    thrown = whole.rate_kg_ha > 0.02 * whole.rate_kg_ha.max()  # shares of next to nothing are noise
    offset, total = whole.offset_m[thrown], whole.rate_kg_ha[thrown]
    for number, part in enumerate(part for part in blend.parts if part.kind == "component"):
        rate = np.interp(offset, part.profile.offset_m, part.profile.rate_kg_ha, left=0.0, right=0.0)
        style = _style(number)
        axes.plot(offset * length, 100 * rate / total, lw=2, label=plain(part.name), **style)
        axes.axhline(100 * part.profile.area_kg_ha_m / whole.area_kg_ha_m, lw=0.8, alpha=0.6, **style)
    axes.axvline(0, color="#777777", lw=1, ls=":")
    axes.set(
        title="Share of each component (thin: its share of the whole blend)",
        xlabel=f"Offset from the driving centre line ({unit}): left - right",
        ylabel="Share of the catch (%)",
        ylim=(0, None),
    )
    axes.legend(fontsize=8, frameon=False, loc="upper center", ncols=3)


def _draw_cv(axes: Axes, blend: BlendAssessment, length: float, unit: str) -> None:
    method = blend.test.text("driving") or BACK_AND_FORTH
    nutrients = [part for part in blend.parts if part.kind == "nutrient"]  # a lone carrier's curve is its nutrient's
    for number, part in enumerate([blend.parts[0], *(nutrients or blend.parts[1:])]):
        scan = part.scans[method]
        style = _style(number)
        label = f"{plain(part.name)}, limit {part.limit_pct:g} %"
        axes.plot(scan.width_m * length, scan.cv_trays_pct, lw=1.5, label=label, **style)
    for limit in sorted({part.limit_pct for part in blend.parts}):
        axes.axhline(limit, color="black", lw=1.2)
        axes.text(1.0, limit, f"{limit:g} %", transform=axes.get_yaxis_transform(), fontsize=8, va="bottom", ha="right")
    joint = blend.joint_width_m(method)
    if joint is not None:
        axes.axvline(
            joint * length, color="black", lw=1, ls=":", label=f"all within: up to {joint * length:.4g} {unit}"
        )
    highest = max(float(np.nanmax(part.scans[method].cv_trays_pct, initial=0)) for part in blend.parts)
    axes.set(title=f"CV against bout width, {method}", xlabel=f"Bout width ({unit})", ylabel="CV by trays (%)")
    axes.set_ylim(0, min(highest * 1.05, 60))
    axes.legend(fontsize=8, frameon=False, loc="upper left")


def _style(number: int) -> dict[str, Any]:
    """A line that can be told from the others without colour."""
    return {"ls": _LINES[number % len(_LINES)], "color": _SHADES[number % len(_SHADES)]}
