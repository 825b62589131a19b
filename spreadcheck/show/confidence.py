"""How sure an assessment is, in words and figures for a terminal."""

from __future__ import annotations

import textwrap

import numpy as np

from spreadcheck.judge.confidence import SURE_PCT, BoutConfidence, Confidence, CvBand
from spreadcheck.judge.passcount import PassesNeeded
from spreadcheck.judge.steering import SteeringEffect
from spreadcheck.passes.noise import FROM_PASSES
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.format import show_pct, show_width
from spreadcheck.units import from_inside, shown_unit

WIDTH = 80
Row = tuple[str, str, str]


def confidence_rows(sure: Confidence, system: str = "metric") -> list[Row]:
    """The figures, a row each: what it is, then back-and-forth and round-and-round; none where the noise is unknown."""
    if not sure.known:
        return []
    limit, level = f"{sure.assessment.limit_pct:g} %", f"{sure.level_pct:g} %"
    rows: list[Row] = []
    if sure.bouts:
        bouts = [sure.bouts[method] for method in METHODS]
        rows += [
            (f"CV at {show_width(bouts[0].width_m, system)}", *METHODS),
            _row("  by trays, as read", [f"{show_pct(bout.cv_trays_pct)} %" for bout in bouts]),
            _row("  noise floor of the passes", [f"{show_pct(bout.noise_floor_pct)} %" for bout in bouts]),
            _row("  with the noise taken out", [_without_noise(bout, sure) for bout in bouts]),
            _row(f"  {level} interval, passes alone", [_span(b.alone_low_pct, b.alone_high_pct) for b in bouts]),
            _row(f"  {level} interval, all told", [_span(b.low_pct, b.high_pct) for b in bouts]),
            _row("  the same on the line", [_span(*bout.line_interval_pct) for bout in bouts]),
            _row(f"  probability of CV up to {limit}", [_probabilities(bout) for bout in bouts]),
            ("", "", ""),
        ]
    bands = [sure.bands[method] for method in METHODS]
    rows += [
        (f"Effective width (CV up to {limit})", *METHODS),
        _row("  as read by the trays", [_as_read(band.effective_width_m, band, sure, system) for band in bands]),
        _row("  with the noise taken out", [_as_read(band.without_noise_m, band, sure, system) for band in bands]),
        _row(f"  {level} interval, all told", [_width_span(band, system) for band in bands]),
        _row(f"  widest with {SURE_PCT:g} % probability", [show_width(band.sure_width_m, system) for band in bands]),
    ]
    return rows


def confidence_text(
    sure: Confidence,
    system: str = "metric",
    *,
    needed: PassesNeeded | None = None,
    steering: SteeringEffect | None = None,
) -> str:
    """How sure an assessment is, 80 columns wide; with passes needed and the effect of steering where given."""
    title = textwrap.shorten(f"How sure is the answer: {sure.assessment.test.name}", WIDTH, placeholder="...")
    parts = [f"{title}\n{source_words(sure)}"]
    if sure.known:
        parts.append(f"{unseen_words(sure, system)}\n\n{_table(confidence_rows(sure, system))}")
    if needed is not None:
        parts.append(_needed(needed, system))
    if steering is not None:
        parts.append(_steering(steering, system))
    return "\n\n".join(parts)


def source_words(sure: Confidence) -> str:
    """Where the noise is known from, and what it is made of."""
    noise = sure.noise
    settings = f"seed {sure.seed}, {sure.draws:,} draws"
    if not noise.known:
        return textwrap.fill(
            "The noise of this test can't be known: it has one pass, so how passes differ is not seen, and for an "
            f"interval from stated noise the form lacks: {', '.join(noise.missing)}.",
            WIDTH,
        )
    parts = noise.parts()
    made_of = ", ".join(f"{name} {100 * parts[name]:.1f} %" for name in ("counting", "scatter", "gusts"))
    if noise.source == FROM_PASSES:
        text = f"Noise weighed by how {noise.passes} passes differ; {settings}."
    else:
        text = (
            "One pass: nothing shows how passes differ. The intervals hold for noise as stated for spreaders in "
            f"general, and for no other; {settings}."
        )
    text += f" One catch at the peak: {made_of}."
    both = noise.agreement
    if both is not None:
        verdict = "they agree" if both.agree else "they do NOT agree"
        text += (
            f" Its variance is {both.ratio:.2f} times that of counting granules; chance leaves {both.low:.2f} to "
            f"{both.high:.2f}: {verdict}."
        )
    return textwrap.fill(text, WIDTH)


def unseen_words(sure: Confidence, system: str = "metric") -> str:
    """What is stated because one test can't see it, and what the tails leave open."""
    stated = sure.stated
    text = (
        f'Stated, as one test can\'t see it ("all told"): trays differ by {stated.tray_efficiency_pct:g} %, the line '
        f"lies {_hundredth(stated.laying_error_m, system)} off, the wind of the day moves the pattern "
        f"{_hundredth(stated.wind_shift_m, system)} (standard deviations)."
    )
    if sure.ends.open:
        left, right = sure.ends.share_pct
        text += (
            f" The end trays still catch {left:.0f} and {right:.0f} % of the peak: what falls beyond them is not "
            "known, and each figure is a range over all plausible tails."
        )
    return textwrap.fill(text, WIDTH)


def _table(rows: list[Row]) -> str:
    return "\n".join(f"{name:<36}{one:<22}{other}".rstrip() for name, one, other in rows)


def _row(name: str, cells: list[str]) -> Row:
    one, other = cells
    return name, one, other


def _without_noise(bout: BoutConfidence, sure: Confidence) -> str:
    if sure.ends.open:
        return "not known"
    return "0: noise explains all" if bout.all_noise else f"{show_pct(bout.cv_without_noise_pct)} %"


def _span(low: float, high: float) -> str:
    return "-" if np.isnan(high) else f"{show_pct(low)} to {show_pct(high)} %"


def _probabilities(bout: BoutConfidence) -> str:
    """The probability of keeping the limit; from the least to the largest where tails matter to it."""
    least, most = _probability(bout.within_pct), _probability(bout.within_most_pct)
    return least if least == most else f"{least.removesuffix(' %')} to {most}"


def _probability(pct: float) -> str:
    return "-" if np.isnan(pct) else "over 99 %" if pct > 99 else "under 1 %" if pct < 1 else f"{pct:.0f} %"


def _as_read(width_m: float | None, band: CvBand, sure: Confidence, system: str) -> str:
    return "not known" if sure.ends.open else _crossing(width_m or 0.0, band, system)


def _crossing(width_m: float, band: CvBand, system: str) -> str:
    """A place on the curve: none within, beyond the widest candidate, or a width to 0.1."""
    if width_m <= 0:
        return "none"
    if width_m >= band.width_m[-1] - 1e-9:
        return f"at least {_tenth(band.width_m[-1], system)}"
    return _tenth(width_m, system)


def _width_span(band: CvBand, system: str) -> str:
    low, high = (_crossing(width, band, system) for width in (band.effective_low_m, band.effective_high_m))
    if low == high:
        return low
    return f"{low.removesuffix(' ' + shown_unit('length', system))} to {high.replace('at least', 'over')}"


def _tenth(width_m: float, system: str) -> str:
    unit = shown_unit("length", system)
    return f"{from_inside(float(width_m), unit, 'length'):.1f} {unit}"


def _hundredth(length_m: float, system: str) -> str:
    unit = shown_unit("length", system)
    return f"{from_inside(float(length_m), unit, 'length'):.2f} {unit}"


def _needed(needed: PassesNeeded, system: str) -> str:
    half = _tenth(needed.half_width_m, system)
    heading = f"Passes needed to pin the effective width to +/- {half} ({needed.method})"
    if needed.why_not:
        return f"{heading}\n" + textwrap.fill(f"can't be told: {needed.why_not}", WIDTH, initial_indent="  ")
    unit = shown_unit("length", system)
    halves = [f"{from_inside(half, unit, 'length'):.2f}" for _, half in needed.half_widths_m]
    return "\n".join(
        (
            heading,
            f"  with trays as they stood: {_count(needed.passes)}; "
            f"at half the spacing: {_count(needed.closer_trays_passes)}",
            "  passes" + "".join(f"{passes:>8}" for passes, _ in needed.half_widths_m),
            f"  +/- {unit:<4}" + "".join(f"{half:>8}" for half in halves),
            f"  What one test can't see adds +/- {_hundredth(needed.unseen_m, system)}, however many passes: a second",
            "  test on another day shows it. Runs caught together count like passes.",
        )
    )


def _count(passes: int | None) -> str:
    return "no number" if passes is None else f"{passes}"


def _steering(effect: SteeringEffect, system: str) -> str:
    error = effect.steering
    drift = f"correlation {error.correlation:g} from pass to pass" if error.correlation else "new with every pass"
    rows: list[Row] = []
    if effect.bouts:
        bouts = [effect.bouts[method] for method in METHODS]
        rows += [
            (f"CV by line expected at {show_width(float(bouts[0].width_m[0]), system)}", *METHODS),
            _row("  driven straight", [f"{show_pct(float(bout.cv_straight_pct[0]))} %" for bout in bouts]),
            _row("  with the steering error", [f"{show_pct(float(bout.cv_steered_pct[0]))} %" for bout in bouts]),
        ]
    rows += [
        (f"Widest with CV by line up to {effect.limit_pct:g} %", *METHODS),
        _row("  driven straight", [show_width(effect.straight_width_m(method), system) for method in METHODS]),
        _row("  with the steering error", [show_width(effect.steered_width_m(method), system) for method in METHODS]),
    ]
    return f"Steering error {show_width(error.sd_m, system)} (standard deviation), {drift}\n{_table(rows)}"
