"""What a comparison of bout widths says: text for a terminal, plain data for other programs, rows for a spreadsheet."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from spreadcheck.errors import shown
from spreadcheck.money.economics import WidthCase, WidthStudy
from spreadcheck.money.response import Response
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.csv import csv_text, in_units
from spreadcheck.show.format import show_pct, show_width
from spreadcheck.show.json import envelope
from spreadcheck.show.verdict import verdict_data
from spreadcheck.spread.tails import ends_of, tailed
from spreadcheck.spread.widths import scan_methods
from spreadcheck.units import from_inside, show, shown_unit

WIDTH = 80
ACROSS = 5  # widths in one table
MOST = 15  # widths on a screen
SCALED = (
    "At the target rate the profile is scaled, which takes the pattern to keep its shape at the new metering. "
    "A tray test at that metering decides."
)
CAUTION = (
    "The lowest total is arithmetic on your prices and your response. Stay within the CV limit, the machine "
    "maker's manual and the product label, and set no width that the machine's flow can't serve."
)


def widths_text(study: WidthStudy, system: str = "metric") -> str:
    """The comparison for a terminal, 80 columns wide."""
    test = study.test
    about = ", ".join(word for word in (test.text("product"), test.text("machine"), test.text("date")) if word)
    title = [textwrap.shorten(line, WIDTH, placeholder="...") for line in (f"Bout widths: {test.name}", about) if line]
    parts = ["\n".join(title)]
    told = study.thinned(MOST)
    for method in METHODS:
        cases = tuple(case for case in study.cases[method] if case.width_m in told)
        parts += [widths_table(study, method, cases[at : at + ACROSS], system) for at in range(0, len(cases), ACROSS)]
    parts.append(f"* within the CV limit of {study.limit_pct:g} %")
    if len(told) < len(study.widths_m):
        parts.append(f"{len(told)} of {len(study.widths_m)} widths are shown; --csv FILE writes them all")
    parts += [part for part in (_verdict(study, system), _notes(study, system)) if part]
    return "\n\n".join(parts)


def _verdict(study: WidthStudy, system: str) -> str:
    """The width with the lowest total, for each driving method and of all; or why there is none."""
    best = study.cheapest()
    if best is None:
        return _wrapped(_no_total(study))
    others = [case for method in METHODS if method != best.method and (case := study.cheapest(method))]
    lines = [f"Lowest total: {_told(study, best, system)}"]
    lines += [f"Lowest {case.method}: {_told(study, case, system)}" for case in others]
    if not best.cv_trays_pct <= study.limit_pct:
        lines.append(
            _wrapped(
                f"The width with the lowest total is NOT within the CV limit of {study.limit_pct:g} %: see the stripes."
            )
        )
    return "\n".join([*lines, _wrapped(CAUTION)])


def _told(study: WidthStudy, case: WidthCase, system: str) -> str:
    cost = f"{per_area(case.cost.total_per_ha, system)} {currency_of(study)}/{area_of(system)}"
    return f"{show_width(case.width_m, system)} {case.method}, {cost}, CV {show_pct(case.cv_trays_pct)} %"


def _no_total(study: WidthStudy) -> str:
    """What is missing for a total; nothing is ever filled in."""
    prices, basis = study.basis.prices, study.basis
    if not prices.any_given and basis.response is None:
        return "No prices were given, so nothing is priced: add --prices FILE or the price options."
    missing = [
        what
        for what, there in (
            ("the travel speed", basis.field.speed_m_s is not None),
            ("a price of labour or machine", prices.work_per_h is not None),
            ("the price and use of fuel", prices.fuel_per_h is not None),
            ("the crop price", prices.crop_per_t is not None),
            ("a yield response", basis.response is not None),
        )
        if not there
    ]
    return f"No total: {', '.join(missing)} not given. Write 0 where a thing costs nothing; nothing is assumed."


def _notes(study: WidthStudy, system: str) -> str:
    """What was taken for granted, and what may be doubted."""
    basis, notes = study.basis, []
    if ends_of(study.profile).catch:
        left, right = ends_of(study.profile).share_pct
        notes.append(
            f"THE END TRAYS STILL CATCH {left:.0f} and {right:.0f} % of the peak: what fell beyond them is missing, so "
            "every CV, cost and star here rests on a guess about the tails. Over all plausible tails the CV by line is "
            + _over_tails(study, system)
            + ". Lay trays farther out before a width is chosen."
        )
    if basis.target_kg_ha is None:
        notes.append("No target rate is known, so rates are those of the test's metering; add --target to scale them.")
    else:
        notes.append(SCALED)
    if study.speed_from_sheet:
        speed = show(basis.field.speed_m_s, "speed", system)
        notes.append(f"Travel speed {speed} is the tray test's; add --speed if the field is driven faster.")
    if basis.field.speed_m_s is not None and not basis.efficiency_given:
        notes.append(
            f"Field efficiency taken as {basis.field.efficiency_pct:g} %, the usual figure for fertiliser spreaders "
            "(60 to 80 %)."
        )
    if basis.response is not None:
        notes.append(_response_note(basis.response, system))
    lowest = study.lowest_yield_t_ha
    if lowest is not None and lowest < 0:
        notes.append("The response gives a yield below 0 at some rate here: the curve is used outside its range.")
    return "\n".join(_wrapped(note) for note in notes)


def _over_tails(study: WidthStudy, system: str) -> str:
    """The range of the CV by line at the narrowest and the widest width compared, in words."""
    profiles, widths = tailed(ends_of(study.profile)), study.widths_m
    told = []
    for width in dict.fromkeys((widths[0], widths[-1])):
        found = [scan_methods(one, [width]) for one in profiles]
        cvs = [float(scans[method].cv_line_pct[0]) for scans in found for method in METHODS]
        told.append(f"{show_pct(min(cvs))} to {show_pct(max(cvs))} % at {show_width(width, system)}")
    return ", ".join(told)


def _response_note(response: Response, system: str) -> str:
    """Which curve priced the yield, and what it was read at; over-supply only if the user has a limit."""
    supply = "the rate" if response.content == 1 else f"{response.content:g} x the rate"
    if response.already_kg_ha:
        supply = f"{show(response.already_kg_ha, 'rate', system)} given before + {supply}"
    limit = response.over_supply_kg_ha
    over = "no over-supply limit was given"
    if limit is not None:
        over = f"over-supply begins at {show(limit, 'rate', system)}"
    return f"Yield response: {response.curve}, the user's own, read at {supply}; {over}."


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def widths_json(study: WidthStudy) -> dict[str, Any]:
    """The comparison as plain data, schema spreadcheck/widths/1: SI throughout, keys carry their units."""
    basis, prices, best = study.basis, study.basis.prices, study.cheapest()
    data = {
        "cv_limit_pct": study.limit_pct,
        "target_rate_kg_ha": basis.target_kg_ha,
        "field": {
            "speed_m_s": basis.field.speed_m_s,
            "efficiency_pct": basis.field.efficiency_pct,
            "width_m": basis.field.width_m,
            "length_m": basis.field.length_m,
        },
        "prices": asdict(prices),
        "response": None if basis.response is None else _response_json(study),
        "methods": {
            method: [_case_json(case, relative=study.profile.relative) for case in cases]
            for method, cases in study.cases.items()
        },
        "lowest_total": None if best is None else {
            "method": best.method, "width_m": best.width_m, "total_per_ha": best.cost.total_per_ha,
            "within_limit": bool(best.cv_trays_pct <= study.limit_pct),
        },
    }  # fmt: skip
    return envelope("widths/1", study.test, study.doubts, verdict=verdict_data(study.verdict), **data)


def _response_json(study: WidthStudy) -> dict[str, Any]:
    """The response as its branches; an open end is None, as JSON has no infinity."""
    response = study.basis.response
    data: dict[str, Any] = asdict(response) if response else {}
    for branch in data["branches"]:
        branch |= {end: value if math.isfinite(value) else None for end, value in branch.items()}
    return data


def _case_json(case: WidthCase, *, relative: bool) -> dict[str, Any]:
    """A case as one flat row; rates in proportion say so in their keys."""
    row = {key: value for key, value in asdict(case).items() if key not in ("method", "work", "cost")}
    row |= asdict(case.work) | asdict(case.cost) | {"total_per_ha": case.cost.total_per_ha}
    if relative:
        for key in ("mean", "min", "max"):
            row[f"{key}_pct_of_peak"] = row.pop(f"{key}_kg_ha")
    return {key: None if isinstance(value, float) and math.isnan(value) else value for key, value in row.items()}


# JSON key -> kind of quantity; what is not here has no unit to change
_KINDS = {
    "width_m": "length", "mean_kg_ha": "rate", "min_kg_ha": "rate", "max_kg_ha": "rate",
    "at_target_min_kg_ha": "rate", "at_target_max_kg_ha": "rate", "stripe_m": "length", "stripe_middle_m": "length",
    "spread_width_m": "length", "capacity_ha_h": "field capacity", "flow_kg_s": "flow", "yield_loss_t_ha": "yield",
    "time_per_ha": "cost per area", "fuel_per_ha": "cost per area", "yield_per_ha": "cost per area",
    "total_per_ha": "cost per area",
}  # fmt: skip


def widths_csv(study: WidthStudy, system: str = "metric") -> str:
    """The comparison for a spreadsheet: one row a width and driving method, units in the header."""
    return csv_text(
        [
            {"method": case.method} | in_units(_case_json(case, relative=study.profile.relative), _KINDS, system)
            for cases in study.cases.values()
            for case in cases
        ]
    )


Cell = Callable[[WidthCase], str]
Section = tuple[str, list[tuple[str, Cell]]]


def widths_table(study: WidthStudy, method: str, cases: tuple[WidthCase, ...], system: str = "metric") -> str:
    """The table of some bout widths; a section that has nothing to tell is left out."""
    lines = [_row(method, [show_width(case.width_m, system) for case in cases])]
    for heading, rows in (*_evenness(study, system), *_work(study, system), *_cost(study, system)):
        told = [(label, [cell(case) for case in cases]) for label, cell in rows]
        told = [(label, cells) for label, cells in told if set(cells) != {"-"}]
        if told:
            lines += ["  " + heading] if heading else []
            lines += [_row(("    " if heading else "  ") + label, cells) for label, cells in told]
    return "\n".join(line.rstrip() for line in lines)


def _row(label: str, cells: list[str]) -> str:
    """A mark such as * stands behind the number, so that numbers stay in line."""
    return f"{label:<36}" + "".join(f"{cell:>8}" if cell.endswith("*") else f"{cell:>7} " for cell in cells)


def _evenness(study: WidthStudy, system: str) -> list[Section]:
    """CV, rates at both meterings, shares of the field, stripes."""
    rate, length = shown_unit("rate", system), shown_unit("length", system)
    tested = "% of peak" if study.profile.relative else rate
    target = show(study.basis.target_kg_ha, "rate", system, digits=0)

    def as_tested(value: float) -> str:
        return f"{value:.1f}" if study.profile.relative else show(value, "rate", system, unit=False)

    def shown_as(kind: str, value: float | None) -> str:
        return show(value, kind, system, unit=False)

    return [
        ("", [
            ("CV by trays, %", lambda c: show_pct(c.cv_trays_pct) + ("*" if c.cv_trays_pct <= study.limit_pct else "")),
            ("CV by line, %", lambda c: show_pct(c.cv_line_pct)),
        ]),
        ("At the metering of the test", [
            (f"mean, {tested}", lambda c: as_tested(c.mean_kg_ha)),
            (f"least, {tested}", lambda c: as_tested(c.min_kg_ha)),
            (f"most, {tested}", lambda c: as_tested(c.max_kg_ha)),
        ]),
        (f"Scaled to the target of {target}", [
            ("metering, times that of the test", lambda c: _plain(c.metering_factor, 3)),
            (f"least, {rate}", lambda c: shown_as("rate", c.at_target_min_kg_ha)),
            (f"most, {rate}", lambda c: shown_as("rate", c.at_target_max_kg_ha)),
            (f"flow needed, {shown_unit('flow', system)}", lambda c: shown_as("flow", c.work.flow_kg_s)),
        ]),
        ("Share of the field, %", [
            ("under the mean by more than 10 %", lambda c: show_pct(c.under_10_pct)),
            ("under the mean by more than 20 %", lambda c: show_pct(c.under_20_pct)),
            ("over the mean by more than 10 %", lambda c: show_pct(c.over_10_pct)),
            ("over the mean by more than 20 %", lambda c: show_pct(c.over_20_pct)),
        ]),
        ("Longest stripe under 90 % of the mean", [
            (f"its width, {length}", lambda c: shown_as("length", c.stripe_m)),
            (f"its middle, {length} off the centre", lambda c: shown_as("length", c.stripe_middle_m)),
        ]),
    ]  # fmt: skip


def _work(study: WidthStudy, system: str) -> list[Section]:
    """Field capacity, passes, hours."""
    field, capacity, length = study.basis.field, shown_unit("field capacity", system), shown_unit("length", system)
    wide = "" if field.width_m is None else f" over {show_width(field.width_m, system)}"
    return [
        ("Work", [
            (f"field capacity, {capacity}", lambda c: show(c.work.capacity_ha_h, "field capacity", system, unit=False)),
            (f"passes{wide}", lambda c: _plain(c.work.passes, 0)),
            (f"side by side they cover, {length}",
             lambda c: show(c.work.spread_width_m, "length", system, unit=False, digits=1)),
            (f"hours for {show(field.area_m2, 'area', system)}", lambda c: _plain(c.work.hours, 2)),
        ]),
    ]  # fmt: skip


def _cost(study: WidthStudy, system: str) -> list[Section]:
    """Yield lost, and the cost of it and of the work."""
    return [
        ("Crop", [
            (f"yield lost, {shown_unit('yield', system)}",
             lambda c: show(c.cost.yield_loss_t_ha, "yield", system, unit=False)),
            ("over-supplied, % of the field", lambda c: _plain(c.cost.over_supplied_pct, 1)),
        ]),
        (f"Cost, {currency_of(study)}/{area_of(system)}", [
            ("time", lambda c: per_area(c.cost.time_per_ha, system)),
            ("fuel", lambda c: per_area(c.cost.fuel_per_ha, system)),
            ("yield lost to unevenness", lambda c: per_area(c.cost.yield_per_ha, system)),
            ("total", lambda c: per_area(c.cost.total_per_ha, system)),
        ]),
    ]  # fmt: skip


def _plain(value: float | None, digits: int) -> str:
    return "-" if value is None or math.isnan(value) else f"{value:.{digits}f}"


def area_of(system: str) -> str:
    """The area that money is told for."""
    return shown_unit("cost per area", system).split("/")[1]


def per_area(money_per_ha: float | None, system: str = "metric") -> str:
    """Money for a hectare, or for an acre; large amounts without the small change, to keep their column."""
    if money_per_ha is None:
        return "-"
    amount = from_inside(money_per_ha, shown_unit("cost per area", system), "cost per area")
    text = f"{amount:.2f}" if abs(amount) < 9999.995 else f"{amount:.0f}" if abs(amount) < 1e7 else f"{amount:.1e}"
    return text.removeprefix("-") if float(text) == 0 else text


def currency_of(study: WidthStudy) -> str:
    """What the user calls the money, shortened; "money" where nothing was named."""
    return shown(study.basis.prices.currency)[:10] or "money"
