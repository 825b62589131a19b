"""True patterns that fit the readings of the trays: noise is drawn again and taken back out, at every width.

Squares of a deposit come from products of tray rates that lie so many spacings apart: round-and-round, the mean square
over a bout of width w is sum over k of R(k w) / w, R the pattern's autocorrelation; back-and-forth every second term is
C((2 k + 1) w), C the pattern folded with its mirror image. Between whole spacings R and C are interpolated. At tray
points this is the CV with divisor n, on average over where the line may lie. It is linear in the products, so thousands
of draws at hundreds of widths cost one product of matrices.

Trays read ||d + e||, d how the true deposit departs from its mean and e noise. Noise adds to the reading far more often
than it takes away. So each draw asks how large d must be for d + e to read what was read. With d of length 1,
|z d + e| is at most what was read for z from -p - c to -p + c, where p = d.e and c^2 = p^2 - |e|^2 + (what was
read)^2. Where 0 lies inside, the answer is the upper end c - p; where all of it lies above 0, its length 2 c; where
there is no such z the noise alone reads more, and the answer is 0.
"""

from __future__ import annotations

from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import record
from spreadcheck.passes.noise import Floats
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import FloatArray

AnyFloats = NDArray[np.floating[Any]]
_FEW_POINTS = 150  # up to which sums are quicker than Fourier transforms
_LEAST_OF_FLOOR = 0.05  # of the floor's square: a smaller reading has no direction of its own
_ROUGH_DRAWS = 100  # enough for a mean over draws


@record(eq=False)
class Line:
    """An even line of points, and how the trays make the rates on it, tails included: points x trays."""

    first_m: float
    spacing_m: float
    from_trays: FloatArray

    @property
    def points(self) -> int:
        """How many points."""
        return len(self.from_trays)


@record(eq=False)
class Products:
    """What many patterns on one line come to: totals, and the products of rates so many points apart.

    `total` has shape (draws,), `apart` (points, draws) and `folded` (2 points - 1, draws).
    """

    total: AnyFloats
    apart: AnyFloats
    folded: AnyFloats

    @property
    def mean(self) -> Products:
        """As of one pattern, on average over the draws."""
        return Products(
            np.sqrt((self.total.astype(float) ** 2).mean(keepdims=True)),
            self.apart.mean(axis=1, dtype=float, keepdims=True),
            self.folded.mean(axis=1, dtype=float, keepdims=True),
        )


def products(rates: AnyFloats) -> Products:
    """Products of patterns that are given as columns of rates on a line."""
    points = len(rates)
    if rates.shape[1] == 1:
        one = rates[:, 0]
        return Products(
            rates.sum(axis=0), np.convolve(one, one[::-1])[points - 1 :, None], np.convolve(one, one)[:, None]
        )
    if points <= _FEW_POINTS:
        apart = np.stack([_sum_of(rates[: points - m], rates[m:]) for m in range(points)])
        ends = [(max(s - points + 1, 0), min(s, points - 1) + 1) for s in range(2 * points - 1)]
        mirror = rates[::-1]
        folded = np.stack([_sum_of(rates[a:b], mirror[points - b : points - a]) for a, b in ends])
        return Products(rates.sum(axis=0), apart, folded)
    size = 1 << (2 * points - 1).bit_length()
    waves = np.fft.rfft(rates, size, axis=0)
    apart = np.fft.irfft((waves * waves.conj()).real, size, axis=0)[:points]
    folded = np.fft.irfft(waves * waves, size, axis=0)[: 2 * points - 1]
    return Products(rates.sum(axis=0), apart, folded)


def _sum_of(one: AnyFloats, other: AnyFloats) -> AnyFloats:
    return np.asarray(np.einsum("id,id->d", one, other))


@record(eq=False)
class Bouts:
    """Bouts of several widths for one driving method, as weights on products of rates."""

    width_m: FloatArray
    spacing_m: float
    apart: FloatArray
    folded: FloatArray | None

    def mean(self, total: AnyFloats) -> FloatArray:
        """Mean deposit of each bout; shape (widths, draws)."""
        return np.asarray((self.spacing_m / self.width_m)[:, None] * total)

    def variance(self, of: Products) -> FloatArray:
        """Variance of the deposit in each bout, with divisor n; shape (widths, draws)."""
        kind = of.apart.dtype
        squares = self.apart.astype(kind) @ of.apart
        if self.folded is not None:
            squares += self.folded.astype(kind) @ of.folded
        mean = (self.spacing_m / self.width_m).astype(kind)[:, None] * of.total
        squares -= mean * mean
        return np.asarray(squares)

    def along(self, pattern: FloatArray) -> FloatArray:
        """Covariance of a pattern's deposit with those of others, as weights on their rates: widths x points."""
        points, size = len(pattern), 1 << (3 * len(pattern) - 2).bit_length()
        waves = np.fft.rfft(pattern, size)
        both_ways = np.concatenate((self.apart[:, :0:-1] / 2, self.apart[:, :1], self.apart[:, 1:] / 2), axis=1)
        weights = np.fft.irfft(np.fft.rfft(both_ways, size) * waves, size)[:, points - 1 : 2 * points - 1]
        if self.folded is not None:
            weights += np.fft.irfft(np.fft.rfft(self.folded, size) * waves.conj(), size)[:, :points]
        share = self.spacing_m / self.width_m
        return np.asarray(weights - (share**2 * pattern.sum())[:, None])


def bouts_on(line: Line, width_m: FloatArray, method: str) -> Bouts:
    """The weights that give mean squares of the deposit at each width."""
    widths, points, h = np.asarray(width_m, dtype=float), line.points, line.spacing_m
    last = points - 1
    if method != BACK_AND_FORTH:
        apart = _kernel(widths, widths / h, 0.0, -last, last)
        return Bouts(widths, h, h / widths[:, None] * _both_sides(apart), None)
    apart = _kernel(widths, 2 * widths / h, 0.0, -last, last)
    first = 2 * line.first_m / h
    folded = _kernel(widths, 2 * widths / h, widths / h - first, 0, 2 * last)
    share = h / widths[:, None]
    return Bouts(widths, h, share * _both_sides(apart), share * folded)


def _both_sides(kernel: FloatArray) -> FloatArray:
    """Weights for distances to the left and to the right as weights for distances."""
    middle = kernel.shape[1] // 2
    one = kernel[:, middle:].copy()
    one[:, 1:] += kernel[:, middle - 1 :: -1]
    return one


def _kernel(widths: FloatArray, step: FloatArray, start: FloatArray | float, low: int, high: int) -> FloatArray:
    """Weights that sum a curve, known at whole numbers low to high, over start + k step for all whole k."""
    start = np.broadcast_to(np.asarray(start, dtype=float), step.shape)
    most = int(np.ceil(((high - low) / step).max())) + 2
    k = np.floor((low - start) / step)[:, None] + np.arange(most + 1)
    place = start[:, None] + k * step[:, None]
    whole = np.floor(place)
    part = place - whole
    weights = np.zeros((len(widths), high - low + 1))
    row = np.broadcast_to(np.arange(len(widths))[:, None], place.shape)
    for offset, share in zip((-1, 0, 1, 2), _cubic(part), strict=True):
        column = (whole + offset - low).astype(np.intp)
        inside = (column >= 0) & (column <= high - low)
        flat = row[inside] * weights.shape[1] + column[inside]
        weights += np.bincount(flat, share[inside], weights.size).reshape(weights.shape)
    return weights


def _cubic(part: FloatArray) -> tuple[FloatArray, ...]:
    """Weights of the four neighbours in cubic interpolation (Keys 1981, a = -1/2)."""
    t = part
    return (
        ((-0.5 * t + 1.0) * t - 0.5) * t,
        (1.5 * t - 2.5) * t * t + 1.0,
        ((-1.5 * t + 2.0) * t + 0.5) * t,
        (0.5 * t - 0.5) * t * t,
    )


@record(eq=False)
class Likely:
    """True patterns that fit the readings of the trays, as CV on the true line; shape (widths, draws). [%]

    `read_pct` is the CV at the trays with divisor n, `floor_pct` what noise alone reads there on average.
    """

    cv_pct: Floats
    read_pct: FloatArray
    floor_pct: FloatArray


@record(eq=False)
class Drawn:
    """A pattern on a line, and draws of its noise there with their products, which serve all widths and methods."""

    line: Line
    pattern: FloatArray
    noise: Floats
    products: Products
    rough: Products
    between: Floats

    @cached_property
    def noise_mean(self) -> Products:
        """The products of the noise, on average over the draws."""
        return self.products.mean

    @cached_property
    def rough_mean(self) -> Products:
        """The products of the second differences along the line that the noise makes, on average."""
        return self.rough.mean


def on_line(line: Line, rates: FloatArray, noise: Floats, between: Floats) -> Drawn:
    """Rates and noise at the trays (a column a draw) on a line; `between` are standard normal numbers, one a draw."""
    drawn = line.from_trays.astype(np.float32) @ noise
    rough = products(_bends(drawn[:, :_ROUGH_DRAWS]))
    return Drawn(line, line.from_trays @ rates, drawn, products(drawn), rough, between)


def likely_cv(on: Drawn, bouts: Bouts) -> Likely:
    """True CVs that go with what was read, one a draw; a draw is one noise of the line, the same for all widths."""
    pattern, drawn, between = on.pattern, on.noise, on.between
    mean = bouts.mean(np.array([pattern.sum()]))
    read = np.maximum(bouts.variance(products(pattern[:, None])), 0.0)
    extra = np.maximum(bouts.variance(on.products), np.float32(0))
    floor = noise_floor(on, bouts)[:, None] ** 2
    # a reading below the floor says only that the truth is small: it is judged as one at the floor
    judged = np.sqrt(np.maximum(read, floor))
    length = np.sqrt(np.maximum(read, np.maximum(_LEAST_OF_FLOOR * floor, 1e-30)))
    along = (bouts.along(pattern) / length).astype(np.float32) @ drawn
    level = (1 / pattern.sum()).astype(np.float32) * on.products.total
    sought = (judged.astype(np.float32) * (1 + level)) ** 2
    half = np.sqrt(np.maximum(along * along + sought - extra, np.float32(0)))
    z = half - np.clip(along, -half, half)
    squares = (z / mean.astype(np.float32)) ** 2 + _between(on, bouts, mean)[:, None] * between
    cv = np.float32(100) * np.sqrt(np.maximum(squares, np.float32(0)))
    return Likely(cv, 100.0 * (np.sqrt(read) / mean)[:, 0], 100.0 * (np.sqrt(floor) / mean)[:, 0])


def noise_floor(on: Drawn, bouts: Bouts) -> FloatArray:
    """Standard deviation in each bout, with divisor n, that the noise alone puts there on average."""
    return np.asarray(np.sqrt(np.maximum(bouts.variance(on.noise_mean)[:, 0], 0.0)))


def _between(on: Drawn, bouts: Bouts, mean: FloatArray) -> Floats:
    """How far the square of the CV may be off for what the pattern does between trays, as a standard deviation."""
    bent = bouts.variance(products(_bends(on.pattern[:, None])))[:, 0]
    roughness = np.maximum(bent - bouts.variance(on.rough_mean)[:, 0], 0.0) / 6 / mean[:, 0] ** 2
    return np.asarray(roughness * np.sqrt(2 * on.line.spacing_m / bouts.width_m), dtype=np.float32)


def _bends(rates: AnyFloats) -> AnyFloats:
    """Second differences along the line, which ends in nothing."""
    padded = np.pad(rates, ((1, 1), (0, 0)))
    return np.asarray(padded[:-2] - 2 * padded[1:-1] + padded[2:])


def widest_within(width_m: FloatArray, cv_pct: AnyFloats, limit_pct: float, narrow_m: float) -> FloatArray:
    """The upper end of the widest band of each curve that is not narrow; 0 if there is none; shape (draws,). [m]

    Curves are columns; between widths they are straight. Where the widest width is within, that is the answer.
    """
    within = cv_pct <= limit_pct
    wide = _not_narrow(width_m, within, narrow_m)
    last = len(width_m) - 1 - np.argmax(wide[::-1], axis=0)
    column = np.arange(cv_pct.shape[1])
    beyond = np.minimum(last + 1, len(width_m) - 1)
    low, high = cv_pct[last, column].astype(float), cv_pct[beyond, column].astype(float)
    rise = np.where((beyond > last) & (high > low), high - low, 1.0)
    part = np.where((beyond > last) & (high > low), (limit_pct - low) / rise, 0.0)
    crossing = width_m[last] + part * (width_m[beyond] - width_m[last])
    return np.where(wide.any(axis=0), crossing, 0.0)


def _not_narrow(width_m: FloatArray, within: NDArray[np.bool_], narrow_m: float) -> NDArray[np.bool_]:
    """Where a curve is within the limit for a stretch of at least `narrow_m`."""
    step = float(np.diff(width_m).max()) if len(width_m) > 1 else narrow_m
    run = max(int(np.ceil(narrow_m / step)), 1)
    if run <= 1 or len(width_m) <= run:
        return within
    counts = np.cumsum(np.pad(within, ((1, 0), (0, 0))), axis=0, dtype=np.int32)
    full = counts[run:] - counts[:-run] == run  # a run that starts here
    wide = np.zeros_like(within)
    for shift in range(run):
        wide[shift : shift + len(full)] |= full
    return wide
