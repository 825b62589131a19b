"""The table of a comparison of bout widths: figures down, widths across, one driving method at a time."""

from __future__ import annotations

import math
from collections.abc import Callable

from spreadcheck.errors import shown
from spreadcheck.money.economics import WidthCase, WidthStudy
from spreadcheck.show.tables import show_pct, show_width
from spreadcheck.units import from_inside, show, shown_unit

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
