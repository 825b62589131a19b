"""Recording weights: where a recording stands, what each typed line does to it, which weights are asked for again."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from decimal import Decimal
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import record
from spreadcheck.sheet.traytest import MAX_CATCH, MIN_CATCH, CatchState, FloatArray, TrayTest, column_kind
from spreadcheck.units import MAY_MARK_THOUSANDS, from_inside, to_inside

PASS_BY_PASS = "pass by pass"
TRAY_BY_TRAY = "tray by tray"
MAX_NOTE = 300
# A decimal mark left out or put in wrongly moves a weight by ten. Which trays are compared, and below how many steps of
# the scale not, is this package's own choice, made so that the edges of a pattern are not asked about.
SLIP = 10.0  # times larger or smaller
NEAR = 2  # trays to either side in which a neighbour is looked for
USUAL_STEP = 0.1  # g or ml: taken where the form does not say what the scale shows
STEPS = 5  # a catch of fewer steps of the scale is too small to be compared

# sorts of reply: something was recorded, the same tray is asked again, something is said, the table is wanted, ...
TAKEN, ASKED, TOLD, SHOW, HELP, DONE = "taken", "asked", "told", "show", "help", "done"
_AT_A_TRAY = ("weight", "thrown out", "blank", "insist", "note", "unclear")

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
        said = printable(line) if len(line) <= 40 else f"{printable(line)[:37]}..."
        return Entry("unclear", words=f'"{said}" is not a weight; type digits such as 12.3 or 12.3 {unit}, or help')
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
    thousands = MAY_MARK_THOUSANDS.fullmatch(digits) is not None
    return Entry("weight", number, written.removesuffix("."), insists=bool(mark), thousands=thousands)


def printable(text: str) -> str:
    """The text without signs that would upset a terminal or a sheet."""
    return "".join(sign if sign.isprintable() else "?" for sign in text)


@record(eq=False)
class Recording:
    """The test so far, the cell that is asked for next, and the question that stands; cells in recording order."""

    test: TrayTest
    order: str = PASS_BY_PASS
    at: int = 0  # equals `cells` when every one has been asked
    left_empty: frozenset[int] = frozenset()  # on purpose
    asked: Entry | None = None  # waits for a second word
    trail: tuple[int, ...] = ()  # the cells answered

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
    def axes(self) -> Literal["C", "F"]:
        """How numpy counts the cells of trays x columns in recording order."""
        return "C" if self.order == TRAY_BY_TRAY else "F"

    @property
    def states(self) -> NDArray[np.uint8]:
        """The states of all cells in recording order."""
        return self.test.state.ravel(order=self.axes)

    def cell(self, place: int) -> tuple[int, int]:
        """Tray and column of a place in recording order; of the last place, if all are behind."""
        tray, column = np.unravel_index(min(place, self.cells - 1), self.test.state.shape, order=self.axes)
        return int(tray), int(column)

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


def order_of(test: TrayTest, tray_by_tray: bool | None = None) -> str:
    """The order asked for, else that of a half-filled sheet: the one with fewer empty cells before the last filled."""
    orders = {False: [PASS_BY_PASS], True: [TRAY_BY_TRAY], None: [PASS_BY_PASS, TRAY_BY_TRAY]}[tray_by_tray]
    return min(orders, key=lambda order: len(start_recording(test, order=order).left_empty))


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
            return int(np.ravel_multi_index((tray, column), recording.test.state.shape, order=recording.axes))
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


@record
class Reply:
    """The state after a typed line, what to say about it, and of what sort that is."""

    recording: Recording
    say: str
    sort: str


def enter_weight(recording: Recording, text: str) -> Reply:
    """What a typed line does.

    Parameters
    ----------
    recording : Recording
        The state. [-]
    text : str
        The line as typed. [-]

    Returns
    -------
    Reply
        The next state and what to say. [-]

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> nan = float("nan")
    >>> state = start_recording(tray_test([-1, 0, 1], [nan, nan, nan], tray_width="0.5 m", tray_length="0.5 m"))
    >>> for typed in ("11,2", "121", "12.1", "", "x"):
    ...     reply = enter_weight(state, typed); state = reply.recording
    ...     print(f"{reply.sort}: {reply.say[:80]}")
    taken: L1, pass 1: 11.2 g
    asked: 121 g is at least ten times its neighbour: L1 11.2 g. If it is right, type it ag
    taken: C, pass 1: 12.1 g
    asked: Leave R1, pass 1 empty (not weighed)? Press Enter again to leave it, or type the
    taken: R1, pass 1: x, thrown out
    """
    unit = "g" if recording.over else recording.test.columns[recording.cell(recording.at)[1]].unit
    entry = read_entry(text, unit)
    if recording.over and entry.kind in _AT_A_TRAY:
        say = "Every tray of every pass is done, so this was not taken. Type back, go to R4, show or finish."
        return Reply(recording, say, ASKED)
    asked = recording.asked
    match entry.kind:
        case "insist" if asked is None:
            return Reply(recording, "There is nothing to insist on; type the weight first.", ASKED)
        case "insist" if asked is not None and asked.kind == "weight":
            return _weight(recording, asked)
        case "weight":
            return _weight(recording, entry)
        case "thrown out":
            return _fill(recording, CatchState.THROWN_OUT, np.nan, "x, thrown out")
        case "blank" | "insist":
            was = recording.now(recording.at)
            what = f"left empty, not weighed{f' ({was} taken out)' if was else ''}"
            emptied = replace(recording, left_empty=recording.left_empty | {recording.at})
            return _fill(emptied, CatchState.NOT_WEIGHED, np.nan, what)
        case "enter" if not recording.over:
            return _enter(recording, entry)
        case "note":
            return _note(recording, entry.words)
        case "unclear":
            return Reply(replace(recording, asked=None), f"{entry.words}.", ASKED)
        case "back":
            place = recording.trail[-1] if recording.trail else _before(recording)
            if place < 0:
                return Reply(recording, "This is the first tray; there is nothing to go back to.", ASKED)
            return _go(replace(recording, trail=recording.trail[:-1]), place)
        case "go to":
            named = place_named(recording, entry.words)
            if named is not None:
                return _go(recording, named)
            trays, passes = recording.test.tray, ", ".join(column.name for column in recording.test.columns[:6])
            runs = f"the trays run from {trays[0]} to {trays[-1]}, the passes are {passes}"
            return Reply(recording, f'There is no tray "{entry.words}"; {runs}.', ASKED)
        case "next":
            at = replace(recording, at=next_open(recording, -1), asked=None)
            return Reply(at, "On to the first tray that is still open.", TOLD)
    return Reply(recording, "", {"show": SHOW, "help": HELP}.get(entry.kind, DONE))


def _weight(recording: Recording, entry: Entry) -> Reply:
    tray, column = recording.cell(recording.at)
    unit = recording.test.columns[column].unit
    refusal = refusal_of(entry.number, unit)
    if refusal:
        return Reply(replace(recording, asked=None), f"{refusal}.", ASKED)
    asked = recording.asked
    again = asked is not None and asked.kind == "weight" and asked.number == entry.number
    doubts = () if again or entry.insists else doubts_of(recording.test, tray, column, entry)
    if doubts:
        say = f"{'; '.join(doubts)}. If it is right, type it again or !; if not, type the right one."
        return Reply(replace(recording, asked=entry), say, ASKED)
    return _fill(recording, CatchState.WEIGHED, entry.number, f"{entry.number:.10g} {unit}")


def _enter(recording: Recording, entry: Entry) -> Reply:
    """A bare Enter keeps what stands in a cell; it leaves an open one empty only at the second time."""
    name, was = recording.name(recording.at), recording.now(recording.at)
    if was:
        return Reply(_onward(recording), f"{name}: {was}, kept", TOLD)
    if recording.asked is not None and recording.asked.kind == "enter":
        return enter_weight(recording, "blank")
    say = f"Leave {name} empty (not weighed)? Press Enter again to leave it, or type the weight; 0 if nothing fell in."
    return Reply(replace(recording, asked=entry), say, ASKED)


def _note(recording: Recording, words: str) -> Reply:
    tray, _ = recording.cell(recording.at)
    name, notes = recording.test.tray[tray], list(recording.test.note)
    note = "; ".join(part for part in (notes[tray], words) if part)
    if not words:
        return Reply(recording, "The note has no words; type note and a few, such as: note tray was tilted.", ASKED)
    if len(note) > MAX_NOTE:
        return Reply(recording, f"The note on {name} would be longer than {MAX_NOTE} signs; make it shorter.", ASKED)
    notes[tray] = note
    test = replace(recording.test, note=tuple(notes))
    return Reply(replace(recording, test=test), f"Note on {name}: {note}", TAKEN)


def _before(recording: Recording) -> int:
    """The place before this one where a tray stands; -1 where there is none."""
    stands = np.flatnonzero(recording.states[: recording.at] != CatchState.NO_TRAY)
    return int(stands[-1]) if len(stands) else -1


def _go(recording: Recording, place: int) -> Reply:
    """Who goes back to an empty cell means to weigh it, and the empty ones that follow it."""
    if recording.states[place] == CatchState.NO_TRAY:
        return Reply(recording, f"No tray stands at {recording.name(place)}.", ASKED)
    was, run = recording.now(place), place
    while run in recording.left_empty:
        run += 1
    now = f"holds {was}; Enter keeps it, blank takes it out" if was else "is empty"
    at = replace(recording, at=place, asked=None, left_empty=recording.left_empty - set(range(place, run)))
    return Reply(at, f"{recording.name(place)} {now}.", TOLD)


def _fill(recording: Recording, state: CatchState, number: float, what: str) -> Reply:
    """The cell asked for now holds something else; on to the next open one."""
    tray, column = recording.cell(recording.at)
    catch, states = recording.test.catch.copy(), recording.test.state.copy()
    catch[tray, column], states[tray, column] = number, state
    test = replace(recording.test, catch=catch, state=states)
    return Reply(_onward(replace(recording, test=test)), f"{recording.name(recording.at)}: {what}", TAKEN)


def _onward(recording: Recording) -> Recording:
    at = next_open(recording, recording.at)
    return replace(recording, at=at, asked=None, trail=(*recording.trail, recording.at))


def refusal_of(number: float, unit: str) -> str:
    """Why a weight can't stand in a sheet, however much one insists; "" for one that can."""
    shown, none = f"{number:.10g} {unit}", "type 0 if nothing fell in"
    if number < 0:
        why = "the scale has drifted or was tared with something on it"
        return f"{shown} is less than nothing: {why}. Tare it again and weigh again; {none}"
    if number > MAX_CATCH:
        return f"{shown} is more than any tray holds (a sheet takes up to {MAX_CATCH:g} {unit}); read the scale again"
    return f"{shown} is less than the dust of a granule; {none}" if 0 < number < MIN_CATCH else ""


def doubts_of(test: TrayTest, tray: int, column: int, entry: Entry) -> tuple[str, ...]:
    """Why a weight may be a slip; empty where nothing speaks against it."""
    own, weighed = test.columns[column], test.state == CatchState.WEIGHED
    unit = own.unit
    rows = np.flatnonzero(weighed[:, column])  # neighbours: the nearest weighed tray on either side in the same pass
    near = (*rows[(rows < tray) & (rows >= tray - NEAR)][-1:], *rows[(rows > tray) & (rows <= tray + NEAR)][:1])
    neighbours: list[tuple[str, float]] = [(test.tray[at], float(test.catch[at, column])) for at in near]
    others: list[tuple[str, float]] = [  # the same tray's catches of the same product in the other passes
        (other.name, float(test.catch[tray, at]))
        for at, other in enumerate(test.columns)
        if at != column and (other.component, other.unit) == (own.component, unit) and weighed[tray, at]
    ]
    kind, name = column_kind(unit) or ("catch mass", "g")
    in_g, resolution_g = kind == "catch mass", test.quantity("scale resolution")
    step = Decimal(f"{from_inside(resolution_g, name, kind):.9g}") if in_g and resolution_g is not None else None
    # the scale's step: that of the form, or the finest that the weights themselves show, but no finer than usual
    shown = [entry.written, *(np.format_float_positional(catch, trim="-") for _, catch in (*neighbours, *others))]
    finest = 10.0 ** -max(len(text.partition(".")[2]) for text in shown)
    floor = STEPS * (max(finest, from_inside(USUAL_STEP, name, kind)) if step is None else float(step))
    beside = "its neighbours" if len(neighbours) > 1 else "its neighbour"
    slip = fine = comma = ""
    if others:  # where another pass has the like weight, a steep edge of the pattern is no slip
        slip = _slip(entry, unit, others, floor, "the same tray in the other passes")
        if slip and neighbours and max(catch for _, catch in others) < floor:  # they caught next to nothing: too little
            slip = _slip(entry, unit, neighbours, floor, beside)
    elif neighbours:
        slip = _slip(entry, unit, neighbours, floor, beside)
    elif in_g and test.target_kg_ha is not None:  # the first weight of a line
        brought = from_inside(test.target_kg_ha / test.kg_ha_per_g, name, kind)
        if entry.number >= SLIP * brought:
            slip = f"{entry.written} {unit} is at least ten times what the target rate brings into a tray"
            slip += f", {brought:.3g} {name}"
    if step is not None and Decimal(entry.written) % step != 0:
        fine = f"{entry.written} {unit} is not a reading of a scale that shows steps of {step} {unit}"
    if entry.thousands and (step is None or step > Decimal("0.001")):  # "1,234": decimals, or a thousand and more
        comma = f"the comma is taken as a decimal mark, {entry.written} {unit}; leave it out to mean thousands"
    return tuple(doubt for doubt in (slip, fine, comma) if doubt)


def _slip(entry: Entry, unit: str, references: Sequence[tuple[str, float]], floor: float, word: str) -> str:
    """The doubt if a weight is ten times, or a tenth of, every catch it is compared with."""
    catches = np.maximum([catch for _, catch in references], floor)
    number = max(entry.number, floor)
    close = 1 + 1e-9  # ten times 1.1 is 11, whatever the last bit says
    if number * close >= SLIP * catches.max():
        how = f"at least ten times {word}"
    elif number * SLIP <= catches.min() * close:
        how = f"at most a tenth of {word}"
    else:
        return ""
    shown = ", ".join(f"{name} {catch:.10g} {unit}" for name, catch in references[:4])
    return f"{entry.written} {unit} is {how}: {shown}{' and others' if len(references) > 4 else ''}"
