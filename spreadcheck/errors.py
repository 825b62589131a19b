"""What the library says when something can't be used.

Every message names the place, what was found there, and what to do about it.
A `Fault` is one such message; a `SpreadcheckError` carries all that were found at once.

1. `Fault`            one thing that is wrong, and where
2. `SpreadcheckError` the base of every error this package raises on purpose
3. its kinds          `SheetError`, `QuantityError`, `NoSpreadError`, `WidthError`, `CostError`, `OutputError`,
                      `MissingExtraError`
4. `shown`            what a person wrote, as a message quotes it
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
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
        return _one_line(line)


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


def _one_line(text: str) -> str:
    """Line ends and control characters as blanks: a message is one line, and nothing in a file steers a terminal."""
    return text if text.isprintable() else "".join(c if c.isprintable() else " " for c in text)


def shown(text: str) -> str:
    """What a person wrote, as a message quotes it: on one line and not longer than a message bears.

    Parameters
    ----------
    text : str
        What was written. [-]

    Returns
    -------
    str
        The same, shortened to 40 characters where it is longer. [-]

    Examples
    --------
    >>> shown("Windy,\\n gusts"), len(shown("x" * 1000))
    ('Windy, gusts', 40)
    """
    line = " ".join(_one_line(text[:200]).split())
    return line if len(line) <= 40 else line[:37] + "..."
