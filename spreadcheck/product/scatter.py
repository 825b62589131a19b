"""Repeated readings of one property: their mean, their spread, and how many are needed.

The half-width is t s / sqrt(n) with n - 1 degrees of freedom; it takes readings to scatter evenly.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass

from spreadcheck.errors import Fault, QuantityError

CONFIDENCE_PCT = 95.0
MOST_READINGS = 1_000_000


@dataclass(frozen=True)
class Scatter:
    """Repeated readings of one property; `sd` is NaN for a single reading."""

    readings: tuple[float, ...]
    mean: float
    lowest: float
    highest: float
    sd: float

    @property
    def count(self) -> int:
        """How many readings there are."""
        return len(self.readings)

    @property
    def cv_pct(self) -> float:
        """The standard deviation as a share of the mean. [%]"""
        return 100.0 * self.sd / self.mean


def scatter_of(readings: Sequence[float]) -> Scatter:
    """Mean, extremes and standard deviation of repeated readings."""
    if not readings:
        raise QuantityError(Fault("", "there is no reading", "give at least one"))
    sd = statistics.stdev(readings) if len(readings) > 1 else math.nan
    return Scatter(tuple(readings), statistics.fmean(readings), min(readings), max(readings), sd)


def half_width(scatter: Scatter, *, confidence_pct: float = CONFIDENCE_PCT) -> float:
    """How far the mean of the readings may be off at a stated confidence."""
    check_confidence(confidence_pct)
    if scatter.count < 2:
        return math.nan
    return _half_width(scatter.sd, scatter.count, confidence_pct)


def readings_needed(sd: float, half_width: float, *, confidence_pct: float = CONFIDENCE_PCT) -> int:
    """How many readings in all bring the half-width of the mean down to what is wanted.

    It takes the standard deviation seen so far for the true one, so with few readings it is a first guess.
    """
    check_confidence(confidence_pct)
    if not half_width > 0:
        raise QuantityError(Fault("", f"{half_width:g} is not a half-width", "give one above 0"))
    from scipy.special import ndtri

    root = float(ndtri(0.5 + confidence_pct / 200)) * sd / half_width
    if root > MOST_READINGS**0.5:
        raise QuantityError(
            Fault("", f"it would take more than {MOST_READINGS:,} readings", "ask for a wider half-width")
        )
    count = max(2, math.floor(root**2))  # Student's t is above z, so fewer can't do
    while _half_width(sd, count, confidence_pct) > half_width:
        count += 1
    return count


def check_confidence(confidence_pct: float) -> None:
    """Refuse a confidence that nobody can mean."""
    if not 50 <= confidence_pct <= 99.99:
        raise QuantityError(
            Fault("", f"{confidence_pct:g} is not a confidence in %", "give one from 50 to 99.99, such as 95")
        )


def _half_width(sd: float, count: int, confidence_pct: float) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(count - 1, 0.5 + confidence_pct / 200)) * sd / math.sqrt(count)
