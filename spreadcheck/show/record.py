"""What a person sees while recording: which tray is next, the bars that grow, the table so far."""

from __future__ import annotations

from spreadcheck.crew.form import unit_system
from spreadcheck.crew.recording import Recording, catches_shown, empty_places, names_of
from spreadcheck.show.format import next_line
from spreadcheck.show.text import bar_picture
from spreadcheck.units import counted, from_inside, shown_unit, side_of

SAFETY = "Weigh only after the machine has stopped and left the tray line."
HELP_TEXT = """\
  12.3          the weight (12,3 and 12.3 g are the same); 0 if nothing fell in
  x             weighed, but to be thrown out: kicked, spilt, wet
  blank         not weighed, left empty; Enter twice does the same
  !             keep the weight that was doubted; typing it again does the same
  note WORDS    a note on this tray
  back          to the tray before; Enter keeps what it holds
  go to R4      to another tray of this pass; go to R4 pass 2 to another pass
  next          to the first tray without an entry
  show          the table so far
  finish later  stop here; the same command goes on later"""
_COLUMN = 9
ROWS = 5
_SIGNS = {  # five rows of three dots each
    "0": "111101101101111", "1": "010110010010111", "2": "111001111100111", "3": "111001111001111",
    "4": "101101111001001", "5": "111100111001111", "6": "111100111101111", "7": "111001010010010",
    "8": "111101111101111", "9": "111101111001111", "A": "010101111101101", "B": "110101110101110",
    "C": "111100100100111", "D": "110101101101110", "E": "111100110100111", "F": "111100110100100",
    "G": "111100101101111", "H": "101101111101101", "I": "111010010010111", "J": "001001001101111",
    "K": "101101110101101", "L": "100100100100111", "M": "101111111101101", "N": "110101101101101",
    "O": "010101101101010", "P": "111101111100100", "Q": "111101101111001", "R": "110101110101101",
    "S": "011100010001110", "T": "111010010010010", "U": "101101101101111", "V": "101101101101010",
    "W": "101101111111101", "X": "101101010101101", "Y": "101101010010010", "Z": "111001010100111",
    "-": "000000111000000", "+": "000010111010000", ".": "000000000000010", " ": "000000000000000",
}  # fmt: skip


def question_line(recording: Recording, *, system: str | None = None) -> str:
    """One line that asks for the next weight."""
    if recording.over:
        empty = empty_places(recording)
        left = f", left empty: {names_of(recording, empty, most=3)}" if empty else ""
        return f"All asked for{left}. Enter or finish to end; or back, go to R4, show:"
    tray, column = recording.cell(recording.at)
    name, unit = recording.test.tray[tray], recording.test.columns[column].unit
    was = recording.now(recording.at)
    now = f" (now {was})" if was else ""
    return f"{name}, {', '.join(_facts(recording, system))}{now} [{unit}]:"


def page(recording: Recording, said: str, *, system: str | None = None, plain: bool = False, width: int = 80) -> str:
    """A whole screen for the next weight."""
    progress = f" - {recording.filled} of {recording.cells} recorded"
    head = recording.test.name[: width - len(progress)] + progress
    if recording.over:
        middle = ["Every tray of every pass has been asked for."]
    else:
        facts = _facts(recording, system)
        letters = big_letters(recording.test.tray[recording.cell(recording.at)[0]], plain=plain)
        facts += [""] * (len(letters) - len(facts))
        middle = [f"{line}     {fact}".rstrip() for line, fact in zip(letters, facts, strict=True)]
    bars = picture(recording, system=system, plain=plain, width=width)
    return "\n".join([head, "", *middle, "", bars, "", said])


def big_letters(name: str, *, plain: bool = False, most: int = 6) -> list[str]:
    """A name in letters five lines high; one too long or with other signs stays as it is, on the middle line."""
    signs = name.upper()
    if len(signs) > most or not all(sign in _SIGNS for sign in signs):
        return [" " * len(name) if row != ROWS // 2 else name for row in range(ROWS)]
    dot = "##" if plain else "██"
    return [
        "  ".join("".join(dot if bit == "1" else "  " for bit in _SIGNS[sign][3 * row : 3 * row + 3]) for sign in signs)
        for row in range(ROWS)
    ]


def picture(recording: Recording, *, system: str | None = None, plain: bool = False, width: int = 80) -> str:
    """The bars of the pass being recorded, or of the means when recording tray by tray."""
    test = recording.test
    system = system or unit_system(test)
    return bar_picture(test.offset_m, catches_shown(recording), system=system, plain=plain, width=width)


def table_so_far(recording: Recording, *, width: int = 80) -> str:
    """Every tray and pass, and what stands there; > marks the next, a dot an empty cell."""
    test = recording.test
    following = None if recording.over else recording.cell(recording.at)
    lead = max(6, *(len(name) for name in test.tray))
    fit = max(1, (width - lead - _COLUMN) // _COLUMN)
    parts = []
    for columns in (range(at, min(at + fit, len(test.columns))) for at in range(0, len(test.columns), fit)):
        heads = [(test.columns[at].name[: _COLUMN - 1], test.columns[at].unit) for at in columns]
        rows = [("tray", "offset", *(name for name, _ in heads)), ("", test.offset_unit, *(unit for _, unit in heads))]
        notes = ["", "", *(test.note if columns.stop == len(test.columns) else [""] * len(test.tray))]
        for tray, name in enumerate(test.tray):
            told = [recording.shown_in(tray, column) for column in columns]
            marked = [f"> {one}" if (tray, at) == following else one for at, one in zip(columns, told, strict=True)]
            rows.append((name, f"{test.offset[tray]:.6g}", *marked))
        lines = (f"{first:<{lead}}{''.join(f'{cell:>{_COLUMN}}' for cell in cells)}" for first, *cells in rows)
        parts.append("\n".join(f"{line}  {note}".rstrip() for line, note in zip(lines, notes, strict=True)))
    return "\n\n".join(parts)


def opening_lines(recording: Recording, path: str) -> list[str]:
    """What is said when a sheet is taken up."""
    test = recording.test
    trays, columns = test.state.shape
    passes = counted(columns, "pass", "passes")
    lines = [
        f"{path}: {trays} trays from {test.tray[0]} to {test.tray[-1]}, {passes}. "
        "Each weight is saved before the next one is asked for.",
        f"{SAFETY} Type help to see what you can type.",
    ]
    if recording.at:
        empty = empty_places(recording)
        left = f" Left empty before it: {names_of(recording, empty)}." if empty else ""
        filled = f"{recording.filled} of {recording.cells} recorded"
        lines.append(f"Going on after the last weight, {recording.order}: {filled}.{left}")
    return lines


def closing_lines(recording: Recording | None, path: str, *, made: bool) -> tuple[str, str]:
    """What is said at the end: what is saved and what is empty, and the command that goes on.

    There is no recording yet while details are asked; then a new sheet may not have been `made`.
    """
    if recording is None and made:
        return f"Saved in {path}: the details so far.", next_line("record", path, lead="To weigh")
    if recording is None:
        return f"{path} was not made yet: nothing is saved.", next_line("record", path, lead="To begin again")
    if not recording.over:
        filled = f"{recording.filled} of {recording.cells} recorded, next is {recording.name(recording.at)}"
        return f"Saved in {path}: {filled}.", next_line("record", path, lead="To go on")
    empty = empty_places(recording)
    left = f", {len(empty)} left empty ({names_of(recording, empty)})" if empty else ""
    said = f"Saved in {path}: all {recording.cells} places asked for{left}."
    return said, next_line("analyse", path, lead="To judge the test")


def _facts(recording: Recording, system: str | None) -> list[str]:
    """Where the next tray stands off the driving centre line; which pass of how many and driven how; which tray."""
    tray, column = recording.cell(recording.at)
    test = recording.test
    own, offset_m = test.columns[column], float(test.offset_m[tray])
    where = "on the centre line"
    if offset_m:
        unit = shown_unit("length", system) if system else test.offset_unit
        where = f"{abs(from_inside(offset_m, unit, 'length')):.4g} {unit} {side_of(offset_m)}"
    turned = " (driven the other way; go by the names on the trays)" if own.pass_no in test.reversed_passes else ""
    component = f", {own.component}" if own.component else ""
    which = f"pass {own.pass_no} of {len(test.passes)}{component}{turned}"
    return [where, which, f"tray {tray + 1} of {len(test.tray)}"]
