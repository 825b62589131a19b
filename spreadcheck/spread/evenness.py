"""How even a deposit is: the coefficient of variation and the share of the bout near its mean.

`starts` marks where each bout begins in a flat array, as numpy's `reduceat` takes it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.errors import Fault, NoSpreadError, record
from spreadcheck.sheet.traytest import FloatArray


def coefficient_of_variation(rates: ArrayLike, *, ddof: int = 1) -> float:
    """Unevenness of an overlapped deposit: CV = 100 s / mean.

    Parameters
    ----------
    rates : array_like, shape (points,)
        Rate at each point inside one bout. [kg/ha]
    ddof : int
        1 for the sample deviation (n - 1), 0 for the population one. [-]

    Returns
    -------
    float
        Coefficient of variation. [%]

    Raises
    ------
    NoSpreadError
        If there are too few points or their mean is not above zero.

    Examples
    --------
    >>> round(coefficient_of_variation([100, 102, 98, 100]), 3)
    1.633
    """
    values = np.asarray(rates, dtype=float)
    if len(values) <= ddof or not values.mean() > 0:
        raise NoSpreadError(Fault("", f"{len(values)} rates have no CV", "give two or more, with a mean above 0"))
    scaled = values / values.mean()
    return float(100.0 * scaled.std(ddof=ddof))


@record(eq=False)
class Deposit:
    """An overlapped deposit along one bout, or along many bouts laid end to end: its linear pieces.

    Piece i runs from `start_m[i]` over `length_m[i]`; the deposit is `left[i]` just inside its left end and `right[i]`
    just inside its right end, so that steps between pieces are kept. Bout j is the pieces from `starts[j]` on.
    """

    start_m: FloatArray
    length_m: FloatArray
    left: FloatArray
    right: FloatArray
    starts: NDArray[np.intp]


def cv_of_points(values: FloatArray, weights: FloatArray, starts: NDArray[np.intp]) -> FloatArray:
    """CV of weighted points with n - 1, n being the sum of the weights; many bouts at once.

    Parameters
    ----------
    values : ndarray, shape (points,)
        Deposit at each point, bout after bout. [kg/ha]
    weights : ndarray, shape (points,)
        1, or 1/2 for a point on a bout edge. [-]
    starts : ndarray of int, shape (bouts,)
        Where each bout begins. [-]

    Returns
    -------
    ndarray, shape (bouts,)
        CV; NaN where n < 2 or nothing was deposited. [%]

    Examples
    --------
    >>> cv_of_points(np.array([2.0, 2, 3, 2]), np.ones(4), np.array([0])).round(4)  # masses 1 2 3 2 1, 4 trays apart
    array([22.2222])
    """
    counts = np.diff(np.append(starts, len(values)))
    n = np.add.reduceat(weights, starts)
    mean = np.add.reduceat(weights * values, starts) / n
    usable = (n > 2 - 1e-9) & (mean > 0)
    scale = np.where(usable, mean, 1.0)
    gap = values / np.repeat(scale, counts) - 1.0
    squares = np.add.reduceat(weights * gap * gap, starts)
    return np.where(usable, 100.0 * np.sqrt(squares / np.where(usable, n - 1.0, 1.0)), np.nan)


def cv_of_pieces(deposit: Deposit) -> FloatArray:
    """CV of piecewise-linear deposits over whole bouts, integrated exactly; the population figure.

    Parameters
    ----------
    deposit : Deposit
        One bout or many. [m, kg/ha]

    Returns
    -------
    ndarray, shape (bouts,)
        CV; NaN where nothing was deposited. [%]

    Examples
    --------
    >>> one = np.array([0.0]); triangle = Deposit(one, one + 1, one, one + 2, np.array([0]))
    >>> cv_of_pieces(triangle).round(4)  # a straight line from 0 to 2: 100 / sqrt(3)
    array([57.735])
    """
    lengths = np.add.reduceat(deposit.length_m, deposit.starts)
    mean = mean_of_pieces(deposit)
    scale = np.repeat(np.where(mean > 0, mean, 1.0), np.diff(np.append(deposit.starts, len(deposit.left))))
    a, b = deposit.left / scale - 1.0, deposit.right / scale - 1.0
    squares = np.add.reduceat(deposit.length_m * (a * a + a * b + b * b), deposit.starts) / 3.0
    return np.where(mean > 0, 100.0 * np.sqrt(squares / lengths), np.nan)


def mean_of_pieces(deposit: Deposit) -> FloatArray:
    """Mean deposit over each whole bout.

    Parameters
    ----------
    deposit : Deposit
        One bout or many. [m, kg/ha]

    Returns
    -------
    ndarray, shape (bouts,)
        Mean. [kg/ha]

    Examples
    --------
    >>> one = np.array([0.0]); mean_of_pieces(Deposit(one, one + 1, one, one + 2, np.array([0])))
    array([1.])
    """
    lengths = np.add.reduceat(deposit.length_m, deposit.starts)
    return np.asarray(np.add.reduceat(deposit.length_m * (deposit.left + deposit.right), deposit.starts) / 2 / lengths)


def share_between(deposit: Deposit, *, low: float, high: float) -> FloatArray:
    """Share of each bout whose deposit lies between two multiples of the bout's mean.

    Parameters
    ----------
    deposit : Deposit
        One bout or many. [m, kg/ha]
    low, high : float
        The bounds, as multiples of the mean. [-]

    Returns
    -------
    ndarray, shape (bouts,)
        Share of the bout's width. [%]

    Examples
    --------
    >>> one = np.array([0.0]); triangle = Deposit(one, one + 1, one, one + 2, np.array([0]))
    >>> share_between(triangle, low=0, high=0.5)
    array([25.])
    """
    counts = np.diff(np.append(deposit.starts, len(deposit.left)))
    scale = np.repeat(mean_of_pieces(deposit), counts)
    ends = np.sort(np.stack((deposit.left / scale, deposit.right / scale)), axis=0)
    rise = ends[1] - ends[0]
    level = rise <= 1e-12  # a level piece is wholly in or wholly out; rounding must not put it out
    inside = (ends[0] >= low - 1e-9) & (ends[1] <= high + 1e-9)
    crossed = np.clip(np.minimum(ends[1], high) - np.maximum(ends[0], low), 0.0, None)
    part = np.where(level, inside, crossed / np.where(level, 1.0, rise))
    lengths = np.add.reduceat(deposit.length_m, deposit.starts)
    return np.asarray(100.0 * np.add.reduceat(deposit.length_m * part, deposit.starts) / lengths)
