"""Tray sheets for tests: a small hand-written one, and a generator of valid tests. All of it is invented."""

import numpy as np
from hypothesis import strategies as st

from spreadcheck.sheet.labels import known_label
from spreadcheck.sheet.traytest import CatchColumn, CatchState, FormRow, TrayTest

PLAIN = """\
spreadcheck tray sheet,1
test,Before vane change
tray width,0.5,m
tray length,0.5,m
reversed passes,2

tray,offset,pass 1,pass 2
,m,g,g
L3,-3,10.2,11
C,0,12.1,x
R3,3,9.9,
"""


def with_line(number, text, sheet=PLAIN):
    """The sheet with one of its lines (counted from 1) put differently; None takes the line out."""
    lines = sheet.split("\n")
    lines[number - 1 : number] = [] if text is None else [text]
    return "\n".join(lines)


# Anything a person may type into a cell; not the NUL that marks a file as binary, and no half of a surrogate pair.
WORDS = st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs",)), max_size=12)
NAMES = st.text(st.characters(exclude_characters="\0", exclude_categories=("Cs", "Zs", "Cc")), min_size=1, max_size=6)
CATCHES = st.one_of(st.just(0.0), st.floats(1e-6, 1e4), st.integers(0, 5000).map(lambda n: n / 10))


def _form(draw):
    """Required labels in some unit, some known labels, and labels that nobody knows."""
    form = [FormRow("Tray Width", draw(st.sampled_from(["0.5", "0.50", "1", "5e-1"])), "m")]
    form.append(FormRow("tray length", "20", "in"))
    form += draw(st.lists(st.sampled_from([
        FormRow("target rate", "150", "kg/ha"), FormRow("date", "2026-04-14"), FormRow("runs per catch", "2"),
        FormRow("notes", " Windy, \"gusts\"\nfrom the left;\r\nlater none "), FormRow("bulk density", "", "kg/L"),
        FormRow("driving", "Back-and-forth"), FormRow("product", "=cmd()"),
    ]), unique=True))  # fmt: skip
    odd = st.tuples(WORDS, WORDS, WORDS).filter(lambda row: row[0].strip() and known_label(row[0]) is None)
    odd = odd.filter(lambda row: row[0].strip().casefold() != "tray")
    rows = draw(st.lists(odd, max_size=3, unique_by=lambda row: " ".join(row[0].casefold().split())))
    return (*form, *(FormRow(*row) for row in rows))


def _columns(draw):
    passes = draw(st.lists(st.integers(1, 1000), min_size=1, max_size=3, unique=True))
    unit = st.sampled_from(["g", "kg", "ml", "oz"])
    columns = []
    for number in passes:
        for component in draw(st.sampled_from([("",), ("urea", "potash, coarse"), ("potash, coarse",)])):
            columns.append(CatchColumn(number, component, draw(unit)))
    return tuple(columns)


@st.composite
def valid_tests(draw):
    """Valid tray tests of every kind that a sheet can hold."""
    columns = _columns(draw)
    steps = draw(st.lists(st.floats(0.05, 20), min_size=2, max_size=6))
    count = len(steps)
    cells = draw(st.lists(CATCHES, min_size=count * len(columns), max_size=count * len(columns)))
    states = draw(st.lists(st.sampled_from(CatchState), min_size=len(cells), max_size=len(cells)))
    state = np.array(states, dtype=np.uint8).reshape(count, -1)
    catch = np.array(cells).reshape(count, -1)
    return TrayTest(
        form=_form(draw),
        tray=tuple(draw(st.lists(NAMES, min_size=count, max_size=count, unique=True))),
        offset=np.cumsum(steps) - draw(st.floats(0, 60)),
        columns=columns,
        catch=np.where(state == CatchState.WEIGHED, catch, np.nan),
        state=state,
        offset_unit=draw(st.sampled_from(["m", "ft"])),
        note=tuple(draw(st.lists(WORDS, min_size=count, max_size=count))),
    )
