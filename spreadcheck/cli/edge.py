"""`spreadcheck edge SHEET`: what falls beyond the field edge, and what is short inside it."""

from __future__ import annotations

import click

from spreadcheck.cli.options import (
    bout_width_option,
    check_targets,
    csv_option,
    json_option,
    overwrite_option,
    quantity_option,
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
@bout_width_option
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
@quantity_option("--target", "rate", "RATE", 'Target rate, such as "150 kg/ha"; the sheet\'s if not given.')
@tails_option
@relative_option
@units_option
@json_option
@csv_option("Write the edge table as CSV; - for standard output.")
@overwrite_option
def edge(
    *,
    sheet: str,
    bout_width_m: float | None,
    first_pass: str,
    keep_inside: str,
    side: str,
    passes: int,
    target_kg_ha: float | None,
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

    check_targets([json_file, csv_file], overwrite, read=[sheet])
    study = study_edge(
        read_test(sheet),
        bout_width_m=bout_width_m,
        first_pass_m=parse_first_pass(first_pass),
        share_pct=parse_shares(keep_inside),
        passes=passes,
        sides=SIDES if side == "both" else (side,),
        target_kg_ha=target_kg_ha,
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
        tell_verdict(study.verdict, units)
        tell_doubts(study.doubts, units)
