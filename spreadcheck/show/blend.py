"""A blend assessed part by part: as text of 80 columns, as plain data, and as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.judge.blend import ZONES, BlendAssessment, BlendPart, zone_shares
from spreadcheck.judge.verdict import Verdict
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.show.analyse import scan_columns
from spreadcheck.show.format import show_pct, show_width
from spreadcheck.show.json import envelope
from spreadcheck.show.plots import plain, plain_style
from spreadcheck.show.verdict import verdict_data
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def blend_text(blend: BlendAssessment, system: str = "metric") -> str:
    """A blend's result for a terminal."""
    return "\n\n".join((blend.test.name, _parts_table(blend, system), _joint_lines(blend, system), _zone_table(blend)))


def _parts_table(blend: BlendAssessment, system: str) -> str:
    lines = [
        f"{'':<20}{'limit':>7}{'left':>7}{'centre':>10}   effective width",
        f"{'part':<20}{'CV %':>7}{'%':>7}{shown_unit('length', system):>10}   {METHODS[0]:<17}{METHODS[1]}",
    ]
    for part in blend.parts:
        widths = [show_width(part.effective_width_m(method), system) for method in METHODS]
        centre = show(part.profile.centre_m, "length", system, unit=False)
        share = show_pct(part.profile.left_share_pct)
        name = f"{part.name}" if part.kind != "nutrient" else f"  {part.name}"
        lines.append(f"{name[:19]:<20}{part.limit_pct:>7g}{share:>7}{centre:>10}   {widths[0]:<17}{widths[1]}")
    return "\n".join(lines)


def _joint_lines(blend: BlendAssessment, system: str) -> str:
    lines = ["All parts within their limits"]
    for method in METHODS:
        limiting = blend.limiting_part(method)
        bands = [_band(band, system) for band in reversed(blend.joint_bands_m(method))]
        lines.append(f"  {method}: {', '.join(bands[:3]) or 'at no width tried'}")
        lines.append(f"    limited by {limiting.name}" if limiting else "    the widest tried is still within")
    return "\n".join(lines)


def _band(band: tuple[float, float], system: str) -> str:
    low, high = (show_width(end, system, unit=False) for end in band)
    return f"{high if low == high else f'{low} to {high}'} {shown_unit('length', system)}"


def _zone_table(blend: BlendAssessment) -> str:
    lines = [
        "Share of each component in % of the catch, in five zones of equal catch",
        f"{'':<17}" + "".join(f"{zone:>10}" for zone in (*ZONES, "all")),
    ]
    for name, shares in zone_shares(blend).items():
        lines.append(f"{name[:16]:<17}" + "".join(f"{show_pct(float(share)):>10}" for share in shares))
    return "\n".join(lines)


def blend_json(
    blend: BlendAssessment, doubts: tuple[Doubt, ...] = (), verdict: Verdict | None = None
) -> dict[str, Any]:
    """A blend's result as plain data, SI."""
    data: dict[str, Any] = {
        "parts": [_part_json(part) for part in blend.parts],
        "all_parts": {method: _joint_json(blend, method) for method in METHODS},
        "zones": list(ZONES),
        "component_share_pct": {
            name: {"zones": shares[:-1].tolist(), "all": float(shares[-1])}
            for name, shares in zone_shares(blend).items()
        },
    }
    return envelope("blend/1", blend.test, doubts, verdict=verdict_data(verdict), **data)


def _joint_json(blend: BlendAssessment, method: str) -> dict[str, Any]:
    limiting = blend.limiting_part(method)
    return {
        "effective_width_m": blend.joint_width_m(method),
        "bands_m": [list(band) for band in blend.joint_bands_m(method)],
        "limiting_part": limiting.name if limiting else None,
    }


def _part_json(part: BlendPart) -> dict[str, Any]:
    return {
        "name": part.name,
        "kind": part.kind,
        "cv_limit_pct": part.limit_pct,
        "offset_m": part.profile.offset_m.tolist(),
        "rate_kg_ha": part.profile.rate_kg_ha.tolist(),
        "centre_m": part.profile.centre_m,
        "left_share_pct": part.profile.left_share_pct,
        "methods": {
            method: {
                "effective_width_m": part.effective_width_m(method),
                "width_m": scan_columns(scan)[0],
                "cv_trays_pct": [None if cv != cv else cv for cv in scan_columns(scan)[1]],
            }
            for method, scan in part.scans.items()
        },
    }


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
