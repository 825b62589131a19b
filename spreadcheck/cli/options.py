"""What commands are given: the options that several share, in one table, and the sheets that they read."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from spreadcheck.cli.outputs import Outputs, same_place
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.units import KINDS, parse_quantity, parted

if TYPE_CHECKING:
    from spreadcheck.sheet.traytest import TrayTest

F = TypeVar("F", bound=Callable[..., Any])
Given = dict[str, Any]  # what an option is made of: click's own settings, and how its field ends or is called


class Parsed(click.ParamType):  # type: ignore[type-arg]  # generic only in late versions of click
    """Words that `read` turns into what a command works with; it is told the option's name for its faults."""

    name = "words"

    def __init__(self, read: Callable[[str, str], Any]) -> None:
        self._read = read

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """What stands for the words in the command; a default may be there already."""
        return self._read(value, f"option {param.opts[0]}" if param else "option") if isinstance(value, str) else value


def quantity(kind: str, metavar: str, text: str, label: str = "", **more: Any) -> Given:
    """A number with its unit, such as "24 m", whose field ends in the unit inside; a label's bounds are the sheet's."""

    def read(value: str, place: str) -> float:
        if not label:
            return parse_quantity(value, kind, place=place)
        from spreadcheck.sheet.plausible import check_quantity

        return check_quantity(label, value, place=place)

    return {"type": Parsed(read), "ends": f"_{KINDS[kind].key}", "metavar": metavar, "help": text, **more}


def several(
    read: str | Callable[[str, str], object],
    text: str,
    default: str = "",
    *,
    field: str = "",
    again: bool = False,
    unknown: str = "",
) -> Given:
    """Several things, or quantities of a kind: each once, but all of one that may come `again`; `unknown` is None."""

    def one(part: str, place: str) -> object:
        if unknown and " ".join(part.casefold().split()) == unknown:
            return None
        return read(part, place) if callable(read) else parse_quantity(part, read, place=place)

    def each(value: str, place: str) -> tuple[object, ...]:
        from spreadcheck.errors import Fault, QuantityError, read_all

        parts = parted(value)
        if not parts:
            raise QuantityError(Fault(place, "there is nothing in it", "give one or more, parted by commas"))
        found = read_all(parts, lambda part: one(part, place))
        return found if again else tuple(dict.fromkeys(found))

    more: Given = {"default": default or ()}
    if again:
        more = {"multiple": True, "callback": lambda _ctx, _param, lists: sum(lists, ())}
    ends = "" if callable(read) else f"_{KINDS[read].key}"
    return {"type": Parsed(each), "field": field, "ends": ends, "metavar": "LIST", "help": text, **more}


def words(metavar: str, text: str, **more: Any) -> Given:
    """Words that the library reads."""
    return {"type": str, "ends": "", "metavar": metavar, "help": text, **more}


def output_file(text: str, *endings: str, dash: bool = False, what: str = "this result") -> Given:
    """A file to write, of these endings: another may be of another kind and dear to its owner; - is standard output."""

    def read(value: str, _: str) -> str:
        ending = os.path.splitext(value)[1]
        if (value == "-" and dash) or ending.casefold() in endings:
            return value
        from spreadcheck.errors import Fault, OutputError

        *first, last = endings
        remedy = f"end the name in {', '.join(first)}{' or ' if first else ''}{last}"
        raise OutputError(Fault(value, f'{what} can\'t be written as "{ending}"', remedy))

    return {"type": Parsed(read), "metavar": "FILE", "help": text}


def _bout_widths(value: str, place: str) -> Any:
    from spreadcheck.spread.widths import parse_widths

    return parse_widths(value, place=place)


BOUT_WIDTHS = Parsed(_bout_widths)  # a list or a range: in the command an array in metres


def _sure(_ctx: click.Context, param: click.Parameter, value: float) -> float:
    """A confidence that somebody can mean."""
    from spreadcheck.product.readings import check_confidence

    check_confidence(value, place=f"option {param.opts[0]}")
    return value


def _keep(ctx: click.Context, param: click.Parameter, value: str | None) -> None:
    """How the sheet is meant, for `read_test`."""
    ctx.meta[f"spreadcheck {param.name}"] = value or ""


_KEPT = {"expose_value": False, "callback": _keep}
_INTO = "Write what was found into the form of this tray sheet; what stands there is kept without --overwrite."
_SHARED: dict[str, Given] = {
    "worksheet": words("NAME", "The worksheet, where a workbook holds several tray sheets.", **_KEPT),
    "dates": {"type": click.Choice(["day-first", "month-first"]), **_KEPT,
              "help": "How a date such as 3/10/2026 on the sheet is meant."},
    "bout-width": quantity("length", "WIDTH", 'Bout width driven, such as "24 m"; the sheet\'s if not given.'),
    "target": quantity("rate", "RATE", 'Target rate, such as "150 kg/ha"; the sheet\'s if not given.'),
    "highest-speed": quantity("turning speed", "SPEED", 'Highest speed, such as "900 rpm"; else the sheet\'s.',
                              "highest spinner speed"),
    "limit": {"type": float, "default": CV_LIMIT_PCT, "field": "limit_pct", "help": "CV limit in %."},
    "widths": words("LIST", 'Bout widths to try: "18 m:36 m:0.5 m" or "18 m, 24 m, 27.5 m".', type=BOUT_WIDTHS,
                    field="width_m"),
    "tails": {"type": click.Choice(["taper", "cut"]), "default": "taper",
              "help": "Beyond the end trays the spread runs out over one tray spacing, or stops."},
    "relative": {"is_flag": True, "help": "Figures in proportion only: for ml without a bulk density."},
    "level": {"type": float, "default": 95.0, "help": "How often an interval holds the true value, in %."},
    "confidence": {"type": float, "default": 95.0, "callback": _sure, "help": "How sure the mean must be, in %."},
    "analysis": words("FILE", "Nutrients of a blend's components (.toml), and their CV limits."),
    "prices": words("FILE", "Price file (.toml): field, costs, crop, response."),
    "into": output_file(_INTO, ".csv", ".xlsx", what="a tray sheet") | {"metavar": "SHEET"},
    "paper": {"type": click.Choice(["a4", "letter"]),
              "help": "Paper of what is printed; letter with --units us, else A4."},
    "units": {"type": click.Choice(["metric", "us"]), "default": "metric", "help": "Units that are shown."},
    "json": output_file("Write the result as JSON, always SI; - for standard output.", ".json", dash=True),
    "csv": output_file("Write the table as CSV; - for standard output.", ".csv", dash=True),
    "plot": output_file("Draw the figures; .png, .svg or .pdf by the ending.", ".png", ".svg", ".pdf", what="a plot"),
    "report": output_file("Write a report; .html, .pdf or .md; again for more.", ".html", ".pdf", ".md",
                          what="a report") | {"multiple": True},
    "overwrite": {"is_flag": True, "help": "Replace files that exist already."},
}  # fmt: skip


def options(*names: str, **own: str | Given) -> Callable[[F], F]:
    """Options of the table in this order, then those that are the command's own or have other words than there."""

    def decorate(function: F) -> F:
        texts = {
            name.replace("_", "-"): {"help": each} if isinstance(each, str) else each for name, each in own.items()
        }
        for name in reversed(list(dict.fromkeys((*names, *texts)))):
            given = {**_SHARED.get(name, {}), **texts.get(name, {})}
            field, ends = given.pop("field", ""), given.pop("ends", "")
            given.setdefault("show_default", given.get("default", ()) != ())
            function = click.option(f"--{name}", field or name.replace("-", "_") + ends, **given)(function)
        return function

    return decorate


def outputs(*kinds: str, **own: str | Given) -> Callable[[F], F]:
    """The files that a command writes: their options and --overwrite; the command gets them as `out`."""

    def decorate(function: F) -> F:
        @functools.wraps(function)
        def command(*args: Any, **given: Any) -> Any:
            found = ((kind, given.pop(kind)) for kind in dict.fromkeys((*kinds, *own)))
            each = ((kind, path if isinstance(path, tuple) else (path,)) for kind, path in found)
            files = tuple((kind, path) for kind, paths in each for path in paths if path)
            overwrite, units = given.pop("overwrite"), given.get("units") or "metric"
            paper = given.pop("paper", None) or ("letter" if units == "us" else "a4")
            return function(*args, **given, out=Outputs(files, overwrite, paper, units))

        return cast("F", options(*kinds, **own)(options("overwrite")(command)))

    return decorate


def sheets_argument(name: str, **given: Any) -> Callable[[F], F]:
    """Tray sheets to read, - for standard input, and how they are meant."""
    argument = click.argument(name, type=click.Path(allow_dash=True), **given)

    def decorate(function: F) -> F:
        """Give a command these sheets."""
        return argument(options("worksheet", "dates")(function))

    return decorate


sheet_argument = sheets_argument("sheet")


def read_test(sheet: str, *, worksheet: str | None = None) -> TrayTest:
    """Read the tray sheet that a command was given."""
    from spreadcheck.sheet.traysheet import read_sheet

    meta = click.get_current_context().meta
    title = meta.get("spreadcheck worksheet", "") if worksheet is None else worksheet
    dates = meta.get("spreadcheck dates")
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

    places = [same_place(sheet) for sheet in sheets]
    again = dict.fromkeys(sheet for at, sheet in enumerate(sheets) if places[at] in places[:at])
    faults = [Fault(sheet, "is given twice", "give each sheet once") for sheet in again]
    chosen = click.get_current_context().meta.get("spreadcheck worksheet", "")
    tests = []
    for sheet in dict.fromkeys(sheets):
        try:
            titles = (chosen,) if chosen or sheet == "-" else worksheets_of(sheet)
            tests += [read_test(sheet, worksheet=title) for title in titles]
        except SheetError as error:
            faults.extend(error.faults)
    if faults:
        raise SheetError(*faults)
    return tests
