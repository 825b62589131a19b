"""Every bout width searched: the bands that keep a CV limit, the effective width and the advised width."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field
from functools import cached_property, partial

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import record
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.linecv import line_squares
from spreadcheck.spread.profile import Profile
from spreadcheck.spread.widths import MAX_WIDTH_M

STEP_M = 0.0762  # 0.25 ft: fine enough for sheets in either unit
DRIVING_ERROR_M = 0.3  # how far a driver is off to either side, where nothing better is known (common practice)
_END_M = 1e-8  # ends of bands are found to this
_LOOKS = 60  # halvings of a step reach the rounding of a double long before


@record
class Run:
    """A run of bout widths that all keep a CV limit.

    A `narrow` one is less than twice the driving error wide, so that a driver can't stay in it. A `censored` one ends
    where the tray line ends, so that wider widths may keep the limit too.
    """

    from_m: float
    to_m: float
    narrow: bool
    censored: bool


@record
class Band(Run):
    """A run with its lowest CV, the width of that, and how far it lies below the limit."""

    lowest_cv_pct: float
    lowest_at_m: float
    margin_pct: float


@record(eq=False)
class WidthCurve:
    """The CV over every bout width from two tray spacings to the length of the tray line, for one driving method.

    The CV is what trays at this spacing read on average over where the line happens to lie: CV by line times
    sqrt(n / (n - 1)), n = width / spacing. `exact` gives its square at any width, as a share of the mean.
    """

    method: str
    width_m: FloatArray
    cv_pct: FloatArray
    exact: Callable[[FloatArray], FloatArray]
    _runs: dict[tuple[float, float], tuple[Run, ...]] = field(default_factory=dict, repr=False)
    _bands: dict[tuple[float, float], tuple[Band, ...]] = field(default_factory=dict, repr=False)

    def cv_at(self, width_m: float) -> float:
        """The CV at any width; NaN where a bout holds fewer than two trays. [%]"""
        return float(self.cv_of(np.array([width_m]))[0])

    def cv_of(self, width_m: FloatArray) -> FloatArray:
        """The CV at any widths; NaN where a bout holds fewer than two trays. [%]"""
        return np.asarray(100.0 * np.sqrt(self.exact(width_m)))

    def runs(self, limit_pct: float, error_m: float = DRIVING_ERROR_M) -> tuple[Run, ...]:
        """The runs of widths that keep a limit, from narrow widths to wide ones; worked out once a limit."""
        if (limit_pct, error_m) not in self._runs:
            w, within = self.width_m, np.concatenate(([False], self.cv_pct <= limit_pct, [False])).astype(np.int8)
            turns = np.diff(within)
            firsts, lasts = np.flatnonzero(turns == 1), np.flatnonzero(turns == -1) - 1
            start_m, stop_m = w[firsts], w[lasts]
            opening, closing = firsts > 0, lasts < len(w) - 1
            inside = np.concatenate((firsts[opening], lasts[closing]))
            outside = np.concatenate((firsts[opening] - 1, lasts[closing] + 1))
            ends = _crossings(self, w[inside], w[outside], limit_pct)
            start_m[opening], stop_m[closing] = np.split(ends, [opening.sum()])
            self._runs[limit_pct, error_m] = tuple(
                Run(start, stop, stop - start < 2 * error_m, not closes)
                for start, stop, closes in zip(start_m.tolist(), stop_m.tolist(), closing.tolist(), strict=True)
            )
        return self._runs[limit_pct, error_m]

    def bands(self, limit_pct: float, error_m: float = DRIVING_ERROR_M) -> tuple[Band, ...]:
        """The same runs with their lowest CVs; worked out once a limit."""
        if (limit_pct, error_m) not in self._bands:
            self._bands[limit_pct, error_m] = width_bands(self, limit_pct, error_m)
        return self._bands[limit_pct, error_m]

    def effective_run(self, limit_pct: float, error_m: float = DRIVING_ERROR_M) -> Run | None:
        """The run at the widest widths that is not narrow."""
        return next((run for run in reversed(self.runs(limit_pct, error_m)) if not run.narrow), None)

    def effective_width_m(self, limit_pct: float, error_m: float = DRIVING_ERROR_M) -> float | None:
        """The upper end of the run at the widest widths that is not narrow. [m]"""
        run = self.effective_run(limit_pct, error_m)
        return None if run is None else run.to_m

    @cached_property
    def best(self) -> tuple[float, float] | None:
        """The width with the lowest CV, the wider one of equals, and that CV. [m], [%]"""
        if not len(self.width_m):
            return None
        last = len(self.cv_pct) - 1 - int(np.argmin(self.cv_pct[::-1]))
        at, low = _lowest(self, self.width_m[[last]], self.width_m[:1], self.width_m[-1:])
        return float(at[0]), float(low[0])


def width_curves(profile: Profile, *, step_m: float = STEP_M) -> dict[str, WidthCurve]:
    """The CV over every bout width, for each driving method.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]
    step_m : float
        Widths are looked at this far apart at most; between them the ends of bands are refined. [m]

    Returns
    -------
    dict of str to WidthCurve
        A curve a method; without widths where the line is shorter than two spacings. [m, %]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> curve = width_curves(profile_from([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1]))["back-and-forth"]
    >>> [(round(band.from_m, 3), round(band.to_m, 3), round(band.lowest_at_m, 2)) for band in curve.bands(15)]
    [(2.0, 3.93, 3.0)]
    """
    squares, spacing = line_squares(profile), profile.spacing_m
    first, last = 2 * spacing, min(float(profile.offset_m[-1] - profile.offset_m[0]), MAX_WIDTH_M)
    steps = max(int(np.ceil((last - first) / min(step_m, spacing / 2) - 1e-9)), 1)
    widths = np.linspace(first, last, steps + 1) if last > first else np.array([first][: last >= first - 1e-9])

    def exact(width_m: FloatArray, row: int | slice) -> FloatArray:
        return np.asarray(squares(width_m) * _of_trays(width_m / spacing))[row]

    cv = 100.0 * np.sqrt(exact(widths, slice(None))) if len(widths) else np.empty((len(METHODS), 0))
    return {method: WidthCurve(method, widths, cv[row], partial(exact, row=row)) for row, method in enumerate(METHODS)}


def cv_on_average(cv_line_pct: ArrayLike, width_m: ArrayLike, spacing_m: float) -> FloatArray:
    """What trays read on average over where the line happens to lie: CV by line times sqrt(n / (n - 1)). [%]"""
    factor = _of_trays(np.asarray(width_m, dtype=float) / spacing_m)
    return np.asarray(np.asarray(cv_line_pct, dtype=float) * np.sqrt(factor))


def _of_trays(n: FloatArray) -> FloatArray:
    """n / (n - 1), NaN for fewer than two trays."""
    usable = n > 2 - 1e-9
    return np.where(usable, n / np.where(usable, n - 1, 1.0), np.nan)


def width_bands(curve: WidthCurve, limit_pct: float, error_m: float = DRIVING_ERROR_M) -> tuple[Band, ...]:
    """The bands of bout widths that keep a CV limit.

    Parameters
    ----------
    curve : WidthCurve
        The CV over every width. [m, %]
    limit_pct : float
        CV limit. [%]
    error_m : float
        Driving error to either side: a band less than twice as wide is narrow. [m]

    Returns
    -------
    tuple of Band
        From narrow widths to wide ones; ends to 1e-8 m. [m, %]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> curves = width_curves(profile_from([-3, -2, -1, 0, 1, 2, 3], [0, 2, 6, 10, 8, 4, 0]))
    >>> [band.narrow for band in width_bands(curves["round-and-round"], 2)]
    [True]
    """
    runs = curve.runs(limit_pct, error_m)
    if not runs:
        return ()
    start_m, stop_m = np.array([run.from_m for run in runs]), np.array([run.to_m for run in runs])
    firsts, ends = np.searchsorted(curve.width_m, start_m), np.searchsorted(curve.width_m, stop_m, side="right")
    deepest = np.array([a + np.argmin(curve.cv_pct[a:b]) for a, b in zip(firsts, ends, strict=True)])
    at, low = _lowest(curve, curve.width_m[deepest], start_m, stop_m)
    return tuple(
        Band(run.from_m, run.to_m, run.narrow, run.censored, cv, width, limit_pct - cv)
        for run, cv, width in zip(runs, low.tolist(), at.tolist(), strict=True)
    )


def worst_curve(curves: Sequence[WidthCurve], shares: Sequence[float], width_m: FloatArray) -> WidthCurve:
    """The worst of several parts at each width, each CV times a share, so that limits of their own compare."""

    def exact(widths: FloatArray) -> FloatArray:
        squares = [curve.exact(widths) * share**2 for curve, share in zip(curves, shares, strict=True)]
        return np.asarray(np.max(squares, axis=0))

    return WidthCurve(curves[0].method, width_m, 100.0 * np.sqrt(exact(width_m)), exact)


def _crossings(curve: WidthCurve, inside_m: FloatArray, outside_m: FloatArray, limit_pct: float) -> FloatArray:
    """Where the curve leaves the limit between a width that keeps it and a neighbour that does not.

    Illinois' rule on the square of the CV, which is smooth: a straight line through the ends of the bracket, the kept
    end's height halved when the same end is kept twice.
    """
    if not len(inside_m):
        return inside_m
    a, b, level = inside_m, outside_m, (limit_pct / 100.0) ** 2
    fa, fb = np.split(curve.exact(np.concatenate((a, b))) - level, 2)
    close = _END_M * (fb - fa) / np.abs(b - a)
    x, kept = a, np.zeros(len(a), dtype=int)
    for _ in range(_LOOKS):
        x = a - fa * (b - a) / (fb - fa)
        fx = curve.exact(x) - level
        low = fx <= 0
        if ((np.abs(fx) <= close) | (np.abs(b - a) <= _END_M)).all():
            break
        fa, fb = np.where(low, fx, np.where(kept == -1, fa / 2, fa)), np.where(low, np.where(kept == 1, fb / 2, fb), fx)
        a, b, kept = np.where(low, x, a), np.where(low, b, x), np.where(low, 1, -1)
    kept_side = np.sign(inside_m - outside_m) * 2 * _END_M  # the end itself keeps the limit, whatever rounding does
    return np.asarray(np.where(fx > 0, x + kept_side, x))


def _lowest(
    curve: WidthCurve, near_m: FloatArray, from_m: FloatArray, to_m: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The lowest CV beside widths of the search, inside their runs, by two ever finer looks: widths and CVs."""
    at, cv, step = near_m, np.empty_like(near_m), float(np.diff(curve.width_m[:2]).sum())
    for _ in range(2):
        looks = np.clip(at[:, None] + np.linspace(-step, step, 21), from_m[:, None], to_m[:, None])
        squares = curve.exact(looks.ravel()).reshape(looks.shape)
        best = np.argmin(squares, axis=1)[:, None]
        at, cv = (np.take_along_axis(values, best, axis=1)[:, 0] for values in (looks, 100.0 * np.sqrt(squares)))
        step /= 10
    return at, cv
