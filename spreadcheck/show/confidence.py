"""How sure an assessment is, in words and figures for a terminal.

1. `confidence_rows`   the figures at the bout driven and for the effective width, a column a driving method
2. `confidence_text`   the whole: where the noise is known from, the figures, passes needed, steering
"""

from __future__ import annotations

import textwrap

import numpy as np

from spreadcheck.doubts.noise_known import BETWEEN_PASSES
from spreadcheck.judge.confidence import SURE_PCT, BoutConfidence, Confidence, CvBand
from spreadcheck.judge.passcount import PassesNeeded
from spreadcheck.judge.steering import SteeringEffect
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.tables import show_pct, show_width
from spreadcheck.units import from_inside, shown_unit

WIDTH = 80
Row = tuple[str, str, str]


def confidence_rows(sure: Confidence, system: str = "metric") -> list[Row]:
    """The figures, a row each: what it is, then back-and-forth and round-and-round.

    Parameters
    ----------
    sure : Confidence
        Noise floor, intervals and probabilities. [-]
    system : str
        "metric" or "us". [-]

    Returns
    -------
    list of (str, str, str)
        The rows, headings among them; empty where the noise is not known. [-]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> from spreadcheck.judge.confidence import confidence
    >>> test = tray_test([-1, 0, 1], [[5, 6], [9, 8], [5, 5]], tray_width="0.5 m", tray_length="0.5 m")
    >>> confidence_rows(confidence(assess(test, bout_width_m=2)))[2]
    ('  noise floor', '9.1 %', '6.7 %')
    """
    if not sure.known:
        return []
    limit = f"{sure.assessment.limit_pct:g} %"
    level = f"{sure.level_pct:g} %"
    rows: list[Row] = []
    if sure.bouts:
        bouts = [sure.bouts[method] for method in METHODS]
        rows += [(f"CV at {show_width(bouts[0].width_m, system)}", *METHODS)]
        rows += [
            _row("  as read by the trays", [f"{show_pct(bout.cv_trays_pct)} %" for bout in bouts]),
            _row("  noise floor", [f"{show_pct(bout.noise_floor_pct)} %" for bout in bouts]),
            _row("  with the noise taken out", [_without_noise(bout) for bout in bouts]),
            _row(f"  {level} interval", [f"{show_pct(b.low_pct)} to {show_pct(b.high_pct)} %" for b in bouts]),
            _row(f"  probability of CV up to {limit}", [_probability(bout.within_pct) for bout in bouts]),
            ("", "", ""),
        ]
    bands = [sure.bands[method] for method in METHODS]
    rows += [
        (f"Effective width (CV up to {limit})", *METHODS),
        _row("  widest tried, as read", [show_width(band.effective_width_m, system) for band in bands]),
        _row(f"  widest with {SURE_PCT:g} % probability", [show_width(band.sure_width_m, system) for band in bands]),
        ("Where CV crosses the limit", "", ""),
        _row("  as read by the trays", [_crossing(band.crossing_m, band, system) for band in bands]),
        _row("  with the noise taken out", [_crossing(band.without_noise_m, band, system) for band in bands]),
        _row(f"  {level} interval", [_width_span(band, system) for band in bands]),
    ]
    return rows


def confidence_text(
    sure: Confidence,
    system: str = "metric",
    *,
    needed: PassesNeeded | None = None,
    steering: SteeringEffect | None = None,
) -> str:
    """How sure an assessment is, 80 columns wide.

    Parameters
    ----------
    sure : Confidence
        Noise floor, intervals and probabilities. [-]
    system : str
        "metric" or "us". [-]
    needed : PassesNeeded, optional
        Passes needed for a half-width. [-]
    steering : SteeringEffect, optional
        The effect of steering. [-]

    Returns
    -------
    str
        The text. [-]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> from spreadcheck.judge.confidence import confidence
    >>> test = tray_test([-1, 0, 1], [[5, 6], [9, 8], [5, 5]], tray_width="0.5 m", tray_length="0.5 m")
    >>> print(confidence_text(confidence(assess(test))).splitlines()[1])
    Noise taken from the spread between 2 passes; seed 1, 2,000 draws.
    """
    parts = [f"How sure is the answer: {sure.assessment.test.name}\n{_source(sure)}"]
    if sure.known:
        parts.append(_table(confidence_rows(sure, system)))
    if needed is not None:
        parts.append(_needed(needed, system))
    if steering is not None:
        parts.append(_steering(steering, system))
    return "\n\n".join(parts)


def _source(sure: Confidence) -> str:
    noise = sure.noise
    settings = f"seed {sure.seed}, {sure.draws:,} draws"
    if not sure.known:
        return textwrap.fill(
            "The noise of this test can't be known: it has one pass, so no interval from passes is possible, and for "
            f"one from counting granules the form lacks: {', '.join(noise.missing)}.",
            WIDTH,
        )
    if noise.source == BETWEEN_PASSES:
        text = f"Noise taken from the spread between {noise.passes} passes; {settings}."
    else:
        text = (
            "One pass: no interval from passes is possible. Noise taken from counting granules, a lower bound; "
            f"{settings}."
        )
    if noise.agreement is not None:
        both = noise.agreement
        verdict = "they agree" if both.agree else "they do NOT agree"
        text += (
            f" Its variance is {both.ratio:.2f} times that of counting granules; chance leaves {both.low:.2f} to "
            f"{both.high:.2f}: {verdict}."
        )
    return textwrap.fill(text, WIDTH)


def _table(rows: list[Row]) -> str:
    return "\n".join(f"{name:<36}{one:<22}{other}".rstrip() for name, one, other in rows)


def _row(name: str, cells: list[str]) -> Row:
    one, other = cells
    return name, one, other


def _without_noise(bout: BoutConfidence) -> str:
    return "0: noise explains all" if bout.all_noise else f"{show_pct(bout.cv_without_noise_pct)} %"


def _probability(pct: float) -> str:
    return "-" if np.isnan(pct) else "over 99 %" if pct > 99 else "under 1 %" if pct < 1 else f"{pct:.0f} %"


def _crossing(width_m: float, band: CvBand, system: str) -> str:
    """A place on the curve: none within, beyond the widest candidate, or a width to 0.1."""
    if width_m <= 0:
        return "none"
    if width_m >= band.width_m[-1]:
        return f"{_tenth(band.width_m[-1], system)} or more"
    return _tenth(width_m, system)


def _width_span(band: CvBand, system: str) -> str:
    low, high = (_crossing(width, band, system) for width in (band.effective_low_m, band.effective_high_m))
    return low if low == high else f"{low.removesuffix(' ' + shown_unit('length', system))} to {high}"


def _tenth(width_m: float, system: str) -> str:
    unit = shown_unit("length", system)
    return f"{from_inside(float(width_m), unit, 'length'):.1f} {unit}"


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
            "  Runs caught together in one weighing count like passes.",
        )
    )


def _count(passes: int | None) -> str:
    return "more than 1,000" if passes is None else f"{passes}"


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
