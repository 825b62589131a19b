"""`spreadcheck edge SHEET`: what falls beyond the field edge, and what is short inside it."""

from __future__ import annotations

from typing import Any

import click

from spreadcheck.cli.options import options, outputs, read_test, several, sheet_argument
from spreadcheck.cli.outputs import Outputs, name_analysis


@click.command()
@sheet_argument
@options(
    "bout-width",
    first_pass=several("length", 'From the edge: "half bout", "12 m", or a list.', "half bout", unknown="half bout"),
    keep_inside=several("share", "Shares of a pass to keep inside.", "95 %, 98 %, 99.5 %", field="share_pct"),
    side={"type": click.Choice(["left", "right", "both"]), "default": "both",
          "help": "Side of the machine that is to the edge on the first pass."},
    passes={"type": int, "default": 10, "help": "Passes of the whole field."},
)  # fmt: skip
@options("target", "tails", "relative", "units")
@outputs("json", csv="Write the edge table as CSV; - for standard output.")
def edge(*, sheet: str, bout_width_m: float | None, side: str, units: str, out: Outputs, **asked: Any) -> None:
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
    from spreadcheck.field.edge import SIDES, study_edge
    from spreadcheck.show.edge import edge_csv, edge_document, edge_json
    from spreadcheck.show.format import show_width

    out.check(sheet)
    sides = SIDES if side == "both" else (side,)
    study = study_edge(read_test(sheet), bout_width_m=bout_width_m, sides=sides, **asked)
    out.show(
        edge_document(study, units),
        study,
        json=lambda: edge_json(study),
        csv=lambda: edge_csv(study, units),
    )
    if out.screen:
        asked_width = () if bout_width_m is None else ("--bout-width", show_width(bout_width_m, units))
        name_analysis(study.verdict, sheet, *asked_width)
