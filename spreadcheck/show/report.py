"""The report for a customer: plain words first, then pictures, figures, method and sources, raw trays and doubts."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np

from spreadcheck import __version__
from spreadcheck.errors import record
from spreadcheck.judge.assessment import CLOSE, OVER, WITHIN, Assessment, Bout
from spreadcheck.judge.confidence import SURE_PCT, Confidence
from spreadcheck.limits import LIMITS
from spreadcheck.pattern.kinds import SPINNERS
from spreadcheck.sheet.cells import shortest
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS, ROUND_AND_ROUND
from spreadcheck.sheet.mirror import COPIED, MIRRORED
from spreadcheck.sheet.traysheet import catch_cell
from spreadcheck.show.analyse import width_rows
from spreadcheck.show.confidence import confidence_tables, draw_band
from spreadcheck.show.document import Block, Column, Document, Heading, Paragraph, Picture, Place, Points, Table
from spreadcheck.show.format import is_close_call, rate_unit, show_pct, show_rate, show_share, show_width
from spreadcheck.show.html import document_html, part_html, web_part
from spreadcheck.show.pattern_text import advice_blocks
from spreadcheck.show.plots import draw_deposit, draw_profile, draw_widths, figure_bytes, plain_style, shown_bout
from spreadcheck.show.verdict import (
    advice_words,
    advised_words,
    down_m,
    effective_words,
    if_alike,
    not_driven_words,
    open_mean,
    other_bands_words,
    verdict_sentence,
    width_down,
)
from spreadcheck.spread.profile import TAPER
from spreadcheck.units import show, shown_unit, to_inside

SLIDER_STEP = {"metric": 0.1, "us": 0.5}  # m, ft


def report(result: Assessment, system: str = "metric", *, sure: Confidence | None = None) -> Document:
    """The report of an assessment; `system` leads, `sure` adds how sure the answer is."""
    known = sure if sure is not None and sure.known else None
    figures = (bout_table(result, system), *(_sure_tables(known, system) if known else ()))
    doubts = (*doubt_words(result, system), *(doubt.message(system) for doubt in (sure.doubts if sure else ())))
    blocks: tuple[Block, ...] = (
        *_plain_part(result, system),
        Place("slider"),
        Heading("Pictures"),
        *_pictures(result, system, known),
        Heading("Figures"),
        *figures,
        *_tables_of_widths(result, system),
        *advice_blocks(result, system),
        Heading("Method"),
        *map(Paragraph, method_words(result)),
        Heading("What the limits rest on"),
        Points(source_words()),
        Heading("Raw trays and form"),
        *tray_tables(result, system),
        form_table(result),
        Heading("Doubts about this test"),
        Points(doubts),
    )
    name = result.test.name
    return Document(name, blocks, over="Spread pattern report", foot=f"{name} - spreadcheck {__version__}")


def _tables_of_widths(result: Assessment, system: str) -> tuple[Block, ...]:
    """The tables of other limits and widths; none where a test is blocked and they rest on a guess about the tails."""
    if result.tail_curves and result.blocking:
        return (Paragraph("No widths are listed: what fell beyond the end trays is missing, and would change them."),)
    return (limit_table(result, system), *width_tables(result, system))


def _plain_part(result: Assessment, system: str) -> list[Block]:
    answer, *further = plain_words(result, system)
    first, *rest = answer.sentences
    blocks: list[Block] = [Heading(answer.heading), Paragraph(first, "strong"), *map(Paragraph, rest)]
    for passage in further:
        told = Points(passage.sentences) if passage.steps else Paragraph(" ".join(passage.sentences))
        blocks += [Heading(passage.heading), told]
    return blocks


def _pictures(result: Assessment, system: str, sure: Confidence | None) -> list[Block]:
    draws: list[Callable[[Any, Assessment, str], None]] = [draw_profile, draw_deposit, draw_widths]
    words = list(picture_words(result, system))
    if sure is not None:
        draws.append(partial(draw_band, sure))
        words.append(band_words(sure, system))
    return [Picture(*told, svg=_svg(draw, result, system)) for draw, told in zip(draws, words, strict=True)]


_SMALL = {"font.size": 9, "axes.labelsize": 9, "axes.spines.top": False, "axes.spines.right": False}


def _svg(draw: Callable[[Any, Assessment, str], None], result: Assessment, system: str) -> str:
    """One picture, small enough that its signs can be read on a phone; its title stands below it."""
    from matplotlib.figure import Figure

    with plain_style(**_SMALL):
        figure = Figure(figsize=(4.8, 3.3), layout="constrained")
        axes = figure.subplots()
        draw(axes, result, system)
        axes.set_title("")
        return figure_bytes(figure, "svg").decode()


def report_html(
    result: Assessment, system: str = "metric", *, paper: str = "a4", sure: Confidence | None = None
) -> str:
    """The report as a web page with a slider for the bout width."""
    units = {"length_unit": shown_unit("length", system), "rate_unit": rate_unit(result, system)}
    slider = part_html("slider.html", jumps=_jumps(result, system), **units)
    script = "".join(map(web_part, ("core.js", "overlap.js", "report.js")))
    return document_html(
        report(result, system, sure=sure), paper=paper, places={"slider": slider}, script=script,
        data=_slider_data(result, system),
    )  # fmt: skip


def _jumps(result: Assessment, system: str) -> list[tuple[float, str, str]]:
    """Buttons that lead the slider to the widths that matter: width, method, what is said."""
    driven = [(result.bout_width_m, result.driving or METHODS[0], "driven")]
    widths = {method: result.effective_width_m(method) for method in METHODS}
    effective = [(width and down_m(width, system), method, "effective") for method, width in widths.items()]
    return [
        (width, method, f"{what}: {show_width(width, system)} {method}")
        for width, method, what in driven + effective
        if width is not None and not (result.tail_curves and what == "effective")
    ]


def _slider_data(result: Assessment, system: str) -> dict[str, Any]:
    """What the slider needs, all in SI; a unit is worth so much of the unit inside."""
    profile, widths = result.profile, result.scans[METHODS[0]].width_m
    method, width = shown_bout(result)
    systems = (system, other_system(system))
    rates = [{"unit": rate_unit(result, name), "worth": _worth("rate", name)} for name in systems]
    return {
        "offset": profile.offset_m.tolist(),
        "rate": profile.rate_kg_ha.tolist(),
        "tails": profile.tails,
        "parts": _parts(result),
        "blocking": list(result.blocking),
        "limit": result.limit_pct,
        "narrowest": min(float(widths[0]), width),
        "widest": max(float(widths[-1]), float(profile.offset_m[-1] - profile.offset_m[0]), width),
        "width": width,
        "method": method,
        "lengths": [
            {"unit": shown_unit("length", name), "worth": _worth("length", name), "step": SLIDER_STEP[name]}
            for name in systems
        ],
        "rates": [{"unit": rate_unit(result), "worth": 1.0}] if profile.relative else rates,
    }


def _parts(result: Assessment) -> list[dict[str, Any]]:
    """The parts of a blend that decide, each with the factor that brings its limit to that of the report."""
    return [
        {
            "offset": part.profile.offset_m.tolist(),
            "rate": part.profile.rate_kg_ha.tolist(),
            "tails": part.profile.tails,
            "share": result.limit_pct / part.limit_pct,
        }
        for part in (result.blend.judged if result.blend else ())
    ]


def _worth(kind: str, system: str) -> float:
    return to_inside(1.0, shown_unit(kind, system), kind)


HOW = {
    BACK_AND_FORTH: "neighbouring passes in opposite directions",
    ROUND_AND_ROUND: "neighbouring passes in the same direction",
}
MANUAL_FIRST = "The machine maker's manual, the product label and local rules come before this report."


@record
class Passage:
    """One heading and what stands under it; `steps` are points of a list, else the sentences run on."""

    heading: str
    sentences: tuple[str, ...]
    steps: bool = False


def other_system(system: str) -> str:
    """The unit system that stands in brackets."""
    return "metric" if system == "us" else "us"


def both_lengths(length_m: float, system: str) -> str:
    """A length as this package rounds it, with the other unit system in brackets."""
    return f"{show_width(length_m, system)} ({show(length_m, 'length', other_system(system), digits=1)})"


def both_down(width_m: float, system: str) -> str:
    """A width that the limit is kept at, rounded down, with the other unit system in brackets."""
    return both_lengths(down_m(width_m, system), system)


def both_rates(rate: float, result: Assessment, system: str) -> str:
    """A rate as this package rounds it, with the other unit system in brackets where rates are known."""
    said = f"{show_rate(rate, result, system)} {rate_unit(result, system)}"
    return said if result.profile.relative else f"{said} ({show(rate, 'rate', other_system(system))})"


def plain_words(result: Assessment, system: str = "metric") -> tuple[Passage, ...]:
    """The plain part of a report: the answer first, then what a customer asks next."""
    return (
        Passage("In short", _in_short(result, system)),
        Passage("What was tested", _tested(result, system)),
        Passage("How far apart the passes may be driven", _how_far(result, system)),
        Passage("Is it even enough at the width driven?", _even_enough(result, system)),
        Passage("What the field gets", _field_gets(result, system)),
        Passage("What to do", (*_steps(result, system), _nobody_near(result), MANUAL_FIRST), steps=True),
    )


def judged_methods(result: Assessment) -> tuple[str, ...]:
    """The driving method that the sheet names, or both where it names none."""
    return (result.driving,) if result.driving else METHODS


def _nobody_near(result: Assessment) -> str:
    moving = result.pattern.kind.moving
    return f"Nobody near {moving}; all at a standstill, engine off and key out before anything is adjusted."


def _in_short(result: Assessment, system: str) -> tuple[str, ...]:
    laid = result.pattern.kind.outlets and result.bouts and not result.blocking  # it drives the width it is built for
    sentences = [] if laid else [_may_be_driven(result, system)]
    sentences += [_verdict(result, result.bouts[method], system) for method in judged_methods(result) if result.bouts]
    if laid and not result.within_limit:
        sentences.append(f"Put right what lays unevenly ({result.pattern.kind.parts}) and test again.")
    count = len(result.doubts)
    if count:
        doubts = "There is 1 doubt" if count == 1 else f"There are {count} doubts"
        sentences.append(f"{doubts} about this test, told at the end: read before you rely on the figures.")
    return tuple(sentences)


def _may_be_driven(result: Assessment, system: str) -> str:
    if result.blocking:
        return f"How far apart the passes may be driven can't be judged. What blocks it: {', '.join(result.blocking)}."
    if result.test.mirrored:
        return f"{advice_words(result, METHODS[0], system)} What follows holds only {if_alike(result.test.mirrored)}."
    if all(result.effective_width_m(method) is None for method in METHODS):
        return "No bout width that was tried is even enough with this setting, whichever way the passes are driven."
    widths = {method: result.advised_width_m(method) for method in METHODS}
    said = {method: both_down(width, system) for method, width in widths.items() if width is not None}
    if not said:
        return advice_words(result, METHODS[0], system)
    if len(set(said.values())) == 1 and len(said) == len(METHODS):
        return f"Advised: drive the passes {said[METHODS[0]]} apart, {METHODS[0]} or {METHODS[1]}."
    driven = ", or ".join(f"{far} apart {method}" for method, far in said.items())
    why = {m: "can be advised" if result.effective_width_m(m) else "that was tried is even enough" for m in METHODS}
    missed = [f"; {method}, no width {why[method]}" for method in METHODS if method not in said]
    return f"Advised: drive the passes {driven}{''.join(missed)}."


def _verdict(result: Assessment, bout: Bout, system: str) -> str:
    return verdict_sentence(result.verdicts[bout.method], system, both_lengths)


def _tested(result: Assessment, system: str) -> tuple[str, ...]:
    test, profile = result.test, result.profile
    about = ("product", "machine", "place", "date", "customer", "adviser")
    named = [f"{label}: {test.text(label)}" for label in about if test.text(label)]
    first, last = float(profile.offset_m[0]), float(profile.offset_m[-1])
    count, untested = len(profile.offset_m), test.mirrored
    if untested:  # only the trays that were laid out
        first, last = (max(first, 0.0), last) if untested == "left" else (first, min(last, 0.0))
        count -= sum(name.endswith(COPIED) for name in test.tray)
    spaced = f"{both_lengths(profile.spacing_m, system)} apart" if profile.even else "not evenly spaced"
    passes = "1 pass" if profile.passes_used == 1 else f"{profile.passes_used} passes"
    trays = (
        f"{count} trays, {spaced}, stood in a line from {_side(first, system)} to "
        f"{_side(last, system)} of the driving line and caught what fell in {passes}."
    )
    if untested:
        trays += f" The {untested} was not tested."
    return (*([_as_sentence("; ".join(named))] if named else []), trays, _where_it_lies(result, system))


def _as_sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}" + ("" if text.endswith((".", "!", "?")) else ".")


def _side(offset_m: float, system: str) -> str:
    side = " left" if offset_m < 0 else " right" if offset_m > 0 else ""
    return f"{both_lengths(abs(offset_m), system)}{side}"


def _where_it_lies(result: Assessment, system: str) -> str:
    profile = result.profile
    if result.test.mirrored:
        return f"Where the middle of the spread lies is not known: {MIRRORED}."
    left, right = (show_pct(share, digits=0) for share in (profile.left_share_pct, profile.right_share_pct))
    shares = f"{left} % falls to the left and {right} % to the right."
    if float(show(abs(profile.centre_m), "length", unit=False, digits=1)) == 0:
        return f"The middle of the spread lies on the driving line: {shares}"
    return f"The middle of the spread lies {_side(profile.centre_m, system)} of the driving line: {shares}"


def _how_far(result: Assessment, system: str) -> tuple[str, ...]:
    meaning = (
        "The effective width is the widest bout width (distance between neighbouring passes) at which the CV is within "
        f"the limit of {result.limit_pct:g} %. The CV, coefficient of variation, says how much the rate varies across "
        "the field, in % of its mean: 0 % would be perfectly even."
    )
    sentences = [meaning, *(_method_width(result, method, system) for method in METHODS)]
    if _differ(result):
        sentences.append("The two ways of driving differ because left and right of the pattern are not alike.")
    return tuple(sentences)


def _differ(result: Assessment) -> bool:
    """Whether the two ways of driving have different effective widths, by more than a tenth of a metre."""
    one, other = (result.effective_width_m(method) for method in METHODS)
    return (one is None) != (other is None) or (one is not None and other is not None and abs(one - other) > 0.1)


def _method_width(result: Assessment, method: str, system: str) -> str:
    start = f"{method.capitalize()} ({HOW[method]}):"
    width, best = result.effective_width_m(method), result.best(method)
    if width is None:
        if best is None:
            return f"{start} no width has two trays or more in a bout, so that none can be judged."
        at = both_lengths(best[0], system)
        return (
            f"{start} no width that was tried is within the limit; the best is {at} with a CV of {show_pct(best[1])} %."
        )
    said = f"{start} {effective_words(result, method, system)}."
    others = other_bands_words(result, method, system)
    if others:
        said += f" Other bands within the limit: {'; '.join(others)}; the widths between them are not."
    if result.censored(method):
        said += " The tray line ends there; wider ones may do as well."
    if result.blocking:
        return said
    why = advice_words(result, method, system, noise="the noise of the test is not allowed for")
    if result.advised_width_m(method) is None:
        return f"{said} {why}"
    return f"{said} The advised width is {advised_words(result, method, system)}. {why}"


def _even_enough(result: Assessment, system: str) -> tuple[str, ...]:
    if not result.bouts:
        return ("It is not known how far apart the passes are driven, so no width is judged here.",)
    sentences = []
    if not result.driving:
        sentences.append("It is not known which way the passes are driven, so both are judged.")
    for method in judged_methods(result):
        bout = result.bouts[method]
        sentences.append(_verdict(result, bout, system))
        if is_close_call(bout.cv_pct, result.limit_pct) and not result.blocking:
            sentences.append("This is close to the limit: another test of the same machine may fall on the other side.")
        over = result.cv_over_tails(method, bout.width_m)
        if over is None:
            line = f"Between the trays too, along the whole line, the CV is {show_pct(bout.cv_line_pct)} %."
        else:
            line = f"The CV is {show_pct(over.least)} to {show_pct(over.most)} %, by what fell beyond the end trays."
        sentences.append(line)
    return tuple(sentences)


def told_bouts(result: Assessment, system: str = "metric") -> tuple[Bout, ...]:
    """The bouts that a customer is told about: at the width driven, or else at each advised width."""
    if result.bouts:
        return tuple(result.bouts[method] for method in judged_methods(result))
    widths = {method: result.advised_width_m(method) for method in judged_methods(result)}
    return tuple(result.bouts_at(down_m(width, system))[m] for m, width in widths.items() if width is not None)


def _field_gets(result: Assessment, system: str) -> tuple[str, ...]:
    bouts = told_bouts(result, system)
    sentences = [sentence for bout in bouts for sentence in _bout_words(result, bout, system)]
    if not bouts:
        why = "As the test can't be judged" if result.blocking else "With no width even enough"
        sentences.append(f"{why}, no rate is told here; the table of bout widths has them all.")
    if result.profile.relative:
        sentences.append("Weights are not known, so rates are in proportion only: 100 % is the peak of a single pass.")
    else:
        sentences.append("All rates are for the metering of the test: what the trays caught, not what the gauge said.")
    return tuple(sentences)


def _bout_words(result: Assessment, bout: Bout, system: str) -> tuple[str, ...]:
    mean, least, most = bout.mean_kg_ha, bout.min_kg_ha, bout.max_kg_ha
    at = f"At {both_lengths(bout.width_m, system)}, driven {bout.method}, the field gets"
    ends = open_mean(result, bout.width_m, lambda rate: both_rates(rate, result, system))
    told = [
        f"{at} {both_rates(mean, result, system)} on average."
        if ends is None
        else f"{at} {ends[0]} on average, {ends[1]}."
    ]
    if result.tail_curves:
        return tuple(told)
    told += [
        f"Where it is thinnest it gets {both_rates(least, result, system)}, {show_share(least, mean)} % of the mean; "
        f"where it is heaviest {both_rates(most, result, system)}, {show_share(most, mean)} %.",
        f"{show_pct(bout.within_10_pct, digits=0)} % of the field lies within 10 % of the mean, "
        f"{show_pct(bout.within_20_pct, digits=0)} % within 20 %.",
    ]
    if bout.part:
        told.append(f"These rates are of all components together, which hide how uneven each is: {bout.part} decides.")
    target = result.test.target_kg_ha
    if target and not result.profile.relative and ends is None:
        what = "the bins' targets together" if result.test.bins_together else "the target"
        told.append(f"The mean is {show_share(mean, target)} % of {what}, {both_rates(target, result, system)}.")
    if result.test.bins_together:
        told.append("The bins ran together: a tray catches them all and can't tell them apart.")
    return tuple(told)


def _steps(result: Assessment, system: str) -> tuple[str, ...]:
    steps: list[str] = []
    kind = result.pattern.kind
    if result.doubts:
        steps.append("Read the doubts at the end first; where one can be put right, put it right and test again.")
    if result.blocking:
        steps += [_as_sentence(doubt.first_step(system)) for doubt in result.doubts if doubt.blocking]
    elif all(result.effective_width_m(method) is None for method in METHODS):
        steps.append("Don't spread with this setting: correct the machine by its maker's manual and test again.")
    elif not result.bouts:
        steps.append("Choose a bout width from the bands above; the advised width is safer than the effective one.")
    else:
        steps += [step for method in judged_methods(result) for step in _method_steps(result, method, system)]
    if _differ(result) and not _alike_as_driven(result):
        look = "outlets, level, wind" if kind.outlets else "level, drop point, vanes, wind"
        look = look if kind.outlets or kind.name in SPINNERS else f"level, {kind.parts}, wind"
        steps.append(f"Find out why left and right are not alike ({look}) before relying on the kinder way of driving.")
    change = "product, setting, speed or vanes" if kind.name in SPINNERS else "product, setting or speed"
    steps.append(f"Check the rate by a flow test, and test again after any change of {change}.")
    return tuple(steps)


def _alike_as_driven(result: Assessment) -> bool:
    """Whether both ways of driving come to the same at the width driven, so that neither is kinder."""
    return len({show_pct(bout.cv_pct) for bout in result.bouts.values()}) == 1


def _method_steps(result: Assessment, method: str, system: str) -> tuple[str, ...]:
    """What to do at the width driven: go on, or the other way of driving, or another width, or the machine."""
    bout = result.bouts[method]
    at = both_lengths(bout.width_m, system)
    kind = result.pattern.kind
    if result.test.mirrored:
        return (f"Lay trays on the {result.test.mirrored} too and test again before {at} is driven.",)
    if not result.verdicts[method].may_be_driven and kind.outlets:
        cleared = f"Put right what lays too little or too much ({kind.parts}), and clear what is blocked"
        return (f"{cleared}; then test again before driving {at}.",)
    if result.verdicts[method].may_be_driven:
        return (f"{at}, {method}, can be driven with the machine set as it was tested.",)
    choices = []
    other = result.bouts[METHODS[1 - METHODS.index(method)]]
    if result.verdicts[other.method].may_be_driven and result.driving:
        choices.append(f"drive {other.method} at {at} instead: there the CV is {show_pct(other.cv_pct)} %.")
    width = result.advised_width_m(method)
    if width is not None:
        driven = down_m(width, system)
        open_ = open_mean(result, driven, lambda rate: both_rates(rate, result, system))
        rate = open_[0] if open_ else both_rates(result.bouts_at(driven)[method].mean_kg_ha, result, system)
        choices.append(
            f"drive {method} at {both_down(width, system)}; the same metering then gives {rate}, so set the rate anew."
        )
    if result.verdicts[method].why == "probability":
        choices.append(f"test again with more passes: {at} {not_driven_words(result.verdicts[method])}.")
    choices.append(f"correct the machine by its maker's manual and test again before driving {at} {method}.")
    return (_as_sentence(choices[0]), *(f"Or {choice}" for choice in choices[1:]))


def doubt_words(result: Assessment, system: str = "metric") -> tuple[str, ...]:
    """The doubts about the test; where there are none, what that means."""
    if result.doubts:
        return tuple(doubt.message(system) for doubt in result.doubts)
    return ("Nothing doubtful was found in the sheet. That does not show that the test was run well.",)


def method_words(result: Assessment) -> tuple[str, ...]:
    """The method in short, in the order of the work."""
    profile = result.profile
    tails = (
        "runs to zero over one tray spacing" if profile.tails == TAPER else "stops (nothing is taken to fall beyond)"
    )
    points = "tray offsets" if profile.even else "points at the smallest tray spacing"
    return (
        "Rate at a tray = catch in g / runs / tray area in m² x 10, in kg/ha; the passes are averaged to the "
        f"single-pass profile. Between trays it is linear; beyond the end trays it {tails}.",
        "The overlapped deposit is the sum of all passes at a point, each pass a bout width from the last; "
        "back-and-forth, every second pass is mirrored.",
        f"CV by trays = 100 x standard deviation (n - 1) / mean of the deposit at the {points} inside one bout; a "
        "point on the edge of the bout counts half. It is the standards' figure, at whole tray spacings.",
        "The CV that decides is what trays at this spacing read on average over where the line happens to lie: CV by "
        "line x square root of n / (n - 1), n = bout width / tray spacing. Every width from two tray spacings to the "
        "length of the line is searched. Where CV by trays falls on its other side, that is close.",
        "CV by line, mean, least, most and the shares near the mean are exact for the whole line, not for a grid of "
        "points.",
    )


def source_words() -> tuple[str, ...]:
    """What the limits rest on, and how sure each is."""
    codes = ("cv hall", "cv normal", "cv stripes", "cv top dressing")
    rows = (LIMITS[code] for code in codes)
    return tuple(f"{row.value:g} {row.unit}, {row.what}: {row.source} ({row.standing})." for row in rows)


def band_words(sure: Confidence, system: str = "metric") -> tuple[str, str]:
    """Title and description of the picture of CV with its interval and noise floor."""
    method = shown_bout(sure.assessment)[0]
    sure_m = sure.bands[method].sure_width_m
    widest = width_down(sure_m, system) if sure.tells_probability else "not given"
    return (
        f"How sure: CV against bout width, {method}",
        f"The CV that decides, the noise of the test taken out, its {sure.level_pct:g} % interval and the noise floor. "
        f"Widest width with a probability of {SURE_PCT:g} % of keeping the limit: {widest}.",
    )


def picture_words(result: Assessment, system: str = "metric") -> tuple[tuple[str, str], ...]:
    """Title and description of the three pictures: profile, overlapped deposit, CV against bout width."""
    profile = result.profile
    method, width = shown_bout(result)
    bout = result.bouts_at(width)[method]
    over = open_mean(result, width, lambda rate: both_rates(rate, result, system))
    least, most = (both_rates(rate, result, system) for rate in (bout.min_kg_ha, bout.max_kg_ha))
    peak = both_rates(float(profile.rate_kg_ha.max()), result, system)
    widths = [f"{m} {effective_words(result, m, system)}" for m in METHODS]
    return (
        (
            "Catches and single-pass profile",
            f"Rate against distance from the driving line, left on the left. The highest rate is {peak}. "
            + _where_it_lies(result, system),
        ),
        (
            f"Overlapped deposit at {both_lengths(width, system)}, {method}",
            f"What all passes leave together, over three bouts{', at the mean of the passes' if over else ''}: "
            f"least {least}, most {most}, mean {both_rates(bout.mean_kg_ha, result, system)}."
            if not result.tail_curves
            else "What all passes would leave if nothing fell farther out than one tray spacing beyond the end trays, "
            "which still caught: what fell there is missing.",
        ),
        (
            "CV against bout width",
            "Lines: CV over every bout width, both ways of driving; it decides. Points: CV by trays at whole tray "
            f"spacings. Level line: the limit of {result.limit_pct:g} %. "
            f"Effective width: {', '.join(widths)}.",
        ),
    )


MOST_WIDTHS = 24  # about so many rows in the table of bout widths
MOST_COLUMNS = 6  # catches side by side; more go into further tables
MOST_CATCHES = 6_000  # more than anyone reads, and than a page in a browser or a printer bears
BLANK = "blank"
CELL_WORDS = "blank: not weighed; x: weighed but thrown out; 0: nothing fell in"


def _words(*heads: str) -> tuple[Column, ...]:
    return tuple(Column(head, align="left") for head in heads)


def _figures(unit: str, *heads: str) -> tuple[Column, ...]:
    return tuple(Column(head, unit) for head in heads)


def limit_table(result: Assessment, system: str = "metric") -> Table:
    """Effective width at the usual CV limits and at the one asked for, both driving methods."""
    rows = tuple(
        (f"{limit:g} %{' (the limit)' if limit == result.limit_pct else ''}", *_widths_at(result, limit, system))
        for limit in result.side_by_side_pct
    )
    return Table((*_words("CV up to"), *_figures("", *METHODS)), rows, "Effective width at other CV limits")


def _sure_tables(sure: Confidence, system: str) -> list[Table]:
    """How sure the answer is: noise floor, intervals and probabilities, both driving methods."""
    tables = list(confidence_tables(sure, system))
    tables[0] = replace(tables[0], caption="How sure is the answer")
    note = f"Noise known from: {sure.noise.source}; {sure.draws:,} draws, seed {sure.seed}"
    tables[-1] = replace(tables[-1], notes=(note,))
    return tables


def _widths_at(result: Assessment, limit_pct: float, system: str) -> Iterator[str]:
    for method in METHODS:
        width = result.effective_width_m(method, limit_pct)
        yield "none" if width is None else both_down(width, system)


def _other_length(length_m: float, system: str) -> str:
    return show(length_m, "length", other_system(system), digits=1)


def bout_table(result: Assessment, system: str = "metric") -> Table:
    """What the field gets at the width driven and at the effective widths."""
    unit = rate_unit(result, system)
    columns = (
        Column("Bout width and driving", align="left", share=6.5),
        *(Column(head, "%", share=1) for head in ("CV that decides", "CV by trays", "CV by line")),
        *(Column(head, unit, share=1) for head in ("Mean", "Least", "Most")),
        *(Column(f"Within {pct} % of mean", "%", share=1.2) for pct in (10, 20)),
    )
    rows = tuple(_bout_row(what, bout, result, system) for what, bout in _bouts_that_matter(result, system))
    return Table(
        columns,
        rows,
        "What the field gets",
        ("CV by trays at whole tray spacings only. All rates at the metering of the test.",),
    )


def _bouts_that_matter(result: Assessment, system: str) -> Iterator[tuple[str, Bout]]:
    for method in METHODS:
        if result.bouts:
            yield "driven" if result.driving in (None, method) else "the other way", result.bouts[method]
    for method in METHODS:
        width = result.effective_width_m(method)
        if width is not None and width != result.bout_width_m and not result.tail_curves:
            yield "effective width", result.bouts_at(down_m(width, system))[method]


def _bout_row(what: str, bout: Bout, result: Assessment, system: str) -> tuple[str, ...]:
    rates = (show_rate(rate, result, system) for rate in (bout.mean_kg_ha, bout.min_kg_ha, bout.max_kg_ha))
    shares = (show_pct(share, digits=0) for share in (bout.within_10_pct, bout.within_20_pct))
    name = f"{show_width(bout.width_m, system)} {bout.method} ({what})"
    name += f", {bout.part}" if bout.part else ""
    whole = bool(result.whole_spacings(np.array([bout.width_m]))[0])
    ends = open_mean(result, bout.width_m, lambda rate: show_rate(rate, result, system))
    over = result.cv_over_tails(bout.method, bout.width_m)
    if ends is not None and over is not None:  # only what can be told whatever fell beyond the end trays
        return (name, f"{show_pct(over.least)} to {show_pct(over.most)}", "-", "-", ends[0], "-", "-", "-", "-")
    cvs = (bout.cv_pct, bout.cv_trays_pct if whole else math.nan, bout.cv_line_pct)
    return (name, *map(show_pct, cvs), *((ends[0], "-", "-") if ends else rates), *shares)


def width_tables(result: Assessment, system: str = "metric") -> tuple[Table, ...]:
    """CV and rates against bout width, a table for each driving method."""
    rows = width_rows(result, most=MOST_WIDTHS)
    total = len(result.scans[METHODS[0]].width_m)
    here, other, unit = (
        shown_unit("length", system),
        shown_unit("length", other_system(system)),
        rate_unit(result, system),
    )
    columns = (
        Column("Bout width", here, align="left"),
        Column("Bout width", other),
        *_figures("%", "CV by trays"),
        *_figures("", f"Within {result.limit_pct:g} %?"),
        *_figures("%", "CV by line"),
        *_figures(unit, "Mean", "Least", "Most"),
    )
    notes = () if len(rows) == total else (f"{len(rows)} of the {total} widths of the table are shown.",)
    tables = []
    for method in METHODS:
        cells = []
        for row in rows:
            cv, line, least, most = row.scans[method]
            rates = (show_rate(rate, result, system) for rate in (row.mean, least, most))
            widths = show_width(row.width_m, system, unit=False), _other_length(row.width_m, system).split()[0]
            kept = {WITHIN: "yes", CLOSE: "close", OVER: "no"}.get(row.standing[method], "-")
            cells.append((*widths, show_pct(cv), kept, show_pct(line), *rates))
        tables.append(Table(columns, tuple(cells), f"Bout widths, {method}", notes))
    return tuple(tables)


def form_table(result: Assessment) -> Table:
    """The rows of the form as they were written."""
    unknown = set(result.test.unknown_labels)
    rows = tuple(
        (row.label, row.value, row.unit, "not a known label, not used" if row.label in unknown else "")
        for row in result.test.form
    )
    heads = ("Label", "Value", "Unit", "Remark") if any(row[3] for row in rows) else ("Label", "Value", "Unit")
    return Table(_words(*heads), tuple(row[: len(heads)] for row in rows), "The form as written")


def tray_tables(result: Assessment, system: str = "metric") -> tuple[Table, ...]:
    """The raw trays as weighed, with the profile; many passes go into several tables, notes into the last."""
    test = result.test
    if test.catch.size > MOST_CATCHES:
        note = f"The sheet holds {test.catch.size:,} catches, too many for a report: ask for the tray sheet itself."
        return (Table(_words("Tray"), (), "Raw trays", (note,)),)
    starts = range(0, len(test.columns), MOST_COLUMNS)
    groups = [range(start, min(start + MOST_COLUMNS, len(test.columns))) for start in starts]
    return tuple(_tray_table(result, group, system, last=group == groups[-1]) for group in groups)


def _tray_table(result: Assessment, columns: range, system: str, *, last: bool) -> Table:
    test = result.test
    noted = last and any(test.note)
    reverse = set(test.reversed_passes)
    named = tuple(
        Column(column.name + (" (other way)" if column.pass_no in reverse else ""), column.unit)
        for column in (test.columns[at] for at in columns)
    )
    profile = (Column("Profile", rate_unit(result, system)),) if last else ()
    heads = (*_words("Tray"), Column("Offset", test.offset_unit), *named, *profile, *(_words("Note") if noted else ()))
    rates = _profile_cells(result, system)
    rows = tuple(
        (
            test.tray[tray],
            shortest(test.offset[tray]),
            *(catch_cell(float(test.catch[tray, at]), int(test.state[tray, at]), blank=BLANK) for at in columns),
            *((rates[tray],) if last else ()),
            *((test.note[tray],) if noted else ()),
        )
        for tray in range(len(test.tray))
    )
    shown = [test.columns[at].name for at in columns]
    which = "" if len(columns) == len(test.columns) else f", {shown[0]} to {shown[-1]}"
    return Table(heads, rows, f"Raw trays, left to right{which}", (CELL_WORDS,))


def _profile_cells(result: Assessment, system: str) -> list[str]:
    """The rate of the profile at every tray of the sheet, filled ones marked and dropped ones a dash."""
    profile = result.profile
    rates = dict(zip(profile.offset_m.tolist(), profile.rate_kg_ha.tolist(), strict=True))
    filled = set(profile.filled_offset_m)
    cells = []
    for offset in result.test.offset_m.tolist():
        cell = show_rate(rates[offset], result, system) if offset in rates else "-"
        cells.append(f"{cell} filled" if offset in filled else cell)
    return cells
