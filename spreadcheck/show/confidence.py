"""What `confidence` says, draws and writes: how sure an answer is."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from spreadcheck.judge.confidence import SURE_PCT, Confidence, CvBand
from spreadcheck.judge.passcount import PassesNeeded
from spreadcheck.judge.steering import SteeringEffect, SteeringScan
from spreadcheck.passes.noise import FROM_PASSES
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.show.data import envelope, picked
from spreadcheck.show.document import Block, Document, Heading, Paragraph, Table, table
from spreadcheck.show.format import show_figure, show_width
from spreadcheck.show.plots import (
    BLUE,
    draw_deposit,
    draw_profile,
    draw_widths,
    legend_above,
    mark_driven,
    mark_limit,
    panels,
    plain_style,
    scales,
)
from spreadcheck.show.verdict import chance_words, verdict_sentence, width_down
from spreadcheck.units import from_inside, show, shown_unit

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

ERRORS_SHOWN = 2.0  # standard errors each way
T = TypeVar("T")
_BLEND = (
    "These figures are of all components together. The verdict on a blend rests on its worst part, whose noise is not "
    "known: no probability and no sure width are given."
)


def confidence_document(
    sure: Confidence,
    system: str = "metric",
    *,
    needed: PassesNeeded | None = None,
    steering: SteeringEffect | None = None,
    verdict: bool = True,
) -> Document:
    """How sure an assessment is: the verdict first, then what it rests on; passes and steering where given."""
    blocks: list[Block] = []
    if verdict and (said := sure.judged.verdict) is not None:
        blocks.append(Paragraph(verdict_sentence(said, system), "strong"))
    blocks.append(Paragraph(_source_words(sure, system)))
    if sure.noise.known:
        blocks += [Paragraph(_unseen_words(sure, system)), *confidence_tables(sure, system)]
        if sure.assessment.blocking:
            blocks.append(Paragraph("No probability and no sure width are given while a doubt forbids a verdict."))
        elif sure.assessment.blend:
            blocks.append(Paragraph(_BLEND))
    blocks += [*_needed(needed, system), *_steering(steering, system)]
    return Document(f"How sure is the answer: {sure.assessment.test.name}", tuple(blocks))


def confidence_tables(sure: Confidence, system: str = "metric") -> tuple[Table, ...]:
    """The figures at the bout width driven, and the effective width; none where the noise is not known."""
    limit, level, is_open = f"{sure.assessment.limit_pct:g} %", f"{sure.level_pct:g} %", sure.ends.open
    unit, tables = shown_unit("length", system), []

    def pct(value: float) -> str:
        return "not known" if is_open else f"{show_figure(value)} %"

    def interval(low: float, high: float) -> str:
        """One that starts at nothing has one end."""
        if np.isnan(high):
            return "-"
        return f"{show_figure(low)} to {show_figure(high)} %" if round(low, 1) > 0 else f"at most {show_figure(high)} %"

    def crossing(width_m: float, band: CvBand[FloatArray], *, down: bool = False) -> str:
        """A place on the curve: none within, beyond the widest candidate, or a width to 0.1."""
        if math.isnan(width_m):
            return "not known"
        if width_m <= 0:
            return "none"
        if band.censored(width_m):
            return f"at least {_length(float(band.width_m[-1]), system, 1)}"
        return width_down(width_m, system) if down else _length(width_m, system, 1)

    def span(band: CvBand[FloatArray]) -> str:
        low, high = (crossing(width, band) for width in (band.effective_low_m, band.effective_high_m))
        return low if low == high else f"{low.removesuffix(' ' + unit)} to {high.replace('at least', 'over')}"

    if sure.bouts:
        of_bout: dict[str, Callable[[CvBand[float]], str]] = {
            "read, trays lying anywhere": lambda b: pct(b.cv_trays_pct),
            "noise floor of the passes": lambda b: f"{show_figure(b.noise_floor_pct)} %",
            "with the noise taken out": lambda b: (
                "0: noise explains all" if b.all_noise and not is_open else pct(b.cv_without_noise_pct)
            ),
            f"{level} interval, passes alone": lambda b: interval(b.alone_low_pct, b.alone_high_pct),
            f"{level} interval, all told": lambda b: interval(b.low_pct, b.high_pct),
            "the same for CV by line": lambda b: interval(b.line_low_pct, b.line_high_pct),
        }
        if sure.tells_probability:
            of_bout[f"probability of CV up to {limit}"] = lambda b: chance_words(b.within_pct, b.within_most_pct) or "-"
        width = show_width(sure.assessment.bout_width_m, system)
        tables.append(_by_method(f"CV at {width}", of_bout, sure.bouts))
    if sure.bands:
        of_band: dict[str, Callable[[CvBand[FloatArray]], str]] = {
            "as read": lambda b: crossing(math.nan if is_open else b.effective_width_m or 0.0, b, down=True),
            "with the noise taken out": lambda b: crossing(math.nan if is_open else b.without_noise_m, b, down=True),
            f"{level} interval, all told": span,
        }
        if sure.tells_probability:
            of_band[f"widest with {SURE_PCT:g} % probability"] = lambda b: width_down(b.sure_width_m, system)
        tables.append(_by_method(f"Effective width (CV up to {limit})", of_band, sure.bands))
    return tuple(tables)


def _by_method(head: str, rows: Mapping[str, Callable[[T], str]], found: Mapping[str, T]) -> Table:
    """A table of what was found for each driving method."""
    told = ((label, *(cell(found[method]) for method in METHODS)) for label, cell in rows.items())
    return table("; ".join(f"{each}<" for each in (head, *METHODS)), told)


def _source_words(sure: Confidence, system: str) -> str:
    """Where the noise is known from, and what it is made of."""
    noise, both = sure.noise, sure.noise.agreement
    if not noise.known:
        return (
            "The noise of this test can't be known: it has one pass, so how passes differ is not seen, and for an "
            f"interval from stated noise the form lacks: {', '.join(noise.missing)}."
        )
    parts, text = noise.parts(), f"The noise is taken from how the {noise.passes} passes differ."
    if noise.source != FROM_PASSES:
        text = (
            "One pass: nothing shows how passes differ. The intervals hold for noise as stated for spreaders in "
            "general, and for no other."
        )
    text += (
        f" One catch at the peak scatters by {100 * parts['counting']:.1f} % as granules are counted, by "
        f"{100 * parts['scatter']:.1f} % from tray to tray and by {100 * parts['gusts']:.1f} % in gusts; the pattern "
        f"wanders by {_length(parts['wander_m'], system)} (standard deviations)."
    )
    if both is not None:
        told = "so granules alone explain how the passes differ"
        if not both.agree:
            larger = "something else changed from pass to pass"
            smaller = "granule size or density may be wrong, or trays were not emptied"
            told = f"so granules alone do NOT explain it: {larger if both.ratio > both.high else smaller}"
        text += (
            f" The variance between the passes is {both.ratio:.2f} times what counting granules alone gives. Chance "
            f"moves that between {both.low:.2f} and {both.high:.2f}, {told}."
        )
    return f"{text} {sure.draws:,} draws, seed {sure.seed}."


def _unseen_words(sure: Confidence, system: str = "metric") -> str:
    """What is stated because one test can't see it, and what the tails leave open."""
    stated = sure.stated
    text = (
        f'"All told" adds what one test can\'t see, as stated: trays differ by {stated.tray_efficiency_pct:g} %, the '
        f"line lies {_length(stated.laying_error_m, system)} off, the wind of the day moves the pattern "
        f"{_length(stated.wind_shift_m, system)} (standard deviations)."
    )
    if sure.ends.open:
        left, right = sure.ends.share_pct
        text += (
            f" The end trays still catch {left:.0f} and {right:.0f} % of the peak: what falls beyond them is not "
            "known, and each figure is a range over all plausible tails."
        )
    return text


def _length(length_m: float, system: str, digits: int = 2) -> str:
    return show(length_m, "length", system, digits=digits)


def _needed(needed: PassesNeeded | None, system: str) -> list[Block]:
    if needed is None:
        return []
    half = _length(needed.half_width_m, system, 1)
    heading = Heading(f"Passes needed to pin the effective width to +/- {half} ({needed.method})")
    if needed.why_not:
        return [heading, Paragraph(f"Can't be told: {needed.why_not}.")]
    closer = f"; with trays at half the spacing: {needed.closer_trays_passes}" if needed.closer_trays_passes else ""
    heads = "; ".join(("passes<", *(f"{passes}" for passes, _ in needed.half_widths_m)))
    halves = (show(half, "length", system, unit=False, digits=2) for _, half in needed.half_widths_m)
    return [
        heading,
        Paragraph(
            f"With trays as they stood: {needed.passes or 'no number is enough'}{closer}. "
            "Runs caught together count like passes."
        ),
        table(heads, ((f"+/- {shown_unit('length', system)}", *halves),)),
        Paragraph(
            f"What one test can't see adds +/- {_length(needed.unseen_m, system)}, however many passes: only a second "
            "test on another day makes that smaller."
        ),
    ]


def _steering(effect: SteeringEffect | None, system: str) -> list[Block]:
    if effect is None:
        return []
    error, limit = effect.steering, effect.limit_pct
    drift = f"correlation {error.correlation:g} from pass to pass" if error.correlation else "new with every pass"
    blocks: list[Block] = [Heading(f"Steering error {show_width(error.sd_m, system)} (standard deviation), {drift}")]
    straight, steered = "driven straight", "with the steering error"
    if effect.bouts:
        cvs: dict[str, Callable[[SteeringScan], str]] = {
            straight: lambda bout: f"{show_figure(float(bout.cv_straight_pct[0]))} %",
            steered: lambda bout: f"{show_figure(float(bout.cv_steered_pct[0]))} %",
        }
        width = show_width(float(effect.bouts[METHODS[0]].width_m[0]), system)
        blocks.append(_by_method(f"CV by line expected at {width}", cvs, effect.bouts))
    widest: dict[str, Callable[[SteeringScan], str]] = {
        straight: lambda scan: show_width(scan.widest_m(limit)[0], system),
        steered: lambda scan: show_width(scan.widest_m(limit)[1], system),
    }
    return [*blocks, _by_method(f"Widest with CV by line up to {limit:g} %", widest, effect.scans)]


@plain_style()
def confidence_figure(sure: Confidence, system: str = "metric", *, analysis: bool = False) -> Figure:
    """Profile with tray errors, and CV against bout width for each driving method; of an analysis the deposit too."""
    result = sure.assessment
    count = 1 + analysis + max(len(sure.bands), int(analysis))
    figure, (first, *others) = panels(result.test.name, 8, 13.5 if analysis else 10.5, count)
    draw_profile(first, result, system)
    weighed, (length, rate) = ~np.isnan(sure.tray_error_kg_ha), scales(result, system)
    if weighed.any():
        first.errorbar(
            result.profile.offset_m[weighed] * length, result.profile.rate_kg_ha[weighed] * rate,
            ERRORS_SHOWN * sure.tray_error_kg_ha[weighed] * rate, fmt="none", ecolor="black", capsize=2,
            label=f"{ERRORS_SHOWN:g} standard errors of the mean each way",
        )  # fmt: skip
        first.legend(frameon=True, framealpha=0.85, edgecolor="none", loc="best")
    if analysis:
        draw_deposit(others.pop(0), result, system)
    if analysis and not sure.bands:
        draw_widths(others[0], result, system)
    for axes, method in zip(others, sure.bands, strict=False):
        draw_cv_band(axes, sure, method, system)
    return figure


def draw_cv_band(axes: Axes, sure: Confidence, method: str, system: str = "metric") -> None:
    """The CV that decides, with interval and noise floor: of a blend those of all components together."""
    band, limit, unit = sure.bands[method], sure.assessment.limit_pct, shown_unit("length", system)
    length = from_inside(1.0, unit, "length")
    width, level = band.width_m * length, f"{sure.level_pct:g} % interval"
    decides, blend = sure.assessment.curves[method], sure.assessment.blend
    of_all = ", all together" if blend else ""
    axes.fill_between(
        width, band.low_pct, band.high_pct, color="#c8c8c8", lw=0, label=f"{level} of the true CV{of_all}"
    )
    places = np.union1d(decides.width_m, band.width_m)
    part = "the worst part, scaled to one limit" if blend else "what trays read on average"
    axes.plot(places * length, decides.cv_of(places), color="black", lw=1.5, label=f"CV that decides: {part}")
    together = [(band.cv_trays_pct, "#555555", "-.", "all components together")] if blend else []
    for curve, colour, style, label in (
        *together,
        (band.cv_without_noise_pct, BLUE, "--", "with the noise taken out"),
        (band.noise_floor_pct, "#a04000", ":", "noise floor"),
    ):
        axes.plot(width, curve, color=colour, lw=1.5, ls=style, label=label)
    mark_limit(axes, limit, "left")
    if band.effective_high_m > 0:
        ends = [max(band.effective_low_m * length, width[0]), band.effective_high_m * length]
        axes.plot(ends, [0, 0], color="black", lw=6, solid_capstyle="butt", clip_on=False,
                  label=f"{level} of the effective width{of_all}")  # fmt: skip
    if band.sure_width_m is not None:
        label = f"widest with {SURE_PCT:g} % probability: {width_down(band.sure_width_m, system)}"
        axes.axvline(band.sure_width_m * length, color=BLUE, lw=1.2, ls="-.", label=label)
    mark_driven(axes, sure.assessment.bout_width_m, system)
    axes.set(xlabel=f"Bout width ({unit})", ylabel="CV (%)")
    top = float(np.nanmax(band.high_pct, initial=limit))
    axes.set_ylim(0, min(1.05 * top, 3 * limit))
    legend_above(axes, f"CV against bout width, {method}")


def confidence_json(
    sure: Confidence, *, needed: PassesNeeded | None = None, steering: SteeringEffect | None = None
) -> dict[str, Any]:
    """How sure an assessment is, as plain data (schema spreadcheck/confidence/2); unknown figures are None.

    Parameters
    ----------
    sure : Confidence
        Noise floor, intervals and probabilities. [-]
    needed : PassesNeeded, optional
        Passes needed for a half-width. [-]
    steering : SteeringEffect, optional
        The effect of steering. [-]

    Returns
    -------
    dict
        Data that `json.dumps` takes. [SI]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> from spreadcheck.judge.confidence import confidence
    >>> test = tray_test([-1, 0, 1], [[5, 6], [9, 8], [5, 5]], tray_width="0.5 m", tray_length="0.5 m")
    >>> data = confidence_json(confidence(assess(test)))
    >>> data["schema"], data["noise"]["source"], data["seed"]
    ('spreadcheck/confidence/2', 'passes', 1)
    """
    result, noise, both = sure.assessment, sure.noise, sure.noise.agreement
    unit = "pct_of_peak" if result.profile.relative else "kg_ha"
    parts = noise.parts() if noise.known else {}
    data: dict[str, Any] = {
        "cv_limit_pct": result.limit_pct,
        **picked(sure, "level_pct draws seed"),
        "noise": {
            "source": noise.source or None,
            "passes": noise.passes,
            "degrees_of_freedom": float(noise.weight @ noise.freedom),
            "at_peak_pct": {n: 100.0 * parts[n] if parts else None for n in ("counting", "scatter", "gusts")},
            "wander_m": parts.get("wander_m"),
            "stated": sure.stated,
            "missing_for_counting": noise.missing,
            "variance_ratio_passes_to_counting": both.ratio if both else None,
            "variance_ratio_by_chance": [both.low, both.high] if both else None,
            "passes_and_counting_agree": both.agree if both else None,
            **picked(sure, "end_trays_pct_of_peak=ends.share_pct tails_open=ends.open"),
        },
        "trays": {"offset_m": result.profile.offset_m, f"standard_error_{unit}": sure.tray_error_kg_ha},
        "methods": {
            method: {
                "effective_width_m": band.effective_width_m,
                "effective_width_without_noise_m": band.without_noise_m or None,
                **picked(band, "effective_width_low_m=effective_low_m effective_width_high_m=effective_high_m"),
                "effective_width_high_censored": band.censored(band.effective_high_m),
                "sure_width_m": band.sure_width_m,
                "scan": [{"width_m": float(width)} | _bout_json(band.at(at)) for at, width in enumerate(band.width_m)],
            }
            for method, band in sure.bands.items()
        },
    }
    if sure.bouts:
        alone = "cv_low_passes_alone_pct=alone_low_pct cv_high_passes_alone_pct=alone_high_pct"
        each = {method: _bout_json(bout) | picked(bout, alone) for method, bout in sure.bouts.items()}
        data["bout"] = {"width_m": result.bout_width_m, **each}
    if needed is not None:
        data["passes_needed"] = {
            **picked(needed, "method half_width_m level_pct passes"),
            "passes_with_trays_at_half_the_spacing": needed.closer_trays_passes,
            "half_widths": [{"passes": passes, "half_width_m": half} for passes, half in needed.half_widths_m],
            "half_width_unseen_m": needed.unseen_m,
            "why_not": needed.why_not or None,
        }
    if steering is not None:
        widest = {method: scan.widest_m(steering.limit_pct) for method, scan in steering.scans.items()}
        data["steering"] = {
            **picked(steering.steering, "sd_m correlation_pass_to_pass=correlation"),
            "methods": {
                method: {
                    "straight_width_m": widest[method][0],
                    "steered_width_m": widest[method][1],
                    "scan": _steered_json(scan),
                }
                for method, scan in steering.scans.items()
            },
            "bout": {method: _steered_json(scan)[0] for method, scan in steering.bouts.items()},
        }
    return envelope("confidence/2", sure.judged, sure.doubts, **data)


def _bout_json(bout: CvBand[float]) -> dict[str, Any]:
    return {
        **picked(bout, "cv_trays_pct noise_floor_pct cv_without_noise_pct cv_low_pct=low_pct cv_high_pct=high_pct"),
        **picked(bout, "cv_line_low_pct=line_low_pct cv_line_high_pct=line_high_pct"),
        **picked(bout, "within_limit_probability_pct=within_pct within_limit_probability_most_pct=within_most_pct"),
    }


def _steered_json(scan: SteeringScan) -> list[dict[str, float]]:
    keys = ("width_m", "cv_line_straight_pct", "cv_line_steered_pct")
    rows = np.transpose((scan.width_m, scan.cv_straight_pct, scan.cv_steered_pct)).tolist()
    return [dict(zip(keys, row, strict=True)) for row in rows]
