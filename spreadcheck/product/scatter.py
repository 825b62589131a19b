"""Repeated readings of one property: their mean, their spread, and how many are needed.

1. `Scatter`, `scatter_of`   mean, lowest, highest and standard deviation (n - 1) of a few readings
2. `half_width`              how far the mean may be off, at a stated confidence (Student's t)
3. `readings_needed`         how many readings bring that half-width down to what is wanted

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
    """Mean, extremes and standard deviation of repeated readings.

    Parameters
    ----------
    readings : sequence of float
        At least one reading. [unit of the readings]

    Returns
    -------
    Scatter
        The figures. [unit of the readings]

    Raises
    ------
    QuantityError
        If there is no reading.

    Examples
    --------
    >>> found = scatter_of([2.0, 3.0, 4.0])
    >>> found.mean, found.lowest, found.sd
    (3.0, 2.0, 1.0)
    """
    if not readings:
        raise QuantityError(Fault("", "there is no reading", "give at least one"))
    sd = statistics.stdev(readings) if len(readings) > 1 else math.nan
    return Scatter(tuple(readings), statistics.fmean(readings), min(readings), max(readings), sd)


def half_width(scatter: Scatter, *, confidence_pct: float = CONFIDENCE_PCT) -> float:
    """How far the mean of the readings may be off at a stated confidence.

    Parameters
    ----------
    scatter : Scatter
        The readings. [unit of the readings]
    confidence_pct : float
        Confidence, between 50 and 99.99. [%]

    Returns
    -------
    float
        Half the width of the confidence interval of the mean; NaN for a single reading. [unit of the readings]

    Raises
    ------
    QuantityError
        If the confidence is not between 50 and 99.99 %.

    Examples
    --------
    >>> round(half_width(scatter_of([2.0, 3.0, 4.0])), 3)
    2.484
    """
    check_confidence(confidence_pct)
    if scatter.count < 2:
        return math.nan
    return _half_width(scatter.sd, scatter.count, confidence_pct)


def readings_needed(sd: float, half_width: float, *, confidence_pct: float = CONFIDENCE_PCT) -> int:
    """How many readings in all bring the half-width of the mean down to what is wanted.

    It takes the standard deviation seen so far for the true one, so with few readings it is a first guess.

    Parameters
    ----------
    sd : float
        Standard deviation of the readings. [unit of the readings]
    half_width : float
        Half-width wanted, above 0. [unit of the readings]
    confidence_pct : float
        Confidence, between 50 and 99.99. [%]

    Returns
    -------
    int
        Smallest number of readings, at least 2. [-]

    Raises
    ------
    QuantityError
        If the half-width is not above 0 or would take more than a million readings.

    Examples
    --------
    >>> readings_needed(0.5, 0.3)
    14
    """
    check_confidence(confidence_pct)
    if not half_width > 0:
        raise QuantityError(Fault("", f"{half_width:g} is not a half-width", "give one above 0"))
    from scipy.stats import norm

    z = float(norm.ppf(0.5 + confidence_pct / 200))
    first = (z * sd / half_width) ** 2  # Student's t is above z, so fewer can't do
    if first > MOST_READINGS:
        raise QuantityError(
            Fault("", f"it would take more than {MOST_READINGS:,} readings", "ask for a wider half-width")
        )
    count = max(2, math.floor(first))
    while _half_width(sd, count, confidence_pct) > half_width:
        count += 1
    return count


def check_confidence(confidence_pct: float) -> None:
    """Refuse a confidence that nobody can mean.

    Parameters
    ----------
    confidence_pct : float
        Confidence. [%]

    Returns
    -------
    None
        Nothing, if it lies between 50 and 99.99. [-]

    Raises
    ------
    QuantityError
        If it does not.

    Examples
    --------
    >>> check_confidence(0.95)
    Traceback (most recent call last):
    ...
    spreadcheck.errors.QuantityError: 0.95 is not a confidence in %; give one from 50 to 99.99, such as 95
    """
    if not 50 <= confidence_pct <= 99.99:
        raise QuantityError(
            Fault("", f"{confidence_pct:g} is not a confidence in %", "give one from 50 to 99.99, such as 95")
        )


def _half_width(sd: float, count: int, confidence_pct: float) -> float:
    from scipy.stats import t

    return float(t.ppf(0.5 + confidence_pct / 200, count - 1)) * sd / math.sqrt(count)
