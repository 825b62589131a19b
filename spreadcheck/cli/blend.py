"""`spreadcheck blend SHEET`: a blend judged component by component and nutrient by nutrient."""

from __future__ import annotations

import click

from spreadcheck.cli.documents import picture
from spreadcheck.cli.options import (
    check_targets,
    json_option,
    overwrite_option,
    plot_option,
    read_test,
    sheet_argument,
    tell_doubts,
    tell_verdict,
    units_option,
    widths_option,
    write_result,
)
from spreadcheck.cli.say import say


@click.command()
@sheet_argument
@click.option("--analysis", metavar="FILE", help="TOML file with each component's nutrients in %, and CV limits.")
@click.option("--limit", type=float, default=15.0, show_default=True, help="CV limit of parts without their own, in %.")
@widths_option
@units_option
@json_option
@plot_option("Draw shares and CVs")
@overwrite_option
def blend(
    *,
    sheet: str,
    analysis: str | None,
    limit: float,
    widths: str | None,
    units: str,
    json_file: str | None,
    plot_file: str | None,
    overwrite: bool,
) -> None:
    """CV and effective width of every component and nutrient of a blend.

    SHEET is a tray sheet with component columns, such as "pass 1 / urea" and "pass 1 / potash". Shows which part limits
    the bout width, and how the blend changes across the width.

    \b
    Example:
      spreadcheck blend sample_trays/blend.csv \\
        --analysis sample_trays/example_blend_analysis.toml
    """
    from spreadcheck.judge.assessment import assess
    from spreadcheck.judge.blend import assess_blend
    from spreadcheck.judge.nutrients import read_analysis
    from spreadcheck.show.blend import blend_figure, blend_json, blend_text
    from spreadcheck.show.json import json_text
    from spreadcheck.show.plots import file_format
    from spreadcheck.spread.widths import parse_widths

    check_targets([json_file, plot_file], overwrite, read=[sheet, analysis])
    drawn_as = file_format(plot_file) if plot_file else ""
    test = read_test(sheet)
    contents = read_analysis(analysis) if analysis else None
    result = assess_blend(
        test,
        contents,
        limit_pct=limit,
        width_m=parse_widths(widths) if widths is not None else None,
    )
    judged = assess(test, limit_pct=limit, relative=True, analysis=contents)
    doubts, verdict = judged.doubts, judged.verdict
    if json_file:
        write_result(json_file, json_text(blend_json(result, doubts, verdict)), overwrite=overwrite)
    if plot_file:
        write_result(plot_file, picture(blend_figure(result, units), drawn_as), overwrite=overwrite)
    if json_file != "-":
        say(blend_text(result, units))
        tell_verdict(verdict, units)
        tell_doubts(doubts, units)
