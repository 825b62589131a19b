"""`spreadcheck tune SHEET...`: the best setting from tests at several."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from spreadcheck.cli.documents import check_document, picture
from spreadcheck.cli.options import (
    check_targets,
    json_option,
    overwrite_option,
    read_tests,
    sheets_argument,
    show_doubts,
    units_option,
    write_result,
)
from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from spreadcheck.improve.tune import Tuning


@click.command()
@sheets_argument("SHEET...")
@click.option(
    "--setting",
    "settings",
    metavar="LABEL",
    multiple=True,
    help='Label of the sheets to tune, such as "drop point"; twice for two. The numbers that differ if not given.',
)
@click.option("--bout-width", metavar="WIDTH", help='Bout width wanted, such as "24 m"; the sheets\' if not given.')
@click.option(
    "--highest-speed",
    metavar="SPEED",
    help='Highest speed the granules bear, such as "900 rpm"; else the sheets\'.',
)
@click.option(
    "--driving",
    type=click.Choice(["back-and-forth", "round-and-round"]),
    help="Driving method; the sheets' if not given, else back-and-forth.",
)
@click.option("--limit", type=float, default=15.0, show_default=True, help="CV limit in %.")
@click.option("--level", type=float, default=95.0, show_default=True, help="How often intervals hold the truth, in %.")
@click.option("--any-product", is_flag=True, help="Mix tests of different products, or of none stated.")
@click.option("--relative", is_flag=True, help="Figures in proportion only: for ml without a bulk density.")
@units_option
@json_option
@click.option("--plot", "plot_file", metavar="FILE", help="Draw profiles, CV and width; .png, .svg or .pdf.")
@click.option("--report", "report_file", metavar="FILE", help="Write the result with its picture; .html or .pdf.")
@overwrite_option
def tune(
    *,
    sheets: tuple[str, ...],
    settings: tuple[str, ...],
    bout_width: str | None,
    highest_speed: str | None,
    driving: str | None,
    limit: float,
    level: float,
    any_product: bool,
    relative: bool,
    units: str,
    json_file: str | None,
    plot_file: str | None,
    report_file: str | None,
    overwrite: bool,
) -> None:
    """The best setting from tests at several: spinner speed, drop point, vane angle, tilt, or any other.

    Names the setting with the lowest CV at the wanted bout width and the one with the widest effective width, how sure
    that is, what one costs the other, and the test to run next. Each SHEET is a tray sheet that gives the setting, .csv
    or .xlsx, all of one product; one of them may be -, standard input.

    \b
    Examples:
      spreadcheck tune rpm_640.csv rpm_720.csv rpm_800.csv rpm_880.csv
      spreadcheck tune series/*.csv --setting "drop point" --plot drop.png
    """
    from spreadcheck.improve.tune import tune as best_setting
    from spreadcheck.show.terminal import terminal_text
    from spreadcheck.show.tune import tuning_document
    from spreadcheck.units import parse_quantity

    check_targets([json_file, plot_file, report_file], overwrite, read=sheets)
    check_document(report_file)
    if plot_file:
        from spreadcheck.show.plots import file_format

        file_format(plot_file)
    place = "option --highest-speed"
    found = best_setting(
        read_tests(sheets),
        settings=settings,
        bout_width_m=parse_quantity(bout_width, "length", place="option --bout-width") if bout_width else None,
        highest_rpm=parse_quantity(highest_speed, "turning speed", place=place) if highest_speed else None,
        driving=driving,
        limit_pct=limit,
        level_pct=level,
        any_product=any_product,
        relative=relative,
    )
    _write_files(found, json_file, plot_file, report_file, units, overwrite)
    if json_file != "-":
        say(terminal_text(tuning_document(found, units)))
        show_doubts(found.results, units)


def _write_files(
    found: Tuning,
    json_file: str | None,
    plot_file: str | None,
    report_file: str | None,
    units: str,
    overwrite: bool,
) -> None:
    if json_file:
        from spreadcheck.show.json import json_text
        from spreadcheck.show.tune import tuning_json

        write_result(json_file, json_text(tuning_json(found)), overwrite=overwrite)
    if plot_file:
        from spreadcheck.show.plots import file_format
        from spreadcheck.show.tune import tuning_figure

        write_result(plot_file, picture(tuning_figure(found, units), file_format(plot_file)), overwrite=overwrite)
    if report_file:
        from spreadcheck.cli.documents import document_content, svg_of
        from spreadcheck.show.tune import tuning_document, tuning_figure

        document = tuning_document(found, units, svg=svg_of(tuning_figure(found, units)))
        write_result(report_file, document_content(document, report_file), overwrite=overwrite)
