"""The labels of a tray sheet's form: what each one means, which values it takes, and the unit it is kept in."""

from __future__ import annotations

import contextlib
import datetime
import re
from collections.abc import Callable
from dataclasses import replace

from spreadcheck.errors import Fault, QuantityError, record, shown
from spreadcheck.sheet.plausible import BOUNDS, slip
from spreadcheck.units import KINDS, from_inside, parse_number, to_inside, unit_named, units_of

BACK_AND_FORTH = "back-and-forth"
ROUND_AND_ROUND = "round-and-round"
METHODS = (BACK_AND_FORTH, ROUND_AND_ROUND)
CUMULATIVE = "cumulative"
WEIGHING = ("each pass", CUMULATIVE)  # trays emptied after each weighing, or catches added up from pass to pass

WIND_FROM = (
    "left", "right", "ahead", "behind", "ahead left", "ahead right", "behind left", "behind right", "changing",
)  # fmt: skip

TWIN, SINGLE, SPOUT, BOOM, DROP, LIME = SPREADER_TYPES = (
    "twin disc", "single disc", "swinging spout", "pneumatic boom", "full-width drop", "belt and spinners for lime",
)  # fmt: skip

# A machine with several bins: the plain labels are those of bin 1, the others carry their number: `bin 2 product`.
ONE_AFTER_THE_OTHER, TOGETHER = "one after the other", "together"
BINS_RUN = (ONE_AFTER_THE_OTHER, TOGETHER)
BIN_LABELS = (
    "product", "bulk density", "size guide number", "granule density", "crush strength", "calibration factor",
    "gate setting", "target rate",
)  # fmt: skip
MOST_BINS = 6

_DIGITS = "write digits only; the unit goes into the third cell"
_PASSES = "write the pass numbers with semicolons, such as 2; 4"

Value = str | int | float | tuple[int, ...]


@record
class Label:
    """One known label: `kind` is a kind of quantity, or "text", "date", "count", "passes" or "choice"."""

    name: str
    kind: str = "text"
    low: float = 0.0
    high: float = float("inf")
    choices: tuple[str, ...] = ()
    unit: str = ""  # the unit a new sheet proposes
    bin: int = 1  # of a machine with several

    @property
    def of(self) -> str:
        """The label's name without the number of the bin."""
        return self.name.removeprefix(f"bin {self.bin} ")

    @property
    def key(self) -> str:
        """The label as a JSON key, with the inside unit at its end."""
        stem = self.name.replace(" ", "_")
        return f"{stem}_{KINDS[self.kind].key}" if self.kind in KINDS else stem


_LISTED = (  # those of a product or a machine have their kind and ends in `BOUNDS`, which every command shares
    Label("test"),
    Label("date", "date"),
    Label("place"),
    Label("operator"),
    Label("machine"),
    Label("spreader type", "choice", choices=SPREADER_TYPES),
    Label("number of outlets", "count", 2, 500),
    Label("outlet spacing", "length", 0.05, 5, unit="m"),
    Label("product"),
    Label("tray width", "length", 0.01, 20, unit="m"),
    Label("tray length", "length", 0.01, 20, unit="m"),
    Label("runs per catch", "count", 1, 1000),
    Label("reversed passes", "passes"),
    Label("weighing", "choice", choices=WEIGHING),
    Label("tare", "catch mass", 0, 1e6, unit="g"),
    Label("travel speed", unit="km/h"),
    Label("spinner speed", unit="rpm"),
    Label("highest spinner speed", unit="rpm"),
    Label("disc diameter", "length", 0.05, 5, unit="m"),
    Label("target rate", "rate", 0.1, 100_000, unit="kg/ha"),
    Label("bout width", "length", 0.1, 1000, unit="m"),
    Label("expected width", "length", 0.1, 1000, unit="m"),
    Label("driving", "choice", choices=METHODS),
    Label("wheel track", "length", 0.1, 20, unit="m"),
    Label("swath height", "length", 0.01, 20, unit="m"),
    Label("wind speed", "wind speed", 0, 60, unit="m/s"),
    Label("wind from", "choice", choices=WIND_FROM),
    Label("air temperature", "temperature", -60, 70, unit="degC"),
    Label("relative humidity", "share", 0, 100, unit="%"),
    Label("surface"),
    Label("scale resolution", "catch mass", 1e-4, 1000, unit="g"),
    Label("discharge", "flow", 1e-4, 1000, unit="kg/min"),
    Label("metered rate", "rate", 0.1, 100_000, unit="kg/ha"),
    Label("metered width", "length", 0.1, 1000, unit="m"),
    Label("calibration factor", "number", 1e-9, 1e9),
    Label("gate setting", "number", 0, 1e9),
    Label("bulk density", unit="kg/L"),
    Label("size guide number"),
    Label("uniformity index"),
    Label("granule density", unit="kg/m3"),
    Label("crush strength", unit="kgf"),
    Label("vanes"),
    Label("vane angle", "angle", -180, 180, unit="deg"),
    Label("vane length", "length", 0.001, 5, unit="mm"),
    Label("tilt", "angle", -90, 90, unit="deg"),
    Label("disc height", "length", 0.01, 20, unit="m"),
    Label("drop point"),
    Label("customer"),
    Label("adviser"),
    Label("bins run", "choice", choices=BINS_RUN),
    Label("notes"),
)
_KNOWN = tuple(
    replace(label, kind=known.kind, low=known.low, high=known.high) if (known := BOUNDS.get(label.name)) else label
    for label in _LISTED
)
_FURTHER = (
    replace(label, name=f"bin {number} {label.name}", bin=number)
    for number in range(2, MOST_BINS + 1)
    for label in _KNOWN
    if label.name in BIN_LABELS
)
LABELS = {label.name: label for label in (*_KNOWN, *_FURTHER)}
REQUIRED = ("tray width", "tray length")


def known_label(text: str) -> Label | None:
    """The label that a form row names, whatever its letter case and spacing."""
    return LABELS.get(" ".join(text.casefold().split()).removeprefix("bin 1 "))


def bin_label(name: str, number: int) -> str:
    """What a label is called on the form for one of a machine's bins."""
    return name if number == 1 else f"bin {number} {name}"


def nearest(text: str) -> str | None:
    """The known label that a misspelt or shortened one may stand for: "travel speed" for "speed"."""
    from difflib import get_close_matches

    said = " ".join(text.casefold().split())
    longer = (label for label in LABELS if label.endswith(f" {said}"))
    return next(iter([*get_close_matches(said, LABELS, n=1, cutoff=0.75), *longer]), None)


def read_value(label: Label, value: str, unit: str = "", *, place: str = "") -> Value | None:
    """The value of a form row as it is used inside; None where the cell is empty."""

    def wrong(problem: str, remedy: str) -> QuantityError:
        return QuantityError(Fault(place, f'"{label.name}" {problem}', remedy))

    text, kind, unit = " ".join(value.split()), label.kind, unit.strip()
    counts = kind in ("number", "count")
    # A value with an unquoted comma in it spills into the unit's cell: say so rather than lose half of it. A word
    # behind a count, such as "runs", does no harm.
    if unit and kind not in KINDS and not (counts and parse_number(unit) is None):
        remedy = _PASSES if kind == "passes" else "clear it"
        problem = f'takes no unit, and its third cell is "{shown(unit)}"'
        raise wrong(problem, f"{remedy}, or put a value with the delimiter in it in double quotes")
    if not text:
        return None
    told = f'is "{shown(text)}"'
    if kind in KINDS:
        return _quantity(label, text, unit, wrong)
    if counts:
        number, whole = parse_number(text), kind == "count"
        if number is None or (whole and number != int(number)) or not label.low <= number <= label.high:
            remedy = f"write a {'whole ' if whole else ''}number from {label.low:g} to {label.high:g}"
            meant = "" if number is None else slip(label.of, number)
            raise wrong(told, f"{remedy}; {meant}" if meant else remedy)
        return int(number) if whole else number
    if kind == "passes":
        parts = [part for part in re.split(r"[;,\s]+", text) if part]
        if not all(re.fullmatch(r"[1-9]\d{0,3}", part, re.ASCII) for part in parts):
            raise wrong(told, _PASSES)
        return tuple(sorted({int(part) for part in parts}))
    if kind == "choice":
        if text.casefold() not in label.choices:
            raise wrong(f'can\'t be "{shown(text)}"', f"write one of: {', '.join(label.choices)}")
        return text.casefold()
    if kind == "date":
        try:
            return datetime.datetime.fromisoformat(text).date().isoformat()
        except ValueError:
            either = re.fullmatch(r"\d{1,2}/\d{1,2}/\d{4}", text)
            way = "say how it is meant with --dates day-first" if either else "leave it empty"
            raise wrong(told, f"write year-month-day, such as 2026-04-14, or {way}") from None
    return value.strip()


def _quantity(label: Label, text: str, unit: str, wrong: Callable[[str, str], QuantityError]) -> float:
    units = f"write one of {units_of(label.kind)} in the third cell"
    number, name = parse_number(text), unit_named(unit, label.kind)
    if number is None:
        raise wrong(f'is "{shown(text)}", which is not a number', _DIGITS)
    if not unit:
        raise wrong("has no unit", units)
    if name is None:
        raise wrong(f'can\'t be in "{shown(unit)}"', units)
    inside = to_inside(number, name, label.kind)
    if not label.low <= inside <= label.high:
        low, high = (f"{from_inside(end, name, label.kind):.4g}" for end in (label.low, label.high))
        meant = slip(label.of, number, name) or "check the number and its unit"
        remedy = f"it must lie between {low} and {high} {name}; {meant}"
        raise wrong(f"is {shown(text)} {name}, which can't be right", remedy)
    return inside


def local_date(text: str, *, day_first: bool | None = None) -> str:
    """A date such as 10.03.2026, or 3/10/2026 where its reading is certain, as year-month-day; else the text itself.

    Points are written day first. Slashes are read either way: they are certain where only one reading is a date, where
    both are the same day, or where `day_first` says it.
    """
    match = re.fullmatch(r"\s*(\d{1,2})([./])(\d{1,2})\2(\d{4})\s*", text, re.ASCII)
    if match is None:
        return text
    first, second, year = int(match[1]), int(match[3]), int(match[4])
    readings = [(first, second)] if match[2] == "." or day_first is not False else []
    readings += [(second, first)] if match[2] == "/" and not day_first else []
    found = set()
    for day, month in readings:
        with contextlib.suppress(ValueError):
            found.add(datetime.date(year, month, day).isoformat())
    return found.pop() if len(found) == 1 else text
