"""What each typed line does to a recording: the next state, and what to say about it.

Nothing here reads a keyboard or writes a file: a line of text goes in, the next state and what to say come out.

A bare Enter never does harm: it keeps what a cell holds, and leaves an open one empty only when it comes twice.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from spreadcheck.crew.recording import Entry, Recording, next_open, place_named, read_entry
from spreadcheck.crew.slips import doubts_of, refusal_of
from spreadcheck.errors import record
from spreadcheck.sheet.traytest import CatchState

MAX_NOTE = 300

TAKEN, ASKED, TOLD, SHOW, HELP, DONE = "taken", "asked", "told", "show", "help", "done"


@record
class Reply:
    """The state after a typed line, what to say about it, and of what sort that is.

    `sort` is "taken" (something was recorded), "asked" (the same tray is asked again), "told", "show" (the table is
    wanted), "help" or "done".
    """

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
    >>> from spreadcheck.crew.recording import start_recording
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
        if entry.kind == "enter":
            return Reply(recording, "", DONE)
        say = "Every tray of every pass has been asked, so this was not taken. Type back, go to R4, show or finish."
        return Reply(recording, say, ASKED)
    return _DOES[entry.kind](recording, entry)


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
        say = f"{'; '.join(doubts)}. If it is right, type it again or !; if not, type the right one."
        return Reply(replace(recording, asked=entry), say, ASKED)
    return _fill(recording, CatchState.WEIGHED, entry.number, f"{entry.number:.10g} {unit}")


def _blank(recording: Recording) -> Reply:
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
        return _blank(recording)
    say = f"Leave {name} empty (not weighed)? Press Enter again to leave it, or type the weight; 0 if nothing fell in."
    return Reply(replace(recording, asked=entry), say, ASKED)


def _insist(recording: Recording, _: Entry) -> Reply:
    asked = recording.asked
    if asked is None:
        return Reply(recording, "There is nothing to insist on; type the weight first.", ASKED)
    return _blank(recording) if asked.kind == "enter" else _weight(recording, asked)


def _note(recording: Recording, entry: Entry) -> Reply:
    tray, _ = recording.cell(recording.at)
    name = recording.test.tray[tray]
    notes = list(recording.test.note)
    note = "; ".join(part for part in (notes[tray], entry.words) if part)
    if not entry.words:
        return Reply(recording, "The note has no words; type note and a few, such as: note tray was tilted.", ASKED)
    if len(note) > MAX_NOTE:
        return Reply(recording, f"The note on {name} would be longer than {MAX_NOTE} signs; make it shorter.", ASKED)
    notes[tray] = note
    test = replace(recording.test, note=tuple(notes))
    return Reply(replace(recording, test=test), f"Note on {name}: {note}", TAKEN)


def _back(recording: Recording, _: Entry) -> Reply:
    place = recording.trail[-1] if recording.trail else recording.at - 1
    if place < 0:
        return Reply(recording, "This is the first tray; there is nothing to go back to.", ASKED)
    return _go(replace(recording, trail=recording.trail[:-1]), place)


def _go_to(recording: Recording, entry: Entry) -> Reply:
    place = place_named(recording, entry.words)
    if place is None:
        first, last = recording.test.tray[0], recording.test.tray[-1]
        passes = ", ".join(column.name for column in recording.test.columns[:6])
        say = f'There is no tray "{entry.words}"; the trays run from {first} to {last}, the passes are {passes}.'
        return Reply(recording, say, ASKED)
    return _go(recording, place)


def _next(recording: Recording, _: Entry) -> Reply:
    at = replace(recording, at=next_open(recording, -1), asked=None)
    return Reply(at, "On to the first tray that is still open.", TOLD)


def _go(recording: Recording, place: int) -> Reply:
    """Who goes back to an empty cell means to weigh it, and the empty ones that follow it."""
    was, run = recording.now(place), place
    while run in recording.left_empty:
        run += 1
    now = f"holds {was}; Enter keeps it, blank takes it out" if was else "is empty"
    at = replace(recording, at=place, asked=None, left_empty=recording.left_empty - set(range(place, run)))
    return Reply(at, f"{recording.name(place)} {now}.", TOLD)


_DOES: dict[str, Callable[[Recording, Entry], Reply]] = {
    "weight": _weight,
    "thrown out": lambda recording, _: _fill(recording, CatchState.THROWN_OUT, np.nan, "x, thrown out"),
    "blank": lambda recording, _: _blank(recording),
    "enter": _enter,
    "insist": _insist,
    "note": _note,
    "unclear": lambda recording, entry: Reply(replace(recording, asked=None), f"{entry.words}.", ASKED),
    "back": _back,
    "go to": _go_to,
    "next": _next,
    "show": lambda recording, _: Reply(recording, "", SHOW),
    "help": lambda recording, _: Reply(recording, "", HELP),
    "later": lambda recording, _: Reply(recording, "", DONE),
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
    at = next_open(recording, recording.at)
    return replace(recording, at=at, asked=None, trail=(*recording.trail, recording.at))
