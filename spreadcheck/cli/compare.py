"""`spreadcheck compare BEFORE AFTER`: did the change help, and is it more than chance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from spreadcheck.cli.documents import check_document, picture
from spreadcheck.cli.options import (
    check_targets,
    json_option,
    level_option,
    limit_option,
    overwrite_option,
    plot_option,
    quantity_option,
    read_tests,
    relative_option,
    sheets_argument,
    show_doubts,
    units_option,
    write_result,
)
from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from spreadcheck.improve.compare import Comparison


@click.command()
@sheets_argument("BEFORE AFTER [MORE]...")
@quantity_option("--bout-width", "length", "WIDTH", 'Bout width compared, such as "24 m"; the sheets\' if not given.')
@limit_option
@level_option(95.0, "How sure each statement must be, in %.")
@click.option(
    "--profiles",
    type=click.Choice(["auto", "scaled", "measured"]),
    default="auto",
    show_default=True,
    help="Compare profiles as measured or scaled to the same mean; auto: scaled unless the target rates are the same.",
)
@relative_option
@units_option
@json_option
@click.option(
    "--question",
    type=click.Choice(["mean rate", "centre", "left share", "CV", "effective width"]),
    help="The figure that the change was made for: it is judged alone, so that it is told sooner.",
)
@click.option(
    "--repeat",
    "repeats",
    metavar="SHEET",
    multiple=True,
    type=click.Path(),
    help="A further test of the machine as before, to learn how much tests differ; may be given again.",
)
@quantity_option("--laying-error", "length", "LENGTH", "How far a tray line lies off from test to test; 0.25 m.")
@quantity_option("--wind-shift", "length", "LENGTH", "How far wind shifts the pattern from test to test; 0.25 m.")
@click.option("--rate-error", type=float, metavar="PERCENT", help="How far the rate is off from test to test; 2 %.")
@click.option("--stretch", type=float, metavar="PERCENT", help="How much wider or narrower from test to test; 1 %.")
@plot_option("Draw three panels")
@click.option("--report", "report_file", metavar="FILE", help="Write the result with its picture; .html or .pdf.")
@overwrite_option
def compare(
    *,
    sheets: tuple[str, ...],
    bout_width_m: float | None,
    limit: float,
    level: float,
    profiles: str,
    relative: bool,
    units: str,
    json_file: str | None,
    question: str | None,
    repeats: tuple[str, ...],
    laying_error_m: float | None,
    wind_shift_m: float | None,
    rate_error: float | None,
    stretch: float | None,
    plot_file: str | None,
    report_file: str | None,
    overwrite: bool,
) -> None:
    """What a change did to the pattern, and whether chance explains it.

    Holds tests against the first one: centre of the spread, left and right share, rate, CV at the bout width, effective
    width and the profile tray by tray. Each difference is judged by how much passes differ within a test, and tests
    from one to the next. Three tests or more are ranked. With one pass a test nothing can be said. BEFORE and AFTER are
    tray sheets, .csv or .xlsx; one of them may be -, standard input.

    \b
    Examples:
      spreadcheck compare before.csv after.csv --report change.pdf
      spreadcheck compare old.csv new.csv --question "effective width" \\
        --plot change.png
    """
    from spreadcheck.improve.between import Terms
    from spreadcheck.improve.compare import compare as hold_against
    from spreadcheck.show.compare import comparison_document
    from spreadcheck.show.terminal import terminal_text

    check_targets([json_file, plot_file, report_file], overwrite, read=(*sheets, *repeats))
    check_document(report_file)
    stated = {"laying_m": laying_error_m, "wind_m": wind_shift_m, "rate_pct": rate_error, "stretch_pct": stretch}
    tests = read_tests((*sheets, *repeats))
    found = hold_against(
        tests[: len(sheets)],
        limit_pct=limit,
        bout_width_m=bout_width_m,
        level_pct=level,
        profiles=profiles,
        relative=relative,
        terms=Terms(**{name: value for name, value in stated.items() if value is not None}),
        question=question or "",
        repeats=tests[len(sheets) :],
    )
    _write_files(found, json_file, plot_file, report_file, units, overwrite)
    if json_file != "-":
        say(terminal_text(comparison_document(found, units)))
        show_doubts(found.results, units)


def _write_files(
    found: Comparison,
    json_file: str | None,
    plot_file: str | None,
    report_file: str | None,
    units: str,
    overwrite: bool,
) -> None:
    if json_file:
        from spreadcheck.show.compare import comparison_json
        from spreadcheck.show.json import json_text

        write_result(json_file, json_text(comparison_json(found)), overwrite=overwrite)
    if plot_file or report_file:
        from spreadcheck.show.plots import file_format
        from spreadcheck.show.plots_comparison import comparison_figure

        figure = comparison_figure(found, units)
        if plot_file:
            write_result(plot_file, picture(figure, file_format(plot_file)), overwrite=overwrite)
        if report_file:
            from spreadcheck.cli.documents import document_content, svg_of
            from spreadcheck.show.compare import comparison_document

            document = comparison_document(found, units, svg=svg_of(figure))
            write_result(report_file, document_content(document, report_file), overwrite=overwrite)
