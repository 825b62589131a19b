"""Figures as a reader sees them, rounded in one place, and the command that takes the next step, ready to run."""

from __future__ import annotations

import math
import os
import shlex
import textwrap
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from spreadcheck.units import show, shown_unit

if TYPE_CHECKING:
    from spreadcheck.judge.assessment import Assessment
    from spreadcheck.sheet.traytest import TrayTest

WIDTH = 80


def show_width(width_m: float | None, system: str = "metric", *, unit: bool = True) -> str:
    """A bout width as a reader sees it: to 0.01, without trailing zeros."""
    if width_m is None:
        return "none"
    number = show(width_m, "length", system, unit=False, digits=2).rstrip("0").rstrip(".")
    return f"{number} {shown_unit('length', system)}" if unit else number


def rate_unit(result: Assessment, system: str = "metric") -> str:
    """The unit in which the rates of an assessment are shown."""
    return "% of peak" if result.profile.relative else shown_unit("rate", system)


def show_rate(rate: float, result: Assessment, system: str = "metric") -> str:
    """A rate as a reader sees it, without its unit."""
    return f"{rate:.1f}" if result.profile.relative else show(rate, "rate", system, unit=False)


def show_figure(figure: float | None, *, digits: int = 1) -> str:
    """A bare figure, such as a CV or a share, as a reader sees it; a dash where it is not known."""
    return "-" if figure is None or math.isnan(figure) else f"{figure:.{digits}f}"


def from_to(least: str, most: str, between: str = " to ") -> str:
    """A range, or the single figure that its ends are shown as."""
    return least if least == most else f"{least}{between}{most}"


def target_words(test: TrayTest, rate: Callable[[float], str]) -> str:
    """What the trays are held against, in words: the target, or the sum of those of bins that run together."""
    return f"the bins' targets together, {rate(test.target_kg_ha or 0.0)}" if test.bins_together else "the target"


def names_of(results: Sequence[Assessment]) -> tuple[str, ...]:
    """What tests are called; with their files where several are called the same."""
    names = [result.test.name for result in results]
    return tuple(
        f"{name} ({os.path.basename(result.test.source)})" if names.count(name) > 1 and result.test.source else name
        for name, result in zip(names, results, strict=True)
    )


def about_test(test: TrayTest) -> tuple[str, ...]:
    """Product, machine and date of a test on one line, if the form names any."""
    about = ", ".join(word for word in (test.text("product"), test.text("machine"), test.text("date")) if word)
    return (textwrap.shorten(about, WIDTH, placeholder="..."),) if about else ()


def next_line(*words: str, lead: str = "Next") -> str:
    """The command with its words quoted; one that is too long for the line stands whole on a line of its own."""
    command = shlex.join(("spreadcheck", *words))
    return f"{lead}:{' ' if len(lead) + 2 + len(command) <= WIDTH else chr(10) + '  '}{command}"


def free(sheet: str, what: str = "") -> str:
    """A name for a file beside a sheet, or with the next number where one exists: what is proposed replaces nothing."""
    stem, ending = os.path.splitext(os.path.splitext(sheet)[0] + what if what else sheet)
    names = (stem + ending, *(f"{stem}-{number}{ending}" for number in range(2, 1000)))
    return next((each for each in names if not os.path.lexists(each)), names[0])


def plan_words(width_m: float | None, target_kg_ha: float | None, system: str, *more: str) -> tuple[str, ...]:
    """The plan of a test, with a usual width and rate where they are not known."""
    width, rate = ("80 ft", "134 lb/ac") if system == "us" else ("24 m", "150 kg/ha")
    width = width if width_m is None else show_width(width_m, system)
    rate = rate if target_kg_ha is None else show(target_kg_ha, "rate", system)
    return "plan", "--bout-width", width, "--target-rate", rate, *more, "--sheet", free("field.csv")
