"""A product's properties for a terminal, 80 columns wide, and as plain data."""

from __future__ import annotations

import math
import textwrap
from dataclasses import asdict
from typing import Any

from spreadcheck.limits import LIMITS
from spreadcheck.product.chart import Chart, ChartAnswer
from spreadcheck.product.density import DENSITIES_SOURCE, usual_density
from spreadcheck.product.granulesize import SizeFigures, blender_checks
from spreadcheck.product.product import GIVEN, Product, StrengthFigures, form_rows
from spreadcheck.product.scatter import Scatter
from spreadcheck.product.segregation import Blend, mass_weighted_mean
from spreadcheck.product.sieve import diameter_mm
from spreadcheck.sheet.labels import LABELS
from spreadcheck.show.csv import csv_line
from spreadcheck.show.format import show_width
from spreadcheck.show.json import envelope
from spreadcheck.units import KINDS, show, shown_unit

WIDTH = 80
LEAD = 18


def product_text(
    product: Product, system: str = "metric", *, chart: Chart | None = None, answer: ChartAnswer | None = None
) -> str:
    """The properties of a product, 80 columns wide."""
    parts = [
        textwrap.shorten(product.name or "Product", WIDTH, placeholder="..."),
        *_size(product),
        *_density(product, system),
        *([_strength(product.strength, system)] if product.strength else []),
        *([_blend(product, product.blend, system)] if product.blend else []),
        *([_chart(chart, answer, system)] if chart and answer else []),
        _form(product, system),
    ]
    return "\n\n".join(part for part in parts if part)


def _line(lead: str, text: str) -> str:
    return textwrap.fill(
        text, WIDTH, initial_indent=f"{lead:<{LEAD}}", subsequent_indent=" " * LEAD, break_on_hyphens=False
    )


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None or math.isnan(value) else f"{value:.{digits}f}"


def _readings(scatter: Scatter, digits: int) -> str:
    """How many readings a mean is of, and between which they lie."""
    if scatter.count == 1:
        return "1 reading"
    return f"{scatter.count} readings, {scatter.lowest:.{digits}f} to {scatter.highest:.{digits}f}"


def _size(product: Product) -> list[str]:
    lines = [
        _line(
            "Size" if at == 0 else "",
            f"SGN {scatter.mean:.0f}: median diameter {diameter_mm(scatter.mean):.2f} mm, {_way(way)} "
            f"({_readings(scatter, 0)})",
        )
        for at, (way, scatter) in enumerate(product.sizes.items())
    ]
    if product.uniformity_index is not None:
        lines.append(
            _line("" if lines else "Size", f"UI {product.uniformity_index:.0f}: uniformity index (100: one size)")
        )
    if product.totals_pct:
        totals = ", ".join(f"{total:g} %" for total in product.totals_pct)
        lines.append(_line("", f"Shares added up to {totals} and were divided by that"))
    blocks = ["\n".join(lines)] if lines else []
    return blocks + ([_sieves(product.size_figures)] if product.size_figures else [])


def _way(way: str) -> str:
    return "as given" if way == GIVEN else f"by {way}"


def _sieves(figures: SizeFigures) -> str:
    sizes = ", ".join(
        f"{name} {_number(value, 2)}"
        for name, value in (("d16", figures.d16_mm), ("d50", figures.d50_mm), ("d84", figures.d84_mm))
    )
    lines = [
        _line(
            "Sieve curve",
            f"{sizes} mm: 16, 50 and 84 % of the mass is smaller, read off straight lines in mm between the sieves",
        ),
        "  European blenders' handbook (2016) asks for",
    ]
    words = {True: "met", False: "NOT MET", None: "not known"}
    for check in blender_checks(figures):
        value = f"{_number(check.value, 2 if check.unit == 'mm' else 1)} {check.unit}"
        lines.append(f"    {check.what:<22}{value:>10}   {f'{check.asked} {check.unit}':<16}{words[check.met]}")
    return "\n".join(lines)


def _density(product: Product, system: str) -> list[str]:
    lines = []
    if product.bulk is not None:
        lines.append(_line("Bulk density", _densities(product.bulk, system)))
        usual = usual_density(product.name)
        if usual is not None:
            span = (
                f"{show(usual.low_kg_m3, 'density', system, unit=False)} to {show(usual.high_kg_m3, 'density', system)}"
            )
            lines.append(_line("", f"Usual for {usual.product}: {span} ({DENSITIES_SOURCE})"))
        lines += _entry(product, system)
    if product.granule is not None:
        lines.append(_line("Granule density", _densities(product.granule, system)))
    return ["\n".join(lines)] if lines else []


def _densities(scatter: Scatter, system: str) -> str:
    if scatter.count == 1:
        return f"{show(scatter.mean, 'density', system)} (1 reading)"
    low, high = (show(value, "density", system, unit=False) for value in (scatter.lowest, scatter.highest))
    return (
        f"{show(scatter.mean, 'density', system)} ({scatter.count} readings, {low} to {high}, "
        f"SD {show(scatter.sd, 'density', system)}, {scatter.cv_pct:.1f} % of the mean)"
    )


def _entry(product: Product, system: str) -> list[str]:
    """What a wrong density entry does, in words."""
    error = product.entry_error_pct
    if error is None or product.entered_kg_m3 is None:
        return [
            _line(
                "",
                "Too high an entry puts on too little, too low a one too much, in proportion. "
                "Weigh again with each load",
            ),
        ]
    entered = show(product.entered_kg_m3, "density", system)
    if round(error, 1) == 0:
        return [_line("", f"Entered {entered}: as measured, no rate error")]
    high, much = ("high", "little") if error < 0 else ("low", "much")
    return [
        _line("", f"Entered {entered} is too {high}: the field gets {abs(error):.1f} % too {much} ({error:+.1f} %)")
    ]


def _strength(figures: StrengthFigures, system: str) -> str:
    scatter = figures.scatter
    count = "1 granule" if scatter.count == 1 else f"{scatter.count} granules"
    mean, lowest = (show(value, "force", system) for value in (scatter.mean, scatter.lowest))
    if figures.needed is None:
        return "\n".join(
            (
                _line("Crush strength", f"{mean} ({count})"),
                _line("", "One reading says nothing about the spread: crush about ten granules"),
            )
        )
    spread = f"SD {show(scatter.sd, 'force', system, digits=2)} or {scatter.cv_pct:.0f} %"
    half, wanted = (show(value, "force", system, digits=2) for value in (figures.half_width_n, figures.wanted_n))
    enough = "no more are needed" if figures.more == 0 else f"crush {figures.more} more"
    return "\n".join(
        (
            _line("Crush strength", f"mean {mean}, lowest {lowest}, {spread} ({count})"),
            _line("", f"The mean is known to +/- {half} at {figures.confidence_pct:g} % confidence"),
            _line("", f"For +/- {wanted} it takes about {figures.needed} granules in all: {enough}"),
        )
    )


def _blend(product: Product, blend: Blend, system: str) -> str:
    density, force = shown_unit("density", system), shown_unit("force", system)
    lines = [
        f"Blend{'':<21}{'share':>8}{'SGN':>7}{'UI':>6}{'bulk density':>15}{'crush strength':>17}",
        f"{'':<26}{'%':>8}{'':>13}{density:>15}{force:>17}",
    ]
    for part in blend.components:
        cells = (part.share_pct, part.size_guide_number, part.uniformity_index, part.bulk_kg_m3, part.strength_n)
        lines.append(_blend_line(part.name, *cells, system=system))
    means = [
        mass_weighted_mean(blend, value)
        for value in (
            lambda part: part.size_guide_number,
            lambda part: part.uniformity_index,
            lambda part: part.strength_n,
        )
    ]
    size, uniformity, strength = means
    lines.append(_blend_line("mean over the mass", blend.total_pct, size, uniformity, None, strength, system=system))
    return "\n".join([*lines, "", *_weakest(product, system), "", *_segregation(product)])


def _blend_line(
    name: str,
    share: float,
    size: float | None,
    uniformity: float | None,
    bulk: float | None,
    strength: float | None,
    *,
    system: str,
) -> str:
    short = textwrap.shorten(name, 24, placeholder="...")
    forces, density = show(strength, "force", system, unit=False, digits=2), show(bulk, "density", system, unit=False)
    return f"  {short:<24}{share:>8.2f}{_number(size, 0):>7}{_number(uniformity, 0):>6}{density:>15}{forces:>17}"


def _weakest(product: Product, system: str) -> list[str]:
    part = product.weakest
    if part is None or part.strength_n is None:
        return [_line("  Weakest", "not known: a component has no crush strength")]
    enough = LIMITS["strength enough"]
    verdict = "Not below" if part.strength_n >= enough.value else "BELOW"
    return [
        _line(
            "  Weakest",
            f"{part.name}, {show(part.strength_n, 'force', system, digits=2)}: it decides the spinner speed, "
            f"not the mean (common practice). {verdict} the {show(enough.value, 'force', system)} that "
            f"are enough: {enough.source}",
        )
    ]


def _segregation(product: Product) -> list[str]:
    lines = ["  Segregation: differences in % of the mean of the two"]
    lines.append(f"    {'':<33}{'SGN':>8}{'UI':>8}{'flight':>9}   risk by SGN, UI")
    for pair in product.differences:
        short = textwrap.shorten(f"{pair.first} / {pair.second}", 33, placeholder="...")
        flight = _number(pair.flight_pct, 0) + ("*" if pair.flight_by_bulk and pair.flight_pct is not None else " ")
        risk = pair.risk or "not known"
        lines.append(
            f"    {short:<33}{_number(pair.size_pct, 0):>8}{_number(pair.uniformity_pct, 0):>8}{flight:>9}   {risk}"
        )
    low, caution = (LIMITS[code] for code in ("segregation low", "segregation caution"))
    notes = [
        f"Risk: below {low.value:g} % low, up to {caution.value:g} % caution, above high. {low.source}, from memory: "
        "not checked in a source.",
        "Flight compares size x density of granule: components alike in it are slowed alike by the air. No published "
        "limit is known for it.",
        "Size counts most, before density and shape (European blenders' handbook, 2016).",
    ]
    if any(pair.flight_by_bulk and pair.flight_pct is not None for pair in product.differences):
        notes.append("* by bulk density, where a granule density is missing.")
    return lines + [textwrap.fill(note, WIDTH, initial_indent="    ", subsequent_indent="    ") for note in notes]


def _chart(chart: Chart, answer: ChartAnswer, system: str) -> str:
    others = [f"{label} {_reading(label, value, system)}" for label, value in answer.others]
    words = [f"SGN {answer.size_guide_number:.1f}", show(answer.strength_n, "force", system), *others]
    asked = f"{', '.join(words[:-1])} and {words[-1]}"
    lines = [_line("Setting chart", f"{chart.source}, asked for {asked}")]
    lines += [_line("", ": ".join(part for part in remark if part)) for remark in chart.remarks]
    for row in answer.rows:
        speed, width = show(row.highest_speed_rpm, "turning speed"), show_width(row.expected_width_m, system)
        lines.append(_line(f"  row {row.number}", f"highest spinner speed {speed}, expected width {width}"))
    if not answer.rows:
        lines.append(_line("", f"No answer: {answer.why_none}. Nothing is read between or beyond the bands"))
    lines.append(
        _line("", "A start for the first test run; the machine's manual goes first, and the tray test decides")
    )
    return "\n".join(lines)


def _reading(label: str, value: float, system: str) -> str:
    kind = LABELS[label].kind
    return show(value, kind, system) if kind in KINDS else f"{value:.4g}"


def _form(product: Product, system: str) -> str:
    rows = form_rows(product, system)
    if not rows:
        return ""
    cells = (csv_line(part for part in (row.label, row.value, row.unit) if part) for row in rows)
    return "For the form of a tray sheet\n" + "".join(f"  {line}" for line in cells).rstrip()


def product_json(product: Product, answer: ChartAnswer | None = None) -> dict[str, Any]:
    """A product as plain data, schema spreadcheck/product/1: SI throughout, keys carry their units."""
    figures, strength = product.size_figures, product.strength
    data: dict[str, Any] = {
        "product": product.name,
        "size_guide_number": product.size_guide_number,
        "size_by_way": {way: _scatter(scatter, "") for way, scatter in product.sizes.items()},
        "uniformity_index": product.uniformity_index,
        "sieve_curve": None if figures is None else asdict(figures),
        "blender_checks": [] if figures is None else [asdict(check) for check in blender_checks(figures)],
        "bulk_density": _scatter(product.bulk, "_kg_m3"),
        "granule_density": _scatter(product.granule, "_kg_m3"),
        "density_entered_kg_m3": product.entered_kg_m3,
        "rate_error_pct": product.entry_error_pct,
        "crush_strength": None
        if strength is None
        else {
            **(_scatter(strength.scatter, "_newton") or {}),
            "confidence_pct": strength.confidence_pct,
            "half_width_newton": _known(strength.half_width_n),
            "half_width_wanted_newton": strength.wanted_n,
            "readings_needed": strength.needed,
        },
        "deciding_strength_newton": product.deciding_strength_n,
        "blend": None if product.blend is None else _blend_json(product, product.blend),
    }
    if answer is not None:
        data["chart"] = {
            "rows": [
                {
                    "row": row.number,
                    "highest_speed_rpm": row.highest_speed_rpm,
                    "expected_width_m": row.expected_width_m,
                }
                for row in answer.rows
            ],
            "highest_speed_rpm": answer.highest_speed_rpm,
            "expected_width_m": answer.expected_width_m,
            "why_none": answer.why_none or None,
        }
    doubts = (*product.doubts, *(answer.doubts if answer else ()))
    return envelope("product/1", {"product": product.name}, doubts, **data)


def _scatter(scatter: Scatter | None, unit: str) -> dict[str, Any] | None:
    if scatter is None:
        return None
    return {
        f"mean{unit}": scatter.mean,
        f"lowest{unit}": scatter.lowest,
        f"highest{unit}": scatter.highest,
        f"sd{unit}": _known(scatter.sd),
        "readings": scatter.count,
    }


def _known(value: float) -> float | None:
    return None if math.isnan(value) else value


def _blend_json(product: Product, blend: Blend) -> dict[str, Any]:
    return {
        "components": [
            {f"{key}ewton" if key == "strength_n" else key: value for key, value in asdict(part).items()}
            for part in blend.components
        ],
        "weakest": None if product.weakest is None else product.weakest.name,
        "mean_strength_newton": mass_weighted_mean(blend, lambda part: part.strength_n),
        "mean_size_guide_number": mass_weighted_mean(blend, lambda part: part.size_guide_number),
        "differences": [{**asdict(pair), "risk": pair.risk} for pair in product.differences],
    }
