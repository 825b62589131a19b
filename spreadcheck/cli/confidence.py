"""`spreadcheck confidence SHEET`: how sure the answer is."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from spreadcheck.cli.documents import picture
from spreadcheck.cli.options import (
    json_option,
    overwrite_option,
    read_test,
    sheet_argument,
    tell_doubts,
    tell_verdict,
    units_option,
    write_result,
)
from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from spreadcheck.judge.assessment import Assessment
    from spreadcheck.judge.steering import SteeringEffect
    from spreadcheck.passes.noise import Stated
    from spreadcheck.sheet.traytest import TrayTest

_FACTS = {  # option -> label of the form that it stands in for
    "size_guide_number": "size guide number",
    "granule_density": "granule density",
    "uniformity_index": "uniformity index",
    "scale_resolution": "scale resolution",
}


@click.command()
@sheet_argument
@click.option("--bout-width", metavar="WIDTH", help='Bout width driven, such as "24 m"; the sheet\'s if not given.')
@click.option("--limit", type=float, default=15.0, show_default=True, help="CV limit in %.")
@click.option("--widths", metavar="LIST", help='Bout widths to try: "18 m:36 m:0.5 m" or "18 m, 24 m, 27.5 m".')
@click.option("--tails", type=click.Choice(["taper", "cut"]), default="taper", show_default=True,
              help="Beyond the end trays the profile runs to zero over one tray spacing, or stops.")  # fmt: skip
@click.option("--relative", is_flag=True, help="Figures in proportion only: for ml without a bulk density.")
@click.option("--level", type=float, default=90.0, show_default=True, help="How often intervals hold the truth, in %.")
@click.option("--half-width", metavar="LENGTH", default="0.5 m", show_default=True,
              help="Tell how many passes pin the effective width to this much either way.")  # fmt: skip
@click.option("--steering", metavar="LENGTH", help='Sideways driving error (standard deviation), such as "0.10 m".')
@click.option("--drift", type=float, default=0.0, show_default=True,
              help="Correlation of that error from pass to pass: 0 new each time, near 1 a slow drift.")  # fmt: skip
@click.option(
    "--size-guide-number", metavar="NUMBER", help="Median granule diameter in mm x 100; the sheet's if not given."
)
@click.option("--granule-density", metavar="DENSITY", help='Such as "1325 kg/m3"; the sheet\'s if not given.')
@click.option(
    "--uniformity-index", metavar="NUMBER", help="Uniformity index of the granules; the sheet's if not given."
)
@click.option(
    "--scale-resolution", metavar="MASS", help='Step of the scale, such as "0.1 g"; the sheet\'s if not given.'
)
@click.option("--tray-efficiency", metavar="%", help="How far trays differ in what they keep, in %.")
@click.option("--laying-error", metavar="LENGTH", help="How far the line lies off the driving line.")
@click.option("--wind-shift", metavar="LENGTH", help="How far the wind of the day moves the pattern.")
@click.option("--draws", type=int, default=2000, show_default=True, help="How often the noise is drawn.")
@click.option(
    "--seed",
    type=click.IntRange(0, 999_999_999),
    default=1,
    show_default=True,
    help="Seed of the draws; the same one, the same figures.",
)
@units_option
@json_option
@click.option("--plot", "plot_file", metavar="FILE", help="Draw profile and CV with their errors; .png, .svg or .pdf.")
@overwrite_option
def confidence(
    *,
    sheet: str,
    bout_width: str | None,
    limit: float,
    widths: str | None,
    tails: str,
    relative: bool,
    level: float,
    half_width: str,
    steering: str | None,
    drift: float,
    tray_efficiency: str | None,
    laying_error: str | None,
    wind_shift: str | None,
    draws: int,
    seed: int,
    units: str,
    json_file: str | None,
    plot_file: str | None,
    overwrite: bool,
    **facts: str | None,
) -> None:
    """How sure the answer is: what part of the CV is the machine and what part is the test.

    Shows the noise floor, the CV with the noise taken out, intervals for the CV at the bout width driven and for the
    effective width, the probability of keeping the limit, the passes that a surer test needs, and what steering does.
    SHEET is a tray sheet, .csv or .xlsx; - reads standard input.

    \b
    Examples:
      spreadcheck confidence sample_trays/even_trapezoid.csv
      spreadcheck confidence test.csv --steering "0.10 m" --half-width "1 m"
    """
    from spreadcheck.cli.options import check_targets
    from spreadcheck.judge.assessment import assess
    from spreadcheck.judge.confidence import confidence as how_sure
    from spreadcheck.judge.passcount import passes_for
    from spreadcheck.spread.widths import parse_widths
    from spreadcheck.units import parse_quantity

    check_targets([json_file, plot_file], overwrite, read=[sheet])
    if plot_file:
        from spreadcheck.show.plots import file_format

        file_format(plot_file)
    half_width_m = parse_quantity(half_width, "length", place="option --half-width")
    result = assess(
        _with_facts(read_test(sheet), facts),
        limit_pct=limit,
        width_m=parse_widths(widths) if widths is not None else None,
        bout_width_m=parse_quantity(bout_width, "length", place="option --bout-width") if bout_width else None,
        tails=tails,
        relative=relative,
    )
    stated = _stated(tray_efficiency, laying_error, wind_shift)
    sure = how_sure(result, draws=draws, seed=seed, level_pct=level, stated=stated)
    needed = passes_for(result, half_width_m, draws=draws, seed=seed, level_pct=level, stated=stated)
    effect = _steered(result, steering, drift)
    if json_file:
        from spreadcheck.show.json import json_text
        from spreadcheck.show.results_confidence import confidence_json

        content = json_text(confidence_json(sure, needed=needed, steering=effect))
        write_result(json_file, content, overwrite=overwrite)
    if plot_file:
        from spreadcheck.show.plots import file_format
        from spreadcheck.show.plots_confidence import confidence_figure

        figure = confidence_figure(sure, units)
        write_result(plot_file, picture(figure, file_format(plot_file)), overwrite=overwrite)
    if json_file != "-":
        from spreadcheck.show.confidence import confidence_text

        say(confidence_text(sure, units, needed=needed, steering=effect))
        tell_verdict(sure.judged.verdict, units)
    tell_doubts((*sure.assessment.doubts, *sure.doubts), units)


def _with_facts(test: TrayTest, facts: dict[str, str | None]) -> TrayTest:
    """The test with the product facts that options give in place of those of its form."""
    from spreadcheck.sheet.traytest import with_labels

    given = {_FACTS[option]: text for option, text in facts.items() if text is not None}
    return with_labels(test, given, place="option --{}")


def _stated(tray_efficiency: str | None, laying_error: str | None, wind_shift: str | None) -> Stated:
    """What one test can't see: what the options say, else the defaults."""
    from spreadcheck.errors import Fault, QuantityError
    from spreadcheck.passes.noise import Stated
    from spreadcheck.units import parse_quantity

    given: dict[str, float] = {}
    if tray_efficiency is not None:
        try:
            given["tray_efficiency_pct"] = float(tray_efficiency.strip().removesuffix("%"))
        except ValueError:
            fault = Fault("option --tray-efficiency", f'"{tray_efficiency}" is no share', 'write such as "2 %"')
            raise QuantityError(fault) from None
    for name, option, text in (
        ("laying_error_m", "--laying-error", laying_error),
        ("wind_shift_m", "--wind-shift", wind_shift),
    ):
        if text is not None:
            given[name] = parse_quantity(text, "length", place=f"option {option}")
    return Stated(**given)


def _steered(result: Assessment, steering: str | None, drift: float) -> SteeringEffect | None:
    from spreadcheck.errors import Fault, WidthError
    from spreadcheck.judge.steering import Steering, steering_effect
    from spreadcheck.units import parse_quantity

    if steering is None:
        if drift:
            raise WidthError(Fault("option --drift", "there is no driving error to drift", 'add --steering "0.10 m"'))
        return None
    error = Steering(parse_quantity(steering, "length", place="option --steering"), drift)
    return steering_effect(result, error)
