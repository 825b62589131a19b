"""Options and outputs that several commands share."""

from __future__ import annotations

import os
import shlex
import sys
import textwrap
from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from spreadcheck.cli.say import say

if TYPE_CHECKING:
    from spreadcheck.doubts.doubt import Doubt
    from spreadcheck.judge.assessment import Assessment
    from spreadcheck.judge.verdict import Verdict
    from spreadcheck.sheet.traytest import FormRow, TrayTest

F = TypeVar("F", bound=Callable[..., Any])
_META = "spreadcheck "


class OutputFile(click.ParamType):  # type: ignore[type-arg]  # generic only in late versions of click
    """The name of a file to write, with the ending of its kind; - for standard output where that is meant."""

    name = "file"

    def __init__(self, *endings: str, dash: bool = False, what: str = "this result") -> None:
        self._endings, self._dash, self._what = endings, dash, what

    def convert(self, value: str, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The name as given; whatever ends otherwise may be a file of another kind that is dear to its owner."""
        if (value == "-" and self._dash) or os.path.splitext(value)[1].casefold() in self._endings:
            return value
        from spreadcheck.errors import Fault, OutputError

        ending = os.path.splitext(value)[1]
        *first, last = self._endings
        remedy = f"end the name in {', '.join(first)}{' or ' if first else ''}{last}"
        raise OutputError(Fault(value, f'{self._what} can\'t be written as "{ending}"', remedy))


class Quantity(click.ParamType):  # type: ignore[type-arg]  # generic only in late versions of click
    """A number with its unit, such as "24 m": in the command it is a float in the units used inside."""

    def __init__(self, kind: str) -> None:
        self.name = self._kind = kind

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number inside; what can't be read is told with the name of the option."""
        if isinstance(value, float):
            return value
        from spreadcheck.units import parse_quantity

        return parse_quantity(value, self._kind, place=f"option {param.opts[0]}" if param else "option")


def quantity_option(name: str, kind: str, metavar: str, text: str, **more: Any) -> Callable[[F], F]:
    """An option that takes a quantity; its field has the unit used inside: --bout-width is `bout_width_m`."""
    from spreadcheck.units import KINDS

    field = f"{name.removeprefix('--').replace('-', '_')}_{KINDS[kind].key}"
    more = {"show_default": "default" in more, **more}
    return click.option(name, field, type=Quantity(kind), metavar=metavar, help=text, **more)


bout_width_option = quantity_option(
    "--bout-width", "length", "WIDTH", 'Bout width driven, such as "24 m"; the sheet\'s if not given.'
)
limit_option = click.option("--limit", type=float, default=15.0, show_default=True, help="CV limit in %.")
relative_option = click.option(
    "--relative", is_flag=True, help="Figures in proportion only: for ml without a bulk density."
)
widths_option = click.option(
    "--widths", metavar="LIST", help='Bout widths to try: "18 m:36 m:0.5 m" or "18 m, 24 m, 27.5 m".'
)


def level_option(usual: float, text: str) -> Callable[[F], F]:
    """How sure statements are."""
    return click.option("--level", type=float, default=usual, show_default=True, help=text)


def plot_option(text: str) -> Callable[[F], F]:
    """Where the picture goes."""
    kinds = OutputFile(".png", ".svg", ".pdf", what="a plot")
    help_text = f"{text}; .png, .svg or .pdf by the ending."
    return click.option("--plot", "plot_file", type=kinds, metavar="FILE", help=help_text)


def csv_option(text: str) -> Callable[[F], F]:
    """Where the table for a spreadsheet goes."""
    return click.option("--csv", "csv_file", type=OutputFile(".csv", dash=True), metavar="FILE", help=text)


def sheet_argument(function: F) -> F:
    """The tray sheet to read; - for standard input."""
    return worksheet_options(click.argument("sheet", type=click.Path(allow_dash=True))(function))


def worksheet_options(function: F) -> F:
    """Which tray sheet of a workbook is meant, and how its dates are; kept beside the command, for `read_test`."""

    def keep(ctx: click.Context, param: click.Parameter, value: str | None) -> None:
        ctx.meta[_META + (param.name or "")] = value

    dates = click.option(
        "--dates",
        type=click.Choice(["day-first", "month-first"]),
        expose_value=False,
        callback=keep,
        help="How a date such as 3/10/2026 on the sheet is meant.",
    )
    worksheet = click.option(
        "--worksheet",
        metavar="NAME",
        expose_value=False,
        callback=keep,
        help="The worksheet, where a workbook holds several tray sheets.",
    )
    return worksheet(dates(function))


def _meant(name: str) -> str:
    """What the options kept beside the command say."""
    ctx = click.get_current_context(silent=True)
    return (ctx.meta.get(_META + name) if ctx else None) or ""


def sheets_argument(metavar: str) -> Callable[[F], F]:
    """Several tray sheets to read; one of them may be - for standard input."""
    argument = click.argument("sheets", type=click.Path(allow_dash=True), nargs=-1, metavar=metavar)
    return lambda function: worksheet_options(argument(function))


def units_option(function: F) -> F:
    """Which units are shown."""
    return click.option(
        "--units",
        type=click.Choice(["metric", "us"]),
        default="metric",
        show_default=True,
        help="Units that are shown.",
    )(function)


def overwrite_option(function: F) -> F:
    """Whether files that exist may be replaced."""
    return click.option("--overwrite", is_flag=True, help="Replace files that exist already.")(function)


def json_option(function: F) -> F:
    """Where the machine-readable result goes."""
    return click.option(
        "--json",
        "json_file",
        metavar="FILE",
        type=OutputFile(".json", dash=True),
        help="Write the result as JSON, always SI; - for standard output.",
    )(function)


def tails_option(function: F) -> F:
    """How the profile ends beyond the end trays."""
    return click.option(
        "--tails",
        type=click.Choice(["taper", "cut"]),
        default="taper",
        show_default=True,
        help="Beyond the end trays the profile runs to zero over one tray spacing, or stops.",
    )(function)


def into_option(function: F) -> F:
    """The sheet that takes what was found."""
    text = "Write what was found into the form of this tray sheet; what stands there is kept without --overwrite."
    return click.option("--into", metavar="SHEET", type=OutputFile(".csv", ".xlsx", what="a tray sheet"), help=text)(
        function
    )


def check_next_sheet(into: str | None, sheet: str | None) -> None:
    """Refuse to write what is meant for the next test into the sheet of this one."""
    if into and sheet and _place(into) == _place(sheet):
        from spreadcheck.errors import Fault, OutputError

        problem = "is the sheet of the test itself, which keeps the setting that was tested"
        raise OutputError(Fault(into, problem, "give --into the sheet of the next test"))


def write_into(sheet: str, rows: Iterable[FormRow], *, overwrite: bool) -> None:
    """Write rows into the form of a sheet, say what was written and what stood there, and name the next step."""
    from spreadcheck.crew.fillin import fill_in_sheet, row_words, to_be_weighed

    filled = fill_in_sheet(sheet, rows, overwrite=overwrite)
    told = "; ".join(f"{row.label} {row_words(row)}" for row in filled.written)
    say(f"{sheet}: {told or 'all of it stands there already'}", err=True)
    for row in filled.replaced:
        say(f"{sheet}: {row.label} was {row_words(row)}", err=True)
    name_next("record" if to_be_weighed(filled.test) else "analyse", sheet)


def name_next(command: str, *words: str) -> None:
    """The command that takes the next step, filled in, on standard error."""
    say(f"Next: {shlex.join(['spreadcheck', command, *words])}", err=True)


def read_test(sheet: str, *, worksheet: str | None = None) -> TrayTest:
    """Read the tray sheet that a command was given."""
    from spreadcheck.sheet.traysheet import read_sheet

    title = _meant("worksheet") if worksheet is None else worksheet
    dates = _meant("dates")
    day_first = dates == "day-first" if dates else None
    if sheet != "-":
        return read_sheet(sheet, worksheet=title, day_first=day_first)
    if sys.stdin is None:
        from spreadcheck.errors import Fault, SheetError

        raise SheetError(Fault("standard input", "is closed", "give the name of a tray sheet"))
    return read_sheet(sys.stdin.buffer, worksheet=title, day_first=day_first)


def read_tests(sheets: tuple[str, ...]) -> list[TrayTest]:
    """Read the tray sheets that a command was given, every one of a workbook; all of their faults are told at once."""
    from spreadcheck.errors import Fault, SheetError
    from spreadcheck.sheet.traysheet import worksheets_of

    faults = [Fault(sheet, "is given twice", "give each sheet once") for sheet in _repeated(sheets)]
    tests = []
    for sheet in dict.fromkeys(sheets):
        try:
            chosen = _meant("worksheet")
            titles = (chosen,) if chosen or sheet == "-" else worksheets_of(sheet)
            tests += [read_test(sheet, worksheet=title) for title in titles]
        except SheetError as error:
            faults.extend(error.faults)
    if faults:
        raise SheetError(*faults)
    return tests


def _repeated(sheets: tuple[str, ...]) -> list[str]:
    """Sheets that stand for the same file as one before them."""
    places = [_place(sheet) for sheet in sheets]
    return list(dict.fromkeys(sheet for at, sheet in enumerate(sheets) if places[at] in places[:at]))


def show_doubts(results: Iterable[Assessment], units: str = "metric") -> None:
    """The doubts about each of several tests, on standard error."""
    for result in results:
        tell_doubts(result.doubts, units, about=f"Doubts about {result.test.name}:\n")


def check_targets(
    paths: list[str | None], overwrite: bool, *, read: Iterable[str | None] = (), sheet: str | None = None
) -> None:
    """Refuse outputs that can't be written before any work is done, or that would fall on each other or on an input.

    `sheet` is the tray sheet among the outputs.
    """
    given = [path for path in (*paths, sheet) if path]
    if not given:
        return
    from spreadcheck.errors import Fault, OutputError
    from spreadcheck.sheet.files import check_target

    places = [_place(path) for path in given]
    inputs = {_place(path) for path in read if path} - {"-"}
    for path, place in zip(given, places, strict=True):
        if places.count(place) > 1:
            raise OutputError(Fault(path, "is asked for twice", "give each output a name of its own"))
        if place in inputs:
            raise OutputError(Fault(path, "is a file that this command reads", "write the result to another name"))
        if path != "-":
            check_target(path, overwrite=overwrite, is_sheet=path == sheet)


def _place(path: str) -> str:
    """The file behind a name, however it is spelled or linked; - is standard input or output."""
    try:
        found = None if path == "-" else os.stat(path)
    except (OSError, ValueError):
        return os.path.realpath(path)
    return f"{found.st_dev} {found.st_ino}" if found else path


def write_result(path: str, content: str | bytes, *, overwrite: bool) -> None:
    """Write a result whole to a file and say so, or to standard output for -."""
    if path == "-":
        if sys.stdout is None:
            from spreadcheck.errors import Fault, OutputError

            raise OutputError(Fault("standard output", "is closed", "give the result a file name"))
        stream = sys.stdout.buffer
        stream.write(content.encode("utf-8") if isinstance(content, str) else content)
        stream.flush()
        return
    from spreadcheck.sheet.files import write_whole

    write_whole(path, content, overwrite=overwrite)
    say(f"{path} written", err=True)


def tell_doubts(doubts: Iterable[Doubt], units: str = "metric", *, about: str = "") -> None:
    """Tell doubts on standard error, below the result."""
    from spreadcheck.show.verdict import doubt_lines

    told = doubt_lines(doubts, units)
    if told:
        say(f"\n{about}{told}", err=True)


def tell_verdict(verdict: Verdict | None, units: str = "metric") -> None:
    """The verdict on the test, below what a command found; nothing where no bout width is known."""
    if verdict is not None:
        from spreadcheck.show.verdict import verdict_sentence

        said = verdict_sentence(verdict, units)
        say("\n" + textwrap.fill(f"Verdict: {said[0].lower()}{said[1:]}", 80, subsequent_indent="  "))


def plain_terminal() -> bool:
    """Whether standard output can't show block characters."""
    encoding = getattr(sys.stdout, "encoding", None) or "ascii"
    try:
        "▁█·".encode(encoding)
    except (UnicodeEncodeError, LookupError):
        return True
    return False
