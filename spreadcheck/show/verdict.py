"""The verdict and the doubts in words and as data, the same in every command."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace

import numpy as np

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.judge.assessment import CLOSE, WITHIN, Assessment, Bout
from spreadcheck.judge.verdict import CANT_BE_JUDGED, NOT_EVEN, Verdict
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import MIRRORED
from spreadcheck.show.document import Block, Document, Heading, Paragraph, Points
from spreadcheck.show.format import names_of, show_figure, show_width, target_words
from spreadcheck.show.text import wrapped
from spreadcheck.spread.bands import Run
from spreadcheck.spread.profile import FigureRange, metered_kg_ha_m
from spreadcheck.units import from_inside, shown_unit, to_inside

_DIP = 0.7  # of the advised width: a lower CV nearer than that is worth naming


def verdict_sentence(verdict: Verdict, system: str = "metric", length: Callable[[float, str], str] = show_width) -> str:
    """The verdict as one sentence: the width, the state, the CV, and why."""
    alike = f", {if_alike(verdict.untested)}" if verdict.untested else ""
    said = f"At {length(verdict.bout_width_m, system)}, {verdict.method}{alike}: {verdict.state}"
    if verdict.why == "few trays":
        return f"{said}, fewer than two trays lie in a bout."
    if verdict.state == CANT_BE_JUDGED:
        return f"{said}. What blocks it: {', '.join(verdict.blocking)}."
    of = f" of {verdict.part}" if verdict.part else ""
    over = verdict.cv_pct > verdict.limit_pct
    said += (
        f". CV{of} {show_figure(verdict.cv_pct)} %, {'over' if over else 'within'} the limit of {verdict.limit_pct:g} %"
    )
    if verdict.close:
        keeps = "keeps" if over else "does not keep"
        return f"{said}; close: CV by trays {show_figure(verdict.cv_trays_pct)} % {keeps} it."
    sure = chance_words(verdict.probability_pct, verdict.probability_most_pct)
    because = {
        "driving error": f"; driven {length(verdict.error_m, system)} off to either side, it may not be kept",
        "tails": "; what fell beyond the end trays may bring it over",
        "probability": f"{', but' if verdict.state == NOT_EVEN else ';'} kept with a probability of {sure} only",
    }
    return said + because.get(verdict.why, f"; the limit is kept with a probability of {sure}" if sure else "") + "."


def not_driven_words(verdict: Verdict) -> str:
    """Why a width is not called even enough, after the words "24 m": over the limit, or only not sure to keep it."""
    if verdict.why == "few trays":
        return "can't be judged, fewer than two trays lie in a bout"
    sure = chance_words(verdict.probability_pct, verdict.probability_most_pct)
    if verdict.state == NOT_EVEN and verdict.why == "probability" and sure:
        return f"keeps the CV limit as measured, but with a probability of {sure} only"
    return "is not within the CV limit"


def if_alike(untested: str) -> str:
    """What an answer rests on where one side was not tested."""
    return f"if the {untested} is like the {'right' if untested == 'left' else 'left'}"


def chance_words(least_pct: float | None, most_pct: float | None) -> str:
    """A probability from draws, never quite 0 or 100 %; from least to most where the tails matter to it."""
    if least_pct is None or most_pct is None or math.isnan(least_pct):
        return ""
    least, most = (
        "over 99 %" if pct > 99 else "under 1 %" if pct < 1 else f"{pct:.0f} %" for pct in (least_pct, most_pct)
    )
    return least if least == most else f"{least.removesuffix(' %')} to {most}"


MARKS = {WITHIN: "*", CLOSE: "~"}  # behind the CV of a width that keeps the limit


def marks_words(result: Assessment) -> str:
    """What the marks of a table of widths mean; while a doubt blocks none is given, and why."""
    if result.blocking:
        return f"No width is marked: the test can't be judged until this is put right: {', '.join(result.blocking)}"
    close = any(CLOSE in result.standings(method) for method in METHODS)
    either = "; ~ close: CV by trays falls on the other side of it" if close else ""
    return f"* within the CV limit of {result.limit_pct:g} %{either}"


def width_down(width_m: float | None, system: str = "metric") -> str:
    """A width that a limit is kept at, rounded down to 0.1 of the unit shown, so that it is still kept there."""
    if width_m is None:
        return "none"
    unit = shown_unit("length", system)
    return f"{math.floor(from_inside(width_m, unit, 'length') * 10 + 1e-6) / 10:g} {unit}"


def band_words(band: Run, system: str = "metric") -> str:
    """A band in which every width keeps the limit, its lower end rounded up in the same way."""
    low = math.ceil(from_inside(band.from_m, shown_unit("length", system), "length") * 10 - 1e-6) / 10
    return f"{low:g} to {width_down(band.to_m, system)}"


def advised_words(result: Assessment, method: str, system: str = "metric") -> str:
    """The advised width, rounded down; "not given" where a doubt or a side not tested forbids it."""
    if result.blocking or result.test.mirrored:
        return "not given"
    return width_down(result.advised_width_m(method), system)


def down_m(width_m: float, system: str = "metric") -> float:
    """The width that `width_down` shows, so that what is told of it is told of that width. [m]"""
    number, unit = width_down(width_m, system).split()
    return to_inside(float(number), unit, "length") or width_m


def open_mean(result: Assessment, width_m: float, shown: Callable[[float], str]) -> tuple[str, str] | None:
    """The mean rate as a range, and what leaves it open; None where one figure can be told."""
    metered = metered_kg_ha_m(result.test, width_m)
    area = result.area_range(metered)
    if area is None:
        return None
    because = ["what fell beyond the end trays"] if result.tail_curves else []
    because += ["which pass is right"] if result.mass_of_passes else []
    return f"{shown(area.least / width_m)} to {shown(area.most / width_m)}", f"by {' and '.join(because)}"


def field_words(
    result: Assessment, bout: Bout, length: Callable[[float], str], rate: Callable[[float], str], unit: str = ""
) -> str:
    """What the field gets at a width, against the target rate; `unit` stands once where `rate` shows none."""
    test, ends, mean = result.test, open_mean(result, bout.width_m, rate), bout.mean_kg_ha
    gets = f"{ends[0] if ends else rate(mean)}{unit}"
    told = [f"At {length(bout.width_m)}, {bout.method}, the field gets {gets} on average"]
    if ends:  # where the tails are open, so are the rates and what lies near the mean
        told[0] += f", {ends[1]}"
    else:
        if test.target_kg_ha and not result.profile.relative:
            aim = target_words(test, lambda target: f"{rate(target)}{unit}")
            told[0] += f", {show_figure(100 * mean / test.target_kg_ha, digits=0)} % of {aim}"
        told.append(f"least {rate(bout.min_kg_ha)}, most {rate(bout.max_kg_ha)}")
    if not result.tail_curves:
        told.append(f"{show_figure(bout.within_20_pct, digits=0)} % of it is within 20 % of the mean")
    if bout.part:
        told.append(f"all components together, {bout.part} decides")
    return "; ".join([*told, "trays can't tell the bins apart"] if test.bins_together else told)


def range_json(over: FigureRange | None) -> list[float | None] | None:
    """The two ends of a range of widths as data; 0 stands for none."""
    return None if over is None else [over.least or None, over.most or None]


def effective_words(result: Assessment, method: str, system: str = "metric") -> str:
    """The effective width: "up to" only where every narrower width keeps the limit too, else its band; or none."""
    over, curve = result.effective_over_tails(method), result.curves[method]
    if over is not None and not over.single:
        return tails_words(over, float(np.ptp(result.profile.offset_m)), system)
    run = curve.effective_run(result.limit_pct)
    if run is None:
        best = curve.best
        return "none" if best is None else f"none; best {show_figure(best[1])} % at {width_down(best[0], system)}"
    far = width_down(run.to_m, system)
    if run.censored:
        return f"at least {far}, the line ends there"
    first = run is curve.runs(result.limit_pct)[0] and run.from_m <= curve.width_m[0]
    return f"up to {far}" if first else band_words(run, system)


def tails_words(over: FigureRange, line_m: float, system: str) -> str:
    """An effective width that rests on what fell beyond the end trays; nothing is said past the end of the line."""
    if over.least >= line_m:
        return f"at least {width_down(line_m, system)}, the line ends there"
    least, most = width_down(over.least or None, system), width_down(over.most, system)
    if over.most > line_m:
        return f"{f'at least {least}' if over.least else 'not known'}: it rests on the tails"
    return f"{least.split()[0]} to {most}: it rests on the tails" if least != most else f"{least}, whatever the tails"


def other_bands_words(result: Assessment, method: str, system: str = "metric") -> tuple[str, ...]:
    """The bands beside the effective one, the widest first; none where they rest on what fell beyond the end trays."""
    curve = result.curves[method]
    effective, runs = curve.effective_run(result.limit_pct), reversed(curve.runs(result.limit_pct))
    return tuple(
        f"{show_width(run.from_m, system, unit=False)} to {show_width(run.to_m, system)}, narrow"  # no room for tenths
        if run.narrow
        else band_words(run, system)
        for run in runs
        if run is not effective and not result.tail_curves
    )


def advice_words(
    result: Assessment, method: str, system: str = "metric", *, noise: str = "--confidence adds the noise"
) -> str:
    """Why the advised width differs from the effective one."""
    if result.test.mirrored:
        return f"No width is advised: {MIRRORED}."
    advised, outlets = result.advised_width_m(method), result.pattern.outlets
    short = outlets is not None and any(outlet.off.value < 0 for outlet in outlets.odd)
    stripe = " A blocked outlet leaves a stripe at every width: clear what lays too little and test again." * short
    if advised is None:
        tails = " and whatever fell beyond the end trays" if result.tail_curves else ""
        return f"No width can be advised: none keeps the limit for driving errors either way{tails}.{stripe}"
    if result.kept is not None:
        noise = "with 90 % probability, the noise allowed for"
    words = (
        f"the limit is kept even when driven {show_width(result.driving_error_m, system)} off to either side; {noise}."
    )
    band = next((band for band in result.bands(method) if band.from_m <= advised <= band.to_m), None)
    if band is not None and advised in result.curves[method].width_m.tolist() and not result.tail_curves:
        room = width_down(min(advised - band.from_m, band.to_m - advised), system)
        dip = f"a dip of the CV ({show_figure(band.lowest_cv_pct)} %)"
        words = f"{dip}; the limit is kept up to {room} off to either side, not farther; {noise}."
    elif band is not None and band.lowest_at_m > _DIP * advised:
        words += f" Most even: {width_down(band.lowest_at_m, system)}, CV {show_figure(band.lowest_cv_pct)} %."
    return f"Advised: {words}{stripe}"


def to_hand_over(
    document: Document,
    doubts: Iterable[Doubt],
    system: str = "metric",
    *,
    verdict: Verdict | None = None,
    tests: Sequence[Assessment] = (),
) -> Document:
    """A document for paper, with the verdict and the doubts, also those of each test; the screen has them below it."""
    judged = [Paragraph(f"Verdict: {verdict_sentence(verdict, system)}", "strong")] if verdict else []
    all_doubts = [("", tuple(doubts)), *((f"About {n}", t.doubts) for n, t in zip(names_of(tests), tests, strict=True))]
    told: list[Block] = []
    for about, own in all_doubts:
        told += [Paragraph(about)] if about and own else []
        told += [Points(tuple(f"{doubt.code}: {doubt.message(system)}" for doubt in own))] if own else []
    more: list[Block] = [Heading("Doubts"), *told] if told else []
    return replace(document, blocks=(*judged, *document.blocks, *more))


def doubt_lines(doubts: Iterable[Doubt], system: str = "metric") -> str:
    """The doubts, each under its code, 80 columns wide."""
    texts = (f"{doubt.code}: {doubt.message(system)}" for doubt in doubts)
    return "\n".join(line for text in texts for line in wrapped(text, indent="  "))
