"""What a comparison of bout widths says: text for a terminal, plain data for other programs, rows for a spreadsheet.

1. `widths_text`   one table a driving method, figures down and widths across, 80 columns wide
2. `widths_json`   schema spreadcheck/widths/1, SI, keys with their units
3. `widths_csv`    one row a width and driving method
"""

from __future__ import annotations

import csv
import io
import math
import textwrap
from collections.abc import Callable
from dataclasses import asdict
from typing import Any

from spreadcheck.economics import WidthCase, WidthStudy
from spreadcheck.errors import shown
from spreadcheck.labels import METHODS
from spreadcheck.response import Response
from spreadcheck.tables import show_pct, show_width
from spreadcheck.units import ACRE_M2, HECTARE_M2, from_inside, show, shown_unit

WIDTH = 80
ACROSS = 5  # widths in one table
SCHEMA = "spreadcheck/widths/1"
SCALED = (
    "At the target rate the profile is scaled, which takes the pattern to keep its shape at the new metering. "
    "A tray test at that metering decides."
)
CAUTION = (
    "The lowest total is arithmetic on your prices and your response. Stay within the CV limit, the machine "
    "maker's manual and the product label, and set no width that the machine's flow can't serve."
)

Cell = Callable[[WidthCase], str]


def widths_text(study: WidthStudy, system: str = "metric") -> str:
    """The comparison for a terminal, 80 columns wide.

    Parameters
    ----------
    study : WidthStudy
        The comparison. [-]
    system : str
        "metric" or "us". [-]

    Returns
    -------
    str
        The text. [-]

    Examples
    --------
    >>> from spreadcheck import study_widths, tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> print("\\n".join(widths_text(study_widths(test, width_m=[3, 4])).splitlines()[2:6]))
    back-and-forth                           3 m     4 m
      CV by trays, %                         0.0*   22.2
      CV by line, %                          0.0    14.3
      At the metering of the test
    """
    test = study.test
    about = ", ".join(word for word in (test.text("product"), test.text("machine"), test.text("date")) if word)
    title = [textwrap.shorten(line, WIDTH, placeholder="...") for line in (f"Bout widths: {test.name}", about) if line]
    parts = ["\n".join(title)]
    for method in METHODS:
        cases = study.cases[method]
        parts += [_table(study, method, cases[at : at + ACROSS], system) for at in range(0, len(cases), ACROSS)]
    parts.append(f"* within the CV limit of {study.limit_pct:g} %")
    parts += [part for part in (_verdict(study, system), _notes(study, system)) if part]
    return "\n\n".join(parts)


def _table(study: WidthStudy, method: str, cases: tuple[WidthCase, ...], system: str) -> str:
    """Figures down, widths across; a section that has nothing to tell is left out."""
    lines = [_row(method, [show_width(case.width_m, system) for case in cases])]
    for heading, rows in _sections(study, system):
        told = [(label, [cell(case) for case in cases]) for label, cell in rows]
        told = [(label, cells) for label, cells in told if any(cell.strip() != "-" for cell in cells)]
        if told:
            lines += ["  " + heading] if heading else []
            lines += [_row(("    " if heading else "  ") + label, cells) for label, cells in told]
    return "\n".join(line.rstrip() for line in lines)


def _row(label: str, cells: list[str]) -> str:
    """A mark such as * stands behind the number, so that numbers stay in line."""
    return f"{label:<36}" + "".join(f"{cell:>8}" if cell.endswith("*") else f"{cell:>7} " for cell in cells)


def _sections(study: WidthStudy, system: str) -> list[tuple[str, list[tuple[str, Cell]]]]:
    rate = "% of peak" if study.profile.relative else shown_unit("rate", system)
    real, length = shown_unit("rate", system), shown_unit("length", system)
    plan, money = study.plan, _money(study)
    target = "" if plan.target_kg_ha is None else show(plan.target_kg_ha, "rate", system, digits=0)
    wide = "" if plan.field.width_m is None else f" over {show_width(plan.field.width_m, system)}"
    area = "" if plan.field.area_ha is None else show(plan.field.area_ha * HECTARE_M2, "area", system)
    grown = shown_unit("yield", system)

    def as_tested(value: float) -> str:
        return f"{value:.1f}" if study.profile.relative else show(value, "rate", system, unit=False)

    def shown_as(kind: str, value: float | None, digits: int | None = None) -> str:
        return show(value, kind, system, unit=False, digits=digits)

    return [
        ("", [
            ("CV by trays, %", lambda c: show_pct(c.cv_trays_pct) + ("*" if c.cv_trays_pct <= study.limit_pct else "")),
            ("CV by line, %", lambda c: show_pct(c.cv_line_pct)),
        ]),
        ("At the metering of the test", [
            (f"mean, {rate}", lambda c: as_tested(c.mean_kg_ha)),
            (f"least, {rate}", lambda c: as_tested(c.min_kg_ha)),
            (f"most, {rate}", lambda c: as_tested(c.max_kg_ha)),
        ]),
        (f"Scaled to the target of {target}", [
            ("metering, times that of the test", lambda c: _plain(c.metering_factor, 3)),
            (f"least, {real}", lambda c: shown_as("rate", c.at_target_min_kg_ha)),
            (f"most, {real}", lambda c: shown_as("rate", c.at_target_max_kg_ha)),
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
        ("Work", [
            (f"field capacity, {shown_unit('field capacity', system)}",
             lambda c: shown_as("field capacity", c.work.capacity_ha_h)),
            (f"passes{wide}", lambda c: _plain(c.work.passes, 0)),
            (f"side by side they cover, {length}", lambda c: shown_as("length", c.work.spread_width_m, 1)),
            (f"hours for {area}", lambda c: _plain(c.work.hours, 2)),
        ]),
        ("Crop", [
            (f"yield lost, {grown}", lambda c: shown_as("yield", c.cost.yield_loss_t_ha)),
            ("over-supplied, % of the field", lambda c: _plain(c.cost.over_supplied_pct, 1)),
        ]),
        (f"Cost, {money}/{_area(system)}", [
            ("time", lambda c: _per_area(c.cost.time_per_ha, system)),
            ("fuel", lambda c: _per_area(c.cost.fuel_per_ha, system)),
            ("yield lost to unevenness", lambda c: _per_area(c.cost.yield_per_ha, system)),
            ("total", lambda c: _per_area(c.cost.total_per_ha, system)),
        ]),
    ]  # fmt: skip


def _plain(value: float | None, digits: int) -> str:
    return "-" if value is None or math.isnan(value) else f"{value:.{digits}f}"


def _area(system: str) -> str:
    return "ac" if system == "us" else "ha"


def _per_area(money_per_ha: float | None, system: str) -> str:
    """Money for a hectare, or for an acre."""
    if money_per_ha is None:
        return "-"
    text = f"{money_per_ha * ACRE_M2 / HECTARE_M2 if system == 'us' else money_per_ha:.2f}"
    return text.removeprefix("-") if float(text) == 0 else text


def _money(study: WidthStudy) -> str:
    return shown(study.plan.prices.currency)[:10] or "money"


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
    cost = f"{_per_area(case.cost.total_per_ha, system)} {_money(study)}/{_area(system)}"
    return f"{show_width(case.width_m, system)} {case.method}, {cost}, CV {show_pct(case.cv_trays_pct)} %"


def _no_total(study: WidthStudy) -> str:
    """What is missing for a total; nothing is ever filled in."""
    prices, plan = study.plan.prices, study.plan
    if not prices.any_given and plan.response is None:
        return "No prices were given, so nothing is priced: add --prices FILE or the price options."
    missing = [
        what
        for what, there in (
            ("the travel speed", plan.field.speed_m_s is not None),
            ("a price of labour or machine", prices.work_per_h is not None),
            ("the price and use of fuel", prices.fuel_per_h is not None),
            ("the crop price", prices.crop_per_t is not None),
            ("a yield response", plan.response is not None),
        )
        if not there
    ]
    return f"No total: {', '.join(missing)} not given. Write 0 where a thing costs nothing; nothing is assumed."


def _notes(study: WidthStudy, system: str) -> str:
    """What was taken for granted, and what may be doubted."""
    plan, notes = study.plan, []
    if plan.target_kg_ha is None:
        notes.append("No target rate is known, so rates are those of the test's metering; add --target to scale them.")
    else:
        notes.append(SCALED)
    if study.speed_from_sheet:
        speed = show(plan.field.speed_m_s, "speed", system)
        notes.append(f"Travel speed {speed} is the tray test's; add --speed if the field is driven faster.")
    if plan.field.speed_m_s is not None and not plan.efficiency_given:
        notes.append(
            f"Field efficiency taken as {plan.field.efficiency_pct:g} %, the usual figure for fertiliser spreaders "
            "(60 to 80 %)."
        )
    if plan.response is not None:
        notes.append(_response_note(plan.response))
    lowest = study.lowest_yield_t_ha
    if lowest is not None and lowest < 0:
        notes.append("The response gives a yield below 0 at some rate here: the curve is used outside its range.")
    return "\n".join(_wrapped(note) for note in notes)


def _response_note(response: Response) -> str:
    """Which curve priced the yield, and what it was read at; over-supply only if the user has a limit."""
    supply = "the rate" if response.content == 1 else f"{response.content:g} x the rate"
    if response.already_kg_ha:
        supply = f"{response.already_kg_ha:g} kg/ha given before + {supply}"
    limit = response.over_supply_kg_ha
    over = "no over-supply limit was given" if limit is None else f"over-supply begins at {limit:g} kg/ha"
    return f"Yield response: {response.curve}, the user's own, read at {supply}; {over}."


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def widths_json(study: WidthStudy) -> dict[str, Any]:
    """The comparison as plain data, schema spreadcheck/widths/1: SI throughout, keys carry their units.

    Parameters
    ----------
    study : WidthStudy
        The comparison. [-]

    Returns
    -------
    dict
        Data that `json.dumps` takes; unknown figures are None. [SI, money/ha]

    Examples
    --------
    >>> from spreadcheck import study_widths, tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> data = widths_json(study_widths(test, width_m=[3, 4]))
    >>> data["schema"], data["methods"]["back-and-forth"][1]["under_10_pct"], data["lowest_total"]
    ('spreadcheck/widths/1', 51.25, None)
    """
    plan, prices, best = study.plan, study.plan.prices, study.cheapest()
    return {
        "schema": SCHEMA,
        "test": study.test.name,
        "cv_limit_pct": study.limit_pct,
        "target_rate_kg_ha": plan.target_kg_ha,
        "field": {
            "speed_m_s": plan.field.speed_m_s,
            "efficiency_pct": plan.field.efficiency_pct,
            "width_m": plan.field.width_m,
            "length_m": plan.field.length_m,
        },
        "prices": asdict(prices),
        "response": None if plan.response is None else _response_json(study),
        "methods": {
            method: [_case_json(case, relative=study.profile.relative) for case in cases]
            for method, cases in study.cases.items()
        },
        "lowest_total": None if best is None else {
            "method": best.method, "width_m": best.width_m, "total_per_ha": best.cost.total_per_ha,
            "within_limit": bool(best.cv_trays_pct <= study.limit_pct),
        },
        "warnings": [{"code": finding.code, "message": finding.message} for finding in study.findings],
    }  # fmt: skip


def _response_json(study: WidthStudy) -> dict[str, Any]:
    """The response as its branches; an open end is None, as JSON has no infinity."""
    response = study.plan.response
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


# JSON key -> kind of quantity and the key's stem; what is not here has no unit to change
_KINDS = {
    "width_m": "length", "mean_kg_ha": "rate", "min_kg_ha": "rate", "max_kg_ha": "rate",
    "at_target_min_kg_ha": "rate", "at_target_max_kg_ha": "rate", "stripe_m": "length", "stripe_middle_m": "length",
    "capacity_ha_h": "field capacity", "flow_kg_s": "flow", "spread_width_m": "length", "yield_loss_t_ha": "yield",
}  # fmt: skip


def widths_csv(study: WidthStudy, system: str = "metric") -> str:
    """The comparison for a spreadsheet: one row a width and driving method, units in the header.

    Parameters
    ----------
    study : WidthStudy
        The comparison. [-]
    system : str
        "metric" or "us". [-]

    Returns
    -------
    str
        The CSV text; unknown figures are empty. [-]

    Examples
    --------
    >>> from spreadcheck import study_widths, tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> print(widths_csv(study_widths(test, width_m=[3])).splitlines()[1][:42])
    back-and-forth,3.0,0.0,0.0,30.0,30.0,30.0,
    """
    rows = [
        {"method": case.method} | _in_units(_case_json(case, relative=study.profile.relative), system)
        for cases in study.cases.values()
        for case in cases
    ]
    out = io.StringIO()
    writer = csv.DictWriter(out, rows[0].keys(), lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def _in_units(row: dict[str, Any], system: str) -> dict[str, Any]:
    """A row with every figure in the units shown, rounded to nine digits, and the units in the keys."""
    told: dict[str, Any] = {}
    for key, value in row.items():
        kind = _KINDS.get(key)
        if kind:
            unit = shown_unit(kind, system)
            stem = key.removesuffix(_suffix(key))
            told[f"{stem}_{unit.replace('/', '_')}"] = None if value is None else _nine(from_inside(value, unit, kind))
        elif key.endswith("_per_ha") and system == "us":
            told[key.replace("_per_ha", "_per_ac")] = None if value is None else _nine(value * ACRE_M2 / HECTARE_M2)
        else:
            told[key] = _nine(value) if isinstance(value, float) else value
    return told


def _suffix(key: str) -> str:
    return next(end for end in ("_kg_ha", "_kg_s", "_ha_h", "_t_ha", "_m") if key.endswith(end))


def _nine(value: float) -> float:
    return float(f"{value:.9g}")
