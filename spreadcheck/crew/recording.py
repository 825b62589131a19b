"""Where the recording of a test stands: the catches so far, which tray is next, which question is open.

Cells are counted in recording order: pass by pass, trays from left to right; or tray by tray.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import record
from spreadcheck.sheet.traytest import CatchState, FloatArray, TrayTest, column_kind
from spreadcheck.units import from_inside, to_inside

PASS_BY_PASS = "pass by pass"
TRAY_BY_TRAY = "tray by tray"
MAX_TYPED = 500  # characters of one line; a longer one is no entry of a person or a scale

_WEIGHT = re.compile(r"([+-]?)(\d+(?:[.,]\d*)?|[.,]\d+)\s*([^\W\d_][^!]*?)?\s*(!?)", re.ASCII)
_GO = re.compile(r"go(?:\s*to)?\s+(\S.*)", re.IGNORECASE)
_NOTE = re.compile(r"note\b[:,]?\s*(.*)", re.IGNORECASE)
_WORDS = {
    "": "enter", "x": "thrown out", "blank": "blank", "empty": "blank", "!": "insist", "back": "back", "next": "next",
    "show": "show", "help": "help", "?": "help", "finish later": "later", "finish": "later", "later": "later",
    "quit": "later",
}  # fmt: skip


@record
class Entry:
    """One line as it was meant."""

    kind: str  # a word of `_WORDS`, "weight", "note", "go to" or "unclear"
    number: float = 0.0
    written: str = ""  # a weight with its decimal point, without unit
    words: str = ""  # of a note, the tray to go to, or what is unclear
    insists: bool = False
    thousands: bool = False  # "1,234" might stand for 1234


def read_entry(text: str, unit: str) -> Entry:
    """The meaning of one typed line; what is no word and no plain weight is not guessed at."""
    line = " ".join(text.replace("\u2212", "-").split())
    if len(line) > MAX_TYPED:
        return Entry("unclear", words=f"more than {MAX_TYPED} signs were typed; type one weight, or help")
    word = _WORDS.get(line.casefold())
    if word is not None:
        return Entry(word)
    for pattern, kind in ((_GO, "go to"), (_NOTE, "note")):
        if match := pattern.fullmatch(line):
            return Entry(kind, words=printable(match[1]))
    weight = _WEIGHT.fullmatch(line)
    if weight is None:
        shown = printable(line)
        shown = shown if len(shown) <= 40 else f"{shown[:37]}..."
        return Entry("unclear", words=f'"{shown}" is not a weight; type digits such as 12.3 or 12.3 {unit}, or help')
    sign, digits, typed_unit, mark = weight.groups()
    written = (sign if sign == "-" else "") + digits.replace(",", ".")
    number = float(written) + 0.0  # a scale's "-0.0" is nothing caught
    typed, column = column_kind(typed_unit or unit), column_kind(unit)
    if typed and column and typed[0] == column[0] and typed[1] != unit:  # said what it would be, never turned silently
        turned = from_inside(to_inside(number, typed[1], typed[0]), unit, typed[0])
        words = f"This column is in {unit}; type {turned:.6g} if you mean {digits} {typed[1]}"
        return Entry("unclear", words=words)
    if typed_unit and (typed or ("", ""))[1] != unit:
        words = f'This column is in {unit}, and "{printable(typed_unit)}" is not; type the number alone, or with {unit}'
        return Entry("unclear", words=words)
    thousands = re.fullmatch(r"[1-9]\d{0,2},\d{3}", digits) is not None
    return Entry("weight", number, written.removesuffix("."), insists=bool(mark), thousands=thousands)


def printable(text: str) -> str:
    """The text without signs that would upset a terminal or a sheet."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


@record(eq=False)
class Recording:
    """The test so far, the cell that is asked for next, and the question that stands.

    `at` counts cells in recording order and equals `cells` when every one has been asked. `left_empty` are the cells
    that were left empty on purpose; `asked` is the entry that waits for a second word; `trail` the cells answered.
    """

    test: TrayTest
    order: str = PASS_BY_PASS
    at: int = 0
    left_empty: frozenset[int] = frozenset()
    asked: Entry | None = None
    trail: tuple[int, ...] = ()

    @property
    def cells(self) -> int:
        """How many cells the sheet has. [-]"""
        return int(self.test.state.size)

    @property
    def over(self) -> bool:
        """Whether every cell has been asked."""
        return self.at >= self.cells

    @property
    def filled(self) -> int:
        """How many cells are weighed or thrown out. [-]"""
        return int((self.test.state != CatchState.NOT_WEIGHED).sum())

    @property
    def _axes(self) -> Literal["C", "F"]:
        """How numpy counts the cells of trays x columns in recording order."""
        return "C" if self.order == TRAY_BY_TRAY else "F"

    @property
    def states(self) -> NDArray[np.uint8]:
        """The states of all cells in recording order."""
        return self.test.state.ravel(order=self._axes)

    def cell(self, place: int) -> tuple[int, int]:
        """Tray and column of a place in recording order; of the last place, if all are behind."""
        tray, column = np.unravel_index(min(place, self.cells - 1), self.test.state.shape, order=self._axes)
        return int(tray), int(column)

    def place(self, tray: int, column: int) -> int:
        """The place of a cell in recording order."""
        return int(np.ravel_multi_index((tray, column), self.test.state.shape, order=self._axes))

    def part(self, place: int) -> int:
        """The column of a place when recording pass by pass, its tray when tray by tray: bars are due as it changes."""
        return self.cell(place)[self.order == PASS_BY_PASS] if place < self.cells else -1

    def name(self, place: int) -> str:
        """How a place is called: tray, pass and component."""
        tray, column = self.cell(place)
        return f"{self.test.tray[tray]}, {self.test.columns[column].name}"

    def now(self, place: int) -> str:
        """What stands in a place: its weight with the unit, "x", or "" for an empty one."""
        tray, column = self.cell(place)
        shown = self.shown_in(tray, column)
        return {"x": "x", "-": "-", ".": ""}.get(shown, f"{shown} {self.test.columns[column].unit}")

    def shown_in(self, tray: int, column: int) -> str:
        """A cell as the table shows it: the weight, "x" for thrown out, a dot for an empty one."""
        state = self.test.state[tray, column]
        if state == CatchState.WEIGHED:
            return f"{self.test.catch[tray, column]:.10g}"
        return {CatchState.THROWN_OUT: "x", CatchState.NO_TRAY: "-"}.get(CatchState(state), ".")


def start_recording(test: TrayTest, *, order: str = PASS_BY_PASS) -> Recording:
    """The state in which a sheet is taken up: behind the last cell that is filled.

    A sheet can't tell a cell left empty on purpose from one not reached yet; empty ones before the last filled cell
    are taken as left on purpose, and `empty_places` lists them.

    Parameters
    ----------
    test : TrayTest
        The test as its sheet holds it. [-]
    order : str
        "pass by pass" or "tray by tray". [-]

    Returns
    -------
    Recording
        The state. [-]

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> nan = float("nan")
    >>> half = tray_test([-1, 0, 1], [[5, 4], [nan, 9], [5, nan]], tray_width="0.5 m", tray_length="0.5 m")
    >>> state = start_recording(half); state.name(state.at), names_of(state, state.left_empty)
    ('R1, pass 2', 'C pass 1')
    """
    fresh = Recording(test, order)
    states = fresh.states
    filled = np.flatnonzero((states == CatchState.WEIGHED) | (states == CatchState.THROWN_OUT))
    at = int(filled[-1]) + 1 if len(filled) else 0
    while at < fresh.cells and states[at] == CatchState.NO_TRAY:
        at += 1
    started = replace(fresh, at=at)
    return replace(started, left_empty=frozenset(empty_places(started)))


def order_seen(test: TrayTest) -> str:
    """The order in which a half-filled sheet was recorded: the one with fewer empty cells before the last filled."""
    return min((PASS_BY_PASS, TRAY_BY_TRAY), key=lambda order: len(start_recording(test, order=order).left_empty))


def next_open(recording: Recording, after: int) -> int:
    """The next cell that is neither filled nor left empty on purpose: behind a place, else the first before it."""
    is_open = recording.states == CatchState.NOT_WEIGHED
    is_open[list(recording.left_empty)] = False
    places = np.flatnonzero(is_open)
    behind = places[places > after]
    return int((*behind, *places, recording.cells)[0])


def place_named(recording: Recording, words: str) -> int | None:
    """The cell that words such as "R4" or "R4 pass 2" name; the pass is the one being recorded unless given."""
    wanted, columns = " ".join(words.casefold().split()), list(enumerate(recording.test.columns))
    trays = {name.casefold(): at for at, name in reversed(list(enumerate(recording.test.tray)))}
    names = {f"pass {column.pass_no}": at for at, column in reversed(columns)}  # the first column of a pass
    names |= {re.sub(r"\s+", " ", column.name.casefold()): at for at, column in columns}
    longest_first = sorted(names.items(), key=lambda item: -len(item[0]))
    for name, column in (("", recording.cell(recording.at)[1]), *longest_first):
        tray = trays.get(wanted.removesuffix(name).strip(" ,"))
        if wanted.endswith(name) and tray is not None:
            return recording.place(tray, column)
    return None


def empty_places(recording: Recording) -> tuple[int, ...]:
    """The cells asked so far that hold nothing, in recording order."""
    return tuple(np.flatnonzero(recording.states[: recording.at] == CatchState.NOT_WEIGHED).tolist())


def names_of(recording: Recording, places: Iterable[int], *, most: int = 8) -> str:
    """Cells by name, as a list for a message."""
    ordered = sorted(places)
    shown = ", ".join(recording.name(place).replace(", ", " ", 1) for place in ordered[:most])
    return f"{shown} and {len(ordered) - most} more" if len(ordered) > most else shown


def catches_shown(recording: Recording) -> FloatArray:
    """What the bar picture shows: the catches of the pass being recorded, or the trays' means when tray by tray."""
    catch = recording.test.catch
    if recording.order == PASS_BY_PASS:
        return np.asarray(catch[:, recording.cell(recording.at)[1]])
    return np.asarray(np.ma.masked_invalid(catch).mean(axis=1).filled(np.nan))


def layout_differences(test: TrayTest, other: TrayTest) -> tuple[str, ...]:
    """How the tray lines of two tests differ: tray size, trays, offsets, passes; empty where they are the same."""
    sizes = {"tray width": "tray_width_m", "tray length": "tray_length_m"}
    pairs = {name: (getattr(test, field), getattr(other, field)) for name, field in sizes.items()}
    found = [f"the {name} is {a:g} m, not {b:g} m" for name, (a, b) in pairs.items() if abs(a - b) > 1e-9]
    if len(test.tray) != len(other.tray):
        found.append(f"it has {len(test.tray)} trays, not {len(other.tray)}")
    else:
        for name, at, place, called in zip(test.tray, test.offset_m, other.offset_m, other.tray, strict=True):
            if name.casefold() != called.casefold():
                found.append(f"the tray at {at:g} m is {name}, not {called}")
                break
            if abs(at - place) > 1e-6:
                found.append(f"tray {name} stands at {at:g} m, not at {place:g} m")
                break
    if test.columns != other.columns:
        told = []
        for columns in (test.columns, other.columns):
            plain = all(column.unit == "g" for column in columns)
            told.append(", ".join(column.name if plain else f"{column.name} in {column.unit}" for column in columns))
        found.append(f"it has {told[0]}, not {told[1]}")
    return tuple(found)
