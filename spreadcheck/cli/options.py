"""What commands are given: the options that several share, in one table, and the sheets that they read."""

from __future__ import annotations

import functools
import os
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, TypeVar

import click

from spreadcheck.cli.outputs import Outputs, same_place
from spreadcheck.units import KINDS

if TYPE_CHECKING:
    from spreadcheck.sheet.traytest import TrayTest

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

    def __init__(self, kind: str, label: str = "") -> None:
        self.name = self._kind = kind
        self._label = label  # of a product or a machine, whose bounds it has

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """The number inside; what can't be read is told with the name of the option."""
        if isinstance(value, float):
            return value
        from spreadcheck.sheet.plausible import check
        from spreadcheck.units import from_inside, parse_quantity, split_quantity, unit_named

        place = f"option {param.opts[0]}" if param else "option"
        inside = parse_quantity(value, self._kind, place=place)
        if not self._label:
            return inside
        unit = unit_named(split_quantity(value)[1], self._kind) or ""
        return check(self._label, from_inside(inside, unit, self._kind), unit, place=place, written=value)


class Listed(click.ParamType):  # type: ignore[type-arg]  # generic only in late versions of click
    """Several things of one sort, parted by commas or semicolons: in the command each once, as `read` gives it."""

    name = "list"

    def __init__(self, read: Callable[[str, str], object]) -> None:
        self._read = read

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[object, ...]:
        """Each part as read, told the name of the option for its faults."""
        if not isinstance(value, str):
            return tuple(value)
        place = f"option {param.opts[0]}" if param else "option"
        parts = [part.strip() for part in value.replace(";", ",").split(",") if part.strip()]
        if not parts:
            from spreadcheck.errors import Fault, QuantityError

            raise QuantityError(Fault(place, "there is nothing in it", "give one or more, parted by commas"))
        return tuple(dict.fromkeys(self._read(part, place) for part in parts))


class BoutWidths(click.ParamType):  # type: ignore[type-arg]  # generic only in late versions of click
    """Bout widths as a list or a range: in the command they are an array in metres."""

    name = "list"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The widths in metres; what can't be read is told with the name of the option."""
        if not isinstance(value, str):
            return value
        from spreadcheck.spread.widths import parse_widths

        return parse_widths(value, place=f"option {param.opts[0]}" if param else "option")


def _keep(ctx: click.Context, param: click.Parameter, value: str | None) -> None:
    ctx.meta[_META + (param.name or "")] = value


def _quantity(kind: str, metavar: str, text: str, label: str = "") -> dict[str, Any]:
    return {"type": Quantity(kind, label), "metavar": metavar, "help": text}


def output_file(text: str, *endings: str, dash: bool = False, what: str = "this result") -> dict[str, Any]:
    """What an option for a file to write is made of."""
    return {"type": OutputFile(*endings, dash=dash, what=what), "metavar": "FILE", "help": text}


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
    "bout-width": _quantity("length", "WIDTH", 'Bout width driven, such as "24 m"; the sheet\'s if not given.'),
    "target": _quantity("rate", "RATE", 'Target rate, such as "150 kg/ha"; the sheet\'s if not given.'),
    "highest-speed": _quantity(
        "turning speed", "SPEED", 'Highest speed, such as "900 rpm"; else the sheet\'s.', "highest spinner speed"
    ),
    "limit": {"type": float, "default": 15.0, "help": "CV limit in %."},
    "widths": {
        "type": BoutWidths(),
        "metavar": "LIST",
        "help": 'Bout widths to try: "18 m:36 m:0.5 m" or "18 m, 24 m, 27.5 m".',
    },
    "tails": {
        "type": click.Choice(["taper", "cut"]),
        "default": "taper",
        "help": "Beyond the end trays the profile runs to zero over one tray spacing, or stops.",
    },
    "relative": {"is_flag": True, "help": "Figures in proportion only: for ml without a bulk density."},
    "level": {"type": float, "default": 95.0, "help": "How often intervals hold the truth, in %."},
    "analysis": {"metavar": "FILE", "help": "Nutrients of a blend's components (.toml), and their CV limits."},
    "prices": {"metavar": "FILE", "help": "Price file (.toml): field, costs, crop, response."},
    "into": {
        "type": OutputFile(".csv", ".xlsx", what="a tray sheet"),
        "metavar": "SHEET",
        "help": "Write what was found into the form of this tray sheet; what stands there is kept without --overwrite.",
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
        **output_file("Write a report; .html, .pdf or .md, or several.", ".html", ".pdf", ".md", what="a report"),
        "multiple": True,
    },
    "overwrite": {"is_flag": True, "help": "Replace files that exist already."},
}


def _option(name: str, given: dict[str, Any]) -> Callable[[F], F]:
    """An option; a quantity's field has the unit used inside: --bout-width is `bout_width_m`."""
    kind = given.get("type")
    field = name.replace("-", "_") + (f"_{KINDS[kind.name].key}" if isinstance(kind, Quantity) else "")
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
            return function(*args, **given, out=Outputs(files, overwrite, paper))

        return options(*kinds, **own)(options("overwrite")(command))  # type: ignore[return-value]

    return decorate


def quantity_option(name: str, kind: str, metavar: str, text: str, **more: Any) -> Callable[[F], F]:
    """An option that takes a quantity; its field has the unit used inside: --tray-width is `tray_width_m`."""
    return _option(name.removeprefix("--"), {**_quantity(kind, metavar, text), **more})


def list_option(
    name: str, field: str, read: Callable[[str, str], object], text: str, default: str = ""
) -> Callable[[F], F]:
    """An option that takes a list; without a default none is the empty one."""
    more: dict[str, Any] = {"default": default, "show_default": True} if default else {"default": ()}
    return click.option(name, field, type=Listed(read), metavar="LIST", help=text, **more)


def text_options(*rows: tuple[str, str, str]) -> Callable[[F], F]:
    """Options that the library reads: their names, what stands for the value, and the help."""

    def decorate(function: F) -> F:
        for name, metavar, text in reversed(rows):
            function = click.option(name, metavar=metavar, help=text)(function)
        return function

    return decorate


def sheet_argument(function: F) -> F:
    """The tray sheet to read; - for standard input."""
    argument = click.argument("sheet", type=click.Path(allow_dash=True))
    return argument(options("worksheet", "dates")(function))


def optional_sheet_argument(function: F) -> F:
    """A tray sheet that may be left out; - for standard input."""
    argument = click.argument("sheet", type=click.Path(allow_dash=True), required=False)
    return argument(options("worksheet", "dates")(function))


def sheets_argument(metavar: str) -> Callable[[F], F]:
    """Several tray sheets to read; one of them may be - for standard input."""
    argument = click.argument("sheets", type=click.Path(allow_dash=True), nargs=-1, metavar=metavar)
    return lambda function: argument(options("worksheet", "dates")(function))


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
    places = [same_place(sheet) for sheet in sheets]
    return list(dict.fromkeys(sheet for at, sheet in enumerate(sheets) if places[at] in places[:at]))
