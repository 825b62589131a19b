"""`spreadcheck tune SHEET...`: the best setting from tests at several."""

from __future__ import annotations

from typing import Any

import click

from spreadcheck.cli.options import options, outputs, read_tests, sheets_argument, words
from spreadcheck.cli.outputs import Outputs, name_next, write_into
from spreadcheck.cli.terminal import folded, say
from spreadcheck.sheet.labels import METHODS
from spreadcheck.show.format import free


@click.command()
@sheets_argument("sheets", nargs=-1, metavar="SHEET...")
@options(
    setting=words("LABEL", 'Label of the sheets to tune, such as "drop point"; twice for two. The numbers that differ '
                  "if not given.", multiple=True, field="settings"),
    bout_width='Bout width wanted, such as "24 m"; else the sheets\', or the width that their chart expects.',
    highest_speed={"field": "highest_rpm", "help": 'Highest speed the granules bear, such as "900 rpm"; else the '
                   "sheets'."},
    driving={"type": click.Choice(METHODS), "help": "Driving method; the sheets' if not given, else back-and-forth."},
    limit={},
    level={"field": "level_pct"},
    bin={"type": click.IntRange(1, 6), "field": "bin_no", "help": "The bin that was tested, of several; else bin 1."},
    any_product={"is_flag": True, "help": "Mix tests of different products, or of none stated."},
)  # fmt: skip
@options("relative", "into", "units")
@outputs("json", "report", plot="Draw profiles, CV and width; .png, .svg or .pdf by the ending.")
def tune(*, sheets: tuple[str, ...], into: str | None, units: str, out: Outputs, **asked: Any) -> None:
    """The best setting from tests at several: spinner speed, drop point, vane angle, tilt, or any other.

    Names the setting with the lowest CV at the wanted bout width and the one with the widest effective width, how sure
    that is, what one costs the other, and the test to run next. Each SHEET is a tray sheet that gives the setting,
    .csv, .xlsx or .ods, all of one product; one of them may be -, standard input.

    \b
    Examples:
      spreadcheck tune rpm_640.csv rpm_720.csv rpm_800.csv rpm_880.csv
      spreadcheck tune series/*.csv --setting "drop point" --plot drop.png
      spreadcheck tune rpm_*.csv --into next.csv
    """
    from spreadcheck.improve.tune import tune as best_setting
    from spreadcheck.show.tune import next_words, tuning_document, tuning_figure, tuning_json

    out.check(*sheets, into=into)
    found = best_setting(read_tests(sheets), **asked)
    out.show(
        tuning_document(found, units),
        tests=(*found.results, *found.left_out),
        json=lambda: tuning_json(found),
        plot=lambda: tuning_figure(found, units),
    )
    if into:
        say(folded(next_words(found, into)), err=True)
        write_into(into, found.form_rows(units), overwrite=out.overwrite, like=found.like)
    elif out.screen and found.main is not None:
        following = free(found.like.file, "-next.csv")
        name_next(*out.again("--into", following), lead="Next, a sheet for the next test")
