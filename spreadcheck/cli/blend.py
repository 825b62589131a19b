"""`spreadcheck blend SHEET`: a blend judged component by component and nutrient by nutrient."""

from __future__ import annotations

from typing import Any

import click

from spreadcheck.cli.options import options, outputs, read_test, sheet_argument
from spreadcheck.cli.outputs import Outputs, name_analysis


@click.command()
@sheet_argument
@options("analysis", limit="CV limit of parts without their own, in %.")
@options("widths", "units")
@outputs("json", plot="Draw shares and CVs; .png, .svg or .pdf by the ending.")
def blend(*, sheet: str, analysis: str | None, units: str, out: Outputs, **asked: Any) -> None:
    """CV and effective width of every component and nutrient of a blend.

    SHEET is a tray sheet with component columns, such as "pass 1 / urea" and "pass 1 / potash". Shows which part limits
    the bout width, and how the blend changes across the width.

    \b
    Example:
      spreadcheck blend sample_trays/blend.csv \\
        --analysis sample_trays/example_blend_analysis.toml
    """
    from spreadcheck.judge.assessment import assess
    from spreadcheck.judge.blend import assess_blend, read_analysis
    from spreadcheck.show.blend import blend_document, blend_figure, blend_json

    out.check(sheet, analysis)
    test = read_test(sheet)
    contents = read_analysis(analysis) if analysis else None
    judged = assess(test, relative=True, analysis=contents, **asked)
    result = judged.blend or assess_blend(test, contents)  # which says what a sheet without components lacks
    out.show(
        blend_document(judged, result, units),
        judged,
        json=lambda: blend_json(judged, result),
        plot=lambda: blend_figure(result, units),
    )
    if out.screen:
        parts = () if analysis is None else ("--analysis", analysis)
        name_analysis(judged.verdict, sheet, *parts, limit_pct=judged.limit_pct)
