"""Recording a test tray by tray: what is asked next, and what each typed line does to the test.

Nothing here reads a keyboard or writes a file: a line of text goes in, the next state and what to say come out.

1. `Recording`     the test so far, which tray is next, and the question that stands
2. `begin`         the state in which a sheet is taken up, new or half filled
3. `answer`        a typed line -> the next state, in a `Reply`
4. `place_named`   the cell that "R4 pass 2" names
5. `empty_places`, `names_of`  the trays left empty, and how they are called
6. `catches_shown` what the bar picture shows

The cells of a sheet are counted in recording order: pass by pass, trays from left to right; or tray by tray.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from spreadcheck.doubt import doubts_of, refusal_of
from spreadcheck.entry import Entry, read_entry
from spreadcheck.traytest import CatchState, FloatArray, TrayTest

PASS_BY_PASS = "pass by pass"
TRAY_BY_TRAY = "tray by tray"
MAX_NOTE = 300

TAKEN, ASKED, TOLD, SHOW, HELP, DONE = "taken", "asked", "told", "show", "help", "done"


@dataclass(frozen=True, eq=False)
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
    def settled(self) -> int:
        """How many cells are weighed, thrown out or left empty on purpose. [-]"""
        return int((self.test.state != CatchState.NOT_WEIGHED).sum()) + len(self.left_empty)

    def cell(self, place: int) -> tuple[int, int]:
        """Tray and column of a place in recording order."""
        trays, columns = self.test.state.shape
        if self.order == TRAY_BY_TRAY:
            return place // columns, place % columns
        return place % trays, place // trays

    def name(self, place: int) -> str:
        """How a place is called: tray, pass and component."""
        tray, column = self.cell(place)
        return f"{self.test.tray[tray]}, {self.test.columns[column].name}"

    def now(self, place: int) -> str:
        """What stands in a place: its weight with the unit, "x", or "" for an empty one."""
        tray, column = self.cell(place)
        state = self.test.state[tray, column]
        if state == CatchState.WEIGHED:
            return f"{self.test.catch[tray, column]:.10g} {self.test.columns[column].unit}"
        return "x" if state == CatchState.THROWN_OUT else ""


@dataclass(frozen=True)
class Reply:
    """The state after a typed line, what to say about it, and of what sort that is.

    `sort` is "taken" (something was recorded), "asked" (the same tray is asked again), "told", "show" (the table is
    wanted), "help" or "done".
    """

    recording: Recording
    say: str
    sort: str


def begin(test: TrayTest, *, order: str = PASS_BY_PASS) -> Recording:
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
    >>> from spreadcheck.traytest import tray_test
    >>> half = tray_test([-1, 0, 1], [[5, 4], [float("nan"), 9], [5, float("nan")]], tray_width="0.5 m", tray_length="0.5 m")
    >>> state = begin(half); state.name(state.at), names_of(state, state.left_empty)
    ('R1, pass 2', 'C pass 1')
    """
    fresh = Recording(test, order)
    filled = np.flatnonzero(_in_order(fresh) != CatchState.NOT_WEIGHED)
    at = int(filled[-1]) + 1 if len(filled) else 0
    return replace(fresh, at=at, left_empty=frozenset(set(range(at)) - set(filled.tolist())))


def answer(recording: Recording, text: str) -> Reply:
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
    >>> from spreadcheck.traytest import tray_test
    >>> nan = float("nan")
    >>> state = begin(tray_test([-1, 0, 1], [nan, nan, nan], tray_width="0.5 m", tray_length="0.5 m"))
    >>> for typed in ("11,2", "121", "12.1", "", "x"):
    ...     reply = answer(state, typed); state = reply.recording
    ...     print(reply.sort, "-", reply.say)
    taken - L1, pass 1: 11.2 g
    asked - 121 g is ten times its neighbour or more: L1 11.2 g. Type it again (or !) if it is right, else the right one.
    taken - C, pass 1: 12.1 g
    asked - Leave R1, pass 1 empty (not weighed)? Press Enter again to leave it, or type the weight; 0 if nothing fell in.
    taken - R1, pass 1: x, thrown out
    """
    unit = "g" if recording.over else recording.test.columns[recording.cell(recording.at)[1]].unit
    entry = read_entry(text, unit)
    if recording.over and entry.kind in _AT_A_TRAY:
        return _past_the_end(recording, entry)
    return _ANSWERS[entry.kind](recording, entry)


def place_named(recording: Recording, words: str) -> int | None:
    """The cell that words such as "R4" or "R4 pass 2" name; the pass is the one being recorded unless given.

    Parameters
    ----------
    recording : Recording
        The state. [-]
    words : str
        A tray, and a pass if one likes, in any case of letters. [-]

    Returns
    -------
    int or None
        The place in recording order, or None if there is no such tray or pass. [-]

    Examples
    --------
    >>> from spreadcheck.traytest import tray_test
    >>> state = begin(tray_test([-1, 0, 1], [[5, 4], [9, 9], [5, 5]], tray_width="0.5 m", tray_length="0.5 m"))
    >>> place_named(state, "r1"), place_named(state, "L1 pass 1"), place_named(state, "R9")
    (5, 0, None)
    """
    wanted = " ".join(words.casefold().split())
    trays = {name.casefold(): at for at, name in reversed(list(enumerate(recording.test.tray)))}
    if wanted in trays:
        column = recording.cell(min(recording.at, recording.cells - 1))[1]
        return _place(recording, trays[wanted], column)
    for column, name in _column_names(recording.test):
        tray = trays.get(wanted.removesuffix(name).strip(" ,"))
        if wanted.endswith(name) and tray is not None:
            return _place(recording, tray, column)
    return None


def empty_places(recording: Recording) -> tuple[int, ...]:
    """The cells asked so far that hold nothing, in recording order.

    Parameters
    ----------
    recording : Recording
        The state. [-]

    Returns
    -------
    tuple of int
        Their places. [-]

    Examples
    --------
    >>> from spreadcheck.traytest import tray_test
    >>> empty_places(begin(tray_test([-1, 0, 1], [5, float("nan"), 5], tray_width="0.5 m", tray_length="0.5 m")))
    (1,)
    """
    return tuple(int(p) for p in np.flatnonzero(_in_order(recording)[: recording.at] == CatchState.NOT_WEIGHED))


def names_of(recording: Recording, places: Iterable[int], *, most: int = 8) -> str:
    """Cells by name, as a list for a message.

    Parameters
    ----------
    recording : Recording
        The state. [-]
    places : iterable of int
        Places in recording order. [-]
    most : int
        How many are named before the rest is only counted. [-]

    Returns
    -------
    str
        The names. [-]

    Examples
    --------
    >>> from spreadcheck.traytest import tray_test
    >>> names_of(begin(tray_test([-1, 0, 1], [5, 9, 5], tray_width="0.5 m", tray_length="0.5 m")), [0, 2])
    'L1 pass 1, R1 pass 1'
    """
    ordered = sorted(places)
    shown = ", ".join(recording.name(place).replace(", ", " ", 1) for place in ordered[:most])
    return f"{shown} and {len(ordered) - most} more" if len(ordered) > most else shown


def catches_shown(recording: Recording) -> FloatArray:
    """What the bar picture shows: the catches of the pass being recorded, or the trays' means when tray by tray.

    Parameters
    ----------
    recording : Recording
        The state. [-]

    Returns
    -------
    ndarray, shape (trays,)
        Catches; NaN where there is none. [unit of the column]

    Examples
    --------
    >>> from spreadcheck.traytest import tray_test
    >>> test = tray_test([-1, 1], [[5, 7], [8, float("nan")]], tray_width="0.5 m", tray_length="0.5 m")
    >>> catches_shown(begin(test)), catches_shown(begin(test, order=TRAY_BY_TRAY))
    (array([ 7., nan]), array([6., 8.]))
    """
    catch = recording.test.catch
    if recording.order == PASS_BY_PASS:
        shown: FloatArray = catch[:, recording.cell(min(recording.at, recording.cells - 1))[1]]
        return shown
    known = ~np.isnan(catch)
    count = known.sum(axis=1)
    means: FloatArray = np.divide(
        np.where(known, catch, 0.0).sum(axis=1), count, out=np.full(len(catch), np.nan), where=count > 0
    )
    return means


# --- what each kind of entry does ------------------------------------------------------------------------------------


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
        say = f"{'; '.join(doubts)}. Type it again (or !) if it is right, else the right one."
        return Reply(replace(recording, asked=entry), say, ASKED)
    return _fill(recording, CatchState.WEIGHED, entry.number, f"{entry.number:.10g} {unit}")


def _thrown_out(recording: Recording, entry: Entry) -> Reply:
    return _fill(recording, CatchState.THROWN_OUT, np.nan, "x, thrown out")


def _blank(recording: Recording, entry: Entry) -> Reply:
    was = recording.now(recording.at)
    what = f"left empty, not weighed{f' ({was} taken out)' if was else ''}"
    emptied = replace(recording, left_empty=recording.left_empty | {recording.at})
    return _fill(emptied, CatchState.NOT_WEIGHED, np.nan, what)


def _enter(recording: Recording, entry: Entry) -> Reply:
    """A bare Enter keeps what stands in a cell; it leaves an open one empty only at the second time."""
    name, was = recording.name(recording.at), recording.now(recording.at)
    if was:
        return Reply(_onward(recording), f"{name}: {was}, kept", TOLD)
    if recording.asked is not None and recording.asked.kind == "enter":
        return _blank(recording, entry)
    say = (
        f"Leave {name} empty (not weighed)? Press Enter again to leave it, or type the weight; "
        "0 if nothing fell in."
    )
    return Reply(replace(recording, asked=entry), say, ASKED)


def _insist(recording: Recording, entry: Entry) -> Reply:
    asked = recording.asked
    if asked is None:
        return _told(recording, "There is nothing to insist on; type the weight first.")
    return _blank(recording, asked) if asked.kind == "enter" else _weight(recording, asked)


def _note(recording: Recording, entry: Entry) -> Reply:
    tray, _ = recording.cell(recording.at)
    name = recording.test.tray[tray]
    notes = list(recording.test.note or ("",) * len(recording.test.tray))
    note = "; ".join(part for part in (notes[tray], entry.words) if part)
    if not entry.words or len(note) > MAX_NOTE:
        why = f"the note on {name} would be longer than {MAX_NOTE} signs" if entry.words else "the note has no words"
        return _told(recording, f"{why}; type note and a few words, such as: note tray was tilted".capitalize())
    notes[tray] = note
    test = replace(recording.test, note=tuple(notes))
    return Reply(replace(recording, test=test), f"Note on {name}: {note}", TAKEN)


def _back(recording: Recording, entry: Entry) -> Reply:
    place = recording.trail[-1] if recording.trail else recording.at - 1
    if place < 0:
        return _told(recording, "This is the first tray; there is nothing to go back to.")
    return _go(replace(recording, trail=recording.trail[:-1]), place)


def _go_to(recording: Recording, entry: Entry) -> Reply:
    place = place_named(recording, entry.words)
    if place is None:
        first, last = recording.test.tray[0], recording.test.tray[-1]
        passes = ", ".join(column.name for column in recording.test.columns[:6])
        return _told(
            recording,
            f'There is no tray "{entry.words}"; the trays run from {first} to {last}, the passes are {passes}.',
        )
    return _go(recording, place)


def _next(recording: Recording, entry: Entry) -> Reply:
    place = _next_open(recording, -1)
    return Reply(replace(recording, at=place, asked=None), "On to the first tray that is still open.", TOLD)


def _go(recording: Recording, place: int) -> Reply:
    was = recording.now(place)
    now = f"holds {was}; Enter keeps it, blank takes it out" if was else "is empty"
    at = replace(recording, at=place, asked=None, left_empty=_reopened(recording, place))
    return Reply(at, f"{recording.name(place)} {now}.", TOLD)


def _show(recording: Recording, entry: Entry) -> Reply:
    return Reply(recording, "", SHOW)


def _help(recording: Recording, entry: Entry) -> Reply:
    return Reply(recording, "", HELP)


def _later(recording: Recording, entry: Entry) -> Reply:
    return Reply(recording, "", DONE)


def _unclear(recording: Recording, entry: Entry) -> Reply:
    return Reply(replace(recording, asked=None), f"{entry.words}.", ASKED)


def _past_the_end(recording: Recording, entry: Entry) -> Reply:
    if entry.kind == "enter":
        return Reply(recording, "", DONE)
    say = "Every tray of every pass has been asked, so this was not taken. Type back, go to R4, show or finish."
    return Reply(recording, say, ASKED)


_ANSWERS: dict[str, Callable[[Recording, Entry], Reply]] = {
    "weight": _weight,
    "thrown out": _thrown_out,
    "blank": _blank,
    "enter": _enter,
    "insist": _insist,
    "note": _note,
    "back": _back,
    "go to": _go_to,
    "next": _next,
    "show": _show,
    "help": _help,
    "later": _later,
    "unclear": _unclear,
}
_AT_A_TRAY = ("weight", "thrown out", "blank", "enter", "insist", "note", "unclear")


# --- the steps they are made of --------------------------------------------------------------------------------------


def _fill(recording: Recording, state: CatchState, number: float, what: str) -> Reply:
    """The cell asked for now holds something else; on to the next open one."""
    tray, column = recording.cell(recording.at)
    catch, states = recording.test.catch.copy(), recording.test.state.copy()
    catch[tray, column], states[tray, column] = number, state
    test = replace(recording.test, catch=catch, state=states)
    return Reply(_onward(replace(recording, test=test)), f"{recording.name(recording.at)}: {what}", TAKEN)


def _onward(recording: Recording) -> Recording:
    at = _next_open(recording, recording.at)
    return replace(recording, at=at, asked=None, trail=(*recording.trail, recording.at))


def _told(recording: Recording, say: str) -> Reply:
    return Reply(recording, say, ASKED)


def _in_order(recording: Recording) -> np.ndarray[tuple[int], np.dtype[np.uint8]]:
    """The states of all cells in recording order."""
    state = recording.test.state
    return (state if recording.order == TRAY_BY_TRAY else state.T).reshape(-1)


def _next_open(recording: Recording, after: int) -> int:
    """The next cell that is neither filled nor left empty on purpose: behind a place, else the first before it."""
    is_open = _in_order(recording) == CatchState.NOT_WEIGHED
    is_open[list(recording.left_empty)] = False
    places = np.flatnonzero(is_open)
    if not len(places):
        return recording.cells
    behind = places[places > after]
    return int(behind[0] if len(behind) else places[0])


def _reopened(recording: Recording, place: int) -> frozenset[int]:
    """Who goes back to an empty cell means to weigh it, and the empty ones that follow it."""
    run = place
    while run in recording.left_empty:
        run += 1
    return recording.left_empty - set(range(place, run))


def _place(recording: Recording, tray: int, column: int) -> int:
    trays, columns = recording.test.state.shape
    return tray * columns + column if recording.order == TRAY_BY_TRAY else column * trays + tray


def _column_names(test: TrayTest) -> list[tuple[int, str]]:
    """Every way to name a column, longest first: "pass 2 / potash", and "pass 2" for the first column of a pass."""
    names = {f"pass {column.pass_no}": at for at, column in reversed(list(enumerate(test.columns)))}
    names |= {re.sub(r"\s+", " ", column.name.casefold()): at for at, column in enumerate(test.columns)}
    return sorted(((at, name) for name, at in names.items()), key=lambda item: -len(item[1]))
