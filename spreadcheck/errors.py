"""What all rooms use: records; errors that name the place, what was found there and what to do; words safe to show."""

from __future__ import annotations

import unicodedata
from collections import Counter
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import FrozenInstanceError, dataclass, field, fields
from typing import Any, TypeVar, dataclass_transform, overload

MOST_TOLD = 30  # faults of one sheet: more are no help

C = TypeVar("C", bound=type)
Written = TypeVar("Written")
Read = TypeVar("Read")


@overload
def record(cls: C, *, eq: bool = True) -> C: ...
@overload
def record(*, eq: bool = True) -> Callable[[C], C]: ...
@dataclass_transform(frozen_default=True, field_specifiers=(field,))
def record(cls: C | None = None, *, eq: bool = True) -> C | Callable[[C], C]:
    """Make a class a frozen dataclass; without `eq` each one is equal to itself only, as those that hold arrays.

    Its methods are shared: `dataclass` would write and compile five for each class, a fifth of the start of a command.
    """
    if cls is None:
        return lambda cls: record(cls, eq=eq)
    shared: dict[str, Any] = {"__setattr__": _set_once, "__delattr__": _set_once, "__repr__": _told}
    if eq:
        shared["__eq__"] = lambda one, other: (
            _values(one) == _values(other) if type(one) is type(other) else NotImplemented
        )
        shared["__hash__"] = lambda one: hash(_values(one))
    known = dict(vars(cls))
    dataclass(repr=False, eq=False)(cls)
    for name, method in shared.items():
        if name not in known:
            setattr(cls, name, method)
    return cls


def _set_once(self: Any, name: str, value: object = None) -> None:
    if name in self.__dict__ or name not in self.__dataclass_fields__:
        raise FrozenInstanceError(f"cannot change field {name!r}")
    self.__dict__[name] = value


def _told(self: Any) -> str:
    inner = ", ".join(f"{each.name}={getattr(self, each.name)!r}" for each in fields(self) if each.repr)
    return f"{type(self).__qualname__}({inner})"


def _values(self: Any) -> tuple[object, ...]:
    return tuple(getattr(self, each.name) for each in fields(self) if each.compare)


@record
class Fault:
    """One thing that is wrong: where it stands, what is wrong, and how to put it right.

    >>> print(Fault('field.csv: row 4, column "pass 2"', "the catch -3 is negative", "write the grams caught, or x"))
    field.csv: row 4, column "pass 2": the catch -3 is negative; write the grams caught, or x
    """

    place: str
    problem: str
    remedy: str

    def __str__(self) -> str:
        text = f"{self.problem}; {self.remedy}" if self.remedy else self.problem
        line = f"{self.place}: {text}" if self.place else text
        return visible(line)


class SpreadcheckError(Exception):
    """The base of every error raised on purpose; prints one line for each fault.

    >>> str(SpreadcheckError(Fault("option --limit", "0 is not a CV limit", "give a share above 0, such as 15")))
    'option --limit: 0 is not a CV limit; give a share above 0, such as 15'
    """

    def __init__(self, *faults: Fault) -> None:
        super().__init__(*faults)
        self.faults = faults

    def __str__(self) -> str:
        return "\n".join(str(fault) for fault in self.faults)


class SheetError(SpreadcheckError):
    """A tray sheet can't be read as it stands; carries every fault found in it."""


class QuantityError(SpreadcheckError):
    """A value or its unit can't be understood or can't be physical."""


class NoSpreadError(SpreadcheckError):
    """There is no spread pattern to work with: too few trays, or nothing caught."""


class WidthError(SpreadcheckError):
    """A bout width, or a list of them, can't be used."""


class CostError(SpreadcheckError):
    """A price, a yield response or a figure of the field can't be used; carries every fault found."""


class OutputError(SpreadcheckError):
    """A result can't be written where it was asked for; nothing was changed."""


class MissingExtraError(SpreadcheckError):
    """An optional library is needed for this and is not installed."""


@contextmanager
def collected(faults: list[Fault]) -> Iterator[None]:
    """Let what goes wrong inside join the other faults, so that all are told at once."""
    try:
        yield
    except SpreadcheckError as error:
        faults += error.faults


def read_all(
    items: Iterable[Written], read: Callable[[Written], Read], wrong: type[SpreadcheckError] = QuantityError
) -> tuple[Read, ...]:
    """Read every item, and raise all faults at once, as what is `wrong`."""
    found: list[Read] = []
    faults: list[Fault] = []
    for item in items:
        with collected(faults):
            found.append(read(item))
    if faults:
        raise wrong(*dict.fromkeys(faults))
    return tuple(found)


_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})
# Signs that take no room although they count as letters or marks: fillers, joiners, variation selectors, blank Braille.
_NO_ROOM = frozenset("\u034f\u115f\u1160\u17b4\u17b5\u180b\u180c\u180d\u180f\u2800\u3164\uffa0") | {
    chr(code) for first, end in ((0xFE00, 0xFE10), (0xE0100, 0xE01F0)) for code in range(first, end)
}


def visible(text: str, *, lines: bool = False) -> str:
    r"""Words from outside as they go to a reader: signs that steer a terminal, turn or hide text become escapes.

    These are control, bidirectional and zero-width characters, line and paragraph separators, private and unassigned
    ones, and bytes of a file name that are no text. Every output but a file that must read back the same goes through.
    """
    if text.isascii() and text.isprintable():
        return text
    return text.translate({ord(c): _escape(c) for c in hidden_in(text) if not (lines and c == "\n")})


def hidden_in(text: str) -> set[str]:
    """The signs of a text that don't show; blanks of any width count as showing."""
    return {c for c in set(text) if unicodedata.category(c) in _HIDDEN or c in _NO_ROOM}


def _escape(sign: str) -> str:
    if "\udc80" <= sign <= "\udcff":  # how Python keeps a byte of a file name that is no text
        return f"\\x{ord(sign) - 0xDC00:02x}"
    return sign.encode("unicode_escape", "surrogatepass").decode("ascii")


def told(faults: Iterable[Fault]) -> list[str]:
    """Faults as lines; of one sheet the first 30, and how many more there are."""
    lines: list[str] = []
    of: Counter[str] = Counter()
    for fault in faults:
        sheet = fault.place.split(": row ")[0]
        of[sheet] += 1
        if of[sheet] <= MOST_TOLD:
            lines.append(str(fault))
    more = [(sheet, count - MOST_TOLD) for sheet, count in of.items() if count > MOST_TOLD]
    return lines + [visible(f"{sheet}: and {count} more faults; put these right first") for sheet, count in more]


def shown(text: str) -> str:
    """What a person wrote, as a message quotes it: on one line and not longer than a message bears."""
    line = visible(" ".join(text[:200].split()))
    return line if len(line) <= 40 else line[:37] + "..."


def meant(name: str, known: Collection[str], otherwise: str = "use") -> str:
    """What a name that nobody knows is most likely misspelt for, else all that are known."""
    from difflib import get_close_matches  # only where something is wrong

    near = get_close_matches(name.casefold(), known, n=1)
    return f'did you mean "{near[0]}"?' if near else f"{otherwise} {', '.join(known)}"
