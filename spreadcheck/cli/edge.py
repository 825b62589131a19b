"""`spreadcheck edge SHEET`: what falls beyond the field edge, and what is short inside it."""

from __future__ import annotations

import click

from spreadcheck.cli.options import (
    OutputFile,
    check_targets,
    json_option,
    overwrite_option,
    read_test,
    sheet_argument,
    tails_option,
    tell_doubts,
    units_option,
    write_result,
)
from spreadcheck.cli.say import say


@click.command()
@sheet_argument
@click.option("--bout-width", metavar="WIDTH", help='Bout width driven, such as "24 m"; the sheet\'s if not given.')
@click.option(
    "--first-pass",
    metavar="LIST",
    default="half bout",
    show_default=True,
    help='From the edge: "half bout", "12 m", or a list.',
)
@click.option(
    "--keep-inside",
    metavar="LIST",
    default="95 %, 98 %, 99.5 %",
    show_default=True,
    help="Shares of a pass to keep inside.",
)
@click.option("--side", type=click.Choice(["left", "right", "both"]), default="both", show_default=True,
              help="Side of the machine that is to the edge on the first pass.")  # fmt: skip
@click.option("--passes", type=int, default=10, show_default=True, help="Passes of the whole field.")
@click.option("--target", metavar="RATE", help='Target rate, such as "150 kg/ha"; the sheet\'s if not given.')
@tails_option
@click.option("--relative", is_flag=True, help="Figures in proportion only: for ml without a bulk density.")
@units_option
@json_option
@click.option(
    "--csv",
    "csv_file",
    type=OutputFile(".csv", dash=True),
    metavar="FILE",
    help="Write the edge table as CSV; - for standard output.",
)
@overwrite_option
def edge(
    *,
    sheet: str,
    bout_width: str | None,
    first_pass: str,
    keep_inside: str,
    side: str,
    passes: int,
    target: str | None,
    tails: str,
    relative: bool,
    units: str,
    json_file: str | None,
    csv_file: str | None,
    overwrite: bool,
) -> None:
    """What falls beyond the field edge, and what is short inside it.

    With the first pass half a bout from the edge, or at any other distance: what crosses the edge and what is missing
    inside, the strip that gets less than 90 %, the distance that keeps a share of a pass inside, and the mean and CV of
    a whole field against an endless one.

    No distance that it prints is a legal one: check local rules and the label.

    \b
    Examples:
      spreadcheck edge sample_trays/lopsided.csv
      spreadcheck edge test.csv --first-pass "half bout, 8 m" --side left
    """
    from spreadcheck.field.edge import SIDES, parse_first_pass, parse_shares
    from spreadcheck.field.wholefield import study_edge
    from spreadcheck.units import parse_quantity

    check_targets([json_file, csv_file], overwrite, read=[sheet])
    study = study_edge(
        read_test(sheet),
        bout_width_m=parse_quantity(bout_width, "length", place="option --bout-width")
        if bout_width is not None
        else None,
        first_pass_m=parse_first_pass(first_pass),
        share_pct=parse_shares(keep_inside),
        passes=passes,
        sides=SIDES if side == "both" else (side,),
        target_kg_ha=parse_quantity(target, "rate", place="option --target") if target is not None else None,
        tails=tails,
        relative=relative,
    )
    if json_file:
        from spreadcheck.show.edge import edge_json
        from spreadcheck.show.json import json_text

        write_result(json_file, json_text(edge_json(study)), overwrite=overwrite)
    if csv_file:
        from spreadcheck.show.edge import edge_csv

        write_result(csv_file, edge_csv(study, units), overwrite=overwrite)
    if "-" not in (json_file, csv_file):
        from spreadcheck.show.edge import edge_text

        say(edge_text(study, units))
        tell_doubts(study.doubts, units)
