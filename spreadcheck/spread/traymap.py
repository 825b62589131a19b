"""How each tray enters the overlapped deposit: CV by trays as a linear map followed by a variance.

1. `TrayMap`   for every bout (a driving method at a bout width), the share of each tray in each of its points
2. `tray_map`  built once for a layout of trays; any number of tray lines are then overlapped in one product

The overlapped deposit at the points of a bout is D = A r, linear in the tray rates r. A depends on where the trays
stood, the bout width and the driving method, and not on what was caught. What is true of sampling noise in r is
therefore carried exactly to D, to its mean, and to the variance behind CV by trays.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.overlap import tray_points
from spreadcheck.spread.profile import CUT, SAME_PLACE, Profile

_IN_CACHE = 100_000  # numbers worked on at a time


@dataclass(frozen=True, eq=False)
class TrayMap:
    """The bouts of a layout, method after method and width after width.

    `matrix` (points x weighed trays) is A, sparse; `weight` is the weight of each point in CV by trays, `count` the sum
    of the weights of each bout (n) and `starts` where each bout begins.
    """

    methods: tuple[str, ...]
    width_m: FloatArray
    matrix: Any
    weight: FloatArray
    count: FloatArray
    starts: NDArray[np.intp]

    @property
    def bouts(self) -> int:
        """How many bouts there are: methods times widths."""
        return len(self.starts)

    def rows(self, method: str) -> slice:
        """The bouts of one driving method."""
        at = self.methods.index(method) * len(self.width_m)
        return slice(at, at + len(self.width_m))

    @cached_property
    def points(self) -> NDArray[np.intp]:
        """How many points each bout has."""
        return np.diff(self.starts, append=len(self.weight))

    @cached_property
    def freedom(self) -> FloatArray:
        """n - 1 of each bout; NaN where n < 2, so that no variance comes of it."""
        return np.where(self.count >= 2, self.count - 1, np.nan)[:, None]

    @cached_property
    def total(self) -> Any:
        """Weighted sum of each bout's deposit as a map from tray rates; sparse, bouts x trays."""
        return self._gather @ self.matrix

    @cached_property
    def noise_gain(self) -> Any:
        """What one unit of variance at each tray adds on average to s^2 of each bout; sparse, bouts x trays.

        s^2 is a quadratic form r'Qr of the tray rates, so independent noise of variance v adds trace(Q v) to it:
        the diagonal of Q times v, whatever the pattern and the law of the noise.
        """
        own = self._gather @ self.matrix.power(2) - self.total.power(2).multiply(1 / self.count[:, None])
        return own.multiply(1 / self.freedom).tocsr()

    @cached_property
    def _gather(self) -> Any:
        from scipy.sparse import coo_array

        owner = np.repeat(np.arange(self.bouts), self.points)
        return coo_array((self.weight, (owner, np.arange(len(owner))))).tocsr()

    @cached_property
    def _scaled(self) -> Any:
        return self.matrix.multiply(np.sqrt(self.weight)[:, None]).tocsr()

    def mean(self, lines: FloatArray) -> FloatArray:
        """Mean deposit of tray lines given as columns; shape (bouts, lines)."""
        return np.asarray((self.total @ lines) / self.count[:, None])

    def deviations(self, line: FloatArray) -> FloatArray:
        """How one tray line's deposit departs from the mean of its bout; shape (points,)."""
        return np.asarray(self.matrix @ line - np.repeat(self.mean(line[:, None])[:, 0], self.points))

    def variance(self, lines: FloatArray) -> FloatArray:
        """s^2 of tray lines given as columns, in runs of bouts that fit a processor's cache; shape (bouts, lines)."""
        squares = np.empty((self.bouts, lines.shape[1]))
        for bouts, points in self._runs(max(_IN_CACHE // lines.shape[1], 1)):
            deposit = self._scaled[points] @ lines
            np.multiply(deposit, deposit, out=deposit)
            np.add.reduceat(deposit, self.starts[bouts] - points.start, axis=0, out=squares[bouts])
        squares -= self.count[:, None] * self.mean(lines) ** 2
        return np.asarray(np.maximum(squares, 0.0) / self.freedom)

    def along(self, deviations: FloatArray, lines: FloatArray) -> FloatArray:
        """Covariance of deviations with the deposits of tray lines given as columns; shape (bouts, lines)."""
        onto = self._gather.multiply(deviations[None, :]).tocsr() @ self.matrix
        return np.asarray((onto @ lines) / self.freedom)

    def cv_of_line_pct(self, line: FloatArray) -> FloatArray:
        """CV by trays of one tray line, without the rounding of `cv_pct`; shape (bouts,). [%]"""
        squares = self._gather @ self.deviations(line) ** 2 / self.freedom[:, 0]
        return np.asarray(100.0 * np.sqrt(squares) / self.mean(line[:, None])[:, 0])

    def cv_pct(self, lines: FloatArray) -> FloatArray:
        """CV by trays of many tray lines given as columns, to 1e-6 %; shape (bouts, lines). [%]"""
        return np.asarray(100.0 * np.sqrt(self.variance(lines)) / self.mean(lines))

    def _runs(self, most_points: int) -> Iterator[tuple[slice, slice]]:
        """Runs of whole bouts, and of their points."""
        ends = np.append(self.starts, len(self.weight))
        first = 0
        while first < self.bouts:
            last = max(int(np.searchsorted(ends, ends[first] + most_points, side="right")) - 1, first + 1)
            yield slice(first, last), slice(int(ends[first]), int(ends[last]))
            first = last


def tray_map(profile: Profile, width_m: FloatArray, methods: Sequence[str] = METHODS) -> TrayMap:
    """The map from tray rates to the overlapped deposit, for every width and driving method.

    Parameters
    ----------
    profile : Profile
        Where the trays stood, which of them were filled in, and the rule for tails; its rates are not used. [m, kg/ha]
    width_m : ndarray, shape (widths,)
        Bout widths. [m]
    methods : sequence of str
        Driving methods. [-]

    Returns
    -------
    TrayMap
        The map; its columns are the trays with a usable catch. [-]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> bouts = tray_map(profile_from([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1]), np.array([3.0]), ("round-and-round",))
    >>> bouts.matrix.toarray()
    array([[0., 1., 0., 0., 1.],
           [0., 0., 1., 0., 0.],
           [1., 0., 0., 1., 0.]])
    >>> float(bouts.cv_of_line_pct(np.array([1.0, 4, 3, 2, 0]))[0])  # rates 4, 3 and 3
    17.320508
    """
    from scipy.sparse import coo_array

    widths = np.asarray(width_m, dtype=float)
    x, weight, starts = tray_points(profile, widths)
    spans = list(zip(starts, np.append(starts[1:], len(x)), strict=True))
    bouts = [(method == BACK_AND_FORTH, w, span) for method in methods for w, span in zip(widths, spans, strict=True)]
    entries = [_bout_entries(profile, x[a:b], w, back) for back, w, (a, b) in bouts]
    lengths = np.array([b - a for _, _, (a, b) in bouts])
    first = np.cumsum(lengths) - lengths
    row = np.concatenate([point + at for (point, _, _), at in zip(entries, first, strict=True)])
    column, share = (np.concatenate([entry[at] for entry in entries]) for at in (1, 2))
    matrix = coo_array((share, (row, column)), shape=(int(lengths.sum()), len(profile.offset_m))).tocsr()
    weights = np.tile(weight, len(methods))
    count = np.add.reduceat(weights, first)
    return TrayMap(tuple(methods), widths, matrix @ _filling(profile), weights, count, first)


def _bout_entries(
    profile: Profile, x: FloatArray, width_m: float, back: bool
) -> tuple[NDArray[np.intp], NDArray[np.intp], FloatArray]:
    """Point, tray and share of every tray that any pass brings to the points of one bout."""
    places, reach = _places(profile)
    numbers = np.arange(np.floor((x[0] - reach) / width_m), np.ceil((x[-1] + reach) / width_m) + 1)
    away = x[:, None] - numbers * width_m
    np.negative(away, out=away, where=((numbers % 2 == 1) & back)[None, :])
    place = np.interp(away, *places, left=np.nan, right=np.nan)
    point, pass_at = np.nonzero(~np.isnan(place))
    at = place[point, pass_at]
    low = np.floor(at).astype(np.intp)
    trays, shares = np.concatenate((low, low + 1)), np.concatenate((low + 1 - at, at - low))
    seen = (trays >= 0) & (trays < len(profile.offset_m)) & (shares > 0)
    return np.concatenate((point, point))[seen], trays[seen], shares[seen]


def _places(profile: Profile) -> tuple[tuple[FloatArray, FloatArray], float]:
    """Offsets and the tray number each stands for (a fraction between trays), and the farthest of them."""
    x = profile.knots[0]
    number = np.arange(len(x), dtype=float) - (profile.tails != CUT)
    if profile.tails == CUT:  # the end trays themselves still count, whatever rounding does to their place
        slack = SAME_PLACE * profile.spacing_m
        x = np.concatenate(([x[0] - slack], x, [x[-1] + slack]))
        number = np.concatenate((number[:1], number, number[-1:]))
    return (x, number), float(np.abs(x).max())


def _filling(profile: Profile) -> Any:
    """From the weighed trays to all trays of the profile: filled ones lie on the line between their neighbours."""
    from scipy.sparse import coo_array

    known = weighed_trays(profile)
    at = np.interp(profile.offset_m, profile.offset_m[known], np.arange(known.sum()))
    low = np.minimum(np.floor(at).astype(np.intp), known.sum() - 1)
    high = np.minimum(low + 1, known.sum() - 1)
    row = np.arange(len(at))
    entries = np.concatenate((low + 1 - at, at - low))
    shape = (len(at), int(known.sum()))
    return coo_array((entries, (np.tile(row, 2), np.concatenate((low, high)))), shape=shape).tocsr()


def weighed_trays(profile: Profile) -> NDArray[np.bool_]:
    """Which trays of a profile had a usable catch, and were not filled in.

    Parameters
    ----------
    profile : Profile
        The profile. [m, kg/ha]

    Returns
    -------
    ndarray of bool, shape (trays,)
        True for a weighed tray. [-]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> weighed_trays(profile_from([-1, 0, 1], [5, float("nan"), 5]))
    array([ True, False,  True])
    """
    return ~np.isin(profile.offset_m, profile.filled_offset_m)
