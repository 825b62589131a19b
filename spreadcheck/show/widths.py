"""What a comparison of bout widths says: text for a terminal, plain data for other programs, rows for a spreadsheet."""

from __future__ import annotations

import math
import textwrap
from dataclasses import asdict
from typing import Any

from spreadcheck.money.economics import WidthCase, WidthStudy
from spreadcheck.money.response import Response
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.csv import csv_text, in_units
from spreadcheck.show.json import envelope
from spreadcheck.show.tables import show_pct, show_width
from spreadcheck.show.verdict import verdict_data
from spreadcheck.show.widths_table import area_of, currency_of, per_area, widths_table
from spreadcheck.spread.tails import ends_of, tailed
from spreadcheck.spread.widths import scan_methods
from spreadcheck.units import show

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
