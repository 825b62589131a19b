"""`spreadcheck confidence SHEET`: how sure the answer is."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from spreadcheck.cli.options import options, outputs, quantity, read_test, sheet_argument
from spreadcheck.cli.outputs import Outputs, name_analysis, name_next

if TYPE_CHECKING:
    from spreadcheck.judge.assessment import Assessment
    from spreadcheck.judge.passcount import PassesNeeded


_UNSEEN = ("tray_efficiency_pct", "laying_error_m", "wind_shift_m")
_LABELS = ("size_guide_number", "granule_density", "uniformity_index", "scale_resolution")


@click.command()
@sheet_argument
@options(
    "bout-width", "limit", "widths", "tails", "relative", level={"default": 90.0},
    half_width={**quantity("length", "LENGTH", "How many passes give the effective width to this much either way."),
                "default": "0.5 m"},
    steering=quantity("length", "LENGTH", 'Sideways driving error (standard deviation), such as "0.10 m".'),
    drift={"type": float, "default": 0.0,
           "help": "Correlation of that error from pass to pass: 0 new each time, near 1 a slow drift."},
    size_guide_number={"metavar": "NUMBER",
                       "help": "Median granule diameter in mm x 100; the sheet's if not given."},
    granule_density={"metavar": "DENSITY", "help": 'Such as "1325 kg/m3"; the sheet\'s if not given.'},
    uniformity_index={"metavar": "NUMBER", "help": "Uniformity index of the granules; the sheet's if not given."},
    scale_resolution={"metavar": "MASS", "help": 'Step of the scale, such as "0.1 g"; the sheet\'s if not given.'},
    tray_efficiency=quantity("share", "%", "How far trays differ in what they keep, in %."),
    laying_error=quantity("length", "LENGTH", "How far the line lies off the driving line."),
    wind_shift=quantity("length", "LENGTH", "How far the wind of the day moves the pattern."),
    draws={"type": int, "default": 2000, "help": "Tests drawn by chance, to see the noise."},
    seed={"type": click.IntRange(0, 999_999_999), "default": 1,
          "help": "Seed of the draws; the same one, the same figures."},
)  # fmt: skip
@options("units")
@outputs("json", plot="Draw profile and CV with their errors; .png, .svg or .pdf by the ending.")
def confidence(
    *,
    sheet: str,
    level: float,
    half_width_m: float,
    steering_m: float | None,
    drift: float,
    draws: int,
    seed: int,
    units: str,
    out: Outputs,
    **asked: Any,
) -> None:
    """How sure the answer is: what part of the CV is the machine and what part is the test.

    Shows the noise floor, the CV with the noise taken out, intervals for the CV at the bout width driven and for the
    effective width, the probability of keeping the limit, the passes that a surer test needs, and what steering does.
    SHEET is a tray sheet, .csv, .xlsx or .ods; - reads standard input.

    \b
    Examples:
      spreadcheck confidence sample_trays/even_trapezoid.csv
      spreadcheck confidence test.csv --steering "0.10 m" --half-width "1 m"
    """
    from spreadcheck.errors import Fault, WidthError
    from spreadcheck.judge.assessment import assess
    from spreadcheck.judge.confidence import check_draws
    from spreadcheck.judge.confidence import confidence as how_sure
    from spreadcheck.judge.passcount import check_half_width, passes_for
    from spreadcheck.judge.steering import Steering, steering_effect
    from spreadcheck.passes.noise import Stated
    from spreadcheck.sheet.traytest import with_labels
    from spreadcheck.show import confidence as show

    out.check(sheet)
    check_draws(draws=draws, seed=seed, level_pct=level)
    check_half_width(half_width_m)
    if steering_m is None and drift:
        raise WidthError(Fault("option --drift", "there is no driving error to drift", 'add --steering "0.10 m"'))
    steering = None if steering_m is None else Steering(steering_m, drift)
    stated = Stated(**{name: value for name in _UNSEEN if (value := asked.pop(name)) is not None})
    labels = {name.replace("_", " "): value for name in _LABELS if (value := asked.pop(name)) is not None}
    result = assess(with_labels(read_test(sheet), labels, place="option --{}"), **asked)
    sure = how_sure(result, draws=draws, seed=seed, level_pct=level, stated=stated)
    needed = passes_for(sure, half_width_m)
    effect = None if steering is None else steering_effect(result, steering)
    out.show(
        show.confidence_document(sure, units, needed=needed, steering=effect),
        (*result.doubts, *sure.doubts),
        json=lambda: show.confidence_json(sure, needed=needed, steering=effect),
        plot=lambda: show.confidence_figure(sure, units),
    )
    if out.screen:
        _name_next(sheet, result, needed, units)


def _name_next(sheet: str, result: Assessment, needed: PassesNeeded, units: str) -> None:
    """A plan with the passes needed where the test has fewer, else the analysis with card or advice."""
    from spreadcheck.show.format import free, show_width
    from spreadcheck.units import show

    target, width_m = result.test.quantity("target rate"), result.bout_width_m
    few = not result.blocking and (needed.passes or 0) > needed.passes_done
    if not few or target is None or width_m is None or sheet == "-":
        more = () if width_m is None else ("--bout-width", show_width(width_m, units))
        name_analysis(result.verdict, sheet, *more, limit_pct=result.limit_pct)
        return
    words = ("--bout-width", show_width(width_m, units), "--target-rate", show(target, "rate", units))
    surer = ("--half-width", show_width(needed.half_width_m, units), "--sheet", free(sheet, "-2.csv"))
    name_next("plan", *words, "--former", sheet, *surer, lead=f"Next, a test of {needed.passes} passes")
