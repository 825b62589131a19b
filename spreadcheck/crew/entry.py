"""What is typed at one tray: a weight, one of a few words, or something that can't be understood.

A weight is digits with one decimal point or comma and, if one likes, the unit of its column behind them; an
exclamation mark at the end insists on it. Anything else that a scale may send is not guessed at.
"""

from __future__ import annotations

import re

from spreadcheck.errors import record
from spreadcheck.sheet.traytest import column_kind
from spreadcheck.units import from_inside, to_inside

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
    """One line as it was meant.

    `kind` is "weight", "thrown out", "blank", "enter", "insist", "note", "back", "go to", "next", "show", "help",
    "later" or "unclear". A weight has its `number` and how it was `written` (decimal point, no unit); `words` are those
    of a note, the tray to go to, or what is unclear.
    """

    kind: str
    number: float = 0.0
    written: str = ""
    words: str = ""
    insists: bool = False
    thousands: bool = False  # "1,234" might stand for 1234


def read_entry(text: str, unit: str) -> Entry:
    """The meaning of one typed line."""
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
