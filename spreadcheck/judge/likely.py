"""True patterns that fit the readings of the trays: noise is drawn again and taken back out; see docs/confidence.md.

Squares of a deposit are sums of products of rates: R(k w) / w round-and-round, every second one C((2 k + 1) w) / w
back-and-forth; of a pattern that lies aside by a it is C(t - 2 a). Trays read |z d + e|, d of length 1 the direction in
which the true deposit departs from its mean and e the noise. That is at most what was read for z from -p - c to -p + c,
where p = d.e and c^2 = p^2 - |e|^2 + (what was read)^2. Where 0 lies inside, the answer is the upper end c - p; where
all of it lies above 0, its length 2 c; where there is no such z the noise alone reads more, and the answer is 0. Of the
square of a blurred pattern v |d'|^2 is lost, d' its slope; all of a wave is put back by exp(v |d'|^2 / |d|^2).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import record
from spreadcheck.passes.noise import Floats, NoiseDrawn
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import FloatArray

AnyFloats = NDArray[np.floating[Any]]
Taps = Callable[[FloatArray], tuple[FloatArray, ...]]
_FEW_POINTS = 150  # up to which sums are quicker than Fourier transforms
_LEAST_OF_FLOOR = 0.05  # of the floor's square: a smaller reading has no direction of its own
_MOST_BLURRED = 2.0  # of the logarithm of the square: more can't be put back
_SLOPES_OVER_M = 1.0  # distance over which slopes are taken: over less they are nothing but noise
_MOST_PLACES = 65  # at which a moved pattern is looked at


@record(eq=False)
class Line:
    """An even line of points, and how the trays make the rates on it, tails included: points x trays."""

    first_m: float
    spacing_m: float
    from_trays: FloatArray


@record(eq=False)
class Products:
    """Of patterns on one line: totals (draws,), products so many points `apart` (points, draws), and `folded` ones."""

    total: AnyFloats
    apart: AnyFloats
    folded: AnyFloats

    def bent(self, step: int) -> Products:
        """Products of the rates with their second differences along the line, over so many points each way."""
        ends = np.zeros_like(self.apart[:1]).repeat(step, axis=0)
        apart = np.concatenate((self.apart[step:0:-1], self.apart, ends))
        folded = np.pad(self.folded, ((step, step), (0, 0)))
        seconds = (one[2 * step :] - 2 * one[step:-step] + one[: -2 * step] for one in (apart, folded))
        return Products(np.zeros_like(self.total), *seconds)


def products(rates: AnyFloats) -> Products:
    """Products of patterns that are given as columns of rates on a line."""
    points = len(rates)
    if points <= _FEW_POINTS:
        apart = np.stack([np.einsum("id,id->d", rates[: points - m], rates[m:]) for m in range(points)])
        ends = [(max(s - points + 1, 0), min(s, points - 1) + 1) for s in range(2 * points - 1)]
        mirror = rates[::-1]
        folded = np.stack([np.einsum("id,id->d", rates[a:b], mirror[points - b : points - a]) for a, b in ends])
        return Products(rates.sum(axis=0), apart, folded)
    size = 1 << (2 * points - 1).bit_length()
    waves = np.fft.rfft(rates, size, axis=0)
    apart = np.fft.irfft((waves * waves.conj()).real, size, axis=0)[:points]
    folded = np.fft.irfft(waves * waves, size, axis=0)[: 2 * points - 1]
    return Products(rates.sum(axis=0), apart, folded)


@record(eq=False)
class Bouts:
    """Bouts of several widths for one driving method, as weights on products of rates."""

    width_m: FloatArray
    spacing_m: float
    first_m: float
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

    def moved(self, of: Products, shift_m: FloatArray) -> FloatArray:
        """Variance in each bout of one pattern that lies aside by each shift; shape (widths, shifts)."""
        still = self.variance(of)
        reach = float(np.abs(shift_m).max(initial=0.0))
        if self.folded is None or not reach > 0:
            return np.broadcast_to(still, (len(still), len(shift_m)))
        count = int(np.clip(np.ceil(8 * reach / self.spacing_m), 16, _MOST_PLACES - 1)) + 1
        places = np.linspace(-reach, reach, count)
        step = 2 * self.width_m / self.spacing_m
        start = (self.width_m[:, None] - 2 * self.first_m - 2 * places) / self.spacing_m
        folded = of.folded[:, 0].astype(float)
        sums = _sum_along(folded, start, step[:, None])
        here = _sum_along(folded, (self.width_m - 2 * self.first_m)[:, None] / self.spacing_m, step[:, None])
        change = (self.spacing_m / self.width_m)[:, None] * (sums - here)
        at = (shift_m + reach) / (places[1] - places[0])
        low = np.minimum(at.astype(np.intp), count - 2)
        part = at - low
        return np.asarray(still + change[:, low] * (1 - part) + change[:, low + 1] * part)

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


def bouts_on(line: Line, width_m: FloatArray, method: str, *, straight: bool = False) -> Bouts:
    """Weights for mean squares at each width: at trays wherever the line lies, or of `straight` lines between them."""
    widths, points, h = np.asarray(width_m, dtype=float), len(line.from_trays), line.spacing_m
    last, taps = points - 1, _straight if straight else _cubic
    share, every = h / widths[:, None], (2 if method == BACK_AND_FORTH else 1) * widths / h
    both = share * _kernel(widths, every, 0.0, -last, last, taps)
    apart = both[:, last:].copy()
    apart[:, 1:] += both[:, last - 1 :: -1]  # weights for distances to the left and to the right
    if method != BACK_AND_FORTH:
        return Bouts(widths, h, line.first_m, apart, None)
    folded = share * _kernel(widths, every, (widths - 2 * line.first_m) / h, 0, 2 * last, taps)
    return Bouts(widths, h, line.first_m, apart, folded)


def _kernel(
    widths: FloatArray, step: FloatArray, start: FloatArray | float, low: int, high: int, taps: Taps
) -> FloatArray:
    """Weights that sum a curve, known at whole numbers low to high, over start + k step for all whole k."""
    start = np.broadcast_to(np.asarray(start, dtype=float), step.shape)
    most = int(np.ceil(((high - low) / step).max())) + 2
    k = np.floor((low - start) / step)[:, None] + np.arange(most + 1)
    place = start[:, None] + k * step[:, None]
    whole = np.floor(place)
    part = place - whole
    weights = np.zeros((len(widths), high - low + 1))
    row = np.broadcast_to(np.arange(len(widths))[:, None], place.shape)
    for offset, share in zip((-1, 0, 1, 2), taps(part), strict=True):
        column = (whole + offset - low).astype(np.intp)
        inside = (column >= 0) & (column <= high - low)
        flat = row[inside] * weights.shape[1] + column[inside]
        weights += np.bincount(flat, share[inside], weights.size).reshape(weights.shape)
    return weights


def _sum_along(curve: FloatArray, start: FloatArray, step: FloatArray) -> FloatArray:
    """A curve, known at whole numbers from 0 and nothing beyond, summed over start + k step for all whole k."""
    most = int(np.ceil(((len(curve) + 4) / step).max())) + 2
    padded = np.pad(curve, 4)
    place = (start - step * np.floor((start + 2) / step))[..., None] + step[..., None] * np.arange(most)
    whole = np.floor(place)
    at = np.clip(whole.astype(np.intp) + 4, 1, len(padded) - 3)
    taps = zip((-1, 0, 1, 2), _cubic(place - whole), strict=True)
    return np.asarray(np.sum([(padded[at + tap] * share).sum(axis=-1) for tap, share in taps], axis=0))


def _cubic(part: FloatArray) -> tuple[FloatArray, ...]:
    """Weights of the four neighbours in cubic interpolation (Keys 1981, a = -1/2)."""
    t = part
    return (
        ((-0.5 * t + 1.0) * t - 0.5) * t,
        (1.5 * t - 2.5) * t * t + 1.0,
        ((-1.5 * t + 2.0) * t + 0.5) * t,
        (0.5 * t - 0.5) * t * t,
    )


def _straight(part: FloatArray) -> tuple[FloatArray, ...]:
    """Weights of the cubic B-spline: they give the correlations of a pattern that runs straight between its points."""
    t, u = part, 1.0 - part
    return u**3 / 6, (3 * t - 6) * t * t / 6 + 2 / 3, (3 * u - 6) * u * u / 6 + 2 / 3, t**3 / 6


@record(eq=False)
class Likely:
    """True CVs on the line that fit the trays, (widths, draws); that read, with divisor n, and its noise. [%]"""

    cv_pct: Floats
    read_pct: FloatArray
    floor_pct: FloatArray


@record(eq=False)
class Drawn:
    """A pattern on a line, draws of its noise that each moved it by `shift_m`, and the products of both."""

    line: Line
    pattern: FloatArray
    noise: Floats
    shift_m: FloatArray
    drawn: NoiseDrawn
    products: Products
    read: Products
    floor: Products


def drawn_on(line: Line, rates: FloatArray, noise: Floats, shift_m: FloatArray, drawn: NoiseDrawn) -> Drawn:
    """Rates of trays and draws of their noise, laid on a line."""
    there = np.asarray(line.from_trays.astype(np.float32) @ noise, dtype=np.float32)
    pattern, of = line.from_trays @ rates, products(there)
    total = np.sqrt((of.total.astype(float) ** 2).mean(keepdims=True))
    apart, folded = (each.mean(axis=1, dtype=float, keepdims=True) for each in (of.apart, of.folded))
    read = products(pattern[:, None])
    return Drawn(line, pattern, there, shift_m, drawn, of, read, Products(total, apart, folded))


def likely_cv(on: Drawn, bouts: Bouts) -> Likely:
    """True CVs that go with what was read, one a draw; a draw is one noise of the line, the same for all widths."""
    pattern, drawn = on.pattern, on.noise
    mean = bouts.mean(np.array([pattern.sum()]))
    read = np.maximum(bouts.variance(on.read), 0.0)
    extra = np.maximum(bouts.variance(on.products), np.float32(0))
    floor = noise_floor(on, bouts)[:, None] ** 2
    # a reading below the floor says only that the truth is small: it is judged as one at the floor
    moved = bouts.moved(on.read, on.shift_m)  # and no pattern is better than what was read is at its best place
    aside = np.where(on.drawn.adds, read - moved, moved - read)
    judged = np.maximum(read + aside, np.maximum(moved.min(axis=1, keepdims=True), floor))
    length = np.sqrt(np.maximum(read, np.maximum(_LEAST_OF_FLOOR * floor, 1e-30)))
    along = (bouts.along(pattern) / length).astype(np.float32) @ drawn
    level = (1 / pattern.sum()).astype(np.float32) * on.products.total
    sought = judged.astype(np.float32) * (1 + level) ** 2
    half = np.sqrt(np.maximum(along * along + sought - extra, np.float32(0)))
    z = half - np.clip(along, -half, half)
    h, step = on.line.spacing_m, max(round(_SLOPES_OVER_M / on.line.spacing_m), 1)
    squared = bouts.variance(on.floor.bent(step)) - bouts.variance(on.read.bent(step))
    slopes = np.maximum(squared, 0.0) / (step * h) ** 2
    lost = (slopes / np.maximum(read - floor, np.maximum(floor, 1e-30))).astype(np.float32)
    put_back = np.exp(np.minimum(lost * on.drawn.blur_m2.astype(np.float32), np.float32(_MOST_BLURRED)))
    squares = put_back * (z / mean.astype(np.float32)) ** 2
    middle = squares.mean(axis=1, keepdims=True)
    squares = middle + on.drawn.wider.astype(np.float32) * (squares - middle)
    cv = np.float32(100) * np.sqrt(np.maximum(squares, np.float32(0)))
    return Likely(cv, 100.0 * (np.sqrt(read) / mean)[:, 0], 100.0 * (np.sqrt(floor) / mean)[:, 0])


def noise_floor(on: Drawn, bouts: Bouts) -> FloatArray:
    """Standard deviation in each bout, with divisor n, that the noise alone puts there on average."""
    return np.asarray(np.sqrt(np.maximum(bouts.variance(on.floor)[:, 0], 0.0)))


def widest_within(width_m: FloatArray, cv_pct: AnyFloats, limit_pct: float, narrow_m: float) -> FloatArray:
    """The upper end of each curve's widest band that is not narrow, 0 for none; curves are columns. [m]"""
    within = wide = cv_pct <= limit_pct
    step = float(np.diff(width_m).max()) if len(width_m) > 1 else max(narrow_m, 1e-9)
    run = max(int(np.ceil(narrow_m / step)), 1)
    if 1 < run < len(width_m):  # within for a stretch of at least `narrow_m`
        counts = np.cumsum(np.pad(within, ((1, 0), (0, 0))), axis=0, dtype=np.int32)
        full = counts[run:] - counts[:-run] == run  # a run that starts here
        wide = np.zeros_like(within)
        for shift in range(run):
            wide[shift : shift + len(full)] |= full
    last = len(width_m) - 1 - np.argmax(wide[::-1], axis=0)
    column = np.arange(cv_pct.shape[1])
    beyond = np.minimum(last + 1, len(width_m) - 1)
    low, high = cv_pct[last, column].astype(float), cv_pct[beyond, column].astype(float)
    rises = (beyond > last) & (high > low)
    part = np.where(rises, (limit_pct - low) / np.where(rises, high - low, 1.0), 0.0)
    crossing = width_m[last] + part * (width_m[beyond] - width_m[last])
    return np.where(wide.any(axis=0), crossing, 0.0)
