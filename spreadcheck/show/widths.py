"""What a comparison of bout widths says: a document, plain data for other programs, rows for a spreadsheet."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from functools import partial
from typing import Any

from spreadcheck.errors import shown, visible
from spreadcheck.judge.assessment import CLOSE, WITHIN
from spreadcheck.money.economics import WidthCase, WidthStudy
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.data import csv_text, envelope, picked
from spreadcheck.show.document import Block, Column, Document, Paragraph, Points, Table
from spreadcheck.show.format import about_test, rate_unit, show_figure, show_rate, show_width
from spreadcheck.show.verdict import MARKS, marks_words
from spreadcheck.units import from_inside, show, shown_unit

ACROSS, ACROSS_OPEN = 5, 2  # widths in one table; the same where figures are ranges over the tails
MOST = 15  # widths on a screen
SCALED = (
    "At the target rate the profile is scaled, which takes the pattern to keep its shape at the new metering. "
    "A tray test at that metering decides."
)
CAUTION = (
    "The lowest total is arithmetic on your prices and your response. Stay within the CV limit, the machine "
    "maker's manual and the product label, and set no width that the machine's flow can't serve."
)
Row = tuple[str, Callable[[WidthCase], str] | None]  # a heading has no cells


def widths_document(study: WidthStudy, system: str = "metric") -> Document:
    """The comparison: a table for each driving method, the lowest total, and what was taken for granted."""
    judged, told = study.judged, study.thinned(MOST)
    blocks: list[Block] = []
    for method in METHODS:
        cases = [case for case in study.cases[method] if case.width_m in told]
        across = ACROSS_OPEN if any(case.over_tails for case in cases) else ACROSS
        blocks += [_table(study, method, cases[at : at + across], system) for at in range(0, len(cases), across)]
    blocks.append(Paragraph(marks_words(judged)))
    if len(told) < len(study.widths_m):
        blocks.append(Paragraph(f"{len(told)} of {len(study.widths_m)} widths are shown; --csv FILE writes them all"))
    blocks += _lowest(study, system)
    if (ends := judged.profile.ends).catch:
        left, right = ends.share_pct
        blocks.append(Paragraph(
            f"THE END TRAYS STILL CATCH {left:.0f} and {right:.0f} % of the peak: what fell beyond them is missing, so "
            'every figure with "to" runs from least to most over all plausible tails, and a width is marked only where '
            "each of them says the same. Lay trays farther out before a width is chosen."
        ))  # fmt: skip
    blocks.append(Points(tuple(_taken_for_granted(study, system))))
    return Document(f"Bout widths: {judged.test.name}", tuple(blocks), about=about_test(judged.test))


def _table(study: WidthStudy, method: str, cases: Sequence[WidthCase], system: str) -> Table:
    """The table of some bout widths; rows and sections that have nothing to tell are left out."""
    found: list[tuple[str, ...]] = []
    heading: tuple[str, ...] = ()
    for label, cell in _rows(study, system):
        if cell is None:
            heading = (label, *("" for _ in cases))
            continue
        texts = [_over_tails(cell, case) for case in cases]
        cells = tuple(text if text.endswith(tuple(MARKS.values())) else text + " " for text in texts)
        if {text.strip() for text in cells} != {"-"}:
            found += [row for row in (heading, (label if label.startswith("CV") else f"  {label}", *cells)) if row]
            heading = ()
    columns = (Column(method, align="left"), *(Column(show_width(case.width_m, system) + " ") for case in cases))
    return Table(columns, tuple(found))


def _rows(study: WidthStudy, system: str) -> Iterator[Row]:
    """All rows of the table, with the headings of its sections."""
    basis, relative = study.basis, study.judged.profile.relative
    rate, length, capacity = (shown_unit(kind, system) for kind in ("rate", "length", "field capacity"))
    tested = rate_unit(study.judged, system)

    def said(kind: str, value: float | None, digits: int | None = None) -> str:
        return show(value, kind, system, unit=False, digits=digits)

    as_tested = partial(show_rate, result=study.judged, system=system)
    yield "CV, which decides, %", lambda c: show_figure(c.cv_pct) + MARKS.get(c.standing, "")
    yield "CV by trays, %", lambda c: show_figure(c.cv_trays_pct)
    yield "CV by line, %", lambda c: show_figure(c.cv_line_pct)
    by_pass, by_metering = "", ""
    if (mass := study.judged.mass_of_passes) is not None and not relative:  # the passes differ in level
        by_pass = f" ({100 * mass.least - 100:+.0f} to {100 * mass.most - 100:+.0f} %)"
        by_metering = f" ({100 / mass.most - 100:+.0f} to {100 / mass.least - 100:+.0f} %)"
    yield "At the metering of the test", None
    yield f"mean, {tested}{by_pass}", lambda c: as_tested(c.mean_kg_ha)
    yield f"least, {tested}{by_pass}", lambda c: as_tested(c.min_kg_ha)
    yield f"most, {tested}{by_pass}", lambda c: as_tested(c.max_kg_ha)
    yield f"Scaled to the target of {show(basis.target_kg_ha, 'rate', system, digits=0)}", None
    yield f"metering, against the test's{by_metering}", lambda c: show_figure(c.metering_factor, digits=3)
    yield f"least, {rate}", lambda c: said("rate", c.at_target_min_kg_ha)
    yield f"most, {rate}", lambda c: said("rate", c.at_target_max_kg_ha)
    yield f"flow needed, {shown_unit('flow', system)}", lambda c: said("flow", c.work.flow_kg_s)
    yield "Share of the field, %", None
    yield "more than 10 % below the mean", lambda c: show_figure(c.under_10_pct)
    yield "more than 20 % below the mean", lambda c: show_figure(c.under_20_pct)
    yield "more than 10 % above the mean", lambda c: show_figure(c.over_10_pct)
    yield "more than 20 % above the mean", lambda c: show_figure(c.over_20_pct)
    yield "Longest stripe under 90 % of the mean", None
    yield f"its width, {length}", lambda c: said("length", c.stripe_m)
    yield f"its middle, {length} off the centre", lambda c: said("length", c.stripe_middle_m)
    yield "Work", None
    yield f"field capacity, {capacity}", lambda c: said("field capacity", c.work.capacity_ha_h)
    over = "" if basis.field.width_m is None else f" over {show_width(basis.field.width_m, system)}"
    yield f"passes{over}", lambda c: show_figure(c.work.passes, digits=0)
    yield f"side by side they cover, {length}", lambda c: said("length", c.work.spread_width_m, 1)
    yield f"hours for {show(basis.field.area_m2, 'area', system)}", lambda c: show_figure(c.work.hours, digits=2)
    yield "Crop", None
    yield f"yield lost, {shown_unit('yield', system)}", lambda c: said("yield", c.cost.yield_loss_t_ha)
    yield "over-supplied, % of the field", lambda c: show_figure(c.cost.over_supplied_pct, digits=1)
    yield f"Cost, {_money(study, system)}", None
    yield "time", lambda c: _per_area(c.cost.time_per_ha, system)
    yield "fuel", lambda c: _per_area(c.cost.fuel_per_ha, system)
    yield "yield lost to unevenness", lambda c: _per_area(c.cost.yield_per_ha, system)
    yield "total", lambda c: _per_area(c.cost.total_per_ha, system)


def _over_tails(cell: Callable[[WidthCase], str], case: WidthCase) -> str:
    """A figure of a case; from least to most where it rests on what fell beyond the end trays."""
    marks, own = "".join(MARKS.values()), cell(case)
    texts = {cell(one).rstrip(marks) for one in case.over_tails}
    if len(texts) < 2:
        return own
    if "-" in texts:
        return "-"
    return f"{min(texts, key=float)} to {max(texts, key=float)}{own[len(own.rstrip(marks)) :]}"


def _per_area(money_per_ha: float | None, system: str) -> str:
    """Money for a hectare, or for an acre; large amounts without the small change, to keep their column."""
    if money_per_ha is None:
        return "-"
    amount = from_inside(money_per_ha, shown_unit("cost per area", system), "cost per area")
    text = f"{amount:.2f}" if abs(amount) < 9999.995 else f"{amount:.0f}" if abs(amount) < 1e7 else f"{amount:.1e}"
    return text.removeprefix("-") if float(text) == 0 else text


def _money(study: WidthStudy, system: str) -> str:
    """What the user calls the money, shortened, and the area it is told for."""
    return f"{shown(study.basis.prices.currency)[:10] or 'money'}/{shown_unit('cost per area', system).split('/')[1]}"


def _lowest(study: WidthStudy, system: str) -> list[Block]:
    """The width with the lowest total, for each driving method and of all; or why there is none."""
    best, prices, response = study.cheapest(), study.basis.prices, study.basis.response
    if best is None:
        needed = {
            "the travel speed": study.basis.field.speed_m_s,
            "a price of labour or machine": prices.work_per_h,
            "the price and use of fuel": prices.fuel_per_h,
            "the crop price": prices.crop_per_t,
            "a yield response": response,
        }
        missing = ", ".join(what for what, known in needed.items() if known is None)
        words = f"No total, as these are not given: {missing}. Write 0 where a thing costs nothing; nothing is assumed."
        if not prices.any_given and response is None:
            words = "No prices were given, so nothing is priced: add --prices FILE or the price options."
        return [Paragraph(words)]
    if study.judged.blocking:
        return [Paragraph("Lowest total: none is named while the test can't be judged.")]
    if study.lowest() is None:
        return [Paragraph("Lowest total: none is named, as which it is rests on what fell beyond the end trays.")]
    others = [case for method in METHODS if method != best.method and (case := study.lowest(method))]
    lines = [f"Lowest total: {_told(study, best, system)}"]
    lines += [f"Lowest {case.method}: {_told(study, case, system)}" for case in others]
    limit = f"the CV limit of {study.judged.limit_pct:g} %"
    if best.standing == CLOSE:
        by_trays = _over_tails(lambda case: show_figure(case.cv_trays_pct), best)
        lines.append(f"That is close to {limit}: CV by trays is {by_trays} %.")
    elif best.over_tails and not best.standing:
        lines.append(f"Whether that keeps {limit} rests on what fell beyond the end trays.")
    elif best.standing != WITHIN:
        lines.append(f"The width with the lowest total is NOT within {limit}: see the stripes.")
    return [Points(tuple(lines)), Paragraph(CAUTION)]


def _told(study: WidthStudy, case: WidthCase, system: str) -> str:
    total = _over_tails(lambda one: _per_area(one.cost.total_per_ha, system), case)
    cv = _over_tails(lambda one: show_figure(one.cv_pct), case)
    return f"{show_width(case.width_m, system)} {case.method}, {total} {_money(study, system)}, CV {cv} %"


def _taken_for_granted(study: WidthStudy, system: str) -> Iterator[str]:
    basis = study.basis
    if study.judged.mass_of_passes is not None and not study.judged.profile.relative:
        yield "The passes differ in level, and which is right is not known: rates with brackets may be off by so much."
    if basis.target_kg_ha is None:
        yield "No target rate is known, so rates are those of the test's metering; add --target to scale them."
    else:
        yield SCALED
        stated = study.judged.test.target_kg_ha
        if basis.target_place and stated is not None and not math.isclose(stated, basis.target_kg_ha, rel_tol=1e-4):
            used, other = (show(rate, "rate", system) for rate in (basis.target_kg_ha, stated))
            yield f"Target rate {used} is used, from {visible(basis.target_place)}; the sheet states another, {other}."
    if study.speed_from_sheet:
        speed = show(basis.field.speed_m_s, "speed", system)
        yield f"Travel speed {speed} is the tray test's; add --speed if the field is driven faster."
    if basis.field.speed_m_s is not None and not basis.efficiency_given:
        usual = "the usual figure for fertiliser spreaders (60 to 80 %)"
        yield f"Field efficiency taken as {basis.field.efficiency_pct:g} %, {usual}."
    if (curve := basis.response) is not None:
        supply = "the rate" if curve.content == 1 else f"{curve.content:g} x the rate"
        if curve.already_kg_ha:
            supply = f"{show(curve.already_kg_ha, 'rate', system)} given before + {supply}"
        limit = curve.over_supply_kg_ha
        begins = "no over-supply limit was given"
        if limit is not None:
            begins = f"over-supply begins at {show(limit, 'rate', system)}"
        yield f"Yield response: {curve.curve}, the user's own, read at {supply}; {begins}."
    lowest = study.lowest_yield_t_ha
    if lowest is not None and lowest < 0:
        yield "The response gives a yield below 0 at some rate here: the curve is used outside its range."


def widths_json(study: WidthStudy) -> dict[str, Any]:
    """The comparison as plain data, schema spreadcheck/widths/1: SI throughout, keys carry their units."""
    basis, best, rows = study.basis, study.lowest(), _rows_json(study)
    lowest = next(row for row in rows[best.method] if row["width_m"] == best.width_m) if best else {}
    totals = {key: value for key, value in lowest.items() if key.endswith("total_per_ha")}
    data: dict[str, Any] = {
        "cv_limit_pct": study.judged.limit_pct,
        "target_rate_kg_ha": basis.target_kg_ha,
        "field": picked(basis.field, "speed_m_s efficiency_pct width_m length_m"),
        "prices": basis.prices,
        "response": basis.response,
        "methods": rows,
        "lowest_total": None if best is None else {
            "method": best.method, "width_m": best.width_m, **totals,
            "within_limit": None if best.over_tails and not best.standing else best.standing == WITHIN,
        },
    }  # fmt: skip
    return envelope("widths/1", study.judged, **data)


def _rows_json(study: WidthStudy) -> dict[str, list[dict[str, Any]]]:
    """Every case as one flat row; a figure that rests on the tails or on the pass gives way to its least and most."""
    flat = {method: [_flat(study, case) for case in cases] for method, cases in study.cases.items()}
    mass = None if study.judged.profile.relative else study.judged.mass_of_passes
    by_pass = (1.0,) if mass is None else (mass.least, mass.most)
    for method, cases in study.cases.items():
        for row, case in zip(flat[method], cases, strict=True):
            tails = [_flat(study, one) for one in case.over_tails]
            told = [key for key in row if key not in ("method", "width_m", "standing")]
            ends = {key: [one[key] for one in tails] for key in told if tails}
            for key, power in _BY_LEVEL.items() if mass else ():
                drawn = ends.get(key, [row[key]])
                ends[key] = [None if value is None else value * share**power for value in drawn for share in by_pass]
            for key, values in ends.items():
                known = None not in values
                if len(set(values)) > 1:
                    row[key] = None
                row |= {f"least_{key}": min(values) if known else None, f"most_{key}": max(values) if known else None}
    return flat


def _flat(study: WidthStudy, case: WidthCase) -> dict[str, Any]:
    row = {key: getattr(case, key) for key in case.__dataclass_fields__ if key not in _OWN}
    row |= asdict(case.work) | asdict(case.cost) | {"total_per_ha": case.cost.total_per_ha}
    if study.judged.profile.relative:
        for key in ("mean", "min", "max"):
            row[f"{key}_pct_of_peak"] = row.pop(f"{key}_kg_ha")
    return row


# how a figure goes with a pass's mass over the mean: as its power
_BY_LEVEL = {"mean_kg_ha": 1, "min_kg_ha": 1, "max_kg_ha": 1, "metering_factor": -1}
_OWN = ("method", "work", "cost", "over_tails")  # told otherwise


def widths_csv(study: WidthStudy, system: str = "metric") -> str:
    """The comparison for a spreadsheet: one row a width and driving method, units in the header."""
    every = ({"method": method} | row for method, rows in _rows_json(study).items() for row in rows)
    return csv_text(every, system)
