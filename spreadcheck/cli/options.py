"""What commands are given: the options that several share, in one table, and the sheets that they read."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar, cast

import click

from spreadcheck.cli.outputs import Outputs, same_place
from spreadcheck.units import KINDS, parse_quantity, parted

if TYPE_CHECKING:
    from spreadcheck.sheet.traytest import TrayTest

F = TypeVar("F", bound=Callable[..., Any])
_META = "spreadcheck "


class Parsed(click.ParamType):  # type: ignore[type-arg]  # generic only in late versions of click
    """Words that `read` turns into what a command works with; it is told the option's name for its faults."""

    name = "words"

    def __init__(self, read: Callable[[str, str], Any], *, field: str = "") -> None:
        self._read, self.field = read, field  # `field` ends the name of the command's argument: the unit inside

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """What stands for the words in the command; a default may be there already."""
        place = f"option {param.opts[0]}" if param else "option"
        return self._read(value, place) if isinstance(value, str) else value


def quantity(kind: str, metavar: str, text: str, label: str = "") -> dict[str, Any]:
    """What an option for a number with its unit is made of, "24 m" say; a label's bounds are those of the sheet."""

    def read(value: str, place: str) -> float:
        from spreadcheck.sheet.plausible import check
        from spreadcheck.units import from_inside, split_quantity, unit_named

        inside = parse_quantity(value, kind, place=place)
        if not label:
            return inside
        unit = unit_named(split_quantity(value)[1], kind) or ""
        return check(label, from_inside(inside, unit, kind), unit, place=place, written=value)

    return {"type": Parsed(read, field=f"_{KINDS[kind].key}"), "metavar": metavar, "help": text}


def output_file(text: str, *endings: str, dash: bool = False, what: str = "this result") -> dict[str, Any]:
    """What an option for a file to write is made of: the endings of its kind, and whether - is standard output.

    Whatever ends otherwise may be a file of another kind that is dear to its owner.
    """

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
    ctx.meta[_META + (param.name or "")] = value


_SHARED: dict[str, dict[str, Any]] = {
    "worksheet": {
        "metavar": "NAME",
        "expose_value": False,
        "callback": _keep,
        "help": "The worksheet, where a workbook holds several tray sheets.",
    },
    "dates": {
        "type": click.Choice(["day-first", "month-first"]),
        "expose_value": False,
        "callback": _keep,
        "help": "How a date such as 3/10/2026 on the sheet is meant.",
    },
    "bout-width": quantity("length", "WIDTH", 'Bout width driven, such as "24 m"; the sheet\'s if not given.'),
    "target": quantity("rate", "RATE", 'Target rate, such as "150 kg/ha"; the sheet\'s if not given.'),
    "highest-speed": quantity(
        "turning speed", "SPEED", 'Highest speed, such as "900 rpm"; else the sheet\'s.', "highest spinner speed"
    ),
    "limit": {"type": float, "default": 15.0, "help": "CV limit in %."},
    "widths": {
        "type": BOUT_WIDTHS,
        "metavar": "LIST",
        "help": 'Bout widths to try: "18 m:36 m:0.5 m" or "18 m, 24 m, 27.5 m".',
    },
    "tails": {
        "type": click.Choice(["taper", "cut"]),
        "default": "taper",
        "help": "Beyond the end trays the spread runs out over one tray spacing, or stops.",
    },
    "relative": {"is_flag": True, "help": "Figures in proportion only: for ml without a bulk density."},
    "level": {"type": float, "default": 95.0, "help": "How often an interval holds the true value, in %."},
    "confidence": {"type": float, "default": 95.0, "callback": _sure, "help": "How sure the mean must be, in %."},
    "analysis": {"metavar": "FILE", "help": "Nutrients of a blend's components (.toml), and their CV limits."},
    "prices": {"metavar": "FILE", "help": "Price file (.toml): field, costs, crop, response."},
    "into": {
        **output_file(
            "Write what was found into the form of this tray sheet; what stands there is kept without --overwrite.",
            ".csv",
            ".xlsx",
            what="a tray sheet",
        ),
        "metavar": "SHEET",
    },
    "paper": {
        "type": click.Choice(["a4", "letter"]),
        "help": "Paper of what is printed; letter with --units us, else A4.",
    },
    "units": {"type": click.Choice(["metric", "us"]), "default": "metric", "help": "Units that are shown."},
    "json": output_file("Write the result as JSON, always SI; - for standard output.", ".json", dash=True),
    "csv": output_file("Write the table as CSV; - for standard output.", ".csv", dash=True),
    "plot": output_file("Draw the figures; .png, .svg or .pdf by the ending.", ".png", ".svg", ".pdf", what="a plot"),
    "report": {
        **output_file("Write a report; .html, .pdf or .md; again for more.", ".html", ".pdf", ".md", what="a report"),
        "multiple": True,
    },
    "overwrite": {"is_flag": True, "help": "Replace files that exist already."},
}


def _option(name: str, given: dict[str, Any]) -> Callable[[F], F]:
    """An option; a quantity's field has the unit used inside: --bout-width is `bout_width_m`."""
    kind = given.get("type")
    field = name.replace("-", "_") + (kind.field if isinstance(kind, Parsed) else "")
    return click.option(f"--{name}", field, **{"show_default": "default" in given, **given})


def options(*names: str, **own: str | dict[str, Any]) -> Callable[[F], F]:
    """Options of the table in this order, then those with other words or another default than there."""

    def decorate(function: F) -> F:
        texts = {name: {"help": given} if isinstance(given, str) else given for name, given in own.items()}
        wanted = {name: texts.get(name.replace("-", "_"), {}) for name in (*names, *(n.replace("_", "-") for n in own))}
        for name, more in reversed(wanted.items()):
            function = _option(name, {**_SHARED.get(name, {}), **more})(function)
        return function

    return decorate


def outputs(*kinds: str, **own: str | dict[str, Any]) -> Callable[[F], F]:
    """The files that a command writes: their options and --overwrite; the command gets them as `out`."""
    named = tuple(dict.fromkeys((*kinds, *own)))

    def decorate(function: F) -> F:
        @functools.wraps(function)
        def command(*args: Any, **given: Any) -> Any:
            overwrite = given.pop("overwrite")
            paper = given.pop("paper", None) or ("letter" if given.get("units") == "us" else "a4")
            found = ((kind, given.pop(kind)) for kind in named)
            each = ((kind, path if isinstance(path, tuple) else (path,)) for kind, path in found)
            files = tuple((kind, path) for kind, paths in each for path in paths if path)
            click.get_current_context().meta["spreadcheck files"] = [path for _, path in files if path != "-"]
            return function(*args, **given, out=Outputs(files, overwrite, paper))

        return cast("F", options(*kinds, **own)(options("overwrite")(command)))

    return decorate


def quantity_option(name: str, kind: str, metavar: str, text: str, **more: Any) -> Callable[[F], F]:
    """An option that takes a quantity; its field has the unit used inside: --tray-width is `tray_width_m`."""
    return _option(name.removeprefix("--"), {**quantity(kind, metavar, text), **more})


def list_option(
    name: str,
    field: str,
    read: str | Callable[[str, str], object],
    text: str,
    default: str = "",
    *,
    again: bool = False,
    unknown: str = "",
) -> Callable[[F], F]:
    """An option for several things, or quantities of a kind, parted by commas or semicolons; by default the empty list.

    Each counts once, but for an option that may come `again`: its readings all count. `unknown` is the word for None.
    """

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

    more: dict[str, Any] = {"default": default, "show_default": True} if default else {"default": ()}
    if again:
        more = {"multiple": True, "callback": lambda _ctx, _param, lists: sum(lists, ())}
    return click.option(name, field, type=Parsed(each), metavar="LIST", help=text, **more)


def text_options(*rows: tuple[str, str, str]) -> Callable[[F], F]:
    """Options that the library reads: their names, what stands for the value, and the help."""

    def decorate(function: F) -> F:
        for name, metavar, text in reversed(rows):
            function = click.option(name, metavar=metavar, help=text)(function)
        return function

    return decorate


def _sheets(name: str, **given: Any) -> Callable[[F], F]:
    """Tray sheets to read; - for standard input."""

    def decorate(function: F) -> F:
        """A tray sheet to read, and how it is meant."""
        argument = click.argument(name, type=click.Path(allow_dash=True), **given)
        return argument(options("worksheet", "dates")(function))

    return decorate


sheet_argument = _sheets("sheet")
optional_sheet_argument = _sheets("sheet", required=False)


def sheets_argument(metavar: str) -> Callable[[F], F]:
    """Several tray sheets to read; one of them may be - for standard input."""
    return _sheets("sheets", nargs=-1, metavar=metavar)


def _meant(name: str) -> str:
    """What the options kept beside the command say."""
    ctx = click.get_current_context(silent=True)
    return (ctx.meta.get(_META + name) if ctx else None) or ""


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

    places = [same_place(sheet) for sheet in sheets]
    again = dict.fromkeys(sheet for at, sheet in enumerate(sheets) if places[at] in places[:at])
    faults = [Fault(sheet, "is given twice", "give each sheet once") for sheet in again]
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
