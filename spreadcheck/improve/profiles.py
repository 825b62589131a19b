"""The spread pattern as a smooth function of the settings: a Gaussian process for the rate of every tray.

The CV over a setting is a skewed V with a noisy floor, which no simple curve follows; the rate of one tray is smooth.
So each tray has its own straight line over the settings and a smooth departure from it; all trays share one length
scale and one size of departure, weighed by how well they explain the tests. Rasmussen and Williams (2006), Gaussian
Processes for Machine Learning, 2.2 and 2.7 (trend with a flat prior), 5.4 (marginal likelihood); draws by
Matheron's rule.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from spreadcheck.limits import LIMITS
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import FloatArray

LENGTHS = (0.25, 0.35, 0.5, 0.7, 1.0)  # of the range of the setting
SIZES = (0.02, 0.04, 0.08, 0.16, 0.32, 0.64)  # of the peak, for the trays that catch most
_LEAST = 0.05  # of the peak: no tray departs less than this share of the common size
_ALONG = 5.0  # departures change along the line over a fifth of the distance to the half-rate point
_STATED_WEIGHT = 4.0  # tests that the stated shift from test to test is worth beside the one seen


@dataclass(frozen=True, eq=False)
class Noise:
    """How far a mean profile lies off by chance, for K tests at n places.

    `variance` (K, n) is that of each rate by its own passes; `patterns` (R, n) are what passes differ by, over their
    standard deviation, scaled so that a normal mix of them has variance 1; `passes_sd` (K, n) goes with them. `moved`
    and `stretched` (K, n) are what a shift of one standard deviation and a stretch of one do to each profile.
    """

    variance: FloatArray
    patterns: FloatArray
    passes_sd: FloatArray
    moved: FloatArray
    stretched: FloatArray
    shift_m: float
    freedom: float
    assumed: bool

    def drawn(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Errors of the mean profiles, shape (count, K, n)."""
        tests = len(self.variance)
        mixed = rng.standard_normal((count, tests, len(self.patterns))) @ self.patterns
        shift, stretch = rng.standard_normal((2, count, tests, 1))
        return np.asarray(mixed * self.passes_sd + shift * self.moved + stretch * self.stretched)


@dataclass(frozen=True, eq=False)
class ProfileModel:
    """Profiles over the settings, from K tests at n evenly spaced places.

    `setting` (K, settings) runs from 0 to 1 over the tested range; `rate` (K, n) are the profiles, each with the same
    total. `weight` (lengths, sizes) is how well each pair of length scale and size explains the tests, its sum 1.
    """

    place_m: FloatArray
    setting: FloatArray
    rate: FloatArray
    noise: Noise
    size: FloatArray  # (n,) size of the departure of each tray, for a common size of 1
    weight: FloatArray

    def mean(self, setting: FloatArray) -> FloatArray:
        """The most likely profiles at G settings, shape (G, n)."""
        found = np.zeros((len(setting), len(self.place_m)))
        for (length, size), share in self._pairs(1e-4):
            found += share * np.einsum("ngk,kn->gn", self.weights(setting, length, size), self.rate)
        return found

    def errors(self, setting: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
        """Draws of what the mean profiles at G settings are off by, shape (count, G, n)."""
        pairs = self._pairs(0.01)
        shares = np.cumsum([share for _, share in pairs])
        at = np.searchsorted(shares / shares[-1], (np.arange(count) + 0.5) / count)
        everywhere = np.concatenate((self.setting, setting))
        apart = np.subtract.outer(self.place_m, self.place_m) / self._along_m
        along = _root(np.exp(-0.5 * apart**2))
        tests = len(self.setting)
        drawn = []
        for number, ((length, size), _) in enumerate(pairs):
            draws = int((at == number).sum())
            if not draws:
                continue
            shape = _root(_kernel(everywhere, everywhere, length))
            smooth = shape @ rng.standard_normal((draws, len(everywhere), len(self.place_m))) @ along.T
            smooth *= size * self.size
            seen = smooth[:, :tests] + self.noise.drawn(draws, rng)
            drawn.append(np.einsum("ngk,dkn->dgn", self.weights(setting, length, size), seen, optimize=True))
            drawn[-1] -= smooth[:, tests:]
        return np.concatenate(drawn)[rng.permutation(count)]

    def weights(self, setting: FloatArray, length: float, size: float) -> FloatArray:
        """What each test counts for at G settings, tray by tray, shape (n, G, K)."""
        inverse, _, trend, solved = self._solved(length, size)
        across = _kernel(setting, self.setting, length)[None] * (size * self.size[:, None, None]) ** 2
        basis = _basis(setting)
        gain = solved @ np.swapaxes(inverse @ trend, 1, 2)  # (n, p, K)
        return np.asarray(across @ (inverse - (inverse @ trend) @ gain) + basis @ gain)

    def _solved(self, length: float, size: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Inverse covariance of the tests, log determinant, the trend's columns, and the trend's inverse; by tray."""
        departure = _kernel(self.setting, self.setting, length)[None] * (size * self.size[:, None, None]) ** 2
        covariance = departure + self.noise.variance.T[:, :, None] * np.eye(len(self.setting))
        trend = _basis(self.setting)
        inverse = np.linalg.inv(covariance)
        information = trend.T @ inverse @ trend
        logs = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(information)[1]
        return np.asarray(inverse), np.asarray(logs), trend, np.asarray(np.linalg.inv(information))

    def log_likelihood(self, length: float, size: float) -> float:
        """Marginal likelihood of all trays with the trend integrated out, as a logarithm, up to a constant."""
        inverse, logs, trend, solved = self._solved(length, size)
        rate = self.rate.T[:, :, None]
        fitted = inverse @ rate
        left = np.swapaxes(trend.T @ fitted, 1, 2) @ solved @ (trend.T @ fitted)
        squares = (np.swapaxes(rate, 1, 2) @ fitted - left)[:, 0, 0]
        return float(-0.5 * (logs + squares).sum())

    def _pairs(self, least: float) -> list[tuple[tuple[float, float], float]]:
        """Pairs of length and size that count, with their shares of 1."""
        pairs = [
            ((length, size * self._peak), float(self.weight[i, j]))
            for i, length in enumerate(LENGTHS)
            for j, size in enumerate(SIZES)
            if self.weight[i, j] >= least
        ]
        whole = sum(share for _, share in pairs)
        return [(pair, share / whole) for pair, share in pairs]

    @property
    def _peak(self) -> float:
        return float(self.rate.max())

    @cached_property
    def _along_m(self) -> float:
        return along_m(self.place_m, self.rate)

    @property
    def length(self) -> float:
        """The mean length scale, as a share of the tested range."""
        return float(np.exp((self.weight.sum(axis=1) * np.log(LENGTHS)).sum()))


def _basis(setting: FloatArray) -> FloatArray:
    """A straight line over each setting that was varied."""
    return np.concatenate((np.ones((len(setting), 1)), setting), axis=1)


def _kernel(one: FloatArray, other: FloatArray, length: float) -> FloatArray:
    """How alike departures are at two settings."""
    apart = ((one[:, None, :] - other[None, :, :]) ** 2).sum(axis=2)
    return np.asarray(np.exp(-0.5 * apart / length**2))


def _root(covariance: FloatArray) -> FloatArray:
    """A square root of a covariance that may be nearly singular."""
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))


def along_m(place_m: FloatArray, rate: FloatArray) -> float:
    """Over what distance along the line departures change: a fifth of that to the half-rate point. [m]"""
    mean = rate.mean(axis=0)
    return float(np.abs(place_m[mean >= mean.max() / 2]).max() / _ALONG) + 1e-9


def profile_model(place_m: FloatArray, setting: FloatArray, passes: Sequence[FloatArray]) -> ProfileModel:
    """The model of the profiles over the settings.

    Parameters
    ----------
    place_m : ndarray, shape (n,)
        Evenly spaced offsets. [m]
    setting : ndarray, shape (K, settings)
        The settings of each test, over the tested range (0 to 1). [-]
    passes : sequence of ndarray, shapes (passes, n)
        Rates of the single passes of each test. [kg/ha]

    Returns
    -------
    ProfileModel
        The model. [kg/ha]

    Examples
    --------
    >>> place = np.arange(-6.0, 7.0)
    >>> rates = [100 * np.exp(-0.5 * (place / wide) ** 2)[None] for wide in (2.0, 2.5, 3.0)]
    >>> model = profile_model(place, np.array([[0.0], [0.5], [1.0]]), rates)
    >>> halfway = model.mean(np.array([[0.25]]))[0]
    >>> bool(model.rate[1].max() < halfway.max() < model.rate[0].max())
    True
    """
    means = [one.mean(axis=0) for one in passes]
    total = float(np.mean([mean.sum() for mean in means]))
    rate = np.array([mean * (total / mean.sum()) for mean in means])
    scaled = [one * (total / one.sum(axis=1, keepdims=True)) for one in passes]
    noise = _noise(place_m, setting, rate, scaled)
    peak = float(rate.max())
    size = np.maximum(rate.max(axis=0) / peak, _LEAST)
    flat = np.full((len(LENGTHS), len(SIZES)), 1.0 / (len(LENGTHS) * len(SIZES)))
    model = ProfileModel(place_m, setting, rate, noise, size, flat)
    if len(rate) <= setting.shape[1] + 1:  # nothing is left to judge a departure by
        return model
    logs = np.array([[model.log_likelihood(length, share * peak) for share in SIZES] for length in LENGTHS])
    step = float(np.diff(place_m).mean())
    alike = max(np.sqrt(2 * np.pi) * along_m(place_m, rate) / step, 1.0)  # trays that tell the same
    weight = np.exp((logs - logs.max()) / alike)
    return ProfileModel(place_m, setting, rate, noise, size, weight / weight.sum())


def _noise(place_m: FloatArray, setting: FloatArray, rate: FloatArray, passes: Sequence[FloatArray]) -> Noise:
    """The noise of the mean profiles: what passes differ by, pooled, and what tests differ by, stated and seen."""
    peak = rate.max()
    several = [(one, mean) for one, mean in zip(passes, rate, strict=True) if len(one) > 1]
    residual = [one - one.mean(axis=0) for one, _ in several]
    freedom = float(sum(len(one) - 1 for one, _ in several))
    if several:
        at = np.concatenate([np.broadcast_to(mean, one.shape) for one, mean in several]).ravel()
        square = np.concatenate([(one**2) * (len(one) / (len(one) - 1)) for one in residual]).ravel()
        constant, slope = _law(at, square, peak)
    else:
        scatter = LIMITS["pass scatter"].value / 100.0
        constant, slope = 0.0, scatter**2 * peak

    def law(rates: FloatArray) -> FloatArray:
        return np.asarray(constant + slope * np.maximum(rates, 0.02 * peak) + (1e-3 * peak) ** 2)

    count = np.array([[len(one)] for one in passes])
    passes_sd = np.sqrt(law(rate) / count)
    if several:
        patterns = np.concatenate([one / np.sqrt(law(mean)) for one, (_, mean) in zip(residual, several, strict=True)])
        patterns /= np.sqrt(freedom)
    else:
        patterns = np.eye(len(place_m))
    slope_x = np.gradient(_smooth(rate), place_m, axis=1)
    shift = _shift_m(place_m, setting, rate)
    moved, stretched = shift * slope_x, LIMITS["stretch between tests"].value / 100.0 * place_m * slope_x
    return Noise(passes_sd**2, patterns, passes_sd, moved, stretched, shift, freedom, not several)


def _law(rate: FloatArray, square: FloatArray, peak: float) -> tuple[float, float]:
    """Variance of one catch as constant + slope x rate, neither below zero; weighted by 1 / rate squared."""
    weight = 1.0 / (rate + 0.05 * peak)
    columns = np.stack((weight, weight * rate), axis=1)
    constant, slope = np.linalg.lstsq(columns, weight * square, rcond=None)[0].tolist()
    if constant < 0:
        constant, slope = 0.0, float(square.sum() / rate.sum())
    if slope < 0:
        constant, slope = float(square.mean()), 0.0
    return constant, slope


def _smooth(rate: FloatArray) -> FloatArray:
    """Profiles smoothed by (1/4, 1/2, 1/4)."""
    padded = np.pad(rate, ((0, 0), (1, 1)), mode="edge")
    return np.asarray((padded[:, :-2] + 2 * padded[:, 1:-1] + padded[:, 2:]) / 4)


def _shift_m(place_m: FloatArray, setting: FloatArray, rate: FloatArray) -> float:
    """How far tests shift from one to the next: as stated, and as the centres lie about a straight line. [m]"""
    stated = LIMITS["laying error"].value ** 2 + LIMITS["wind of the day"].value ** 2
    centre = (rate * place_m).sum(axis=1) / rate.sum(axis=1)
    basis = _basis(setting)
    freedom = len(rate) - basis.shape[1]
    if freedom < 1:
        return float(np.sqrt(stated))
    left = centre - basis @ np.linalg.lstsq(basis, centre, rcond=None)[0]
    return float(np.sqrt((_STATED_WEIGHT * stated + (left**2).sum()) / (_STATED_WEIGHT + freedom)))


def fold_form(place_m: FloatArray, width_m: float, method: str) -> FloatArray:
    """The matrix S for which CV by line is 100 sqrt(r' S r) / (spacing x sum of r), for rates r at even places.

    Every rate stands for a triangle of two spacings; the integral of two triangles shifted against each other is a
    cubic B-spline of the shift, so that the deposit over its whole period is integrated exactly.

    Parameters
    ----------
    place_m : ndarray, shape (n,)
        Evenly spaced offsets. [m]
    width_m : float
        Bout width. [m]
    method : str
        "back-and-forth" or "round-and-round". [-]

    Returns
    -------
    ndarray, shape (n, n)
        The matrix. [m2]

    Examples
    --------
    >>> triangle = np.array([1.0, 2, 3, 2, 1])
    >>> s = fold_form(np.arange(-2.0, 3.0), 4.0, "round-and-round")
    >>> round(float(100 * np.sqrt(triangle @ s @ triangle) / triangle.sum()), 4)  # `scan_widths` has the same
    14.3444
    """
    step = float(place_m[-1] - place_m[0]) / (len(place_m) - 1)
    across = np.subtract.outer(place_m, place_m)
    reach = int(np.ceil((place_m[-1] - place_m[0] + 2 * np.abs(place_m).max() + 4 * step) / width_m))
    number = np.arange(-reach, reach + 1)
    if method == BACK_AND_FORTH:
        summed = np.add.outer(place_m, place_m)
        shifts = [across - 2 * k * width_m for k in number] + [summed - (2 * k + 1) * width_m for k in number]
    else:
        shifts = [across - k * width_m for k in number]
    form = width_m * step * sum(_spline(np.abs(shift) / step) for shift in shifts)
    return np.asarray(form - step**2)


def _spline(t: FloatArray) -> FloatArray:
    """The cubic B-spline at distances in steps."""
    return np.asarray((np.maximum(2 - t, 0) ** 3 - 4 * np.maximum(1 - t, 0) ** 3) / 6)


def upper_ends(width_m: FloatArray, cv_pct: FloatArray, limit_pct: float) -> FloatArray:
    """The upper end of the widest band of widths within the limit that is not narrow; 0 where there is none.

    Parameters
    ----------
    width_m : ndarray, shape (W,)
        Widths in even steps of at most half a metre. [m]
    cv_pct : ndarray, shape (W, ...)
        CV at each width. [%]
    limit_pct : float
        CV limit. [%]

    Returns
    -------
    ndarray, shape (...)
        The width at which the CV crosses the limit. [m]

    Examples
    --------
    >>> upper_ends(np.array([10.0, 10.5, 11.0, 11.5]), np.array([5.0, 9.0, 14.0, 16.0]), 15.0)
    array(11.25)
    """
    within = cv_pct <= limit_pct
    broad = within.copy()
    broad[1:] &= within[:-1]  # two neighbouring widths at least, so that a narrow band is none
    last = len(width_m) - 1 - broad[::-1].argmax(axis=0)
    after = np.minimum(last + 1, len(width_m) - 1)
    at, beyond = (np.take_along_axis(cv_pct, one[None], axis=0)[0] for one in (last, after))
    rise = np.where(beyond > at, beyond - at, 1.0)
    part = np.where((after > last) & (beyond > at), np.clip((limit_pct - at) / rise, 0.0, 1.0), 0.0)
    step = width_m[1] - width_m[0] if len(width_m) > 1 else 0.0
    ends = width_m[last] + part * step
    return np.where(broad.any(axis=0), ends, 0.0)
