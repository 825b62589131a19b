"""Profiles of several tests: on one line of places, their figures, and a model that is smooth over the settings.

The CV over a setting is a skewed V with a noisy floor, which no simple curve follows; the rate of one tray
is smooth. So each tray has its own straight line over the settings and a smooth departure from it, a Gaussian process;
all trays share one length scale and one size of departure, weighed by how well they explain the tests. Rasmussen and
Williams (2006), Gaussian Processes for Machine Learning, 2.2 and 2.7 (trend with a flat prior), 5.4 (marginal
likelihood); draws by Matheron's rule. The covariance bordered by the trend solves for both at once (universal kriging),
and its determinant is that of the covariance times that of what the trend is known to, but for the sign.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cached_property

import numpy as np

from spreadcheck.errors import Fault, SheetError, record
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.confidence import NARROW_M
from spreadcheck.judge.likely import Line, bouts_on, products, widest_within
from spreadcheck.limits import LIMITS
from spreadcheck.passes.noise import FROM_PASSES, Noise, slope_of
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import SAME_PLACE, Profile

Figures = dict[tuple[str, str], FloatArray]
WIDTH_STEP_M = 0.5  # of the widths looked at; crossings of the limit are found between them
_MOST_PLACES = 401
_ENOUGH = 0.5  # of the trays: a pass with fewer catches says little about its own pattern
LENGTHS = (0.25, 0.35, 0.5, 0.7, 1.0)  # of the range of the setting
SIZES = (0.02, 0.04, 0.08, 0.16, 0.32, 0.64)  # of the peak, for the trays that catch most
_LEAST = 0.05  # of the peak: no tray departs less than this share of the common size
_ALONG = 5.0  # departures change along the line over a fifth of the distance to the half-rate point
_STATED_WEIGHT = 4.0  # tests that the stated shift from test to test is worth beside the one seen
_COUNTS = 0.01  # the share from which a pair is drawn
_JITTER = 1e-8  # added to a covariance of unit size that may be nearly singular


def passes_at(result: Assessment, place_m: FloatArray) -> FloatArray:
    """Every pass that has enough catches as rates at given places; beyond its catches the mean of the test."""
    profile, rows = result.profile, []
    mean = np.interp(place_m, profile.offset_m, profile.rate_kg_ha)
    for row in result.passes.rate_kg_ha.T:
        known = ~np.isnan(row)
        if known.sum() >= max(2.0, _ENOUGH * len(profile.offset_m)) and row[known].any():
            own = np.interp(place_m, result.passes.offset_m[known], row[known], left=np.nan, right=np.nan)
            rows.append(np.where(np.isnan(own), mean, own))
    return np.array([row for row in rows if row.any()]).reshape(-1, len(place_m))


def common_places(one: Profile, other: Profile, place: str) -> tuple[FloatArray, bool]:
    """Where two tray lines can be held against each other, and whether they are alike."""
    a, b = one.offset_m, other.offset_m
    near = SAME_PLACE * min(one.spacing_m, other.spacing_m)
    if len(a) == len(b) and np.abs(a - b).max() <= near:
        return a, True
    low, high = max(a[0], b[0]) - near, min(a[-1], b[-1]) + near
    places = min((line[(line >= low) & (line <= high)] for line in (a, b)), key=len)
    if len(places) < 3:
        problem = "its tray line and that of the first test overlap over fewer than three trays"
        raise SheetError(Fault(place, problem, "compare tests whose trays cover the same offsets"))
    return places, False


def check_different(tests: Sequence[TrayTest]) -> None:
    """Refuse tests that hold the same catches at the same trays, and name both."""
    faults = [
        Fault(place_of(other), f"holds the same catches as {place_of(one)}", "give each test once")
        for at, other in enumerate(tests)
        for one in tests[:at]
        if same_catches(one, other)
    ]
    if faults:
        raise SheetError(*faults)


def same_catches(one: TrayTest, other: TrayTest) -> bool:
    """Whether two tests hold the same catches at the same trays."""
    return np.array_equal(one.offset, other.offset) and np.array_equal(one.catch, other.catch, equal_nan=True)


def place_of(test: TrayTest) -> str:
    """Where a test is written, for messages."""
    return test.source or test.name


def widths_from(shortest_m: float, longest_m: float) -> FloatArray:
    """Bout widths in even steps. [m]"""
    return np.arange(shortest_m, max(longest_m, shortest_m + WIDTH_STEP_M) + 1e-9, WIDTH_STEP_M)


def folded(place_m: FloatArray, rates: FloatArray, width_m: FloatArray, method: str) -> tuple[FloatArray, FloatArray]:
    """Deposits of profiles (..., n) at even places: the standard deviation that trays read, and the mean; (W, ...).

    The profiles run straight from place to place and down to zero over one step beyond.

    >>> triangle = np.array([1.0, 2, 3, 2, 1])
    >>> spread, mean = folded(np.arange(-2.0, 3.0), triangle, np.array([4.0]), "round-and-round")
    >>> (100 * spread / mean * np.sqrt(3 / 4)).round(4)  # `scan_widths` has the same CV by line
    array([14.3444])
    """
    step = float(place_m[-1] - place_m[0]) / (len(place_m) - 1)
    bouts = bouts_on(Line(float(place_m[0]), step, np.eye(len(place_m))), width_m, method, straight=True)
    of, count = products(rates.reshape(-1, len(place_m)).T), np.maximum(width_m / step, 2.0)[:, None]
    spread = np.sqrt(np.maximum(bouts.variance(of), 0.0) * count / (count - 1))
    shape = (len(width_m), *rates.shape[:-1])
    return spread.reshape(shape), bouts.mean(of.total).reshape(shape)


def even_line(profile: Profile) -> FloatArray:
    """The trays themselves where they stand evenly, else places at their smallest spacing. [m]"""
    if profile.even:
        return profile.offset_m
    x = profile.offset_m
    return np.linspace(x[0], x[-1], min(round((x[-1] - x[0]) / profile.spacing_m) + 1, _MOST_PLACES))


def many_figures(
    place_m: FloatArray,
    rates: FloatArray,
    methods: Sequence[str],
    *,
    limit_pct: float,
    width_m: float | None,
    reference_m: float,
) -> Figures:
    """Every figure that is compared, for many profiles (profiles, n) at once; NaN where there is none."""
    step = float(place_m[-1] - place_m[0]) / (len(place_m) - 1)
    area = step * rates.sum(axis=1)
    at = np.clip(-place_m / step, -1.0, 1.0)  # what of each triangle lies left of the driving line
    left = step * np.where(at < 0, (1 + at) ** 2 / 2, 1 - (1 - at) ** 2 / 2)
    found: Figures = {
        ("mean rate", ""): area / reference_m,
        ("centre", ""): step * rates @ place_m / area,
        ("left share", ""): 100 * (rates @ left) / area,
    }
    widths = widths_from(2 * step, float(np.ptp(place_m)))
    asked = [] if width_m is None else [width_m]
    for method in methods:
        spread, mean = folded(place_m, rates, np.array([*asked, *widths]), method)
        cv = 100.0 * spread / mean
        for width in asked:
            found["CV", method] = np.full(len(rates), np.nan) if width < (2 - 1e-9) * step else cv[0]
        ends = widest_within(widths, cv[len(asked) :], limit_pct, NARROW_M)
        found["effective width", method] = np.where(ends > 0, ends, np.nan)
    return found


@record(eq=False)
class MeanErrors:
    """How far mean profiles `rate` (K, n), once multiplied by `scale`, lie off: by noise, by a shift, by a stretch."""

    place_m: FloatArray
    rate: FloatArray
    scale: FloatArray
    noise: tuple[Noise, ...]
    shift_m: float

    @property
    def assumed(self) -> bool:
        """Whether no test has passes that show the scatter."""
        return all(one.source != FROM_PASSES for one in self.noise)

    @cached_property
    def variance(self) -> FloatArray:
        """Variance of each rate by the noise of its own test, shape (K, n)."""
        errors = [np.interp(self.place_m, one.offset_m, one.error_kg_ha) for one in self.noise]
        return np.asarray((np.array(errors) * self.scale[:, None]) ** 2 + (1e-3 * self.rate.max()) ** 2)

    def drawn(self, count: int, rng: np.random.Generator) -> FloatArray:
        """Errors of the mean profiles, their totals kept; shape (count, K, n)."""
        found = np.empty((count, *self.rate.shape))
        stretch = LIMITS["stretch between tests"].value / 100.0
        for at, (noise, scale, rate) in enumerate(zip(self.noise, self.scale, self.rate, strict=True)):
            own = scale * noise.drawn(count, rng, self.place_m, rate / scale).at_trays_kg_ha.T
            shift, wide = rng.standard_normal((2, count, 1))
            slope = slope_of(self.place_m, rate)
            off = own + shift * self.shift_m * slope + wide * stretch * self.place_m * slope
            found[:, at] = off - off.sum(axis=1, keepdims=True) / rate.sum() * rate
        return found


@record(eq=False)
class ProfileModel:
    """Profiles over the settings, from K tests at n evenly spaced places.

    `setting` (K, settings) runs from 0 to 1 over the tested range; `rate` (K, n) are the profiles, each with the same
    total. `pairs` are length scales and sizes, and how well each explains the tests, their sum 1.
    """

    place_m: FloatArray
    setting: FloatArray
    rate: FloatArray
    errors: MeanErrors
    size: FloatArray  # (n,) size of the departure of each tray, for a common size of 1
    pairs: tuple[tuple[float, float, float], ...]

    def mean(self, setting: FloatArray) -> FloatArray:
        """The most likely profiles at G settings, shape (G, n)."""
        found = np.zeros((len(setting), len(self.place_m)))
        for length, size, share in self.pairs:
            found += share * np.einsum("ngk,kn->gn", self.weights(setting, length, size), self.rate)
        return found

    def drawn(self, setting: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
        """Draws of what the mean profiles at G settings are off by, shape (count, G, n)."""
        pairs = [pair for pair in self.pairs if pair[2] >= _COUNTS]
        shares = np.cumsum([share for _, _, share in pairs])
        at = np.searchsorted(shares / shares[-1], (np.arange(count) + 0.5) / count)
        everywhere = np.concatenate((self.setting, setting))
        apart = np.subtract.outer(self.place_m, self.place_m) / along_m(self.place_m, self.rate)
        along = np.linalg.cholesky(np.exp(-0.5 * apart**2) + _JITTER * np.eye(len(apart))).T
        tests = len(self.setting)
        drawn = []
        for number, (length, size, _) in enumerate(pairs):
            draws = int((at == number).sum())
            if not draws:
                continue
            alike = _kernel(everywhere, everywhere, length)
            shape = np.linalg.cholesky(alike + _JITTER * np.eye(len(alike)))
            smooth = shape @ rng.standard_normal((draws, len(everywhere), len(self.place_m))) @ along
            smooth *= size * self.size
            seen = smooth[:, :tests] + self.errors.drawn(draws, rng)
            drawn.append(np.einsum("ngk,dkn->dgn", self.weights(setting, length, size), seen, optimize=True))
            drawn[-1] -= smooth[:, tests:]
        return np.concatenate(drawn)[rng.permutation(count)]

    def _bordered(self, length: float, size: float) -> FloatArray:
        """Covariance of the tests, bordered by a straight line over each setting; a matrix a tray."""
        trend = np.insert(self.setting, 0, 1.0, axis=1)
        covariance = _kernel(self.setting, self.setting, length) * (size * self.size[:, None, None]) ** 2
        covariance += self.errors.variance.T[:, :, None] * np.eye(len(trend))
        found = np.pad(covariance, ((0, 0), *[(0, trend.shape[1])] * 2))
        found[:, : len(trend), len(trend) :], found[:, len(trend) :, : len(trend)] = trend, trend.T
        return found

    def weights(self, setting: FloatArray, length: float, size: float) -> FloatArray:
        """What each test counts for at G settings, tray by tray, shape (n, G, K)."""
        across = _kernel(self.setting, setting, length) * (size * self.size[:, None, None]) ** 2
        basis = np.insert(setting, 0, 1.0, axis=1).T
        wanted = np.concatenate((across, np.broadcast_to(basis, (len(across), *basis.shape))), axis=1)
        found = np.linalg.solve(self._bordered(length, size), wanted)
        return np.swapaxes(found[:, : len(self.setting)], 1, 2)

    def log_likelihood(self, length: float, size: float) -> float:
        """Marginal likelihood of all trays with the trend integrated out, as a logarithm, up to a constant."""
        bordered = self._bordered(length, size)
        rate = np.pad(self.rate.T, ((0, 0), (0, bordered.shape[1] - len(self.rate))))[:, :, None]
        squares = (rate * np.linalg.solve(bordered, rate)).sum()
        return float(-0.5 * (np.linalg.slogdet(bordered)[1].sum() + squares))

    @property
    def length(self) -> float:
        """The mean length scale, as a share of the tested range."""
        return float(np.exp(sum(share * np.log(length) for length, _, share in self.pairs)))


def _kernel(one: FloatArray, other: FloatArray, length: float) -> FloatArray:
    """How alike departures are at two settings."""
    apart = ((one[:, None, :] - other[None, :, :]) ** 2).sum(axis=2)
    return np.asarray(np.exp(-0.5 * apart / length**2))


def along_m(place_m: FloatArray, rate: FloatArray) -> float:
    """Over what distance along the line departures change: a fifth of that to the half-rate point. [m]"""
    mean = rate.mean(axis=0)
    return float(np.abs(place_m[mean >= mean.max() / 2]).max() / _ALONG) + 1e-9


def profile_model(place_m: FloatArray, setting: FloatArray, rate: FloatArray, noise: Sequence[Noise]) -> ProfileModel:
    """The model of profiles `rate` (K, n) over `setting` (K, settings), which runs from 0 to 1. [kg/ha]"""
    scale = rate.sum(axis=1).mean() / rate.sum(axis=1)
    rate = rate * scale[:, None]
    # how far tests shift from one to the next: as stated, and as the centres lie about a straight line
    stated = LIMITS["laying error"].value ** 2 + LIMITS["wind of the day"].value ** 2
    centre, basis = (rate * place_m).sum(axis=1) / rate.sum(axis=1), np.insert(setting, 0, 1.0, axis=1)
    freedom = max(len(rate) - basis.shape[1], 0)
    left = centre - basis @ np.linalg.lstsq(basis, centre, rcond=None)[0] if freedom else np.zeros(1)
    shift = float(np.sqrt((_STATED_WEIGHT * stated + (left**2).sum()) / (_STATED_WEIGHT + freedom)))
    errors = MeanErrors(place_m, rate, scale, tuple(noise), shift)
    peak = float(rate.max())
    size = np.maximum(rate.max(axis=0) / peak, _LEAST)
    pairs = [(length, share * peak) for length in LENGTHS for share in SIZES]
    model = ProfileModel(place_m, setting, rate, errors, size, tuple((*pair, 1.0 / len(pairs)) for pair in pairs))
    if len(rate) <= setting.shape[1] + 1:  # nothing is left to judge a departure by
        return model
    logs = np.array([model.log_likelihood(*pair) for pair in pairs])
    alike = np.sqrt(2 * np.pi) * along_m(place_m, rate) / float(np.diff(place_m).mean())  # trays that tell the same
    weight = np.exp((logs - logs.max()) / max(alike, 1.0))
    weight /= weight.sum()
    return replace(model, pairs=tuple((*pair, float(w)) for pair, w in zip(pairs, weight, strict=True)))
