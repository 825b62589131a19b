"""How even a deposit is: coefficient of variation, shares near the mean and stripes, exact on its linear pieces."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.errors import Fault, NoSpreadError, record
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import FloatArray

STRIPE_PCT = 90.0  # of the mean: what a stripe is short of
_ROUNDING = 1e-9  # of a rate: closer than this to the bound is not below it


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
    return float(100.0 * (values / values.mean()).std(ddof=ddof))


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
    n = np.add.reduceat(weights, starts)
    mean = np.add.reduceat(weights * values, starts) / n
    usable = (n > 2 - 1e-9) & (mean > 0)
    gap = values / np.repeat(np.where(usable, mean, 1.0), np.diff(starts, append=len(values))) - 1.0
    squares = np.add.reduceat(weights * gap * gap, starts)
    return np.where(usable, 100.0 * np.sqrt(squares / np.where(usable, n - 1.0, 1.0)), np.nan)


@record(eq=False)
class Deposit:
    """An overlapped deposit along one bout, or along many bouts laid end to end: its linear pieces.

    Piece i runs from `start_m[i]` over `length_m[i]`; the deposit is `left[i]` just inside its left end and `right[i]`
    just inside its right end, so that steps between pieces are kept. Bout j is the pieces from `starts[j]` on.

    >>> one = np.array([0.0]); triangle = Deposit(one, one + 1, one, one + 2, np.array([0]))
    >>> triangle.mean_kg_ha, triangle.cv_pct.round(4)  # a straight line from 0 to 2: 100 / sqrt(3)
    (array([1.]), array([57.735]))
    >>> triangle.share_between(low=0, high=0.5)
    array([25.])
    """

    start_m: FloatArray
    length_m: FloatArray
    left: FloatArray
    right: FloatArray
    starts: NDArray[np.intp]

    def averaged(self, of_pieces: FloatArray) -> FloatArray:
        """The average over each bout of what each piece has on average."""
        lengths = np.add.reduceat(self.length_m, self.starts)
        return np.asarray(np.add.reduceat(self.length_m * of_pieces, self.starts) / lengths)

    @cached_property
    def mean_kg_ha(self) -> FloatArray:
        """Mean deposit over each bout; shape (bouts,). [kg/ha]"""
        return self.averaged((self.left + self.right) / 2)

    @cached_property
    def over_mean(self) -> tuple[FloatArray, FloatArray]:
        """Left and right ends of the pieces over the mean of their bout. [-]"""
        scale = np.where(self.mean_kg_ha > 0, self.mean_kg_ha, 1.0)
        scale = np.repeat(scale, np.diff(self.starts, append=len(self.left)))
        return self.left / scale, self.right / scale

    @cached_property
    def cv_pct(self) -> FloatArray:
        """CV by line, integrated exactly, the population figure; NaN where nothing was deposited; shape (bouts,). [%]

        The square of a line that departs from the mean by a at one end and by b at the other averages
        (a^2 + a b + b^2) / 3.
        """
        a, b = (ends - 1.0 for ends in self.over_mean)
        return np.where(self.mean_kg_ha > 0, 100.0 * np.sqrt(self.averaged((a * a + a * b + b * b) / 3)), np.nan)

    def share_between(self, *, low: float, high: float) -> FloatArray:
        """Share of each bout whose deposit lies between two multiples of the bout's mean; shape (bouts,). [%]"""
        ends = np.sort(np.stack(self.over_mean), axis=0)
        rise = ends[1] - ends[0]
        level = rise <= 1e-12  # a level piece is wholly in or wholly out; rounding must not put it out
        inside = (ends[0] >= low - 1e-9) & (ends[1] <= high + 1e-9)
        crossed = np.clip(np.minimum(ends[1], high) - np.maximum(ends[0], low), 0.0, None)
        return 100.0 * self.averaged(np.where(level, inside, crossed / np.where(level, 1.0, rise)))

    def shares_beyond(self, margin_pct: float) -> tuple[FloatArray, FloatArray]:
        """Shares of each bout that get less, and more, than the bout's mean by over x %. [%]"""
        margin = margin_pct / 100.0
        within = ((1.0 - margin, np.inf), (-np.inf, 1.0 + margin))
        under, over = (100.0 - self.share_between(low=low, high=high) for low, high in within)
        least = 100.0 * _ROUNDING  # 100 less a sum of pieces is not quite 0
        return np.where(under < least, 0.0, under), np.where(over < least, 0.0, over)

    def runs_below(self, rate_kg_ha: float) -> tuple[FloatArray, FloatArray]:
        """The strips of a deposit along a line that lie below a rate: where they start and end. [m]"""
        bound = rate_kg_ha * (1.0 - _ROUNDING)  # a level strip on the rate is not below it, whatever rounding does
        left, right = self.left < bound, self.right < bound
        rise = np.where(left == right, 1.0, self.right - self.left)
        crossing = np.where(left == right, 1.0, np.clip((rate_kg_ha - self.left) / rise, 0.0, 1.0))
        starts = np.column_stack((self.start_m, self.start_m + crossing * self.length_m)).ravel()
        turns = np.diff(np.column_stack((left, right)).ravel().astype(np.int8), prepend=0, append=0)
        ends = np.append(starts, self.start_m[-1] + self.length_m[-1])
        return ends[turns == 1], ends[turns == -1]

    def longest_stripe(self, method: str, share_pct: float = STRIPE_PCT) -> tuple[FloatArray, FloatArray]:
        """Width and middle of the widest strip below a share of the mean, over the whole period of the field; (bouts,).

        Round-and-round repeats every bout. Back-and-forth repeats every second one, the next being the mirror image at
        the bout edge. Two periods are laid end to end, so that a strip may go on at the other side. [m], [m]
        """
        pieces = np.array((self.start_m, self.length_m, self.left, self.right))
        found = []
        for bout, mean in zip(np.split(pieces, self.starts[1:], axis=1), self.mean_kg_ha.tolist(), strict=True):
            start, length, left, right = bout
            if method == BACK_AND_FORTH:
                end = start[-1] + length[-1]
                bout = np.hstack((bout, (2 * end - (start + length)[::-1], length[::-1], right[::-1], left[::-1])))
            period = float(bout[1].sum())
            start, length, left, right = np.hstack((bout, bout + np.array([[period], [0], [0], [0]])))
            starts, ends = Deposit(start, length, left, right, np.array([0])).runs_below(mean * (share_pct / 100.0))
            if not len(starts):
                found.append((0.0, float("nan")))
                continue
            widths = ends - starts
            first = int(np.argmax(widths > widths.max() * (1.0 - _ROUNDING)))  # of equals, whatever rounding does
            middle = float(starts[first] + ends[first]) / 2
            nearer = abs(middle - period) < abs(middle) * (1.0 - _ROUNDING)  # the same strip, a period back
            found.append((float(widths[first]), middle - period if nearer else middle))
        widths, middles = np.array(found).T
        return widths, middles
