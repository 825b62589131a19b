"""`spreadcheck analyse SHEET`: the main job."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import click

from spreadcheck.cli.card import card_content, card_options, highest_speed_rpm
from spreadcheck.cli.documents import made_pdf, paper_option, picture, report_option
from spreadcheck.cli.options import (
    bout_width_option,
    check_targets,
    csv_option,
    json_option,
    limit_option,
    overwrite_option,
    plain_terminal,
    plot_option,
    read_test,
    relative_option,
    sheet_argument,
    tails_option,
    tell_doubts,
    units_option,
    widths_option,
    write_result,
)
from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from spreadcheck.judge.assessment import Assessment
    from spreadcheck.judge.blend import NutrientAnalysis
    from spreadcheck.judge.confidence import Confidence


@click.command()
@sheet_argument
@bout_width_option
@limit_option
@widths_option
@tails_option
@relative_option
@click.option("--mirror", is_flag=True, help="Judge a line that was laid on one side only as if both were alike.")
@click.option("--analysis", metavar="FILE", help="Nutrients of a blend's components (.toml): they are judged.")
@click.option("--steering", metavar="LENGTH", default="0.3 m", show_default=True, help="Driving error to either side.")
@click.option("--table", is_flag=True, help="The table of bout widths, too.")
@click.option("--every-width", is_flag=True, help="The table with every bout width, however many.")
@click.option("--advice", is_flag=True, help="All figures of the pattern, and what is usually looked at for its shape.")
@click.option("--confidence", "how_sure", is_flag=True, help="How sure it is: in text, JSON, plot and report.")
@click.option("--doubts", "full_doubts", is_flag=True, help="The doubts in full: limits, effect and remedy.")
@click.option("--all", "everything", is_flag=True, help="Table, advice, confidence and doubts.")
@units_option
@json_option
@csv_option("Write the table of bout widths as CSV; - for standard output.")
@plot_option("Draw three panels")
@card_options
@report_option
@paper_option("card and report")
@click.option("--within-limit", is_flag=True, help="Exit with 1 when the CV at the bout width is over the limit.")
@overwrite_option
@click.pass_context
def analyse(
    ctx: click.Context,
    *,
    sheet: str,
    bout_width_m: float | None,
    limit: float,
    widths: str | None,
    tails: str,
    relative: bool,
    mirror: bool,
    analysis: str | None,
    steering: str,
    table: bool,
    every_width: bool,
    advice: bool,
    how_sure: bool,
    full_doubts: bool,
    everything: bool,
    units: str,
    json_file: str | None,
    csv_file: str | None,
    plot_file: str | None,
    card_file: str | None,
    highest_speed: str | None,
    report_files: tuple[str, ...],
    paper: str,
    within_limit: bool,
    overwrite: bool,
) -> None:
    """From a tray sheet to the effective width, the CV and what the field gets.

    Shows on one screen the verdict at the bout width driven, the advised and the effective width for each driving
    method, the single-pass profile, what the field gets, the doubts, and the next command. SHEET is a tray sheet, .csv
    or .xlsx; - reads standard input.

    \b
    Examples:
      spreadcheck analyse sample_trays/even_trapezoid.csv
      spreadcheck analyse test.csv --bout-width "24 m" --limit 20 --plot test.png
      spreadcheck analyse test.csv --card card.pdf --highest-speed "900 rpm"
      spreadcheck analyse test.csv --report test.html --report test.pdf
    """
    from spreadcheck.errors import Fault, WidthError
    from spreadcheck.judge.assessment import assess
    from spreadcheck.spread.widths import parse_widths

    check_targets([json_file, csv_file, plot_file, card_file, *report_files], overwrite, read=[sheet])
    highest_rpm = highest_speed_rpm(card_file, highest_speed)
    test = read_test(sheet)
    if mirror:
        from spreadcheck.sheet.mirror import both_sides

        _check_mirrored(how_sure, csv_file)
        test = both_sides(test)
    result = assess(
        test,
        limit_pct=limit,
        width_m=parse_widths(widths) if widths is not None else None,
        bout_width_m=bout_width_m,
        tails=tails,
        relative=relative,
        analysis=_analysis(analysis),
        driving_error_m=_driving_error(steering),
    )
    if within_limit and result.within_limit is None:
        fault = Fault("option --within-limit", "no bout width is known", 'add --bout-width, such as "24 m"')
        raise WidthError(fault)
    sure = _confidence(result) if how_sure or everything else None
    result = result if sure is None else sure.judged
    # cards and reports are made before any file is written
    card = card_content(result, card_file, units, highest_rpm=highest_rpm, paper=paper) if card_file else None
    reports = [(path, _report(result, path, units, paper, sure)) for path in report_files]
    _write_files(result, sure, json_file, csv_file, plot_file, units, overwrite)
    if card_file and card is not None:
        write_result(card_file, card, overwrite=overwrite)
    for path, content in reports:
        write_result(path, content, overwrite=overwrite)
    if "-" not in (json_file, csv_file):
        told = _Told(table or everything, every_width, advice or everything, full_doubts or everything)
        _present(result, sure, units, told)
    if within_limit and not result.within_limit:
        ctx.exit(1)


def _check_mirrored(how_sure: bool, csv_file: str | None) -> None:
    """Refuse what can't be known of a side that was not tested, or can't say that it was not."""
    from spreadcheck.errors import Fault, WidthError

    if how_sure:
        raise WidthError(Fault("option --confidence", "a side that was not tested has no interval", "leave one out"))
    if csv_file:
        raise WidthError(Fault("option --csv", "the table can't say that a side was mirrored", "use --json"))


def _analysis(file: str | None) -> NutrientAnalysis | None:
    from spreadcheck.judge.nutrients import read_analysis

    return None if file is None else read_analysis(file)


def _driving_error(text: str) -> float:
    from spreadcheck.errors import Fault, WidthError
    from spreadcheck.units import parse_quantity

    error_m = parse_quantity(text, "length", place="option --steering")
    if not 0 <= error_m <= 5:
        raise WidthError(Fault("option --steering", f"{text} is no driving error", "give 0 to 5 m to either side"))
    return error_m


def _confidence(result: Assessment) -> Confidence:
    from spreadcheck.judge.confidence import confidence

    return confidence(result)


def _report(result: Assessment, path: str, units: str, paper: str, sure: Confidence | None) -> str | bytes:
    """The report in the form of the file's ending; the web page has a slider of its own."""
    from spreadcheck.show.report import report, report_html

    if path.lower().endswith(".html"):
        return report_html(result, units, paper=paper, sure=sure)
    return made_pdf(report(result, units, sure=sure), paper=paper).data


def _write_files(
    result: Assessment,
    sure: Confidence | None,
    json_file: str | None,
    csv_file: str | None,
    plot_file: str | None,
    units: str,
    overwrite: bool,
) -> None:
    if json_file:
        from spreadcheck.show.analyse import analysis_json
        from spreadcheck.show.json import json_text

        data = analysis_json(result)
        if sure is not None:
            from spreadcheck.show.results_confidence import confidence_json

            data["confidence"] = confidence_json(sure)
        write_result(json_file, json_text(data), overwrite=overwrite)
    if csv_file:
        from spreadcheck.show.analyse import widths_csv

        write_result(csv_file, widths_csv(result, units), overwrite=overwrite)
    if plot_file:
        from spreadcheck.show.plots import analysis_figure, file_format

        if sure is None:
            figure = analysis_figure(result, units)
        else:
            from spreadcheck.show.plots_confidence import analysis_confidence_figure

            figure = analysis_confidence_figure(sure, units)
        write_result(plot_file, picture(figure, file_format(plot_file)), overwrite=overwrite)


class _Told(NamedTuple):
    """What is told below the screen."""

    table: bool
    every_width: bool
    advice: bool
    doubts: bool


def _present(result: Assessment, sure: Confidence | None, units: str, told: _Told) -> None:
    from spreadcheck.show.analyse import summary_text, width_table

    say(summary_text(result, units, plain=plain_terminal(), advice=told.advice))
    doubts = result.doubts
    if sure is not None:
        from spreadcheck.show.confidence import confidence_text

        say("\n" + confidence_text(sure, units))
        doubts += sure.doubts
    if told.table or told.every_width:
        say()
        say(width_table(result, units, every=told.every_width))
    if told.doubts:
        tell_doubts(doubts, units)
