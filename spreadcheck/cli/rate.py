"""`spreadcheck rate`: the application rate against what was metered and what was wanted."""

from __future__ import annotations

import click

from spreadcheck.cli.options import optional_sheet_argument, options, outputs, read_test, text_options
from spreadcheck.cli.outputs import Outputs, check_next_sheet, tell_doubts, tell_verdict, write_into
from spreadcheck.cli.say import say


@click.command()
@optional_sheet_argument
@click.option("--area", multiple=True, metavar="LIST", help='Mass spread and its area, a run each: "310 kg: 2 ha".')
@click.option("--catch", multiple=True, metavar="LIST", help='Mass caught and its time, a run each: "36 kg: 30 s".')
@text_options(
    ("--target", "RATE", 'Rate wanted, such as "150 kg/ha".'),
    ("--bout-width", "WIDTH", 'Bout width driven, such as "24 m".'),
    ("--speed", "SPEED", 'Travel speed in work, such as "12 km/h".'),
    ("--metered-rate", "RATE", "Rate that the controller aimed at."),
    ("--metered-width", "WIDTH", "Width that the controller or gate chart was set for."),
    ("--discharge", "FLOW", 'Flow found in a flow test, such as "72 kg/min".'),
)
@click.option("--factor", type=float, help="Calibration factor in force.")
@click.option(
    "--inverse-factor", is_flag=True, help="The factor is metering a unit of mass: factor x aimed / measured."
)
@click.option("--setting", type=float, help="Gate or belt setting in force.")
@click.option("--tolerance", type=float, default=5.0, show_default=True, help="Wanted of the mean rate, +/- %.")
@click.option("--confidence", type=float, default=95.0, show_default=True, help="Confidence for that, in %.")
@click.option("--new-width", multiple=True, metavar="LIST", help='Rate at other bout widths: "27 m, 30 m".')
@options("tails", "into", "units")
@outputs("json")
def rate(
    *,
    sheet: str | None,
    area: tuple[str, ...],
    catch: tuple[str, ...],
    inverse_factor: bool,
    tolerance: float,
    confidence: float,
    new_width: tuple[str, ...],
    tails: str,
    into: str | None,
    units: str,
    out: Outputs,
    **given: str | float | None,
) -> None:
    """Application rate by trays, by area and by catch; share recovered; what to correct.

    A tray SHEET gives the mean rate over the bout, and fills in what options leave out: target rate, bout width,
    metered rate, metered width, discharge, travel speed, calibration factor, gate setting. --into is for the sheet of
    the next test: the factor and setting found, target rate, bout width and travel speed.

    \b
    Examples:
      spreadcheck rate sample_trays/even_trapezoid.csv --factor 0.82
      spreadcheck rate --area "310 kg: 2 ha, 318 kg: 2 ha" --target "150 kg/ha"
      spreadcheck rate first.csv --factor 0.82 --into second.csv
      spreadcheck rate --catch "36 kg: 30 s" --speed "10 km/h" --bout-width "24 m"
    """
    from spreadcheck.product.ratecheck import check_rate
    from spreadcheck.product.ratereadings import pairs_given, settings_given, widths_given
    from spreadcheck.product.readings import confidence_given

    out.check(sheet)
    check_next_sheet(into, sheet)
    trays = read_test(sheet) if sheet else None
    result = check_rate(
        settings_given(given),
        trays=trays,
        tails=tails,
        areas=pairs_given(area, "area", option="--area"),
        catches=pairs_given(catch, "time", option="--catch"),
        new_widths_m=widths_given(new_width, option="--new-width"),
        inverse=inverse_factor,
        tolerance_pct=tolerance,
        confidence_pct=confidence_given(confidence, place="option --confidence"),
    )
    from spreadcheck.show.rate import rate_json, rate_text

    out.write(json=lambda: rate_json(result, trays))
    if out.screen:
        say(rate_text(result, units))
        tell_verdict(result.verdict, units)
        tell_doubts(result.doubts, units)
    if into:
        write_into(into, result.form_rows(units), overwrite=out.overwrite)
