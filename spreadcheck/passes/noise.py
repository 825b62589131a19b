"""The one model of the noise: what counting, scatter, gusts and wandering add to a catch, weighed by the passes.

Catches are taken in units of the peak of the mean pass r. One pass departs from what the machine would throw on
average by a noise with the covariance

    S = diag(k max(r, 0.02) + s^2 r^2 + q) + g^2 (r r') o exp(-|dx| / length) + w^2 r_x r_x'

k counting at the peak, s scatter from tray to tray, g gusts that lift neighbouring trays together, w sideways wandering
in metres (r_x the slope of r), q reading the scale. None of them is known before the test. So many guesses are drawn
from a stated population, and each is weighed by how well it explains how the passes differ (each pass's own total taken
out). With one pass all weigh the same: then the noise is the stated population's and nothing of the test's own.

What all passes of one test share can't be seen in how they differ: `Stated` has it, each with its default.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.limits import LIMITS
from spreadcheck.passes.granules import granules_of, missing_for_counting, reading_error_g
from spreadcheck.passes.passes import Passes
from spreadcheck.sheet.traytest import FloatArray

Floats = NDArray[np.float32]  # draws are many and rough: half the memory, twice the speed

FROM_PASSES = "passes"
FROM_STATED = "stated population"

GUESSES = 400
MOST_TRAYS = 120  # that guesses are weighed on; of more, every second, third ... is taken
_BASES = (2, 3, 5, 7, 11)
_SCATTER, _GUSTS, _WANDER_M = 0.04, 0.10, 0.30  # scales of half-normal laws
_GUSTS_ONE_PASS = 0.07
_NONE, _NONE_ONE_PASS = 0.20, 0.30  # chance that there are no gusts, or no wandering, at all
_LENGTH_M = (1.0, 8.0)  # of gusts along the line
_COUNTING = (0.02, 0.15)  # CV of a catch at the peak, where granules are not known
_FLOOR = 0.02  # of the peak: a catch is never less noisy than one of this size
_READING = 1e-6  # variance of a reading over the peak squared, where the scale is not known
_PRIOR = 2.0  # what the population's own size counts for, in degrees of freedom
_CHUNK = 2_000_000  # numbers of all covariances that are held at a time


@record
class Stated:
    """What one test can't see, as standard deviations: stated, and added to every interval.

    `tray_efficiency_pct` is how far trays differ in what they keep of what falls on them; `laying_error_m` how far the
    line lay off the driving line; `wind_shift_m` how far the wind of the day moved the pattern.
    """

    tray_efficiency_pct: float = LIMITS["tray efficiency"].value
    laying_error_m: float = LIMITS["laying error"].value
    wind_shift_m: float = LIMITS["wind of the day"].value

    def __post_init__(self) -> None:
        for name, value, most in (
            ("tray efficiency", self.tray_efficiency_pct, 50.0),
            ("laying error", self.laying_error_m, 10.0),
            ("wind of the day", self.wind_shift_m, 20.0),
        ):
            if not 0 <= value <= most:
                raise QuantityError(Fault(name, f"{value:g} can't be", f"give a number from 0 to {most:g}"))

    @property
    def shift_m(self) -> float:
        """Laying error and wind of the day together; they are independent, so their squares add. [m]"""
        return float(np.hypot(self.laying_error_m, self.wind_shift_m))


NOTHING_STATED = Stated(0.0, 0.0, 0.0)


@record
class Agreement:
    """Variance between passes over that of counting granules, and the range in which chance leaves 95 % of ratios."""

    ratio: float
    low: float
    high: float

    @property
    def agree(self) -> bool:
        """Whether chance explains the difference."""
        return self.low <= self.ratio <= self.high


@record(eq=False)
class Noise:
    """The noise of a test. `rate_kg_ha` is the mean at each tray with a usable catch, `used` the passes behind it.

    `source` says where it is known from: "passes", "stated population" (one pass, granules known), or "" where it is
    not. A guess has a `weight`; its parts are in units of the peak rate (`counting` as a variance), `scale` is what the
    passes make of its size, and `freedom` the degrees of freedom behind that (infinite where none was fitted).
    `residual` is what each pass differs from the mean, its own level taken out (trays x passes, 0 where not weighed),
    and `by_granules` the variance of a catch at the peak by counting alone, where granules are known; both in units of
    the peak.
    """

    source: str
    missing: tuple[str, ...]
    passes: int
    offset_m: FloatArray
    rate_kg_ha: FloatArray
    used: FloatArray
    reading: float
    scatter: FloatArray
    gusts: FloatArray
    wander_m: FloatArray
    length_m: FloatArray
    counting: FloatArray
    weight: FloatArray
    scale: FloatArray
    freedom: float
    residual: FloatArray
    by_granules: float | None

    @property
    def known(self) -> bool:
        """Whether anything can be said about the noise."""
        return bool(self.source)

    @property
    def peak_kg_ha(self) -> float:
        """The largest mean rate. [kg/ha]"""
        return float(self.rate_kg_ha.max())

    @cached_property
    def agreement(self) -> Agreement | None:
        """Whether the passes differ as counting their granules says they should; None where that is not known."""
        if self.source != FROM_PASSES or self.by_granules is None:
            return None
        r = self.rate_kg_ha / self.peak_kg_ha
        counted = self.by_granules * r + self.reading
        squares = (self.residual**2).sum() / (self.passes - 1) / (counted * (1 - r / r.sum())).sum()
        freedom = (self.passes - 1) * counted.sum() ** 2 / (counted**2).sum()
        return Agreement(float(squares), *(_ratio_by_chance(freedom, z) for z in (-_Z95, _Z95)))

    @cached_property
    def neighbours(self) -> tuple[float, float]:
        """Correlation of neighbouring trays from pass to pass, and its standard error if there were none."""
        r = self.rate_kg_ha / self.peak_kg_ha
        both = (r[:-1] > 0) & (r[1:] > 0)
        if self.source != FROM_PASSES or not both.any():
            return 0.0, float("inf")
        share = self.residual[:-1][both], self.residual[1:][both]
        size = np.sqrt(r[:-1] * r[1:])[both][:, None]
        squares = ((share[0] ** 2 + share[1] ** 2) / 2 / size).sum()
        products = (share[0] * share[1] / size).sum()
        error = 1 / np.sqrt(both.sum() * (self.passes - 1.0))
        return (float(products / squares) if squares > 0 else 0.0), float(error)

    @cached_property
    def slope(self) -> FloatArray:
        """Slope of the mean pass over its peak, smoothed over three trays. [1/m]"""
        return slope_of(self.offset_m, self.rate_kg_ha / self.peak_kg_ha)

    def parts(self) -> dict[str, float]:
        """Expected standard deviation of each part for one catch at the peak, and of wandering. [-, m]"""
        size = self.weight * self.scale
        return {
            "counting": float(np.sqrt(size @ self.counting)),
            "scatter": float(np.sqrt(size @ self.scatter**2)),
            "gusts": float(np.sqrt(size @ self.gusts**2)),
            "wander_m": float(np.sqrt(size @ self.wander_m**2)),
        }

    def variance_at(self, rate_kg_ha: FloatArray) -> FloatArray:
        """Variance of one catch at a rate, without wandering, which depends on the slope too. [(kg/ha)^2]"""
        size, r = self.weight * self.scale, np.asarray(rate_kg_ha) / self.peak_kg_ha
        law = size @ self.counting * np.maximum(r, _FLOOR) + size @ (self.scatter**2 + self.gusts**2) * r**2
        return np.asarray((law + size.sum() * self.reading) * self.peak_kg_ha**2)

    @cached_property
    def variance(self) -> FloatArray:
        """Variance of one catch at each weighed tray. [(kg/ha)^2]"""
        wander = (self.weight * self.scale) @ self.wander_m**2 * self.slope**2
        return np.asarray(self.variance_at(self.rate_kg_ha) + wander * self.peak_kg_ha**2)

    @cached_property
    def error_kg_ha(self) -> FloatArray:
        """Standard error of the mean rate at each weighed tray. [kg/ha]"""
        return np.sqrt(self.variance / self.used)

    def of_at_most(self, trays: int) -> Noise:
        """The noise at so many trays along the line, ends and peak among them: enough to draw a long line by."""
        if len(self.offset_m) <= trays:
            return self
        at = np.linspace(0, len(self.offset_m) - 1, trays - 1).astype(int)
        at = np.unique(np.append(at, self.rate_kg_ha.argmax()))
        lists = {name: getattr(self, name)[at] for name in ("offset_m", "rate_kg_ha", "used", "residual")}
        return replace(self, **lists)

    def drawn(
        self,
        draws: int,
        rng: np.random.Generator,
        offset_m: FloatArray | None = None,
        rate_kg_ha: FloatArray | None = None,
    ) -> Floats:
        """Noise of the mean of all passes, a column a draw; at the weighed trays, or at others of the same pattern.

        A draw is a guess, chosen by its weight, and one noise with that guess's covariance: no covariance is built.
        """
        if offset_m is None or rate_kg_ha is None:
            offset_m, rate_kg_ha, share = self.offset_m, self.rate_kg_ha, 1.0 / self.used
        else:
            share = np.full(len(offset_m), 1.0 / self.passes)
        slope = slope_of(offset_m, rate_kg_ha / self.peak_kg_ha)
        r = (rate_kg_ha / self.peak_kg_ha).astype(np.float32)
        guess = np.searchsorted(np.cumsum(self.weight), (np.arange(draws) + rng.random()) / draws * self.weight.sum())
        guess = rng.permutation(np.minimum(guess, len(self.weight) - 1))
        size = np.sqrt(self.scale[guess])
        if np.isfinite(self.freedom):
            size *= np.sqrt(self.freedom / rng.chisquare(self.freedom, draws))
        counting, scatter, gusts, wander = (
            np.asarray(part[guess], dtype=np.float32)
            for part in (self.counting, self.scatter, self.gusts, self.wander_m)
        )
        normal = rng.standard_normal((len(r), draws), dtype=np.float32)
        own = np.maximum(r, np.float32(_FLOOR))[:, None] * counting + (r**2)[:, None] * scatter**2
        noise = np.sqrt(own + np.float32(self.reading)) * normal
        noise += (r[:, None] * gusts) * _along_line(offset_m, self.length_m[guess], rng)
        noise += slope[:, None].astype(np.float32) * (wander * rng.standard_normal(draws, dtype=np.float32))
        noise *= size.astype(np.float32)
        noise *= np.sqrt(share)[:, None].astype(np.float32) * np.float32(self.peak_kg_ha)
        return noise


def _along_line(offset_m: FloatArray, length_m: FloatArray, rng: np.random.Generator) -> Floats:
    """Noise of unit variance that fades along the line as exp(-distance / length); a column a length."""
    normal = rng.standard_normal((len(offset_m), len(length_m)), dtype=np.float32)
    for tray, gap in enumerate(np.diff(offset_m), start=1):
        kept = np.exp(-gap / length_m).astype(np.float32)
        normal[tray] = kept * normal[tray - 1] + np.sqrt(1 - kept**2) * normal[tray]
    return normal


def stated_noise(
    stated: Stated, offset_m: FloatArray, rate_kg_ha: FloatArray, draws: int, rng: np.random.Generator
) -> tuple[Floats, Floats]:
    """What one test can't see, drawn: by trays that keep more or less, and by a shift; each (trays, draws). [kg/ha]"""
    normal = rng.standard_normal((len(offset_m), draws), dtype=np.float32)
    trays = (stated.tray_efficiency_pct / 100 * rate_kg_ha)[:, None].astype(np.float32) * normal
    shift = (stated.shift_m * slope_of(offset_m, rate_kg_ha))[:, None].astype(np.float32)
    return trays, shift * rng.standard_normal(draws, dtype=np.float32)


_Z95 = 1.959964  # 95 % of a normal distribution lie within so many sigma


def _ratio_by_chance(freedom: float, z: float) -> float:
    """Quantile of chi-square over its degrees of freedom, by Wilson and Hilferty (1931): no scipy is loaded for it."""
    part = 2.0 / (9.0 * freedom)
    return float(max(1.0 - part + z * part**0.5, 0.0) ** 3)


def slope_of(offset_m: FloatArray, rate: FloatArray) -> FloatArray:
    """Slope of a pattern, smoothed over three trays by (1/4, 1/2, 1/4)."""
    if len(rate) < 3:
        return np.asarray(np.gradient(rate, offset_m))
    smooth = rate.copy()
    smooth[1:-1] = (rate[:-2] + 2 * rate[1:-1] + rate[2:]) / 4
    return np.asarray(np.gradient(smooth, offset_m))


def noise_of(account: Passes) -> Noise:
    """The noise of a test, weighed by how its passes differ."""
    kept, mean = account.used > 0, account.mean_kg_ha
    rates, mean = account.rate_kg_ha[kept], mean[kept]
    rates = rates[:, np.nansum(rates, axis=0) > 0]
    passes = rates.shape[1]
    test, missing = account.test, missing_for_counting(account.test)
    several = passes > 1 and bool((account.used > 1).any())
    peak = float(mean.max())
    per_gram = 10.0 / (test.runs_per_catch * test.tray_width_m * test.tray_length_m * peak)
    step, grain = test.quantity("scale resolution"), granules_of(test)
    to_rates = not account.relative
    reading = (reading_error_g(step) * per_gram) ** 2 if step is not None and to_rates else _READING
    counting = grain.mean_mass_g * grain.mass_spread**2 * per_gram if grain is not None and not missing else None
    guesses = _population(counting, one_pass=not several)
    base: dict[str, Any] = {
        "missing": missing,
        "passes": passes,
        "offset_m": account.offset_m[kept],
        "rate_kg_ha": mean,
        "used": account.used[kept].astype(float),
        "reading": max(reading, _READING),
        "by_granules": counting,
        "residual": np.zeros((len(mean), 0)),
        **guesses,
    }
    if not several:
        even = np.full(GUESSES, 1.0 / GUESSES)
        source = FROM_STATED if counting is not None else ""
        return Noise(source=source, weight=even, scale=np.ones(GUESSES), freedom=np.inf, **base)
    base["residual"] = _residuals(rates / peak, mean / peak)
    weight, scale, freedom = _weighed(base, float(np.isnan(rates).sum()))
    return Noise(source=FROM_PASSES, weight=weight, scale=scale, freedom=freedom, **base)


def _residuals(rates: FloatArray, r: FloatArray) -> FloatArray:
    """What each pass differs from the mean pass, its own level taken out, for a pass as heavy as the mean one."""
    known = ~np.isnan(rates)
    level = np.nansum(rates, axis=0) / np.maximum((known * r[:, None]).sum(axis=0), 1e-12)
    residual = np.where(known, rates / level - r[:, None], 0.0)
    return np.asarray(residual - r[:, None] * (residual.sum(axis=0) / r.sum()))


def _population(counting: float | None, *, one_pass: bool) -> dict[str, FloatArray]:
    """The guesses: Halton points of the stated population, so that the same test gets the same ones."""
    from statistics import NormalDist

    normal, u = NormalDist(), np.array([_halton(base) for base in _BASES])
    none = _NONE_ONE_PASS if one_pass else _NONE

    def half_normal(share: FloatArray) -> FloatArray:
        return np.array([normal.inv_cdf((1 + max(each, 0.0)) / 2) for each in share.tolist()])

    def or_none(share: FloatArray) -> FloatArray:
        return np.where(share < none, 0.0, half_normal((share - none) / (1 - none)))

    low, high = _COUNTING
    by_granules = (low * (high / low) ** u[4]) ** 2
    return {
        "scatter": _SCATTER * half_normal(u[0]),
        "gusts": (_GUSTS_ONE_PASS if one_pass else _GUSTS) * or_none(u[1]),
        "wander_m": _WANDER_M * or_none(u[2]),
        "length_m": _LENGTH_M[0] * (_LENGTH_M[1] / _LENGTH_M[0]) ** u[3],
        "counting": by_granules if counting is None else np.full(GUESSES, counting),
    }


def _halton(base: int) -> FloatArray:
    """The first points of van der Corput's sequence: digits of 1, 2, 3 ... mirrored at the point."""
    number, point, share = np.arange(1, GUESSES + 1), np.zeros(GUESSES), 1.0 / base
    while number.any():
        number, digit = np.divmod(number, base)
        point += digit * share
        share /= base
    return point


def _weighed(base: dict[str, Any], missing: float) -> tuple[FloatArray, FloatArray, float]:
    """Weight and scale of each guess, and the degrees of freedom behind the scale.

    With each pass's total taken out, residuals have the covariance H S H', H = I - r 1' / sum r, of rank n - 1: any
    n - 1 trays hold all of it. The scale has the inverse-gamma law, and is integrated out of the weight.
    """
    trays, passes = base["residual"].shape
    r = base["rate_kg_ha"] / base["rate_kg_ha"].max()
    slope = slope_of(base["offset_m"], r)
    telling = np.flatnonzero(r > _FLOOR)  # trays that catch next to nothing agree in that, and say nothing of the rest
    telling = telling[:: -(-len(telling) // MOST_TRAYS)]
    r, slope, x, n = r[telling], slope[telling], base["offset_m"][telling], len(telling)
    differing = max(1.0 - missing / (trays * (passes - 1.0)), 0.1)  # a catch that is missing differs by nothing
    residual = base["residual"][telling] / np.sqrt(differing)
    residual -= r[:, None] * (residual.sum(axis=0) / r.sum())
    if passes > n:  # only R R' counts, which fewer columns hold as well
        residual = np.linalg.qr(residual.T)[1].T
    squares, log_size = np.empty(GUESSES), np.empty(GUESSES)
    step = max(_CHUNK // (n + residual.shape[1]) ** 2, 1)
    for first in range(0, GUESSES, step):
        part = slice(first, first + step)
        guess = {key: base[key][part] for key in _PARTS}
        squares[part], log_size[part] = _fit(r, slope, x, residual, guess, base["reading"])
    freedom = (passes - 1.0) * (n - 1.0) + _PRIOR
    log_weight = -(passes - 1) / 2 * log_size - freedom / 2 * np.log(squares + _PRIOR)
    weight = np.exp(log_weight - log_weight.max())
    return weight / weight.sum(), (squares + _PRIOR) / freedom, freedom


_PARTS = ("scatter", "gusts", "wander_m", "length_m", "counting")


def _fit(
    r: FloatArray, slope: FloatArray, x: FloatArray, residual: FloatArray, guess: dict[str, FloatArray], reading: float
) -> tuple[FloatArray, FloatArray]:
    """tr(M^-1 R R') and log|M| of each guess; in single precision where that will do."""
    try:
        return _factored(r, slope, x, residual, guess, reading, np.float32)
    except np.linalg.LinAlgError:
        return _factored(r, slope, x, residual, guess, reading, np.float64)


def _factored(
    r: FloatArray,
    slope: FloatArray,
    x: FloatArray,
    residual: FloatArray,
    guess: dict[str, FloatArray],
    reading: float,
    kind: type[np.floating[Any]],
) -> tuple[FloatArray, FloatArray]:
    """The same by one Cholesky factor of M bordered by the residuals."""
    n, passes = residual.shape
    count, total = len(guess["scatter"]), r.sum()
    s = np.multiply.outer((-1 / guess["length_m"]).astype(kind), np.abs(x[:, None] - x).astype(kind))
    np.exp(s, out=s)
    s *= np.outer(r, r).astype(kind)
    s *= (guess["gusts"] ** 2).astype(kind)[:, None, None]
    s += np.multiply.outer((guess["wander_m"] ** 2).astype(kind), np.outer(slope, slope).astype(kind))
    own = guess["counting"][:, None] * np.maximum(r, _FLOOR) + (guess["scatter"] ** 2)[:, None] * r**2 + reading
    s[:, np.arange(n), np.arange(n)] += own.astype(kind)
    # H S H' = S - c r' - r c' with c the row sums over sum r, less half of what they have in common
    row = s.sum(axis=2) / kind(total)
    row -= (row.sum(axis=1) / kind(2 * total))[:, None] * r.astype(kind)
    kept = np.delete(np.arange(n), int(r.argmax()))
    bordered = np.zeros((count, n - 1 + passes, n - 1 + passes), dtype=kind)
    inner = bordered[:, : n - 1, : n - 1]
    inner[...] = s[:, kept[:, None], kept]
    cross = row[:, kept, None] * r[kept].astype(kind)
    inner -= cross
    inner -= cross.transpose(0, 2, 1)
    bordered[:, n - 1 :, : n - 1] = residual[kept].T
    bordered[:, np.arange(n - 1, n - 1 + passes), np.arange(n - 1, n - 1 + passes)] = 1e30
    factor = np.linalg.cholesky(bordered)
    fitted = (factor[:, n - 1 :, : n - 1] ** 2).sum(axis=(1, 2), dtype=float)
    size = 2 * np.log(factor[:, np.arange(n - 1), np.arange(n - 1)]).sum(axis=1, dtype=float)
    return fitted, size
