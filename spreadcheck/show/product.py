"""A product's properties as a document, and as plain data."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from spreadcheck.limits import LIMITS
from spreadcheck.product.chart import ChartAnswer, reading_words
from spreadcheck.product.product import COMPONENTS, GIVEN, Product, blender_checks, form_rows
from spreadcheck.product.readings import Scatter
from spreadcheck.product.size import Blend, Component
from spreadcheck.sheet.plausible import DENSITIES_SOURCE, usual_density
from spreadcheck.show.data import envelope, picked
from spreadcheck.show.document import Answer, Block, Document, Heading, Paragraph, Points, table
from spreadcheck.show.format import from_to, show_figure, show_width
from spreadcheck.units import counted, show, shown_unit

_NO_ENTRY = "A density entered too high puts on too little, one too low too much. Weigh again with each load."
_A_START = "A start for the first test run: the machine's manual goes first, and the tray test decides."


def product_document(product: Product, system: str = "metric", answer: ChartAnswer | None = None) -> Document:
    """The properties of a product, what its machine's chart says to them, and the rows for a tray sheet."""
    blocks: list[Block] = [*_size(product), *_density(product, system)]
    blocks += _strength(product, system) if product.strength.count else ()
    blocks += _blend(product, product.blend, system) if product.blend else ()
    blocks += _chart(answer, system) if answer else ()
    if rows := [(row.label, row.value, row.unit) for row in form_rows(product, system)]:
        blocks += [Heading("For the form of a tray sheet"), table("label<; value<; unit<", rows, headed=False)]
    return Document(product.name or "Product", tuple(blocks))


def _readings(scatter: Scatter, low: str, high: str) -> str:
    """How many readings a mean is of, and between which they lie."""
    if scatter.count == 1:
        return "1 reading"
    return f"{scatter.count} readings, {'all ' if low == high else ''}{from_to(low, high)}"


def _size(product: Product) -> Iterator[Block]:
    for way, scatter in product.sizes.items():
        how = way if way in (GIVEN, COMPONENTS) else f"by {way}"
        readings = _readings(scatter, f"{scatter.lowest:.0f}", f"{scatter.highest:.0f}")
        told = "by their shares; a sieve tells more" if way == COMPONENTS else readings
        said = f"SGN {scatter.mean:.0f}, a median diameter of {scatter.mean / 100:.2f} mm"
        yield Answer(f"Size, {how}", said, told)
    if not math.isnan(product.uniformity_index):
        yield Answer("Uniformity", f"UI {product.uniformity_index:.0f}", "100 means all of one size")
    if product.totals_pct:
        totals = ", ".join(f"{total:g} %" for total in product.totals_pct)
        yield Answer("Shares", f"they added up to {totals} and were divided by that")
    figures = product.size_figures
    if figures is None:
        return
    sizes = [show_figure(size, digits=2) for size in (figures.d16_mm, figures.d50_mm, figures.d84_mm)]
    said = f"{sizes[0]}, {sizes[1]} and {sizes[2]} mm (d16, d50, d84)"
    yield Answer("16, 50 and 84 % are smaller than", said, "straight lines between the sieves")
    words = {True: "met", False: "NOT MET", None: "not known"}
    rows = (
        (c.what, show_figure(c.value, digits=2 if c.unit == "mm" else 1), c.unit, c.asked, words[c.met])
        for c in blender_checks(figures)
    )
    caption = "For blending, the European blenders' handbook (2016) asks for"
    yield table("<; value; <; asked for<; <", rows, caption)


def _density(product: Product, system: str) -> Iterator[Block]:
    usual, error, bulk = usual_density(product.name), product.entry_error_pct, product.bulk.count > 0
    if bulk:
        yield _densities("Bulk density", product.bulk, system)
    if bulk and usual:
        low, high = (show(x, "density", system) for x in (usual.low_kg_m3, usual.high_kg_m3))
        yield Answer(f"Usual for {usual.product}", f"{low} to {high}", DENSITIES_SOURCE)
    if not math.isnan(error):
        entered = show(product.entered_kg_m3, "density", system)
        high, much = ("high", "little") if error < 0 else ("low", "much")
        wrong = f"{entered} is too {high}: the field gets {abs(error):.1f} % too {much}"
        yield Answer("Density entered", wrong if round(error, 1) else f"{entered}, as measured: no rate error")
    if product.granule.count:
        yield _densities("Granule density", product.granule, system)
    if bulk and math.isnan(error):
        yield Paragraph(_NO_ENTRY, "small")


def _densities(name: str, scatter: Scatter, system: str) -> Answer:
    seen = (scatter.mean, scatter.lowest, scatter.highest, scatter.sd)
    mean, low, high, sd = (show(x, "density", system) for x in seen)
    spread = "" if scatter.count == 1 else f"; SD {sd}, {scatter.cv_pct:.1f} % of the mean"
    return Answer(name, mean, _readings(scatter, low.split()[0], high) + spread)


def _strength(product: Product, system: str) -> Iterator[Block]:
    scatter, needed = product.strength, product.needed
    count = counted(scatter.count, "granule")
    mean, lowest = (show(value, "force", system) for value in (scatter.mean, scatter.lowest))
    if needed is None:
        yield Answer("Crush strength", mean, f"{count}, which says nothing about the spread: crush about ten")
        return
    known = (scatter.sd, product.half_width_n, product.wanted_n)
    sd, half, wanted = (show(value, "force", system, digits=2) for value in known)
    yield Answer("Crush strength", f"mean {mean}, lowest {lowest}", f"{count}, SD {sd} or {scatter.cv_pct:.0f} %")
    enough = f"crush {needed - scatter.count} more" if needed > scatter.count else "no more are needed"
    sure = f"to +/- {half} at {product.confidence_pct:g} % confidence"
    yield Answer("The mean is known", sure, f"for +/- {wanted} it takes about {needed} granules: {enough}")


def _blend(product: Product, blend: Blend, system: str) -> Iterator[Block]:
    means = {name: blend.mean(name) for name in ("size_guide_number", "uniformity_index", "strength_n")}
    rows = [
        (
            part.name,
            f"{part.share_pct:.2f}",
            show_figure(part.size_guide_number, digits=0),
            show_figure(part.uniformity_index, digits=0),
            show(part.bulk_kg_m3, "density", system, unit=False),
            show(part.strength_n, "force", system, unit=False, digits=2),
        )
        for part in (*blend.components, Component("mean over the mass", blend.total_pct, **means))
    ]
    density, force = (shown_unit(kind, system) for kind in ("density", "force"))
    yield Heading("Blend")
    yield table(f"component<; share, %; SGN; UI; bulk density, {density}; crush strength, {force}", rows)
    if part := blend.weakest:
        enough = LIMITS["strength enough"]
        own, least = show(part.strength_n, "force", system, digits=2), show(enough.value, "force", system)
        verdict = f"{'not below' if part.strength_n >= enough.value else 'BELOW'} the {least} that are enough"
        further = f"{verdict} ({enough.source}). It decides the spinner speed, not the mean."
        yield Answer("Weakest component", f"{part.name}, {own}", further)
    else:
        yield Answer("Weakest component", "not known: a component has no crush strength")
    pairs = []
    for pair in product.differences:
        star = "*" if pair.flight_by_bulk and not math.isnan(pair.flight_pct) else ""
        apart = [show_figure(x, digits=0) for x in (pair.size_pct, pair.uniformity_pct, pair.flight_pct)]
        pairs.append((f"{pair.first} / {pair.second}", *apart[:2], apart[2] + star, pair.risk or "not known"))
    low, caution = (LIMITS[code] for code in ("segregation low", "segregation caution"))
    notes = (
        f"Risk by SGN and UI: below {low.value:g} % low, up to {caution.value:g} % caution, above high ({low.source}, "
        "from memory: not checked in a source).",
        "Flight: size x density of granule. Components alike in it are slowed alike by the air; no published limit is "
        "known for it.",
        "Size counts most, before density and shape (European blenders' handbook, 2016).",
        *(("* by bulk density, where a granule density is missing.",) if any("*" in row[3] for row in pairs) else ()),
    )
    yield Heading("Segregation: how far components differ, in % of their mean")
    yield table("pair<; SGN, %; UI, %; flight, %; risk<", pairs, notes=notes)


def _chart(answer: ChartAnswer, system: str) -> Iterator[Block]:
    *first, last = (reading_words(label, value, system) for label, value in answer.readings.items())
    yield Heading(f"Setting chart {answer.chart.source}")
    yield Answer("Asked for", f"{', '.join(first)} and {last}" if first else last)
    remarks = tuple(": ".join(part for part in remark if part) for remark in answer.chart.remarks)
    if remarks:
        yield Points(remarks, small=True)
    for row in answer.rows:
        speed, width = show(row.highest_speed_rpm, "turning speed"), show_width(row.expected_width_m, system)
        yield Answer(f"Row {row.number}", f"highest spinner speed {speed}, expected width {width}")
    if not answer.rows:
        yield Answer("No answer", f"{answer.why_none}. Nothing is read between or beyond the bands")
    yield Paragraph(_A_START)


def product_json(product: Product, answer: ChartAnswer | None = None) -> dict[str, Any]:
    """A product as plain data, schema spreadcheck/product/1: SI throughout, keys carry their units."""
    figures, blend, strength = product.size_figures, product.blend, _scatter(product.strength, "_newton")
    known = "confidence_pct half_width_newton=half_width_n half_width_wanted_newton=wanted_n readings_needed=needed"
    part = "name share_pct size_guide_number uniformity_index bulk_kg_m3 granule_kg_m3 strength_newton=strength_n"
    data: dict[str, Any] = {
        "product": product.name,
        "size_guide_number": product.size_guide_number,
        "size_by_way": {way: _scatter(scatter, "") for way, scatter in product.sizes.items()},
        "uniformity_index": product.uniformity_index,
        "sieve_curve": figures,
        "blender_checks": blender_checks(figures) if figures else [],
        "bulk_density": _scatter(product.bulk, "_kg_m3"),
        "granule_density": _scatter(product.granule, "_kg_m3"),
        **picked(product, "density_entered_kg_m3=entered_kg_m3 rate_error_pct=entry_error_pct"),
        "crush_strength": strength and strength | picked(product, known),
        "deciding_strength_newton": product.deciding_strength_n,
        "blend": blend and {
            "components": [picked(each, part) for each in blend.components],
            "weakest": blend.weakest and blend.weakest.name,
            "mean_strength_newton": blend.mean("strength_n"),
            "mean_size_guide_number": blend.mean("size_guide_number"),
            "differences": product.differences,
        },
    }  # fmt: skip
    if answer is not None:
        rows = [picked(row, "row=number highest_speed_rpm expected_width_m") for row in answer.rows]
        found = picked(answer, "highest_speed_rpm expected_width_m")
        data["chart"] = {"rows": rows, **found, "why_none": answer.why_none or None}
    doubts = (*product.doubts, *(answer.doubts if answer else ()))
    return envelope("product/1", {"product": product.name}, doubts, **data)


def _scatter(scatter: Scatter, unit: str) -> dict[str, Any] | None:
    """Repeated readings; their keys end in the unit."""
    ends = " ".join(f"{name}{unit}={name}" for name in ("mean", "lowest", "highest", "sd"))
    return picked(scatter, f"{ends} readings=count") if scatter.count else None
