"""Many profiles folded at many bout widths at once, exactly: what tests are compared and settings are judged by.

Profiles are rates at even places, linear between them and down to zero over one step beyond. Every rate stands for a
triangle of two steps; the integral of two triangles shifted against each other is a cubic B-spline of the shift, so
that the deposit over its whole period is integrated without a grid.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from spreadcheck.errors import record
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.profile import Profile

Figures = dict[tuple[str, str], FloatArray]
WIDTH_STEP_M = 0.5  # of the widths looked at; crossings of the limit are found between them
_MOST_PLACES = 401


@record(eq=False)
class Fold:
    """The deposit of rates at even places, driven at bout widths `width_m` (W,) by one driving method."""

    place_m: FloatArray
    width_m: FloatArray
    method: str

    @property
    def step_m(self) -> float:
        """The distance between places. [m]"""
        return float(self.place_m[-1] - self.place_m[0]) / (len(self.place_m) - 1)

    @cached_property
    def _lags(self) -> tuple[FloatArray, FloatArray]:
        """What rates so many places apart, and rates whose places add up to so much, count for; (2n - 1, W)."""
        x, step, width = self.place_m, self.step_m, self.width_m / self.step_m
        back = self.method == BACK_AND_FORTH
        apart = np.arange(1.0 - len(x), len(x))
        added = 2 * x[0] / step + np.arange(2.0 * len(x) - 1)
        reach = np.ceil((np.abs(added).max() + 2) / width.min())
        number = np.arange(-reach, reach + 1)
        if not back:
            return _summed(number, width, apart), np.zeros((len(apart), len(width)))
        return _summed(number[number % 2 == 0], width, apart), _summed(number[number % 2 == 1], width, added)

    def products(self, one: FloatArray, other: FloatArray) -> FloatArray:
        """Mean product of two deposits over a bout less the product of their means, times w^2; (..., n) -> (..., W).

        >>> triangle = np.array([1.0, 2, 3, 2, 1])
        >>> fold = Fold(np.arange(-2.0, 3.0), np.array([4.0]), "round-and-round")
        >>> (100 * np.sqrt(fold.products(triangle, triangle)) / triangle.sum()).round(4)  # `scan_widths` has the same
        array([14.3444])
        """
        n, size = len(self.place_m), 1 << (2 * len(self.place_m) - 1).bit_length()
        a = np.fft.rfft(one, size)
        b = a if other is one else np.fft.rfft(other, size)
        same, added = self._lags
        apart = np.fft.irfft(a.conj() * b, size)
        found = np.concatenate((apart[..., 1 - n :], apart[..., :n]), axis=-1) @ same
        if self.method == BACK_AND_FORTH:
            found += np.fft.irfft(a * b, size)[..., : 2 * n - 1] @ added
        means = one.sum(axis=-1) * other.sum(axis=-1)
        return np.asarray(self.width_m * self.step_m * found - self.step_m**2 * means[..., None])

    @property
    def of_trays(self) -> FloatArray:
        """From the root of `products` over step x sum of the rates to the CV that trays read on average; (W,). [%]"""
        count = np.maximum(self.width_m / self.step_m, 2.0)
        return np.asarray(100.0 * np.sqrt(count / (count - 1)) / self.step_m)

    def cv_pct(self, rates: FloatArray) -> FloatArray:
        """What trays read on average at each width; (..., n) -> (..., W). [%]"""
        squares = np.maximum(self.products(rates, rates), 0.0)
        return np.asarray(self.of_trays * np.sqrt(squares) / rates.sum(axis=-1)[..., None])


def _summed(number: FloatArray, width: FloatArray, place: FloatArray) -> FloatArray:
    """The cubic B-spline about places one step apart, summed over passes that many widths away; (places, W)."""
    found = np.zeros((len(place), len(width)))
    at = number[:, None] * width - place[0]
    row, column = np.floor(at).astype(int), np.broadcast_to(np.arange(len(width)), at.shape)
    for near in range(-1, 3):  # the spline is two steps wide to either side
        t = np.abs(at - (row + near))
        part = (np.maximum(2 - t, 0) ** 3 - 4 * np.maximum(1 - t, 0) ** 3) / 6
        inside = (row + near >= 0) & (row + near < len(place))
        np.add.at(found, (row[inside] + near, column[inside]), part[inside])
    return found


def widths_from(shortest_m: float, longest_m: float) -> FloatArray:
    """Bout widths in even steps. [m]"""
    return np.arange(shortest_m, max(longest_m, shortest_m + WIDTH_STEP_M) + 1e-9, WIDTH_STEP_M)


def upper_ends(width_m: FloatArray, cv_pct: FloatArray, limit_pct: float) -> FloatArray:
    """The upper end of the widest band within the limit that is not narrow, of CVs (W, ...); 0 where there is none."""
    within = cv_pct <= limit_pct
    broad = within.copy()
    broad[1:] &= within[:-1]  # two neighbouring widths at least, so that a narrow band is none
    last = len(width_m) - 1 - broad[::-1].argmax(axis=0)
    after = np.minimum(last + 1, len(width_m) - 1)
    at, beyond = (np.take_along_axis(cv_pct, one[None], axis=0)[0] for one in (last, after))
    rise = np.where(beyond > at, beyond - at, 1.0)
    part = np.where((after > last) & (beyond > at), np.clip((limit_pct - at) / rise, 0.0, 1.0), 0.0)
    ends = width_m[last] + part * (width_m[1] - width_m[0] if len(width_m) > 1 else 0.0)
    return np.where(broad.any(axis=0), ends, 0.0)


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
    reference_m: float | None,
) -> Figures:
    """Every figure that is compared, for many profiles (profiles, n) at once; NaN where there is none."""
    step = float(place_m[-1] - place_m[0]) / (len(place_m) - 1)
    area = step * rates.sum(axis=1)
    found: Figures = {} if reference_m is None else {("mean rate", ""): area / reference_m}
    found["centre", ""] = step * rates @ place_m / area
    at = np.clip(-place_m / step, -1.0, 1.0)  # what of each triangle lies left of the driving line
    left = step * np.where(at < 0, (1 + at) ** 2 / 2, 1 - (1 - at) ** 2 / 2)
    found["left share", ""] = 100 * (rates @ left) / area
    widths = widths_from(2 * step, float(np.ptp(place_m)))
    asked = [] if width_m is None else [width_m]
    cvs = {method: Fold(place_m, np.array([*asked, *widths]), method).cv_pct(rates).T for method in methods}
    if width_m is not None:
        few = width_m < (2 - 1e-9) * step
        found |= {("CV", method): np.full(len(rates), np.nan) if few else cv[0] for method, cv in cvs.items()}
    for method, cv in cvs.items():
        ends = upper_ends(widths, cv[len(asked) :], limit_pct)
        found["effective width", method] = np.where(ends > 0, ends, np.nan)
    return found
