"""The report for a customer: plain words first, then pictures, figures, method and sources, raw trays and doubts."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from spreadcheck import __version__
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.confidence import SURE_PCT, Confidence
from spreadcheck.limits import LIMITS
from spreadcheck.pattern.advice import SPINNERS
from spreadcheck.sheet.cells import shortest
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS, ROUND_AND_ROUND
from spreadcheck.sheet.traysheet import catch_cell
from spreadcheck.sheet.traytest import MIRRORED
from spreadcheck.show.analyse import OTHER_SYSTEM, width_tables
from spreadcheck.show.confidence import confidence_tables, draw_cv_band
from spreadcheck.show.document import (
    Block,
    Column,
    Document,
    Heading,
    Own,
    Paragraph,
    Picture,
    Place,
    Points,
    Table,
    table,
)
from spreadcheck.show.format import from_to, rate_unit, show_figure, show_rate, show_width
from spreadcheck.show.pages import template, web_part
from spreadcheck.show.pattern import advice_blocks
from spreadcheck.show.plots import draw_deposit, draw_profile, draw_widths, drawn, panels, plain_style, shown_bout
from spreadcheck.show.verdict import (
    advice_words,
    advised_words,
    down_m,
    effective_words,
    field_words,
    if_alike,
    not_driven_words,
    open_mean,
    other_bands_words,
    verdict_sentence,
    width_down,
)
from spreadcheck.spread.profile import TAPER
from spreadcheck.units import counted, show, shown_unit, to_inside

if TYPE_CHECKING:
    from matplotlib.figure import Figure

SLIDER_STEP = {"metric": 0.1, "us": 0.5}  # m, ft
HOW = {
    BACK_AND_FORTH: "neighbouring passes in opposite directions",
    ROUND_AND_ROUND: "neighbouring passes in the same direction",
}
OTHER_WAY = {BACK_AND_FORTH: ROUND_AND_ROUND, ROUND_AND_ROUND: BACK_AND_FORTH}
CLOSE_CALL_PCT = 1.0  # from the limit: more than rounding hides, and a reader should be told
MANUAL_FIRST = "The machine maker's manual, the product label and local rules come before this report."
MOST_WIDTHS = 24  # about so many rows in the table of bout widths
MOST_COLUMNS = 6  # catches side by side; more go into further tables
MOST_CATCHES = 6_000  # more than anyone reads, and than a page in a browser or a printer bears
BLANK = "blank"
CELL_WORDS = "blank: not weighed; x: weighed but thrown out; 0: nothing fell in"
NO_DOUBTS = "Nothing doubtful was found in the sheet. That does not show that the test was run well."
METHOD = (
    "Rate at a tray = catch in g / runs / tray area in m² x 10, in kg/ha; the passes are averaged to the single-pass "
    "profile. Between trays it is linear; beyond the end trays it {tails}.",
    "The overlapped deposit is the sum of all passes at a point, each pass a bout width from the last; "
    "back-and-forth, every second pass is mirrored.",
    "CV by trays = 100 x standard deviation (n - 1) / mean of the deposit at the {points} inside one bout; a point on "
    "the edge of the bout counts half. It is the standards' figure, at whole tray spacings.",
    "The CV that decides is what trays at this spacing read on average over where the line happens to lie: CV by line "
    "x square root of n / (n - 1), n = bout width / tray spacing. Every width from two tray spacings to the length of "
    "the line is searched. Where CV by trays falls on its other side, that is close.",
    "CV by line, mean, least, most and the shares near the mean are exact for the whole line, not for a grid of "
    "points.",
)
_SMALL = {"font.size": 9, "axes.labelsize": 9}  # a picture's signs can be read on a phone


def report(result: Assessment, system: str = "metric", *, sure: Confidence | None = None) -> Document:
    """The report of an assessment; `system` leads, `sure` adds how sure the answer is."""
    known = sure if sure is not None and sure.noise.known else None
    words = plain_words(result, system)
    answer, *more = words["In short"]
    doubts = [f"{doubt.code}: {doubt.message(system)}" for doubt in (*result.doubts, *(sure.doubts if sure else ()))]
    taper, even = result.profile.tails == TAPER, result.profile.even
    beyond = {
        "tails": "runs to zero over one tray spacing" if taper else "stops (nothing is taken to fall beyond)",
        "points": "tray offsets" if even else "points at the smallest tray spacing",
    }
    limits = (LIMITS[code] for code in ("cv hall", "cv normal", "cv stripes", "cv top dressing"))
    sources = (f"{row.value:g} {row.unit}, {row.what}: {row.source} ({row.standing})." for row in limits)
    sections: dict[str, Iterable[Block]] = {
        **{heading: [Paragraph(" ".join(sentences))] for heading, sentences in words.items()},
        "In short": [Paragraph(answer, "strong"), *map(Paragraph, more)],
        "What to do": [Points(words["What to do"]), Place("slider", partial(_slider, result, system))],
        "Pictures": _pictures(result, system, known),
        "Figures": [*_figures(result, system, known), *advice_blocks(result, system)],
        "Method": [Paragraph(text.format(**beyond)) for text in METHOD],
        "What the limits rest on": [Points(tuple(sources))],
        "Raw trays and form": [*tray_tables(result, system), form_table(result)],
        "Doubts about this test": [Points(tuple(doubts if result.doubts else [NO_DOUBTS, *doubts]))],
    }
    blocks = tuple(block for heading, parts in sections.items() for block in (Heading(heading), *parts))
    name = result.test.name
    return Document(name, blocks, over="Spread pattern report", foot=f"{name} - spreadcheck {__version__}")


def _slider(result: Assessment, system: str) -> Own:
    """The slider for the bout width and what it needs, in SI; parts of a blend with what their limit is worth."""
    profile, widths, systems = result.profile, result.width_m, (system, OTHER_SYSTEM[system])
    method, width = shown_bout(result)
    jumps = [(result.bout_width_m, result.driving or METHODS[0], "driven")]
    for each in () if result.tail_curves else METHODS:
        effective = result.effective_width_m(each)
        jumps.append((effective and down_m(effective, system), each, "effective"))
    html = template("slider.html")(
        jumps=[(w, m, f"{what}: {show_width(w, system)} {m}") for w, m, what in jumps if w],
        length_unit=shown_unit("length", system),
        rate_unit=rate_unit(result, system),
    )
    judged = result.blend.judged if result.blend else ()
    parts = [(profile, 1.0), *((part.profile, result.limit_pct / part.limit_pct) for part in judged)]
    whole, *parts_data = (
        {"offset": each.offset_m.tolist(), "rate": each.rate_kg_ha.tolist(), "tails": each.tails, "share": share}
        for each, share in parts
    )
    lengths, rates = (
        [{"unit": shown_unit(kind, s), "worth": to_inside(1.0, shown_unit(kind, s), kind)} for s in systems]
        for kind in ("length", "rate")
    )
    data = {
        **whole,
        "parts": parts_data,
        "blocking": list(result.blocking),
        "limit": result.limit_pct,
        "narrowest": min(float(widths[0]), width),
        "widest": max(float(widths[-1]), float(np.ptp(profile.offset_m)), width),
        "width": width,
        "method": method,
        "lengths": [{**each, "step": SLIDER_STEP[s]} for each, s in zip(lengths, systems, strict=True)],
        "rates": [{"unit": rate_unit(result), "worth": 1.0}] if profile.relative else rates,
    }
    return html, "".join(map(web_part, ("core.js", "overlap.js", "report.js"))), data


def both_lengths(length_m: float, system: str) -> str:
    """A length as this package rounds it, with the other unit system in brackets."""
    return f"{show_width(length_m, system)} ({show(length_m, 'length', OTHER_SYSTEM[system], digits=1)})"


def both_rates(rate: float, result: Assessment, system: str) -> str:
    """A rate as this package rounds it, with the other unit system in brackets where rates are known."""
    said = f"{show_rate(rate, result, system)} {rate_unit(result, system)}"
    return said if result.profile.relative else f"{said} ({show(rate, 'rate', OTHER_SYSTEM[system])})"


def plain_words(result: Assessment, system: str = "metric") -> dict[str, tuple[str, ...]]:
    """The plain part of a report, sentences by heading: the answer first, then what a customer asks next."""
    parts = {
        "In short": _in_short,
        "What was tested": _tested,
        "How far apart the passes may be driven": _how_far,
        "What the field gets": _field_gets,
        "What to do": _steps,
    }
    return {heading: tuple(told(result, system)) for heading, told in parts.items()}


def _in_short(result: Assessment, system: str) -> Iterator[str]:
    kind, judged = result.pattern.kind, result.judged_methods if result.bouts else ()
    laid = kind.outlets and judged and not result.blocking  # it drives the width it is built for
    if not laid and not (judged and result.blocking):  # else the verdict says what blocks
        yield _may_be_driven(result, system)
    if not judged:
        yield "It is not known how far apart the passes are driven, so no width is judged."
    for method in judged:
        yield verdict_sentence(result.verdicts[method], system, both_lengths)
        if abs(result.bouts[method].cv_pct - result.limit_pct) <= CLOSE_CALL_PCT and not result.blocking:
            yield "This is close to the limit: another test of the same machine may fall on the other side."
    if judged and not result.driving:  # below the answer, which leads
        yield "It is not known which way the passes are driven, so both are judged."
    if laid and not result.within_limit:
        yield f"Put right what lays unevenly ({kind.parts}) and test again."
    if count := len(result.doubts):
        yield f"{counted(count, 'doubt')} about this test, told at the end: read before you rely on the figures."


def _may_be_driven(result: Assessment, system: str) -> str:
    if result.blocking:
        return f"How far apart the passes may be driven can't be judged. What blocks it: {', '.join(result.blocking)}."
    if result.test.mirrored:
        return f"{advice_words(result, METHODS[0], system)} What follows holds only {if_alike(result.test.mirrored)}."
    if not any(map(result.effective_width_m, METHODS)):
        return "No bout width that was tried is even enough with this setting, whichever way the passes are driven."
    advised = {method: result.advised_width_m(method) for method in METHODS}
    said = {m: both_lengths(down_m(width, system), system) for m, width in advised.items() if width is not None}
    if not said:
        return advice_words(result, METHODS[0], system)
    if len(said) == len(METHODS) and len(set(said.values())) == 1:
        return f"Advised: drive the passes {said[METHODS[0]]} apart, {METHODS[0]} or {METHODS[1]}."
    driven = ", or ".join(f"{far} apart {method}" for method, far in said.items())
    return f"Advised: drive the passes {driven}{''.join(f'; none is advised {m}' for m in METHODS if m not in said)}."


def _tested(result: Assessment, system: str) -> Iterator[str]:
    test, profile = result.test, result.profile
    about = ("product", "machine", "place", "date", "customer", "adviser")
    named = "; ".join(f"{label}: {test.text(label)}" for label in about if test.text(label))
    if named:
        yield _as_sentence(named)
    stood = profile.offset_m  # of a line that was mirrored only the side that was laid out
    stood = stood[stood >= 0] if test.mirrored == "left" else stood[stood <= 0] if test.mirrored else stood
    spaced = f"{both_lengths(profile.spacing_m, system)} apart" if profile.even else "not evenly spaced"
    passes = counted(profile.passes_used, "pass", "passes")
    yield (
        f"{len(stood)} trays, {spaced}, stood in a line from {_side(float(stood[0]), system)} to "
        f"{_side(float(stood[-1]), system)} of the driving line and caught what fell in {passes}."
    )
    if test.mirrored:
        yield f"The {test.mirrored} was not tested."
    yield _where_it_lies(result, system)


def _as_sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}" + ("" if text.endswith((".", "!", "?")) else ".")


def _side(offset_m: float, system: str) -> str:
    side = " left" if offset_m < 0 else " right" if offset_m > 0 else ""
    return f"{both_lengths(abs(offset_m), system)}{side}"


def _where_it_lies(result: Assessment, system: str) -> str:
    profile = result.profile
    if result.test.mirrored:
        return f"Where the middle of the spread lies is not known: {MIRRORED}."
    left, right = (show_figure(share, digits=0) for share in (profile.left_share_pct, 100 - profile.left_share_pct))
    central = float(show(abs(profile.centre_m), "length", unit=False, digits=1)) == 0
    at = "on the driving line" if central else f"{_side(profile.centre_m, system)} of the driving line"
    return f"The middle of the spread lies {at}: {left} % falls to the left and {right} % to the right."


def _how_far(result: Assessment, system: str) -> Iterator[str]:
    yield (
        "The effective width is the widest bout width (distance between neighbouring passes) at which the CV is within "
        f"the limit of {result.limit_pct:g} %. The CV, coefficient of variation, says how much the rate varies across "
        "the field, in % of its mean: 0 % would be perfectly even."
    )
    for method in METHODS:
        yield f"{method.capitalize()} ({HOW[method]}): {effective_words(result, method, system)}."
        if others := other_bands_words(result, method, system):
            yield f"Other bands within the limit: {'; '.join(others)}; the widths between them are not."
        if result.effective_width_m(method) is not None and not result.blocking:
            why = advice_words(result, method, system, noise="the noise of the test is not allowed for")
            yield why.replace("Advised:", f"The advised width is {advised_words(result, method, system)}:")
    one, other = (result.effective_width_m(method) or 0.0 for method in METHODS)
    if abs(one - other) > 0.1:
        yield "The two ways of driving differ because left and right of the pattern are not alike."


def _field_gets(result: Assessment, system: str) -> Iterator[str]:
    """What is laid at the width driven, or else at each advised width."""
    test, relative = result.test, result.profile.relative
    length, rate = partial(both_lengths, system=system), partial(both_rates, result=result, system=system)
    bouts = [result.bouts[method] for method in result.judged_methods if result.bouts]
    if not bouts:
        widths = {method: result.advised_width_m(method) for method in result.judged_methods}
        bouts = [result.bouts_at(down_m(width, system))[m] for m, width in widths.items() if width is not None]
    for bout in bouts:
        yield f"{field_words(result, bout, length, rate)}."
        if over := result.cv_over_tails(bout.method, bout.width_m):
            ends = from_to(show_figure(over.least), show_figure(over.most))
            yield f"The CV is {ends} %, by what fell beyond the end trays."
        else:
            yield f"Between the trays too, along the whole line, the CV is {show_figure(bout.cv_line_pct)} %."
    if bouts and test.target_kg_ha and not relative and not test.bins_together:
        yield f"The target is {rate(test.target_kg_ha)}."
    if not bouts:
        why = "As the test can't be judged" if result.blocking else "With no width even enough"
        yield f"{why}, no rate is told here; the table of bout widths has them all."
    if relative:
        yield "Weights are not known, so rates are in proportion only: 100 % is the peak of a single pass."
    else:
        yield "All rates are for the metering of the test: what the trays caught, not what the gauge said."


def _steps(result: Assessment, system: str) -> Iterator[str]:
    kind = result.pattern.kind
    spinner = kind.name in SPINNERS
    one, other = (result.effective_width_m(method) or 0.0 for method in METHODS)
    if result.doubts:
        yield "Read the doubts at the end first; where one can be put right, put it right and test again."
    if result.blocking:
        yield from (_as_sentence(doubt.first_step(system)) for doubt in result.doubts if doubt.blocking)
    elif not (one or other):
        yield "Don't spread with this setting: correct the machine by its maker's manual and test again."
    elif not result.bouts:
        yield "Choose a bout width from the bands above; the advised width is safer than the effective one."
    else:
        for method in result.judged_methods:
            first, *others = _choices(result, method, system)
            yield _as_sentence(first)
            yield from (f"Or {choice}." for choice in others)
    alike = len({show_figure(bout.cv_pct) for bout in result.bouts.values()}) == 1  # then neither way is kinder
    if abs(one - other) > 0.1 and not alike:
        parts = "outlets, level" if kind.outlets else "level, drop point, vanes" if spinner else f"level, {kind.parts}"
        yield f"Find out why left and right are not alike ({parts}, wind) before relying on the kinder way of driving."
    change = "product, setting, speed or vanes" if spinner else "product, setting or speed"
    yield f"Check the rate by a flow test, and test again after any change of {change}."
    yield f"Nobody near {kind.moving}; all at a standstill, engine off and key out before anything is adjusted."
    yield MANUAL_FIRST


def _choices(result: Assessment, method: str, system: str) -> Iterator[str]:
    """What to do at the width driven: go on, or the other way of driving, or another width, or the machine."""
    verdict, kind, length = result.verdicts[method], result.pattern.kind, partial(both_lengths, system=system)
    at, advised = length(verdict.bout_width_m), result.advised_width_m(method)
    if result.test.mirrored:
        yield f"lay trays on the {result.test.mirrored} too and test again before {at} is driven"
        return
    if verdict.may_be_driven:
        yield f"{at}, {method}, can be driven with the machine set as it was tested"
        return
    if kind.outlets:
        cleared = f"put right what lays too little or too much ({kind.parts}), and clear what is blocked"
        yield f"{cleared}; then test again before driving {at}"
        return
    other = OTHER_WAY[method]
    if result.verdicts[other].may_be_driven and result.driving:
        yield f"drive {other} at {at} instead: there the CV is {show_figure(result.bouts[other].cv_pct)} %"
    if advised is not None:
        width, rate = down_m(advised, system), partial(both_rates, result=result, system=system)
        ends = open_mean(result, width, rate)
        gives = ends[0] if ends else rate(result.bouts_at(width)[method].mean_kg_ha)
        yield f"drive {method} at {length(width)}; the same metering then gives {gives}, so set the rate anew"
    if verdict.why == "probability":
        yield f"test again with more passes: {at} {not_driven_words(verdict)}"
    yield f"correct the machine by its maker's manual and test again before driving {at} {method}"


def _pictures(result: Assessment, system: str, sure: Confidence | None) -> Iterator[Picture]:
    """Profile, overlapped deposit, CV against bout width and, where the noise is known, its band."""
    method, width = shown_bout(result)
    bout, rate = result.bouts_at(width)[method], partial(both_rates, result=result, system=system)
    yield Picture(
        "Catches and single-pass profile",
        "Rate against distance from the driving line, left on the left. The highest rate is "
        f"{rate(float(result.profile.rate_kg_ha.max()))}. {_where_it_lies(result, system)}",
        drawn(_panel, draw_profile, result, system),
    )
    left = (
        "What all passes would leave if nothing fell farther out than one tray spacing beyond the end trays, which "
        "still caught: what fell there is missing."
    )
    if not result.tail_curves:
        mean = "" if open_mean(result, width, str) is None else ", at the mean of the passes"
        figures = f"least {rate(bout.min_kg_ha)}, most {rate(bout.max_kg_ha)}, mean {rate(bout.mean_kg_ha)}"
        left = f"What all passes leave together, over three bouts{mean}: {figures}."
    title = f"Overlapped deposit at {both_lengths(width, system)}, {method}"
    yield Picture(title, left, drawn(_panel, draw_deposit, result, system))
    yield Picture(
        "CV against bout width",
        "Lines: CV over every bout width, both ways of driving; it decides. Points: CV by trays at whole tray "
        f"spacings. Level line: the limit of {result.limit_pct:g} %. "
        f"Effective width: {', '.join(f'{m} {effective_words(result, m, system)}' for m in METHODS)}.",
        drawn(_panel, draw_widths, result, system),
    )
    if sure is not None:
        widest = width_down(sure.bands[method].sure_width_m, system) if sure.tells_probability else "not given"
        yield Picture(
            f"How sure: CV against bout width, {method}",
            f"The CV that decides, the noise of the test taken out, its {sure.level_pct:g} % interval and the noise "
            f"floor. Widest width with a probability of {SURE_PCT:g} % of keeping the limit: {widest}.",
            drawn(_panel, draw_cv_band, sure, method, system),
        )


def _panel(draw: Callable[..., None], *given: Any) -> Figure:
    """One panel as a picture of its own; its title stands below it."""
    with plain_style(**_SMALL):
        figure, (axes,) = panels("", 4.8, 3.3)
        draw(axes, *given)
        axes.set_title("")
    return figure


def _figures(result: Assessment, system: str, sure: Confidence | None) -> list[Block]:
    """What the field gets, how sure that is, and the tables of other limits and widths."""
    tables: list[Block] = [bout_table(result, system)]
    if sure is not None:
        first, *others = confidence_tables(sure, system)
        *middle, last = (replace(first, caption="How sure is the answer"), *others)
        note = f"Noise known from: {sure.noise.source}; {sure.draws:,} draws, seed {sure.seed}"
        tables += [*middle, replace(last, notes=(note,))]
    if result.tail_curves and result.blocking:  # the others rest on a guess about the tails
        missing = "No widths are listed: what fell beyond the end trays is missing, and would change them."
        return [*tables, Paragraph(missing)]
    rows = []
    for limit in result.side_by_side_pct:
        widths = (result.effective_width_m(method, limit) for method in METHODS)
        kept = ("none" if width is None else both_lengths(down_m(width, system), system) for width in widths)
        rows.append((f"{limit:g} %{' (the limit)' if limit == result.limit_pct else ''}", *kept))
    limits = table("; ".join(("CV up to<", *METHODS)), rows, "Effective width at other CV limits")
    return [*tables, limits, *width_tables(result, system, most=MOST_WIDTHS)]


def bout_table(result: Assessment, system: str = "metric") -> Table:
    """What the field gets at the width driven and at the effective widths."""
    unit = rate_unit(result, system)
    columns = (
        Column("Bout width and driving", align="left", share=6.5),
        *(Column(head, "%", share=1) for head in ("CV that decides", "CV by trays", "CV by line")),
        *(Column(head, unit, share=1) for head in ("Mean", "Least", "Most")),
        *(Column(f"Within {pct} % of mean", "%", share=1.2) for pct in (10, 20)),
    )
    told = [("driven" if result.driving in (None, m) else "the other way", bout) for m, bout in result.bouts.items()]
    for method in () if result.tail_curves else METHODS:
        width = result.effective_width_m(method)
        if width is not None and width != result.bout_width_m:
            told.append(("effective width", result.bouts_at(down_m(width, system))[method]))
    rows = []
    for what, bout in told:
        name = f"{show_width(bout.width_m, system)} {bout.method} ({what})" + (f", {bout.part}" if bout.part else "")
        ends = open_mean(result, bout.width_m, lambda rate: show_rate(rate, result, system))
        over = result.cv_over_tails(bout.method, bout.width_m)
        if ends is not None and over is not None:  # only what can be told whatever fell beyond the end trays
            cv = from_to(show_figure(over.least), show_figure(over.most))
            rows.append((name, cv, "-", "-", ends[0], "-", "-", "-", "-"))
            continue
        whole = bool(result.whole_spacings(np.array([bout.width_m]))[0])
        cvs = (bout.cv_pct, bout.cv_trays_pct if whole else math.nan, bout.cv_line_pct)
        rates = (show_rate(rate, result, system) for rate in (bout.mean_kg_ha, bout.min_kg_ha, bout.max_kg_ha))
        shares = (show_figure(share, digits=0) for share in (bout.within_10_pct, bout.within_20_pct))
        rows.append((name, *map(show_figure, cvs), *((ends[0], "-", "-") if ends else rates), *shares))
    note = "CV by trays at whole tray spacings only. All rates at the metering of the test."
    return Table(columns, tuple(rows), "What the field gets", (note,))


def form_table(result: Assessment) -> Table:
    """The rows of the form as they were written."""
    unknown = set(result.test.unknown_labels)
    remarks = ["not a known label, not used" if row.label in unknown else "" for row in result.test.form]
    rows = ((row.label, row.value, row.unit, remark) for row, remark in zip(result.test.form, remarks, strict=True))
    shown = 4 if any(remarks) else 3
    heads = "; ".join(("Label<", "Value<", "Unit<", "Remark<")[:shown])
    return table(heads, (row[:shown] for row in rows), "The form as written")


def tray_tables(result: Assessment, system: str = "metric") -> tuple[Table, ...]:
    """The raw trays as weighed, with the profile and notes in the last table; many passes go into several."""
    test, profile = result.test, result.profile
    tray = Column("Tray", align="left")
    if test.catch.size > MOST_CATCHES:
        note = f"The sheet holds {test.catch.size:,} catches, too many for a report: ask for the tray sheet itself."
        return (Table((tray,), (), "Raw trays", (note,)),)
    rates = dict(zip(profile.offset_m.tolist(), profile.rate_kg_ha.tolist(), strict=True))
    tables = []
    for start in range(0, len(test.columns), MOST_COLUMNS):
        shown = test.columns[start : start + MOST_COLUMNS]
        last = start + MOST_COLUMNS >= len(test.columns)
        other_way = {column: " (other way)" if column.pass_no in test.reversed_passes else "" for column in shown}
        columns = [tray, Column("Offset", test.offset_unit)]
        columns += [Column(column.name + other_way[column], column.unit) for column in shown]
        columns += [Column("Profile", rate_unit(result, system))] if last else []
        columns += [Column("Note", align="left")] if last and any(test.note) else []
        rows = []
        for at, offset_m in enumerate(test.offset_m.tolist()):
            weighed = (each[at, start : start + MOST_COLUMNS].tolist() for each in (test.catch, test.state))
            cells = [catch_cell(catch, state, blank=BLANK) for catch, state in zip(*weighed, strict=True)]
            rate = show_rate(rates[offset_m], result, system) if offset_m in rates else "-"
            cells += [f"{rate} filled" if offset_m in profile.filled_offset_m else rate, test.note[at]]
            rows.append((test.tray[at], shortest(test.offset[at]), *cells)[: len(columns)])
        which = "" if len(shown) == len(test.columns) else f", {shown[0].name} to {shown[-1].name}"
        tables.append(Table(tuple(columns), tuple(rows), f"Raw trays, left to right{which}", (CELL_WORDS,)))
    return tuple(tables)
