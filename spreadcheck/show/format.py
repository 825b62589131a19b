"""Figures as a reader sees them, rounded in one place: widths to 0.01, CVs and rates to 0.1, shares to 1 %."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable

from spreadcheck.judge.assessment import Assessment
from spreadcheck.sheet.traytest import TrayTest
from spreadcheck.units import show, shown_unit


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


def show_share(part: float, whole: float, *, digits: int = 0) -> str:
    """One figure as a share of another, as a reader sees it, without the sign."""
    return show_figure(100.0 * part / whole if whole else math.nan, digits=digits)


def target_words(test: TrayTest, rate: Callable[[float], str]) -> str:
    """What the trays are held against, in words: the target, or the sum of those of bins that run together."""
    return f"the bins' targets together, {rate(test.target_kg_ha or 0.0)}" if test.bins_together else "the target"


def about_test(test: TrayTest) -> tuple[str, ...]:
    """Product, machine and date of a test on one line, if the form names any."""
    about = ", ".join(word for word in (test.text("product"), test.text("machine"), test.text("date")) if word)
    return (textwrap.shorten(about, 80, placeholder="..."),) if about else ()
