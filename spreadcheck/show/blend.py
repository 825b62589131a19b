"""A blend assessed part by part: as a document, as plain data, and as a picture."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.blend import JOINT_PCT, ZONES, BlendAssessment, zone_shares
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.show.data import envelope, picked
from spreadcheck.show.document import Answer, Block, Document, Heading, Paragraph, Table, table
from spreadcheck.show.format import about_test, show_figure
from spreadcheck.show.plots import line_style, mark_centre, offset_label, panels, plain, plain_style
from spreadcheck.show.verdict import (
    band_words,
    effective_words,
    marks_words,
    range_json,
    tails_words,
    width_down,
)
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


def blend_document(judged: Assessment, blend: BlendAssessment, system: str = "metric") -> Document:
    """Every part with its own widths, the widths that suit all, and how the blend changes across the width."""
    rows = ((name, *map(show_figure, shares.tolist())) for name, shares in zone_shares(blend).items())
    told = "Share of each component in % of the catch, in five zones of equal catch"
    across = table("; ".join(("component<", *ZONES, "all")), rows, told)
    blocks = (_parts_table(judged, blend, system), *_joint(judged, blend, system), across)
    return Document(blend.test.name, blocks, about=about_test(blend.test))


def _part_widths(judged: Assessment, blend: BlendAssessment, method: str, system: str) -> list[str]:
    """The effective width of every part; a range where what fell beyond the end trays decides it."""
    over = blend.widths_over_tails(method)
    if over is None:
        return [width_down(part.effective_width_m(method), system) for part in blend.parts]
    line_m = float(np.ptp(judged.profile.offset_m))
    return [re.split("[:,]", tails_words(each, line_m, system))[0] for each in over]  # why is said once, below


def _parts_table(judged: Assessment, blend: BlendAssessment, system: str) -> Table:
    heads = f"part<; limit, CV %; left, %; centre, {shown_unit('length', system)}"
    heads += "".join(f"; effective width {method}" for method in METHODS)
    widths = {method: _part_widths(judged, blend, method, system) for method in METHODS}
    rows = (
        (
            part.name if part.kind != "nutrient" else f"  {part.name}",
            f"{part.limit_pct:g}",
            show_figure(part.profile.left_share_pct),
            show(part.profile.centre_m, "length", system, unit=False),
            *(widths[method][at] for method in METHODS),
        )
        for at, part in enumerate(blend.parts)
    )
    beyond = "The end trays still caught; what fell beyond them is missing, and no width beyond these is known."
    return table(heads, rows, notes=(beyond,) if judged.tail_curves else ())


def _joint(judged: Assessment, blend: BlendAssessment, system: str) -> tuple[Block, ...]:
    """The widths at which all parts keep their limits, and the part that ends them; none while a doubt blocks."""
    heading = Heading("All parts within their limits")
    if judged.blocking:
        return heading, Paragraph(marks_words(judged))
    answers = []
    for method in METHODS:
        if judged.tail_curves:
            answers.append(Answer(method, effective_words(judged, method, system)))
            continue
        limiting = blend.limiting_part(method)
        bands = [band_words(band, system) for band in reversed(blend.joint[method].runs(JOINT_PCT))]
        by = f"limited by {limiting.name}" if limiting else "the widest tried is still within"
        answers.append(Answer(method, ", ".join(bands[:3]) or "at no width tried", by))
    return heading, *answers


def blend_json(judged: Assessment, blend: BlendAssessment) -> dict[str, Any]:
    """A blend's result as plain data, SI."""
    over = {method: blend.widths_over_tails(method) for method in METHODS}
    parts = [
        {
            "name": part.name,
            "kind": part.kind,
            "cv_limit_pct": part.limit_pct,
            **picked(part.profile, "offset_m rate_kg_ha centre_m left_share_pct"),
            "methods": {
                method: {
                    "effective_width_m": part.effective_width_m(method),
                    "effective_width_over_tails_m": range_json(ranges[at] if (ranges := over[method]) else None),
                    "width_m": scan.width_m,
                    "cv_trays_pct": scan.cv_trays_pct,
                }
                for method, scan in part.scans.items()
            },
        }
        for at, part in enumerate(blend.parts)
    ]
    joint = {
        method: {
            "effective_width_m": blend.joint[method].effective_width_m(JOINT_PCT),
            "effective_width_over_tails_m": range_json(judged.effective_over_tails(method)),
            "bands_m": [(band.from_m, band.to_m) for band in blend.joint[method].runs(JOINT_PCT)],
            "limiting_part": limiting.name if (limiting := blend.limiting_part(method)) else None,
        }
        for method in METHODS
    }
    shares = {name: {"zones": shares[:-1], "all": float(shares[-1])} for name, shares in zone_shares(blend).items()}
    found: dict[str, Any] = {"parts": parts, "all_parts": joint, "zones": list(ZONES), "component_share_pct": shares}
    return envelope("blend/1", judged, **found)


@plain_style()
def blend_figure(blend: BlendAssessment, system: str = "metric") -> Figure:
    """Share of each component against offset, and CV against bout width of every part."""
    figure, (top, bottom) = panels(blend.test.name, 8, 8, 2)
    _draw_shares(top, blend, system)
    _draw_cv(bottom, blend, system)
    return figure


def _draw_shares(axes: Axes, blend: BlendAssessment, system: str) -> None:
    length = from_inside(1.0, shown_unit("length", system), "length")
    whole = blend.parts[0].profile
    thrown = whole.rate_kg_ha > 0.02 * whole.rate_kg_ha.max()  # shares of next to nothing are noise
    offset, total = whole.offset_m[thrown], whole.rate_kg_ha[thrown]
    for number, part in enumerate(part for part in blend.parts if part.kind == "component"):
        rate = np.interp(offset, part.profile.offset_m, part.profile.rate_kg_ha, left=0.0, right=0.0)
        style = line_style(number)
        axes.plot(offset * length, 100 * rate / total, lw=2, label=plain(part.name), **style)
        axes.axhline(100 * part.profile.area_kg_ha_m / whole.area_kg_ha_m, lw=0.8, alpha=0.6, **style)
    mark_centre(axes)
    axes.set(
        title="Share of each component (thin: its share of the whole blend)",
        xlabel=offset_label(system),
        ylabel="Share of the catch (%)",
        ylim=(0, None),
    )
    axes.legend(loc="upper center", ncols=3)


def _draw_cv(axes: Axes, blend: BlendAssessment, system: str) -> None:
    unit = shown_unit("length", system)
    length = from_inside(1.0, unit, "length")
    method = blend.test.text("driving") or BACK_AND_FORTH
    nutrients = [part for part in blend.parts if part.kind == "nutrient"]  # a lone carrier's curve is its nutrient's
    lowest, highest = np.inf, 0.0
    for number, part in enumerate([blend.parts[0], *(nutrients or blend.parts[1:])]):
        curve = part.curves[method]
        label = f"{plain(part.name)}, limit {part.limit_pct:g} %"
        axes.plot(curve.width_m * length, curve.cv_pct, lw=1.5, label=label, **line_style(number))
        lowest, highest = min(lowest, curve.cv_pct.min(initial=np.inf)), max(highest, curve.cv_pct.max(initial=0.0))
    for limit in sorted({part.limit_pct for part in blend.parts}):
        axes.axhline(limit, color="black", lw=1.2)
        axes.text(1.0, limit, f"{limit:g} %", transform=axes.get_yaxis_transform(), fontsize=8, va="bottom", ha="right")
    joint = blend.joint[method].effective_width_m(JOINT_PCT)
    if joint is not None:
        axes.axvline(
            joint * length, color="black", lw=1, ls=":", label=f"all within: up to {width_down(joint, system)}"
        )
    axes.set(title=f"CV against bout width, {method}", xlabel=f"Bout width ({unit})",
             ylabel="CV (%): what trays read on average")  # fmt: skip
    axes.set_ylim(0, min(highest * 1.05, max(60.0, 1.6 * lowest)))
    axes.legend(loc="upper left")
