"""The command that takes the next step of the job: filled in, ready to run, and made here for every command."""

from __future__ import annotations

import os
import shlex
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from spreadcheck.judge.verdict import Verdict

WIDTH = 80


def next_line(*words: str, lead: str = "Next") -> str:
    """The command with its words quoted; one that is too long for the line stands whole on a line of its own.

    >>> next_line("analyse", "first test.csv")
    "Next: spreadcheck analyse 'first test.csv'"
    """
    command = shlex.join(("spreadcheck", *words))
    return f"{lead}:{' ' if len(lead) + 2 + len(command) <= WIDTH else chr(10) + '  '}{command}"


def free(name: str) -> str:
    """The name itself, or with the next number where such a file exists: what is proposed never replaces anything.

    >>> free("no such file.csv")
    'no such file.csv'
    """
    stem, ending = os.path.splitext(name)
    names = (name, *(f"{stem}-{number}{ending}" for number in range(2, 1000)))
    return next((each for each in names if not os.path.lexists(each)), name)


def after_verdict(verdict: Verdict | None, sheet: str, *more: str) -> tuple[str, ...]:
    """The analysis that follows a study of a sheet: its card where it may be driven, what blocks it, or advice."""
    if verdict is not None and verdict.may_be_driven:
        return "analyse", sheet, *more, "--card", free(beside(sheet, "-card.pdf"))
    return "analyse", sheet, *more, "--doubts" if verdict is not None and verdict.blocking else "--advice"


def beside(sheet: str, what: str) -> str:
    """A name for a file that belongs to a sheet, beside it: `field.csv` and `-card.pdf` make `field-card.pdf`.

    >>> beside("field.csv", "-card.pdf")
    'field-card.pdf'
    """
    return os.path.splitext(sheet)[0] + what


def plan_words(width_m: float | None, target_kg_ha: float | None, system: str, *more: str) -> tuple[str, ...]:
    """The plan of a test, with a usual width and rate where they are not known."""
    from spreadcheck.show.format import show_width
    from spreadcheck.units import show

    width, rate = ("80 ft", "134 lb/ac") if system == "us" else ("24 m", "150 kg/ha")
    width = width if width_m is None else show_width(width_m, system)
    rate = rate if target_kg_ha is None else show(target_kg_ha, "rate", system)
    return "plan", "--bout-width", width, "--target-rate", rate, *more, "--sheet", free("field.csv")
