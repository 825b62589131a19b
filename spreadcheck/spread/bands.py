"""Every bout width searched: the bands that keep a CV limit, the effective width and the advised width."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import field
from functools import cached_property, partial

import numpy as np

from spreadcheck.errors import record
from spreadcheck.limits import LIMITS
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.overlap import bout_deposit
from spreadcheck.spread.profile import Profile
from spreadcheck.spread.widths import MAX_WIDTH_M

STEP_M = 0.0762  # 0.25 ft: fine enough for sheets in either unit
MOST_DRIVING_ERROR_M = 5.0  # more is a slip of the pen
DRIVING_ERROR_M = LIMITS["driving error"].value  # to either side, where nothing better is known
_FILLED = 8  # places on the even line for each tray that stands there; past it pieces are quicker
_FEW = 1_000  # knots up to which sums are quick enough; they are exact to the last digit
_END_M = 1e-8  # ends of bands are found to this
_LOOKS = 60  # halvings of a step reach the rounding of a double long before

Correlation = Callable[[FloatArray], FloatArray]


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
    found = []
    for run in curve.runs(limit_pct, error_m):
        inside = slice(*np.searchsorted(curve.width_m, (run.from_m, np.nextafter(run.to_m, np.inf))))
        deepest = curve.width_m[inside][np.argmin(curve.cv_pct[inside])]
        at, low = curve.lowest(deepest, run.from_m, run.to_m)
        found.append(Band(run.from_m, run.to_m, run.narrow, run.censored, low, at, limit_pct - low))
    return tuple(found)


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

    bands = width_bands

    def cv_of(self, width_m: FloatArray) -> FloatArray:
        """The CV at any widths; NaN where a bout holds fewer than two trays. [%]"""
        return np.asarray(100.0 * np.sqrt(self.exact(width_m)))

    def cv_at(self, width_m: float) -> float:
        """The same at one width. [%]"""
        return float(self.cv_of(np.array([width_m]))[0])

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

    def effective_run(self, limit_pct: float, error_m: float = DRIVING_ERROR_M) -> Run | None:
        """The run at the widest widths that is not narrow."""
        return next((run for run in reversed(self.runs(limit_pct, error_m)) if not run.narrow), None)

    def effective_width_m(self, limit_pct: float, error_m: float = DRIVING_ERROR_M) -> float | None:
        """The upper end of the run at the widest widths that is not narrow. [m]"""
        run = self.effective_run(limit_pct, error_m)
        return None if run is None else run.to_m

    def lowest(self, near_m: float, from_m: float, to_m: float) -> tuple[float, float]:
        """The width of the lowest CV beside one of the search, by two ever finer looks, and that CV. [m], [%]"""
        step = float(np.diff(self.width_m[:2]).sum())
        for size in (step, step / 10):
            looks = np.clip(near_m + np.linspace(-size, size, 21), from_m, to_m)
            cv = self.cv_of(looks)
            near_m = looks[np.argmin(cv)]
        return float(near_m), float(cv.min())

    @cached_property
    def best(self) -> tuple[float, float] | None:
        """The width with the lowest CV, the wider one of equals, and that CV. [m], [%]"""
        if not len(self.width_m):
            return None
        return self.lowest(self.width_m[::-1][np.argmin(self.cv_pct[::-1])], self.width_m[0], self.width_m[-1])


def width_curves(profile: Profile) -> dict[str, WidthCurve]:
    """The CV over every bout width, 0.25 ft apart at most, for each driving method.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]

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
    squares, spacing = _squares_of(profile), profile.spacing_m
    first, last = 2 * spacing, min(float(profile.offset_m[-1] - profile.offset_m[0]), MAX_WIDTH_M)
    steps = max(int(np.ceil((last - first) / min(STEP_M, spacing / 2) - 1e-9)), 1)
    widths = np.linspace(first, last, steps + 1) if last > first else np.array([first][: last >= first - 1e-9])
    cv = 100.0 * np.sqrt(squares(widths)) if len(widths) else np.empty((len(METHODS), 0))
    return {
        method: WidthCurve(method, widths, cv[row], partial(squares, row=row)) for row, method in enumerate(METHODS)
    }


def on_average(width_m: FloatArray, spacing_m: float) -> FloatArray:
    """What trays read on average over CV by line, squared: n / (n - 1), NaN for fewer than two trays in a bout."""
    n = width_m / spacing_m
    usable = n > 2 - 1e-9
    return np.where(usable, n / np.where(usable, n - 1, 1.0), np.nan)


def worst_curve(curves: Sequence[WidthCurve], shares: Sequence[float], width_m: FloatArray) -> WidthCurve:
    """The worst of several parts at each width, each CV times a share, so that limits of their own compare."""
    exact = partial(_worst_squares, tuple(curves), tuple(shares))
    return WidthCurve(curves[0].method, width_m, 100.0 * np.sqrt(exact(width_m)), exact)


def _worst_squares(curves: Sequence[WidthCurve], shares: Sequence[float], width_m: FloatArray) -> FloatArray:
    squares = [curve.exact(width_m) * share**2 for curve, share in zip(curves, shares, strict=True)]
    return np.asarray(np.max(squares, axis=0))


def _squares_of(profile: Profile) -> Callable[..., FloatArray]:
    """The square of the CV as a function of bout widths: a `row` for back-and-forth, then for round-and-round.

    With M the integral of p, R its autocorrelation and C(t) the integral of p(x) p(t - x), sums over all integers k:
    round-and-round CV^2 = w sum R(k w) / M^2 - 1;
    back-and-forth CV^2 = w [sum R(2 k w) + sum C((2 k + 1) w)] / M^2 - 1.
    Trays on an even line, gaps in it allowed, are correlated; others are integrated piece by piece at every width.
    """
    (x, y), spacing = profile.knots, profile.spacing_m
    places = np.rint((x - x[0]) / spacing)
    if profile.places is None or places[-1] > _FILLED * len(x):
        return partial(_by_pieces, profile)
    first, last, step = float(x[0]), float(x[-1]), float((x[-1] - x[0]) / places[-1])
    rates = np.interp(np.arange(places[-1] + 1), places, y)
    same = _correlation(rates, first, rates, first, step)
    mirrored = _correlation(rates[::-1], -last, rates, first, step)
    return partial(_by_correlation, profile, same, mirrored)


def _by_pieces(profile: Profile, width_m: FloatArray, row: int | slice = slice(None)) -> FloatArray:
    cv = np.stack([bout_deposit(profile, width_m, method).cv_pct for method in METHODS])
    return np.asarray((cv / 100) ** 2 * on_average(width_m, profile.spacing_m))[row]


def _by_correlation(
    profile: Profile, same: Correlation, mirrored: Correlation, width_m: FloatArray, row: int | slice = slice(None)
) -> FloatArray:
    first, last = profile.knots[0][[0, -1]].tolist()
    both = np.full((2, len(width_m)), same(np.zeros(1))[0])
    for every, reach in ((1, last - first), (2, 2 * profile.reach_m)):  # passes on one side that may reach pass 0
        counts = (reach / (every * width_m)).astype(np.intp) + 1
        starts = np.cumsum(counts) - counts
        number = every * (np.arange(starts[-1] + counts[-1]) - np.repeat(starts, counts)) + 1
        away = number * np.repeat(width_m, counts)
        if every == 1:
            alike = 2 * same(away)
            both += np.add.reduceat(np.stack((np.where(number % 2 == 0, alike, 0.0), alike)), starts, axis=1)
        else:
            both[0] += np.add.reduceat(mirrored(away) + mirrored(-away), starts)
    squares = np.maximum(width_m * both / profile.area_kg_ha_m**2 - 1.0, 0.0)
    return np.asarray(squares * on_average(width_m, profile.spacing_m))[row]


def _correlation(q: FloatArray, q_first: float, p: FloatArray, p_first: float, step: float) -> Correlation:
    """Integral of q(x) p(x + t) over x as a function of t: a cubic between places one step apart, zero outside.

    Both are straight between knots one step apart and zero outside, with a step there if an end rate is not zero.
    For t = (k + s) steps, piece i of q meets piece i + k of p over the first 1 - s of its length and piece i + k + 1
    over the rest; A, B, E, F are the sums over i of rate x rate, rate x rise, rise x rate and rise x rise.
    """
    pairs = [(one, other) for one in (q[:-1], np.diff(q)) for other in (p[:-1], np.diff(p))]
    if len(p) <= _FEW:
        sums = [np.correlate(other, one, "full") for one, other in pairs]
    else:  # by Fourier transforms
        size = 1 << (2 * len(p) - 4).bit_length()
        turned = [np.fft.irfft(np.fft.rfft(other, size) * np.fft.rfft(one, size).conj(), size) for one, other in pairs]
        sums = [np.concatenate((each[2 - len(p) :], each[: len(p) - 1])) for each in turned]
    near = np.zeros((4, 2 * len(p) - 1))
    near[:, 1:-1] = sums
    (a, b, e, f), (a1, b1, e1, f1) = near[:, :-1], near[:, 1:]
    cubic = step * np.array(
        (a + (b + e) / 2 + f / 3, a1 + e1 - a - e - f / 2, (b1 - e1 + f1 - b + e) / 2, (f - f1) / 6)
    )
    return partial(_cubic_at, p_first - q_first - step * (len(q) - 1), step, cubic)


def _cubic_at(start: float, step: float, cubic: FloatArray, t_m: FloatArray) -> FloatArray:
    place = (t_m - start) / step
    cell = np.clip(place, 0, cubic.shape[1] - 1).astype(np.intp)  # at both ends the integral is 0
    part = np.clip(place - cell, 0.0, 1.0)
    c0, c1, c2, c3 = cubic[:, cell]
    return np.asarray(c0 + part * (c1 + part * (c2 + part * c3)))


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
