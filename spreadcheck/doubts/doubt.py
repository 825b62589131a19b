"""A doubt: what was seen, the limit it is held against, what it does to the answer, what to do.

The numbers stay quantities until a reader asks: words are made when they are shown, in the reader's units.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import field
from string import Formatter
from typing import Any, TypeAlias

from spreadcheck.errors import record
from spreadcheck.limits import LIMITS
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.units import from_inside, show, shown_unit

_NO_WORSE = 0.05  # two explanations that fit as closely as this fit alike


@record
class Quantity:
    """A number in the inside unit of its kind, a key of `KINDS`."""

    value: float
    kind: str
    digits: int | None = None

    def text(self, system: str) -> str:
        """Number and unit as a reader sees them."""
        return show(self.value, self.kind, system, digits=self.digits)


@record
class Places:
    """Places on the tray line: the first eight, and how many more there are. [m]"""

    offset_m: tuple[float, ...]

    def text(self, system: str) -> str:
        """Such as "-1.5, 0, 2 m"."""
        unit, more = shown_unit("length", system), len(self.offset_m) - 8
        shown = ", ".join(f"{from_inside(offset, unit, 'length'):.4g}" for offset in self.offset_m[:8])
        return f"{shown} and {more} more {unit}" if more > 0 else f"{shown} {unit}"


@record
class Words:
    """A sentence with gaps, and what is put into them: quantities, numbers, names, sentences of the same kind."""

    template: str
    values: Mapping[str, Value] = field(default_factory=dict)

    def text(self, system: str) -> str:
        """The sentence in a reader's units."""
        return _Filled(system).vformat(self.template, (), self.values)


@record
class Listed:
    """Some of several things said one after the other; `more` of them are only counted."""

    things: tuple[Words, ...]
    more: int = 0
    what: str = ""

    def text(self, system: str) -> str:
        """The things, with semicolons between."""
        more = f"; and {self.more} more{self.what}" if self.more > 0 else ""
        return "; ".join(thing.text(system) for thing in self.things) + more


Value: TypeAlias = "Quantity | Places | Words | Listed | str | int | float"


class _Filled(Formatter):
    """What stands in the gaps of a sentence, in a reader's units; numbers without an exponent: 500, not 5e+02."""

    def __init__(self, system: str) -> None:
        self.system = system

    def format_field(self, value: Value, spec: str) -> str:
        if not isinstance(value, (str, int, float)):
            return value.text(self.system)
        text = format(value, spec)
        if isinstance(value, str) or "e" not in text:
            return text
        from decimal import Decimal  # rare, and slow to load

        return f"{Decimal(text):f}"


@record
class Explanation:
    """What may lie behind a doubt, tried on the test: how well it fits (0 to 1), and the row or cell to change.

    `corrected` is the test with that change; `verdict` is what it then gets and `leaves` the codes of the doubts that
    it then still has, where they were worked out. One that leaves the test `blocked` stands behind the others.
    """

    code: str
    fits: float
    words: Words
    remedy: str
    verdict: Words | None = None
    leaves: frozenset[str] | None = None
    blocked: bool = False
    corrected: TrayTest | None = field(default=None, repr=False, compare=False)

    def text(self, system: str = "metric") -> str:
        """All of it as one sentence."""
        then = f" With that done, the answer is: {self.verdict.text(system)}." if self.verdict else ""
        return f"Perhaps: {_upper(self.words.text(system))} (fits {100 * self.fits:.0f} %): {self.remedy}.{then}"


@record
class Doubt:
    """One doubt about a test, under a stable code; made by `doubt` of the register only.

    Where it is `blocking` no verdict can be given until it is put right. `explanations` stand best first.
    """

    code: str
    seen_words: Words
    effect_words: Words
    remedy_words: Words
    limits: tuple[str, ...] = ()
    blocking: bool = False
    explanations: tuple[Explanation, ...] = ()

    def seen(self, system: str = "metric") -> str:
        """What was seen, with its numbers."""
        return self.seen_words.text(system)

    def limit(self, system: str = "metric") -> str:
        """The limits that it is held against, with their sources."""
        return "; ".join(LIMITS[code].words(system) for code in self.limits)

    def effect(self, system: str = "metric") -> str:
        """What it does to the answer."""
        return self.effect_words.text(system)

    def remedy(self, system: str = "metric") -> str:
        """What to do about it."""
        return self.remedy_words.text(system)

    def first_step(self, system: str = "metric") -> str:
        """What to do first: what the best explanation asks for, where one was found, else the remedy.

        Where the same slip may as well be in another row, both rows are named: nothing tells which of them is wrong.
        """
        if not self.explanations:
            return self.remedy(system)
        best = self.explanations[0]
        alike = [each for each in self.explanations if each.code == best.code and each.fits > best.fits - _NO_WORSE]
        alike = [each for each in alike if each.blocked == best.blocked]
        return "; or ".join(f"perhaps {each.words.text(system)}: {each.remedy}" for each in alike)

    def message(self, system: str = "metric") -> str:
        """All of it as one plain paragraph."""
        said = (self.seen(system), self.limit(system), self.effect(system), self.remedy(system))
        parts = (_upper(part) for part in said if part)
        told = (part.rstrip(".") + ("" if part[-1] in "?." else ".") for part in parts)
        return " ".join((*told, *(each.text(system) for each in self.explanations)))


def warnings_data(doubts: Iterable[Doubt]) -> list[dict[str, Any]]:
    """The doubts as every JSON result has them under `warnings`."""
    found: list[dict[str, Any]] = []
    for doubt in doubts:
        found.append({"code": doubt.code, "message": doubt.message(), "blocking": doubt.blocking})
        if doubt.explanations:
            found[-1]["explanations"] = [
                {
                    "code": tried.code,
                    "fits": round(tried.fits, 3),
                    "words": tried.words.text("metric"),
                    "remedy": tried.remedy,
                    "verdict": tried.verdict.text("metric") if tried.verdict else None,
                }
                for tried in doubt.explanations
            ]
    return found


def _upper(text: str) -> str:
    return text[0].upper() + text[1:]


@record
class Check:
    """What is looked at under one code: what it asks, its limits (codes of `LIMITS`), and its words."""

    code: str
    asks: str
    seen: str
    effect: str
    remedy: str
    limits: tuple[str, ...] = ()
    blocking: bool = False
