"""The usable passes of a test side by side, and how much chance alone lets them differ.

1. `PassCatches`, `pass_catches`   rates of the usable passes, and the size of their scatter
2. `middle_of`                     the middle pass at each tray

Scatter. Catches of one tray differ between passes by chance; their variance grows with the rate (counted granules). Its
size is read from the test itself, by a median over steps from tray to tray that neither a slip nor a shifted pass
moves, and is never taken smaller than counting noise and scale reading where granules and scale are known.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from spreadcheck.passes.noise import granules_of, reading_error_g
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import Profile, laid_rates, pass_rates

FEW = 3  # trays on a side, or in a body, below which no statement is made
FLOOR = 0.05  # of the peak: smaller rates and steps don't matter to the answer
_CHI2_MEDIAN = 0.4549364  # median of chi-square with one degree of freedom


@dataclass(frozen=True, eq=False)
class PassCatches:
    """The usable passes of a test, gaps filled with the mean of the other passes.

    `rates` are turned to the travel direction of each pass and `laid` as the trays lay, each (passes, trays). A catch
    at a true rate of m has a variance of `scatter` x m + `reading`.
    """

    numbers: tuple[int, ...]
    offset_m: FloatArray
    rates: FloatArray
    laid: FloatArray
    reversed: NDArray[np.bool_]
    scatter: float
    reading: float

    @cached_property
    def middle(self) -> FloatArray:
        """The middle pass at each tray."""
        return middle_of(self.rates)

    @cached_property
    def peak(self) -> float:
        """Largest rate of the middle pass."""
        return float(self.middle.max())

    def error(self, rate: FloatArray, share: float = 1.0) -> FloatArray:
        """Standard error of a catch at a true rate, times the square root of a share."""
        return np.asarray(np.sqrt((self.scatter * np.maximum(rate, 0.0) + self.reading) * share))


def pass_catches(test: TrayTest, profile: Profile) -> PassCatches:
    """The usable passes at the usable trays, with the size of their scatter.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    profile : Profile
        Its single-pass profile. [m, kg/ha]

    Returns
    -------
    PassCatches
        Rates and scatter. [kg/ha]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_of
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> nan = float("nan")
    >>> test = tray_test([-1, 0, 1], [[5, 7], [10, nan], [5, 6]], tray_width="0.5 m", tray_length="0.5 m")
    >>> pass_catches(test, profile_of(test)).rates
    array([[200., 400., 200.],
           [280., 400., 240.]])
    """
    rates = pass_rates(test, relative=True)
    turned = np.array([number in test.reversed_passes for number in test.passes])
    laid = laid_rates(test, relative=True) if turned.any() else rates
    passes = np.asarray(~np.isnan(rates).all(axis=1))
    trays = np.asarray(~(np.isnan(rates).all(axis=0) | np.isnan(laid).all(axis=0)))
    if not (passes.all() and trays.all()):
        rates, laid, turned = rates[passes][:, trays], laid[passes][:, trays], turned[passes]
    rates, laid = _filled(rates), (_filled(laid) if turned.any() else _filled(rates))
    scale = 10.0 / (test.runs_per_catch * test.tray_width_m * test.tray_length_m)
    step, grain = test.quantity("scale resolution"), granules_of(test)
    known = not profile.relative
    counting = grain.mean_mass_g * grain.mass_spread**2 * scale if grain is not None and known else 0.0
    return PassCatches(
        numbers=tuple(np.array(test.passes)[passes].tolist()),
        offset_m=test.offset_m[trays],
        rates=rates,
        laid=laid,
        reversed=turned,
        scatter=max(_scatter(rates), counting),
        reading=(reading_error_g(step) * scale) ** 2 if step is not None and known else 0.0,
    )


def _filled(rates: FloatArray) -> FloatArray:
    """A missing catch says nothing: it takes the mean of the tray's other passes."""
    missing = np.isnan(rates)
    if not missing.any():
        return rates
    weighed = np.maximum((~missing).sum(axis=0), 1)
    return np.asarray(np.where(missing, np.where(missing, 0.0, rates).sum(axis=0) / weighed, rates))


def middle_of(values: FloatArray) -> FloatArray:
    """Median along the first axis, quick for small arrays.

    Parameters
    ----------
    values : ndarray, shape (passes, ...)
        Rates of passes. [kg/ha]

    Returns
    -------
    ndarray
        The middle value, or the mean of the middle two. [kg/ha]

    Examples
    --------
    >>> middle_of(np.array([[3.0, 1], [1, 2], [9, 9]]))
    array([3., 2.])
    """
    ordered, half = np.sort(values, axis=0), len(values) // 2
    return np.asarray(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def _scatter(rates: FloatArray) -> float:
    """Variance of a catch, in units of its rate, from steps between neighbouring trays. [kg/ha]

    With several passes the steps are those of each pass's share of the mean, in which the pattern itself cancels; with
    one pass they are second differences of the pattern, in which its slopes cancel.
    """
    passes, mean = len(rates), rates.mean(axis=0)
    body = mean > FLOOR * mean.max()
    if np.count_nonzero(body) < FEW:
        return 0.0
    level = mean[body]
    if passes == 1:
        squares = (level[1:-1] - (level[:-2] + level[2:]) / 2) ** 2
        size = level[1:-1] + (level[:-2] + level[2:]) / 4
        return float(middle_of(squares / size)) / _CHI2_MEDIAN
    steps = np.diff(rates[:, body] / level, axis=1)
    size = (1 / level[1:] + 1 / level[:-1]) * (1 - 1 / passes)
    return float(middle_of((steps * steps / size).ravel())) / _CHI2_MEDIAN
