"""The reading of a spread pattern for a terminal, 80 columns wide."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable

from spreadcheck.judge.assessment import Assessment
from spreadcheck.pattern.advice import CAUTIONS, DEFER
from spreadcheck.pattern.figures import FROM_COUNTING, FROM_PASSES, UNKNOWN, Compared, Figures
from spreadcheck.pattern.reading import PatternReading
from spreadcheck.pattern.shape import SHAPES
from spreadcheck.show.format import rate_unit, show_pct, show_rate
from spreadcheck.units import show, shown_unit

WIDTH = 80
FIRST_CHECKS = 3
LOCK_OUT = "Discs still, engine off, key out and locked out before anyone touches a part."

_NOISE = {
    FROM_PASSES: "chance is read from the scatter of the passes",
    FROM_COUNTING: "one pass: chance is the counting noise of granules, the least it can be",
    UNKNOWN: "one pass, and granule size and density are not known: chance can't be told from shape",
}
_CANT_TELL = {
    FROM_PASSES: "the passes differ too much; more passes, or more runs per catch, will tell",
    FROM_COUNTING: "too few granules fell in; more passes, or more runs per catch, will tell",
    UNKNOWN: "one pass does not show chance; drive three, or give size guide number and granule density",
}


def pattern_text(result: Assessment, system: str = "metric") -> str:
    """The pattern in short."""
    reading = result.pattern
    lines = [pattern_headline(reading), *_figure_lines(result.pattern.figures, reading, system)]
    advice = reading.advice
    if advice:
        lines.append("Look at first, as is common practice; the machine maker's manual decides:")
        lines += [
            _wrapped(f"{number}. {item.check.part}: {item.check.look}", "  ", "     ")
            for number, item in enumerate(advice[:FIRST_CHECKS], start=1)
        ]
        lines += [LOCK_OUT, f"--advice shows all {len(advice)}, with reasons, and every figure of the pattern"]
    elif reading.shapes:
        lines.append("Nothing about this shape asks for a change; --advice shows every figure")
    return "\n".join(lines)


def pattern_full(result: Assessment, system: str = "metric") -> str:
    """The pattern with all its figures, every check and the cautions."""
    reading = result.pattern
    parts = [pattern_headline(reading) + "\n" + _figure_table(result, system)]
    for name in reading.shapes:
        shape = SHAPES[name]
        parts.append(
            _wrapped(f"{name}: {shape.meaning}. Rule: {shape.rule}. In the overlap: {shape.effect}.", "", "  ")
        )
    if reading.advice:
        parts.append("\n".join(["Look at, in this order, as is common practice:", *_check_lines(reading)]))
    elif reading.shapes:
        parts.append("Nothing about this shape asks for a change.")
    parts.append("\n".join(_wrapped(caution, "", "  ") for caution in (CAUTIONS if reading.advice else (DEFER,))))
    return "\n\n".join(parts)


def _wrapped(text: str, first: str, then: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent=first, subsequent_indent=then, break_on_hyphens=False)


def pattern_headline(reading: PatternReading) -> str:
    """The shapes, and what chance hides, in one line or two."""
    if not reading.shapes:
        if len(reading.unclear) == 0:
            return "Pattern: no shape stands out"
        named = "which shape" if reading.noise == UNKNOWN or len(reading.unclear) > 3 else ", ".join(reading.unclear)
        return _wrapped(f"Pattern: can't tell from chance: {named} ({_CANT_TELL[reading.noise]})", "", "  ")
    text = "Pattern: " + ", ".join(reading.shapes)
    if reading.unclear:
        text += f" (can't tell from chance: {', '.join(reading.unclear)})"
    return _wrapped(text, "", "  ")


def _figure_lines(figures: Figures, reading: PatternReading, system: str) -> list[str]:
    half, near, wide = (_length(f.value, system) for f in _widths(figures))
    lines = [
        f"  half-rate width {half} by the peak, {near} and {wide} by {figures.near_trays} and {figures.wide_trays} "
        "centre trays",
        f"  shoulders to centre {_ratio(figures.shoulder_to_centre.value)}{_range(figures.shoulder_to_centre, '.2f')}; "
        f"tails {_length(figures.tail_left_m.value, system)} left, {_length(figures.tail_right_m.value, system)} right",
    ]
    if len(reading.peaks) > 1:
        lines.append(f"  peaks at {', '.join(_place(peak.offset_m, system) for peak in reading.peaks)}")
    return [_wrapped(line.strip(), "  ", "    ") for line in lines]


def _widths(figures: Figures) -> tuple[Compared, Compared, Compared]:
    return figures.half_of_peak_m, figures.half_of_near_m, figures.half_of_wide_m


def _length(value_m: float, system: str) -> str:
    return "beyond the trays" if math.isnan(value_m) else show(value_m, "length", system, digits=1)


def _ratio(value: float) -> str:
    return "-" if math.isnan(value) else f"{value:.2f}"


def _range(figure: Compared, digits: str) -> str:
    """The spread over the passes, where there are two or more of them."""
    if figure.count < 2:
        return ""
    return f" (passes {figure.least:{digits}} to {figure.most:{digits}})"


def _place(offset_m: float, system: str) -> str:
    shown = show(abs(offset_m), "length", system, digits=1)
    if float(shown.split()[0]) == 0:
        return f"at {shown}"
    return f"{shown} {'right' if offset_m > 0 else 'left'}"


def _figure_table(result: Assessment, system: str) -> str:
    figures, unit = result.pattern.figures, shown_unit("length", system)
    lines = [
        f"{'':<42}{'profile':>8}  {'pass by pass':-^28}",
        f"{'':<42}{'':>8}{'mean':>8}{'SD':>8}{'least':>7}{'most':>7}",
    ]
    shares, ratios, metres = show_pct, _ratio, _number_of_lengths(system)
    rows = (
        ("left of the driving line, %", figures.left_share_pct, shares),
        (f"centre of the spread, right positive, {unit}", figures.centre_m, metres),
        (f"half-rate width by the peak, {unit}", figures.half_of_peak_m, metres),
        (f"half-rate width by {figures.near_trays} centre trays, {unit}", figures.half_of_near_m, metres),
        (f"half-rate width by {figures.wide_trays} centre trays, {unit}", figures.half_of_wide_m, metres),
        ("left shoulder to centre", figures.left_shoulder, ratios),
        ("right shoulder to centre", figures.right_shoulder, ratios),
        ("both shoulders to centre", figures.shoulder_to_centre, ratios),
        (f"left tail, half of the peak to 5 %, {unit}", figures.tail_left_m, metres),
        (f"right tail, half of the peak to 5 %, {unit}", figures.tail_right_m, metres),
    )
    for name, figure, shown in rows:
        lines.append(_figure_row(name, figure, shown))
    for peak in result.pattern.peaks:
        rate = f"{show_rate(peak.rate_kg_ha, result, system)} {rate_unit(result, system)}"
        lines.append(_figure_row(f"peak of {rate}, at {unit}", Compared(peak.offset_m, peak.pass_offset_m), metres))
    compared = len(result.pattern.pass_numbers)
    lines.append(f"{compared} {'pass' if compared == 1 else 'passes'} compared; {_NOISE[result.pattern.noise]}")
    return "\n".join(_wrapped(line, "", "  ") if line is lines[-1] else line for line in lines)


def _number_of_lengths(system: str) -> Callable[[float], str]:
    return lambda value_m: show(value_m, "length", system, unit=False)


def _figure_row(name: str, figure: Compared, shown: Callable[[float], str]) -> str:
    values = (figure.mean, figure.sd, figure.least, figure.most)
    mean, sd, least, most = (shown(value) if figure.count > 1 else "-" for value in values)
    return f"  {name:<40}{shown(figure.value):>8}{mean:>8}{sd:>8}{least:>7}{most:>7}"


def _check_lines(reading: PatternReading) -> list[str]:
    lines = []
    for number, item in enumerate(reading.advice, start=1):
        check = item.check
        lines.append(_wrapped(f"{number}. {check.part}: {check.look}", "  ", "     "))
        for shape, why in item.why:
            lines.append(_wrapped(f"{shape}: {why}", "     - ", "       "))
        lines.append(_wrapped(f"Usually: {check.adjust}", "     - ", "       "))
    return lines
