"""A rate check for a terminal, 80 columns wide, and as plain data."""

from __future__ import annotations

import math
import textwrap
from typing import Any

from spreadcheck.product.ratecheck import AREA, CATCH, TRAYS, RateCheck, RateFigures
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.show.format import show_width
from spreadcheck.show.json import envelope
from spreadcheck.show.verdict import verdict_data
from spreadcheck.units import show, shown_unit

WIDTH = 80
CAUTION = (
    "Before going near spinners, gate or catch container: stop the drive and the\n"
    "engine, take the key out, and do it as the machine's manual says."
)
_WAYS = {TRAYS: "trays, mean over the bout", AREA: "mass spread over an area", CATCH: "catch over time"}


def rate_text(check: RateCheck, system: str = "metric") -> str:
    """A rate check, 80 columns wide."""
    parts = [
        _set(check, system),
        _table(check, system),
        _over_tails(check, system),
        _corrections(check),
        _runs(check),
        _widths(check, system),
        CAUTION if any(figure.way == CATCH for figure in check.figures) else "",
    ]
    return "\n\n".join(part for part in parts if part)


def _set(check: RateCheck, system: str) -> str:
    known = check.settings
    pairs = (
        ("Target rate", known.target_kg_ha and show(known.target_kg_ha, "rate", system)),
        ("Bout width driven", known.bout_width_m and show_width(known.bout_width_m, system)),
        ("Rate metered", known.metered_rate_kg_ha and show(known.metered_rate_kg_ha, "rate", system)),
        ("Width metered for", known.metered_width_m and show_width(known.metered_width_m, system)),
        ("Expected at the width driven", known.expected_kg_ha and show(known.expected_kg_ha, "rate", system)),
    )
    return "\n".join(f"{name:<30}{text}" for name, text in pairs if text)


def _table(check: RateCheck, system: str) -> str:
    unit = shown_unit("rate", system)
    lines = [
        f"{'Measured by':<30}{'runs':>5}{'rate':>10}{'of target':>12}{'recovered':>12}",
        f"{'':<30}{'':>5}{unit:>10}{'%':>12}{'%':>12}",
    ]
    for figure in check.figures:
        rate = "a range" if figure.over_tails else show(figure.rate_kg_ha, "rate", system, unit=False)
        shares = f"{_pct(figure.of_target_pct):>12}{_pct(figure.recovered_pct):>12}"
        lines.append(f"{_WAYS[figure.way]:<30}{figure.runs.count:>5}{rate:>10}{shares}")
    if any(figure.recovered_pct is not None for figure in check.figures):
        lines.append("recovered: of the rate expected; 90 to 110 % is accepted (EN 13739-2, 5.2)")
    return "\n".join(lines)


def _pct(value: float | None) -> str:
    return "-" if value is None or math.isnan(value) else f"{value:.1f}"


def _corrections(check: RateCheck) -> str:
    known = check.settings
    lines = []
    for figure in check.figures:
        if figure.new_factor is not None:
            lines.append(f"Calibration factor by {figure.way:<8}{known.factor:g} -> {figure.new_factor:.4g}")
        if figure.new_setting is not None:
            lines.append(f"Gate or belt by {figure.way:<14}{known.setting:g} -> {figure.new_setting:.4g}")
    notes = []
    if any(figure.new_factor is not None for figure in check.figures):
        notes.append(
            "Convention here: factor x aimed / measured (metering a unit of mass)."
            if check.inverse
            else "Convention: factor x measured / aimed (mass a unit of metering); --inverse-factor turns it "
            "over. The machine's manual says which one your controller has."
        )
    if any(figure.new_setting is not None for figure in check.figures):
        notes.append(
            "Gate or belt: setting x target / measured, at the width driven. A gate's flow is only nearly in "
            "proportion: measure again."
        )
    if len(lines) > len(check.figures):
        notes.append("Correct the factor or the setting, not both.")
    if any(figure.new_setting is not None for figure in check.figures) and check.settings.slip_pct is not None:
        notes.append("If you enter the width driven instead, don't correct the setting for it as well.")
    return "\n".join([*lines, *(textwrap.fill(note, WIDTH, break_on_hyphens=False) for note in notes)])


def _over_tails(check: RateCheck, system: str) -> str:
    """What the trays leave open where the end trays still catch."""
    found = next((figure.over_tails for figure in check.figures if figure.over_tails), None)
    if found is None:
        return ""
    least, most = (show(rate, "rate", system) for rate in (found.rate_kg_ha.least, found.rate_kg_ha.most))
    text = (
        "The end trays still catch, so what fell beyond them is not known. Over all plausible tails the rate by trays "
        f"is {least} to {most}"
    )
    for name, span in (("calibration factor", found.factor), ("gate or belt setting", found.setting)):
        if span is not None:
            text += f", and the {name} {span.least:.4g} to {span.most:.4g}"
    return textwrap.fill(f"{text}. Lay trays farther out before anything is corrected.", WIDTH)


def _runs(check: RateCheck) -> str:
    texts = [_run_line(check, figure) for figure in check.figures]
    return "\n".join(textwrap.fill(text, WIDTH, subsequent_indent="  ") for text in texts)


def _run_line(check: RateCheck, figure: RateFigures) -> str:
    if figure.more_runs is None:
        return f"By {figure.way}: one run says nothing about the scatter; make at least one more."
    known = f"By {figure.way}: the mean of {figure.runs.count} runs is known to +/- {figure.half_width_pct:.1f} %"
    aim = f"+/- {check.tolerance_pct:g} % at {check.confidence_pct:g} % confidence"
    if figure.more_runs == 0:
        return f"{known}; that is within {aim}."
    more = "1 more run" if figure.more_runs == 1 else f"{figure.more_runs} more runs"
    return f"{known}; about {more} for {aim}, if they scatter as these did."


def _widths(check: RateCheck, system: str) -> str:
    if not check.at_widths:
        return ""
    lines = [f"The same metering at another bout width (from {check.figures[0].way})"]
    for width, rate in check.at_widths:
        lines.append(f"  {show_width(width, system):<12}{show(rate, 'rate', system):>16}")
    return "\n".join(lines)


def rate_json(check: RateCheck, test: TrayTest | None = None) -> dict[str, Any]:
    """A rate check as plain data, schema spreadcheck/rate/1: SI throughout, keys carry their units."""
    known = check.settings
    data = {
        "target_rate_kg_ha": known.target_kg_ha,
        "bout_width_m": known.bout_width_m,
        "metered_rate_kg_ha": known.metered_rate_kg_ha,
        "metered_width_m": known.metered_width_m,
        "expected_rate_kg_ha": known.expected_kg_ha,
        "metered_width_effect_pct": known.slip_pct,
        "factor_convention": "aimed / measured" if check.inverse else "measured / aimed",
        "tolerance_pct": check.tolerance_pct,
        "confidence_pct": check.confidence_pct,
        "measured": [
            {
                "way": figure.way,
                "rate_kg_ha": figure.rate_kg_ha,
                "runs_kg_ha": list(figure.runs.readings),
                "of_target_pct": figure.of_target_pct,
                "recovered_pct": figure.recovered_pct,
                "calibration_factor": figure.new_factor,
                "gate_setting": figure.new_setting,
                "half_width_pct": None if math.isnan(figure.half_width_pct) else figure.half_width_pct,
                "more_runs": figure.more_runs,
                "over_tails": _tails_json(figure),
            }
            for figure in check.figures
        ],
        "same_metering": [{"bout_width_m": width, "rate_kg_ha": rate} for width, rate in check.at_widths],
    }
    return envelope("rate/1", test, check.doubts, verdict=verdict_data(check.verdict), **data)


def _tails_json(figure: RateFigures) -> dict[str, Any] | None:
    found = figure.over_tails
    if found is None:
        return None
    spans = {
        "rate_kg_ha": found.rate_kg_ha,
        "calibration_factor": found.factor,
        "gate_setting": found.setting,
    }
    return {name: [span.least, span.most] if span else None for name, span in spans.items()}
