"""A rate check as a document, and as plain data."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

from spreadcheck.limits import LIMITS
from spreadcheck.product.rate import AREA, CATCH, TRAYS, RateCheck, RateFigures
from spreadcheck.show.data import envelope, picked
from spreadcheck.show.document import Answer, Block, Document, Note, Paragraph, Points, Table, table
from spreadcheck.show.format import from_to, show_figure, show_width
from spreadcheck.units import counted, show, shown_unit

CAUTION = (
    "Before going near spinners, gate or catch container: stop the drive and the engine, take the key out, and do it "
    "as the machine's manual says."
)
BINS_TOGETHER = (
    "The bins ran together: the trays caught all of them and can't tell them apart. They are held against the sum of "
    "the bins' target rates and correct no bin's factor or setting. Calibrate each bin by itself: run it alone and "
    "give its catch with --catch, without the sheet."
)
_WAYS = {TRAYS: "trays, mean over the bout", AREA: "mass spread over an area", CATCH: "mass caught over a time"}


def rate_document(check: RateCheck, system: str = "metric") -> Document:
    """What was set, what was measured, and what to correct."""
    blocks: list[Block] = [*_set(check, system), _table(check, system), *_left_open(check, system)]
    if check.verdict and check.verdict.blocking:
        first = f"Put right first: {', '.join(check.verdict.blocking)}."
        blocks.append(Paragraph(f"{first} Until then the trays say nothing about factor or setting.", "strong"))
    if check.bins_together:
        blocks.append(Paragraph(BINS_TOGETHER, "strong"))
    blocks += [*_corrections(check), Points(tuple(_run_line(check, figure) for figure in check.figures))]
    if check.at_widths:
        rows = ((show_width(w, system), show(r, "rate", system, unit=False)) for w, r in check.at_widths)
        caption = f"The same metering at another bout width (from {check.figures[0].way})"
        blocks.append(table(f"bout width<; rate, {shown_unit('rate', system)}", rows, caption))
    if any(figure.way == CATCH for figure in check.figures):
        blocks.append(Note("Caution", CAUTION))
    return Document(f"Application rate{f': {check.test.name}' if check.test else ''}", tuple(blocks))


def _set(check: RateCheck, system: str) -> Iterator[Block]:
    s = check.settings
    rows = (
        ("Target rate, all bins" if check.bins_together else "Target rate", s.target_kg_ha, "rate"),
        ("Bout width driven", s.bout_width_m, "width"),
        ("Rate metered", s.metered_rate_kg_ha, "rate"),
        ("Width metered for", s.metered_width_m, "width"),
        ("Expected at the width driven", s.expected_kg_ha, "rate"),
    )
    for label, value, kind in rows:
        if not math.isnan(value or math.nan):
            yield Answer(label, show_width(value, system) if kind == "width" else show(value, kind, system))


def _table(check: RateCheck, system: str) -> Table:
    rows = []
    for figure in check.figures:
        rate, span = show(figure.rate_kg_ha, "rate", system, unit=False), figure.left_open
        if span and len({show(end, "rate", system) for end in vars(span.rate_kg_ha).values()}) > 1:
            rate = "a range"
        shares = (show_figure(share) for share in (figure.of_target_pct, figure.recovered_pct))
        rows.append((_WAYS[figure.way], str(figure.runs.count), rate, *shares))
    heads = f"measured by<; runs; rate, {shown_unit('rate', system)}; of target, %; recovered, %"
    recovered = not all(math.isnan(figure.recovered_pct) for figure in check.figures)
    low, high = (LIMITS[f"recovery {end}"].value for end in ("low", "high"))
    note = f"Recovered: of the rate expected; {low:g} to {high:g} % is accepted (EN 13739-2, 5.2)."
    return table(heads, rows, notes=(note,) if recovered else ())


def _corrections(check: RateCheck) -> Iterator[Block]:
    s = check.settings
    factors = [figure for figure in check.figures if not math.isnan(figure.new_factor)]
    settings = [figure for figure in check.figures if not math.isnan(figure.new_setting)]
    for figure in factors:
        yield Answer(f"Calibration factor, by {figure.way}", f"{s.factor:g} -> {figure.new_factor:.4g}")
    for figure in settings:
        yield Answer(f"Gate or belt, by {figure.way}", f"{s.setting:g} -> {figure.new_setting:.4g}")
    notes = []
    if factors and check.inverse:
        notes.append("The factor is taken as the metering that one unit of mass takes: factor x aimed / measured.")
    elif factors:
        notes.append(
            "The factor is taken as the mass that one unit of metering gives (a turn, a pulse): factor x measured / "
            "aimed. If your controller counts the other way, add --inverse-factor; its manual says so."
        )
    if settings:
        nearly = "A gate's flow is only nearly in proportion: measure again."
        notes.append(f"Gate or belt: setting x target / measured, at the width driven. {nearly}")
    if factors and settings:
        notes.append("Correct the factor or the setting, not both.")
    if settings and not math.isnan(s.slip_pct):
        notes.append("If you enter the width driven instead, don't correct the setting for it as well.")
    if notes:
        yield Points(tuple(notes), small=True)


def _left_open(check: RateCheck, system: str) -> Iterator[Block]:
    """What the trays leave open where the end trays still catch, or the passes differ in level."""
    found = next((figure.left_open for figure in check.figures if figure.left_open), None)
    if found is None:
        return
    rate = from_to(*(show(rate, "rate", system) for rate in vars(found.rate_kg_ha).values()))
    why, first = [], []
    if found.ends_catch:
        why.append("The end trays still catch, so what fell beyond them is not known.")
        first.append("lay trays farther out")
    if found.passes_differ:
        why.append("The passes differ in level by more than chance, so which of them is right is not known.")
        first.append("find out why the passes differ, and repeat or throw out what was wrong,")
    text = f"{' '.join(why)} For all that this leaves open, the rate by trays is {rate}"
    for name, span in (("calibration factor", found.factor), ("gate or belt setting", found.setting)):
        if not math.isnan(span.least):
            text += f", and the {name} {from_to(f'{span.least:.4g}', f'{span.most:.4g}')}"
    todo = " and ".join(first)
    yield Paragraph(f"{text}. {todo[0].upper()}{todo[1:]} before anything is corrected.", "strong")


def _run_line(check: RateCheck, figure: RateFigures) -> str:
    if figure.way == TRAYS and check.verdict and check.verdict.blocking:
        return "By trays: how many runs are needed can be told once that is put right."
    if figure.more_runs is None:
        return f"By {figure.way}: one run says nothing about the scatter; make at least one more."
    sure = f"By {figure.way}: the mean of {figure.runs.count} runs is known to +/- {figure.half_width_pct:.1f} %"
    aim = f"+/- {check.tolerance_pct:g} % at {check.confidence_pct:g} % confidence"
    if figure.more_runs == 0:
        return f"{sure}; that is within {aim}."
    return f"{sure}; make about {counted(figure.more_runs, 'more run')} for {aim}, if they scatter as these did."


def rate_json(check: RateCheck) -> dict[str, Any]:
    """A rate check as plain data, schema spreadcheck/rate/1: SI throughout, keys carry their units."""
    settings = (
        "target_rate_kg_ha=target_kg_ha bout_width_m metered_rate_kg_ha metered_width_m "
        "expected_rate_kg_ha=expected_kg_ha metered_width_effect_pct=slip_pct"
    )
    figures = (
        "way rate_kg_ha runs_kg_ha=runs.readings of_target_pct recovered_pct calibration_factor=new_factor "
        "gate_setting=new_setting half_width_pct more_runs"
    )
    measured = []
    for figure in check.figures:
        found = figure.left_open
        spans = picked(found, "rate_kg_ha calibration_factor=factor gate_setting=setting") if found else {}
        ranges = {name: None if math.isnan(span.least) else [span.least, span.most] for name, span in spans.items()}
        left_open = {
            "over_tails": ranges if found and found.ends_catch else None,
            "over_passes": ranges if found and found.passes_differ else None,
        }
        measured.append(picked(figure, figures) | left_open)
    data = {
        **picked(check.settings, settings),
        "factor_convention": "aimed / measured" if check.inverse else "measured / aimed",
        **picked(check, "tolerance_pct confidence_pct"),
        "measured": measured,
        "same_metering": [{"bout_width_m": width, "rate_kg_ha": rate} for width, rate in check.at_widths],
    }
    return envelope("rate/1", check, **data)
