"""`spreadcheck analyse SHEET`: the main job."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from spreadcheck.cli.options import options, output_file, outputs, quantity, read_test, sheet_argument
from spreadcheck.cli.outputs import Outputs
from spreadcheck.cli.terminal import plain_terminal, say

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from spreadcheck.judge.assessment import Assessment
    from spreadcheck.judge.confidence import Confidence


@click.command()
@sheet_argument
@options("bout-width", "limit", "widths", "tails", "relative")
@click.option("--mirror", is_flag=True, help="Judge a line that was laid on one side only as if both were alike.")
@options("analysis", steering=quantity("length", "LENGTH", "Driving error to either side.", default="0.3 m",
                                      field="driving_error_m"))  # fmt: skip
@click.option("--table", is_flag=True, help="The table of bout widths, too.")
@click.option("--every-width", is_flag=True, help="The table with every bout width, however many.")
@click.option("--advice", is_flag=True, help="All figures of the pattern, and what is usually looked at for its shape.")
@click.option("--confidence", "how_sure", is_flag=True, help="How sure it is: in text, JSON, plot and report.")
@click.option("--doubts", "full_doubts", is_flag=True, help="The doubts in full: limits, effect and remedy.")
@click.option("--all", "everything", is_flag=True, help="Table, advice, doubts and, of a whole line, confidence.")
@options(
    highest_speed='Highest spinner speed for the card: "900 rpm".',
    paper="Paper of card and report; letter with --units us, else A4.",
)
@options("units")
@outputs(
    "json",
    csv="Write the table of bout widths as CSV; - for standard output.",
    plot="Draw three panels; .png, .svg or .pdf by the ending.",
    card=output_file("Write a settings card of one page; .pdf, .html or .md.", ".pdf", ".html", ".md"),
    report="Write a report for a customer; .html, .pdf or .md; again for more.",
)
@click.option("--within-limit", is_flag=True, help="Exit with 1 when the CV at the bout width is over the limit.")
@click.pass_context
def analyse(
    ctx: click.Context,
    /,
    *,
    sheet: str,
    mirror: bool,
    analysis: str | None,
    table: bool,
    every_width: bool,
    advice: bool,
    how_sure: bool,
    full_doubts: bool,
    everything: bool,
    units: str,
    highest_speed_rpm: float | None,
    within_limit: bool,
    out: Outputs,
    **asked: Any,
) -> None:
    """From a tray sheet to the effective width, the CV and what the field gets.

    Shows on one screen the verdict at the bout width driven, the advised and the effective width for each driving
    method, the single-pass profile, what the field gets, the doubts, and the next command. SHEET is a tray sheet, .csv,
    .xlsx or .ods; - reads standard input.

    \b
    Examples:
      spreadcheck analyse sample_trays/even_trapezoid.csv
      spreadcheck analyse test.csv --bout-width "24 m" --limit 20 --plot test.png
      spreadcheck analyse test.csv --card card.pdf --highest-speed "900 rpm"
      spreadcheck analyse test.csv --report test.html --report test.pdf
    """
    from spreadcheck.errors import Fault, WidthError
    from spreadcheck.judge.assessment import assess

    out.check(sheet, analysis)
    _check(highest_speed_rpm, mirror, how_sure, out)
    test, nutrients = read_test(sheet), None
    if mirror:
        from spreadcheck.sheet.traytest import both_sides

        test = both_sides(test)
    if analysis is not None:
        from spreadcheck.judge.blend import read_analysis

        nutrients = read_analysis(analysis)
    result = assess(test, analysis=nutrients, **asked)
    if within_limit and result.bout_width_m is None:
        fault = Fault("option --within-limit", "no bout width is known", 'add --bout-width, such as "24 m"')
        raise WidthError(fault)
    sure = None
    if how_sure or (everything and not mirror):
        from spreadcheck.judge.confidence import confidence

        sure = confidence(result)
        result = sure.judged
    _write(out, result, sure, units, highest_speed_rpm)
    if out.screen:
        from spreadcheck.show.analyse import summary_text, widths_text

        say(summary_text(result, units, plain=plain_terminal(), advice=advice or everything, asked=out.again()))
        if sure is not None:
            from spreadcheck.show.confidence import confidence_document
            from spreadcheck.show.text import terminal_text

            say("\n" + terminal_text(confidence_document(sure, units, verdict=False)))
        if table or everything or every_width:
            say("\n" + widths_text(result, units, every=every_width))
        if full_doubts or everything:
            out.tell(result.doubts + (sure.doubts if sure else ()))
    if within_limit and not result.within_limit:
        ctx.exit(1)


def _check(highest_rpm: float | None, mirror: bool, how_sure: bool, out: Outputs) -> None:
    """Refuse a speed without a card, and what can't be known of a side not tested."""
    from spreadcheck.errors import Fault, OutputError, WidthError

    if highest_rpm is not None and not out.asked("card"):
        remedy = "add --card FILE, ending in .pdf, .html or .md"
        raise OutputError(Fault("option --highest-speed", "no card is asked for", remedy))
    if mirror and how_sure:
        raise WidthError(Fault("option --confidence", "a side that was not tested has no interval", "leave one out"))
    if mirror and out.asked("csv"):
        raise WidthError(Fault("option --csv", "the table can't say that a side was mirrored", "use --json"))


def _write(out: Outputs, result: Assessment, sure: Confidence | None, units: str, highest_rpm: float | None) -> None:
    """Every file that was asked for."""
    if not out.files:
        return
    from spreadcheck.show import analyse, card, confidence, plots, report

    highest = result.test.quantity("highest spinner speed") if highest_rpm is None else highest_rpm

    def json() -> dict[str, Any]:
        data = analyse.analysis_json(result)
        return data if sure is None else {**data, "confidence": confidence.confidence_json(sure)}

    def plot() -> Figure:
        if sure is None:
            return plots.analysis_figure(result, units)
        return confidence.confidence_figure(sure, units, analysis=True)

    out.write(
        json=json,
        csv=lambda: analyse.widths_csv(result, units),
        plot=plot,
        card=lambda: card.card_document(card.settings_card(result, units, highest_speed_rpm=highest)),
        report=lambda: report.report(result, units, sure=sure),
    )
