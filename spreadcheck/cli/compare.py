"""`spreadcheck compare BEFORE AFTER`: did the change help, and is it more than chance."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

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
@plot_option("Draw three panels")
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
    plot_file: str | None,
    overwrite: bool,
) -> None:
    """What a change did to the pattern, and whether chance explains it.

    Holds tests against the first one: centre of the spread, left and right share, rate, CV at the bout width, effective
    width and the profile tray by tray. Each difference is judged by how much the passes of one test differ among
    themselves; with one pass a test nothing can be said. BEFORE and AFTER are tray sheets, .csv or .xlsx; one of them
    may be -, standard input.

    \b
    Examples:
      spreadcheck compare before.csv after.csv
      spreadcheck compare old.csv new.csv --bout-width "24 m" --plot change.png
    """
    from spreadcheck.improve.compare import compare as hold_against
    from spreadcheck.show.compare import comparison_text

    check_targets([json_file, plot_file], overwrite, read=sheets)
    found = hold_against(
        read_tests(sheets),
        limit_pct=limit,
        bout_width_m=bout_width_m,
        level_pct=level,
        profiles=profiles,
        relative=relative,
    )
    _write_files(found, json_file, plot_file, units, overwrite)
    if json_file != "-":
        say(comparison_text(found, units))
        show_doubts(found.results, units)


def _write_files(found: Comparison, json_file: str | None, plot_file: str | None, units: str, overwrite: bool) -> None:
    if json_file:
        from spreadcheck.show.compare import comparison_json
        from spreadcheck.show.json import json_text

        write_result(json_file, json_text(comparison_json(found)), overwrite=overwrite)
    if plot_file:
        from spreadcheck.show.plots import figure_bytes, file_format
        from spreadcheck.show.plots_comparison import comparison_figure

        write_result(
            plot_file, figure_bytes(comparison_figure(found, units), file_format(plot_file)), overwrite=overwrite
        )
