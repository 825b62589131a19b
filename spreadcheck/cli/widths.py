"""`spreadcheck widths SHEET`: which bout width pays."""

from __future__ import annotations

from typing import Any

import click

from spreadcheck.cli.options import BOUT_WIDTHS, options, outputs, read_test, sheet_argument, words
from spreadcheck.cli.outputs import Outputs, name_analysis, name_next


@click.command()
@sheet_argument
@options(
    at=words(
        "LIST",
        'Bout widths to compare, such as "24 m, 28 m, 30 m" or "18 m:36 m:2 m".',
        type=BOUT_WIDTHS,
        field="width_m",
    ),
    prices={},
    target=words("RATE", 'Target rate, such as "150 kg/ha"; the sheet\'s if not given.'),
    speed=words("SPEED", 'Travel speed in the field, such as "12 km/h".'),
    efficiency=words("SHARE", 'Field efficiency, such as "65 %"; 70 % if not given.'),
    field_width=words("LENGTH", 'Across the passes, such as "240 m".'),
    field_length=words("LENGTH", 'Along the passes, such as "400 m".'),
    labour=words("PRICE", 'Such as "22 EUR/h".'),
    machine=words("PRICE", 'Tractor and spreader without fuel, such as "38 EUR/h".'),
    fuel=words("PRICE", 'Such as "1.15 EUR/L" or "4.20 USD/gal".'),
    fuel_use=words("USE", 'Such as "14 L/h".'),
    crop_price=words("PRICE", 'Such as "190 EUR/t" or "5.40 USD/bu".'),
    bushel=words("MASS", 'Mass of a bushel of the crop, such as "60 lb".'),
)
@options("limit", "tails", "relative", "units")
@outputs("json", csv="Write the comparison as CSV; - for standard output.")
def widths(*, sheet: str, prices: str | None, units: str, out: Outputs, **asked: Any) -> None:
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
    from spreadcheck.limits import CV_LIMIT_PCT
    from spreadcheck.money.economics import study_widths
    from spreadcheck.money.pricefile import basis_from, read_price_file
    from spreadcheck.show.format import show_width
    from spreadcheck.show.widths import widths_csv, widths_document, widths_json

    out.check(sheet, prices)
    terms = {name: asked.pop(name) for name in ("width_m", "limit_pct", "tails", "relative")}
    basis = basis_from(read_price_file(prices) if prices is not None else None, asked)
    study = study_widths(read_test(sheet), basis, **terms)
    out.show(
        widths_document(study, units),
        study.judged,
        json=lambda: widths_json(study),
        csv=lambda: widths_csv(study, units),
    )
    if out.screen:
        pays, limit = study.lowest(study.judged.driving), study.judged.limit_pct
        if pays is None or study.judged.blocking or sheet == "-":
            name_analysis(study.judged.verdict, sheet, limit_pct=limit)
        else:
            more = () if limit == CV_LIMIT_PCT else ("--limit", f"{limit:g}")
            name_next("analyse", sheet, "--bout-width", show_width(pays.width_m, units), *more)
