"""`spreadcheck compare BEFORE AFTER`: did the change help, and is it more than chance."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Any

import click

from spreadcheck.cli.options import options, outputs, quantity, read_tests, sheets_argument, words
from spreadcheck.cli.outputs import Outputs, name_next
from spreadcheck.cli.terminal import say
from spreadcheck.show.format import free

if TYPE_CHECKING:
    from spreadcheck.sheet.traytest import TrayTest


@click.command()
@sheets_argument("sheets", nargs=-1, metavar="BEFORE AFTER [MORE]...")
@options(
    limit={},
    bout_width='Bout width compared, such as "24 m"; the sheets\' if not given.',
    level={"field": "level_pct", "help": "How sure each statement must be, in %."},
    profiles={"type": click.Choice(["auto", "scaled", "measured"]), "default": "auto",
              "help": "Compare profiles as measured or scaled to the same mean; auto: scaled unless the target rates "
              "are the same."},
    relative={},
    units={},
    question={"type": click.Choice(["mean rate", "centre", "left share", "CV", "effective width"]),
              "help": "The figure that the change was made for: it is judged alone, so that it is told sooner."},
    repeat=words("SHEET", "A further test of the machine as before, to learn how much tests differ; may be given "
                 "again.", multiple=True, type=click.Path()),
    archive=words("FOLDER", "Learn that from older sheets too: tests of this machine between which nothing was "
                  "changed."),
    laying_error=quantity("length", "LENGTH", "How far a tray line lies off from test to test; 0.25 m.",
                          field="laying_m"),
    wind_shift=quantity("length", "LENGTH", "How far wind shifts the pattern from test to test; 0.25 m.",
                        field="wind_m"),
    rate_error=words("PERCENT", "How far the rate is off from test to test; 2 %.", type=float, field="rate_pct"),
    stretch=words("PERCENT", "How much wider or narrower from test to test; 1 %.", type=float, field="stretch_pct"),
)  # fmt: skip
@outputs("json", "report", plot="Draw profiles, changes and CV; .png, .svg or .pdf by the ending.")
def compare(
    *,
    sheets: tuple[str, ...],
    repeat: tuple[str, ...],
    archive: str | None,
    units: str,
    out: Outputs,
    **asked: Any,
) -> None:
    """What a change did to the pattern, and whether chance explains it.

    Holds tests against the first one: centre of the spread, left and right share, rate, CV at the bout width, effective
    width and the profile tray by tray. Each difference is judged by how much passes differ within a test, and tests
    from one to the next. Three tests or more are ranked. With one pass a test nothing can be said. BEFORE and AFTER are
    tray sheets, .csv, .xlsx or .ods; one of them may be -, standard input.

    \b
    Examples:
      spreadcheck compare before.csv after.csv --report change.pdf
      spreadcheck compare old.csv new.csv --question "effective width" \\
        --archive sheets/
    """
    from spreadcheck.improve.between import Terms
    from spreadcheck.improve.compare import compare as hold_against
    from spreadcheck.show.compare import comparison_document, comparison_figure, comparison_json, doubtful

    out.check(*sheets, *repeat)
    tests = read_tests((*sheets, *repeat))
    stated = {name: asked.pop(name) for name in ("laying_m", "wind_m", "rate_pct", "stretch_pct")}
    found = hold_against(
        tests[: len(sheets)],
        terms=Terms(**{name: value for name, value in stated.items() if value is not None}),
        repeats=tests[len(sheets) :],
        archive=() if archive is None else _older(archive),
        **asked,
    )
    out.show(
        comparison_document(found, units),
        tests=doubtful(found),
        json=lambda: comparison_json(found),
        plot=lambda: comparison_figure(found, units),
    )
    if out.screen:
        last = found.results[-1].test.file
        blocked = [result.test.file for result in found.results if result.blocking]
        if blocked:
            name_next("analyse", blocked[0], "--doubts")
        elif out.asked("report"):
            name_next("analyse", last, "--card", free(last, "-card.pdf"))
        else:
            name_next(*out.again("--report", free("comparison.pdf")))


def _older(archive: str) -> list[TrayTest]:
    """The tests of a folder; a sheet that can't be read is named and passed over."""
    from spreadcheck.errors import Fault, SheetError
    from spreadcheck.judge.batch import find_sheets

    older: list[TrayTest] = []
    for name in find_sheets(archive)[0]:
        try:
            older += read_tests((os.path.join(archive, name),))
        except SheetError as error:
            say(f"{error.faults[0]} (passed over)", err=True)
    if not older:
        raise SheetError(
            Fault(archive, "holds no tray sheet that can be read", "give the folder with the older sheets")
        )
    return older
