"""`spreadcheck widths SHEET`: which bout width pays."""

from __future__ import annotations

import click

from spreadcheck.cli.options import (
    check_targets,
    csv_option,
    json_option,
    limit_option,
    overwrite_option,
    read_test,
    relative_option,
    sheet_argument,
    tails_option,
    tell_doubts,
    tell_verdict,
    units_option,
    write_result,
)
from spreadcheck.cli.say import say


@click.command()
@sheet_argument
@click.option("--at", metavar="LIST", help='Bout widths to compare, such as "24 m, 28 m, 30 m" or "18 m:36 m:2 m".')
@click.option("--prices", "price_file", metavar="FILE", help="Price file (TOML): field, costs, crop, response.")
@click.option("--target", metavar="RATE", help='Target rate, such as "150 kg/ha"; the sheet\'s if not given.')
@click.option("--speed", metavar="SPEED", help='Travel speed in the field, such as "12 km/h".')
@click.option("--efficiency", metavar="SHARE", help='Field efficiency, such as "65 %"; 70 % if not given.')
@click.option("--field-width", metavar="LENGTH", help='Across the passes, such as "240 m".')
@click.option("--field-length", metavar="LENGTH", help='Along the passes, such as "400 m".')
@click.option("--labour", metavar="PRICE", help='Such as "22 EUR/h".')
@click.option("--machine", metavar="PRICE", help='Tractor and spreader without fuel, such as "38 EUR/h".')
@click.option("--fuel", metavar="PRICE", help='Such as "1.15 EUR/L" or "4.20 USD/gal".')
@click.option("--fuel-use", metavar="USE", help='Such as "14 L/h".')
@click.option("--crop-price", metavar="PRICE", help='Such as "190 EUR/t" or "5.40 USD/bu".')
@click.option("--bushel", metavar="MASS", help='Mass of a bushel of the crop, such as "60 lb".')
@limit_option
@tails_option
@relative_option
@units_option
@json_option
@csv_option("Write the comparison as CSV; - for standard output.")
@overwrite_option
def widths(
    *,
    sheet: str,
    at: str | None,
    price_file: str | None,
    limit: float,
    tails: str,
    relative: bool,
    units: str,
    json_file: str | None,
    csv_file: str | None,
    overwrite: bool,
    **figures: str | None,
) -> None:
    """Which bout width pays: evenness, rates, stripes, work and cost of each.

    For each bout width and driving method: CV, rates at the metering of the test and scaled to the target rate, shares
    of the field under and over, the longest stripe, field capacity and passes. With prices and a yield response of your
    own: cost per hectare, and the width with the lowest total. Nothing that you did not give is priced.

    Without --at it compares the sheet's bout width and the effective widths.

    \b
    Examples:
      spreadcheck widths test.csv --at "24 m, 28 m, 30 m"
      spreadcheck widths test.csv --at "24 m, 28 m, 30 m"
        --prices sample_trays/example_prices.toml
    """
    from spreadcheck.money.economics import study_widths
    from spreadcheck.money.pricefile import basis_from, read_price_file
    from spreadcheck.spread.widths import parse_widths

    check_targets([json_file, csv_file], overwrite, read=[sheet, price_file])
    study = study_widths(
        read_test(sheet),
        basis_from(read_price_file(price_file) if price_file is not None else None, figures),
        width_m=parse_widths(at, place="option --at") if at is not None else None,
        limit_pct=limit,
        tails=tails,
        relative=relative,
    )
    if json_file:
        from spreadcheck.show.json import json_text
        from spreadcheck.show.widths import widths_json

        write_result(json_file, json_text(widths_json(study)), overwrite=overwrite)
    if csv_file:
        from spreadcheck.show.widths import widths_csv

        write_result(csv_file, widths_csv(study, units), overwrite=overwrite)
    if "-" not in (json_file, csv_file):
        from spreadcheck.show.widths import widths_text

        say(widths_text(study, units))
        tell_verdict(study.verdict, units)
        tell_doubts(study.doubts, units)
