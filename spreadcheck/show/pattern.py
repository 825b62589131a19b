"""A spread pattern: its headline, its figures and the advice as a document, and as plain data."""

from __future__ import annotations

import math
import textwrap
from typing import Any

import numpy as np

from spreadcheck.judge.assessment import Assessment
from spreadcheck.passes.noise import FROM_PASSES, FROM_STATED
from spreadcheck.passes.sides import Difference
from spreadcheck.pattern.advice import DEFER, SIGNS, cautions_of
from spreadcheck.pattern.figures import UNKNOWN, Compared, Outlets
from spreadcheck.pattern.reading import FIRST, PatternReading
from spreadcheck.pattern.shape import SHAPES, margin
from spreadcheck.sheet.labels import LIME, TWIN
from spreadcheck.show.data import picked
from spreadcheck.show.document import Block, Document, Heading, Paragraph, Points, Table, table
from spreadcheck.show.format import rate_unit, show_figure, show_rate
from spreadcheck.show.text import terminal_text
from spreadcheck.units import counted, show, shown_unit

WIDTH = 80
MOST_OUTLETS = 6
FEW_TRAYS = 8  # over the half-rate width: fewer are too few for a shape
NEXT_TO_NOTHING = -0.7  # fans of neighbours may reach further than to the next outlet

_NOISE = {
    FROM_PASSES: "chance is read from how the passes differ, and from what line, wind and trays usually do",
    FROM_STATED: "one pass: chance is taken from what tests usually show, and this one may be worse",
    UNKNOWN: "one pass of unknown granules: shapes can't be told from chance",
}
_CANT_TELL = {
    FROM_PASSES: "the passes differ too much; more passes, or more runs per catch, will tell",
    FROM_STATED: "too few granules fell in; more passes, or more runs per catch, will tell",
    UNKNOWN: "one pass does not show chance; drive three, or give size guide number and granule density",
}
# a tested difference in words, and what one of it is worth as shown (lengths are shown in the reader's units)
_DIFFERENCES = {
    "centre": ("centre off the line", 0.0),
    "ground": ("off over the ground, both ways", 0.0),
    "mass": ("mass: right gets more", 100.0),
    "reach": ("reach: right flies further", 100.0),
    "slope": ("slope: right edge gets more", 100.0),
    "shoulders": ("shoulders over centre", 100.0),
    "bout edge": ("driving line over bout edge", 100.0),
}
_WAYS_ALONE = (
    "Mass, reach and slope: how much each would have to differ if it alone made the sides unlike - one side given "
    "more, one side thrown further, or a rate that rises steadily across the width. "
)


def pattern_headline(result: Assessment) -> str:
    """The shapes, and what chance or a short line hides, in one line or two."""
    reading = result.pattern
    *some, last = reading.unclear or ("",)
    unclear = f"{', '.join(some)} or {last}" if some else last
    if reading.shapes:
        text = ", ".join(reading.shapes) + (f" (can't tell whether also {unclear})" if unclear else "")
    elif not unclear:
        text = "no shape stands out"
    else:
        named = "which shape" if reading.noise == UNKNOWN or len(reading.unclear) > 3 else f"whether {unclear}"
        if result.profile.ends.open:
            text = f"can't tell {named} (the tray line ends inside the pattern; trays farther out will tell)"
        elif reading.noise == FROM_PASSES and not reading.passes_hide:
            half = reading.figures.half_of_peak_m.value
            trays = int((np.ptp(result.profile.offset_m) if math.isnan(half) else half) / result.profile.spacing_m)
            few = f"only about {trays} trays show the shape; trays closer together will tell"
            why = few if trays < FEW_TRAYS else "it lies nearer to the border between shapes than one test can tell"
            text = f"can't tell {named} (the passes agree, but {why})"
        else:
            text = f"can't tell {named} ({_CANT_TELL[reading.noise]})"
    return textwrap.fill(f"Pattern: {text}", WIDTH, subsequent_indent="  ", break_on_hyphens=False)


def pattern_full(result: Assessment, system: str = "metric") -> str:
    """The pattern with all its figures, every check and the cautions."""
    shapes = (
        Paragraph(f"{name}: {SHAPES[name].meaning}. Rule: {SHAPES[name].rule}. In the overlap: {SHAPES[name].effect}.")
        for name in result.pattern.shapes
    )
    blocks = (_figure_table(result, system), *shapes, *advice_blocks(result, system))
    return f"{pattern_headline(result)}\n{terminal_text(Document('', blocks))}"


def advice_blocks(result: Assessment, system: str = "metric") -> tuple[Block, ...]:
    """What differs by more than chance, what may lie behind it, and what to look at, best borne out first."""
    reading, kind = result.pattern, result.pattern.kind
    assumed = kind.name if reading.kind_stated else f"{kind.name} is assumed, as the sheet names no spreader type"
    about = f"Kind of spreader: {assumed}. Normal for it ({kind.standing}): {kind.normal}."
    if math.isnan(reading.width_m):
        about += " No bout or expected width is known, so the bout edge was not looked at."
    blocks: list[Block] = [Heading("The pattern: what was tested"), Paragraph(about)]
    if reading.differences:
        blocks.append(_difference_table(reading, system))
    if (sides := reading.sides) is not None:  # what would be found in 80 of 100 tests like this one
        side = "disc" if kind.name in (TWIN, LIME) else "side"
        what = "a line or wind" if kind.outlets else "a line, drop point or wind"
        what = what if sides.ground is None else "a machine"  # line and wind cancel where passes go both ways
        least, lacks = show(sides.least_seen("centre"), "length", system, digits=1), 100 * sides.least_seen("mass")
        unseen = (
            f"A {side} that is short by less than about {lacks:.0f} % can't be seen in this test, "
            f"nor {what} that moves the pattern by less than about {least}: fewer than 80 of 100 such tests would find "
            "it. More passes help, and so do noting the wind and driving every second pass the other way."
        )
        blocks.append(Paragraph(unseen))
    if reading.outlets is not None:
        blocks.append(Points(_outlet_words(reading.outlets, system)))
    blocks.append(Heading("What may lie behind it"))
    if result.blocking:
        told = f"First put right what blocks a verdict: {', '.join(result.blocking)}. Until then the following may be "
        blocks.append(Paragraph(told + "the slip, and not the machine.", "strong"))
    if not reading.advice:
        none = "Nothing here is clear of chance and unusual, so nothing is named."
        return (*blocks, Paragraph(none), Paragraph(DEFER))
    causes = []
    for each in reading.advice[:FIRST]:
        cause, why = each.cause, "; ".join(f"{SIGNS[sign]}: {reason}" for sign, reason in each.why[:2])
        head = f"{cause.part} ({100 * each.share:.0f} % of the evidence; {cause.standing})"
        causes.append(f"{head}. {why[0].upper()}{why[1:]}. Look: {cause.look} Usually: {cause.adjust}.")
    blocks.append(Points(tuple(causes), numbered=True))
    if reading.apart:
        blocks += [Paragraph("To tell these apart:"), Points(reading.apart)]
    if more := [f"{each.cause.part} ({100 * each.share:.0f} %)" for each in reading.advice[FIRST:]]:
        blocks.append(Paragraph(f"Less likely: {'; '.join(more)}."))
    return (*blocks, Points((*cautions_of(reading.kind), DEFER), small=True))


def _difference_table(reading: PatternReading, system: str) -> Table:
    rows = []
    for name, each in reading.differences.items():
        words, worth = _DIFFERENCES[name]
        values = (each.value, each.low, each.high)
        if worth:
            found, low, high = (str(round(worth * value)) for value in values)
        else:
            found, low, high = (show(value, "length", system, digits=2, unit=False) for value in values)
        unit = "%" if worth else shown_unit("length", system)
        rows.append((words, unit, found, f"{low} to {high}", _chance(each), "yes" if each.clear else "no"))
    alone = _WAYS_ALONE if {"mass", "reach", "slope"} & set(reading.differences) else ""
    note = (
        f"Right is positive. {alone}Chance: that noise, line, wind and a good machine make as much, all figures "
        "together; centre, shoulders and bout edge must also be past what is normal."
    )
    passes = f"{counted(len(reading.pass_numbers), 'pass', 'passes')}; {_NOISE[reading.noise]}."
    heads = "difference<; unit<; found; 90 % range; chance; clear"
    return table(heads, rows, "Left against right, and the shape", notes=(f"{note} {passes}",))


def _chance(each: Difference) -> str:
    p = 100 * each.p
    return "below 0.1 %" if p < 0.1 else f"{p:.1f} %" if p < 10 else f"{p:.0f} %"


def _outlet_words(outlets: Outlets, system: str) -> tuple[str, ...]:
    """The outlets that stand clear, the furthest off first, and where their places are known from."""
    odd, every = outlets.odd, outlets.every
    by = f"Held by {outlets.by}: {len(every)} {'trays' if 'trays' in outlets.by else 'outlets'} against the middle one."
    if "trays" in outlets.by and "some" not in outlets.by:
        by += " Put number of outlets and outlet spacing on the sheet to have the outlets named."
    told = []
    for outlet in odd[:MOST_OUTLETS]:
        at, off = show(abs(outlet.offset_m), "length", system, digits=2), outlet.off
        at += "" if outlet.offset_m == 0 else " right" if outlet.offset_m > 0 else " left"
        name = f"outlet {outlet.number} from the left, {at}" if outlet.number else f"at {at}"
        low, high = sorted((100 * abs(off.low), 100 * abs(off.high)))
        text = f"{name}: {100 * abs(off.value):.0f} % {'short' if off.value < 0 else 'over'} ({low:.0f} to {high:.0f})"
        blocked = "; as one that gives nothing, beside good ones: blocked or shut?"
        told.append(f"{text}, chance {_chance(off)}{blocked if off.value <= NEXT_TO_NOTHING else ''}")
    if len(odd) > MOST_OUTLETS:
        told.append(f"and {len(odd) - MOST_OUTLETS} more")
    return (by, *(told or ["None is off by more than 10 % beyond chance."]))


def _figure_table(result: Assessment, system: str) -> Table:
    reading, figures, unit = result.pattern, result.pattern.figures, shown_unit("length", system)

    def told(value: float, in_unit: str) -> str:
        if math.isnan(value) or in_unit == "%":
            return show_figure(value)
        return show(value, "length", system, unit=False) if in_unit else f"{value:.2f}"

    both: list[tuple[str, str, Compared]] = [
        ("left of the driving line", "%", figures.left_share_pct),
        ("centre, right positive", unit, figures.centre_m),
    ]
    found = [
        *([] if result.test.mirrored else both),  # mirroring makes both sides alike
        ("half-rate width by the peak", unit, figures.half_of_peak_m),
        (f"half-rate width by {figures.near_trays} centre trays", unit, figures.half_of_near_m),
        (f"half-rate width by {figures.wide_trays} centre trays", unit, figures.half_of_wide_m),
        ("left shoulder to centre", "", figures.left_shoulder),
        ("right shoulder to centre", "", figures.right_shoulder),
        ("both shoulders to centre", "", figures.shoulder_to_centre),
        ("left tail, half of the peak to 5 %", unit, figures.tail_left_m),
        ("right tail, half of the peak to 5 %", unit, figures.tail_right_m),
    ]
    for peak in reading.peaks:
        rate = f"{show_rate(peak.rate_kg_ha, result, system)} {rate_unit(result, system)}"
        found.append((f"peak of {rate}, at", unit, Compared(peak.offset_m, peak.pass_offset_m)))
    rows = []
    for name, in_unit, figure in found:
        count, *values = figure.of_passes.values()
        several = [told(value, in_unit) if count > 1 else "-" for value in values]
        rows.append((name, in_unit, told(figure.value, in_unit), *several))
    compared = counted(len(reading.pass_numbers), "pass", "passes")
    note = f"Mean, SD, least and most: pass by pass, {compared} compared."
    return table("figure<; unit<; profile; mean; SD; least; most", rows, notes=(note,))


def pattern_json(reading: PatternReading, unit: str) -> dict[str, Any]:
    """The reading as plain data, in SI; rates in `unit`."""
    figures: dict[str, Any] = dict(vars(reading.figures))
    for name, figure in figures.items():
        if isinstance(figure, Compared):
            of_passes = {f"passes_{key}": figure.of_passes[key] for key in ("mean", "sd", "least", "most")}
            figures[name] = {"value": figure.value, "margin": margin(figure), "passes": figure.passes, **of_passes}
    return {
        "shapes": reading.shapes,
        "cant_tell": reading.unclear,
        "noise_from": reading.noise,
        "passes": reading.pass_numbers,
        "figures": figures,
        "peaks": [
            {"offset_m": each.offset_m, f"rate_{unit}": each.rate_kg_ha, "passes_offset_m": each.pass_offset_m}
            for each in reading.peaks
        ],
    }


def advice_json(result: Assessment) -> dict[str, Any]:
    """What was tested and what may lie behind it, best borne out first, as plain data in SI."""
    reading, outlets, least, sides = result.pattern, None, None, result.pattern.sides
    tested = "value low high p clear"
    names = {name: f"{name}_m" if name in ("centre", "ground") else name.replace(" ", "_") for name in _DIFFERENCES}
    if sides is not None:
        least = {"short_side_pct": 100 * sides.least_seen("mass"), "moved_m": sides.least_seen("centre")}
    if reading.outlets is not None:
        odd = [
            {"number": each.number or None, "offset_m": each.offset_m, **picked(each.off, tested)}
            for each in reading.outlets.odd
        ]
        outlets = {"by": reading.outlets.by, "odd": odd}
    return {
        "spreader_type": reading.kind.name,
        "spreader_type_stated": reading.kind_stated,
        "normal": reading.kind.normal,
        "put_right_first": list(result.blocking),
        "least_seen": least,
        "differences": {names[name]: picked(each, tested) for name, each in reading.differences.items()},
        "outlets": outlets,
        "causes": [
            {
                "part": each.cause.part,
                "share_pct": 100 * each.share,
                **picked(each.cause, "look adjust standing"),
                "why": dict(each.why),
            }
            for each in reading.advice
        ],
        "tell_apart": reading.apart,
        "cautions": [*cautions_of(reading.kind), DEFER],
    }
