"""The one model of the noise: what counting, scatter, gusts and wandering add to a catch, weighed by the passes.

Catches are taken in units of the peak of the mean pass r. One pass departs from what the machine would throw on
average by a noise with the covariance

    S = diag(k max(r, 0.02) + s^2 r^2 + q) + g^2 (r r') o exp(-|dx| / length) + w^2 (r_x r_x') o exp(-|dx| / bend)

k counting at the peak, s scatter from tray to tray, g gusts that lift neighbouring trays together, w sideways wandering
in metres (r_x the slope of r) of the pattern as a whole (bend infinite) or of parts of it, q reading the scale. None of
them is known before the test. So many guesses are drawn from a stated population, and each is weighed by how well it
explains how the passes differ (each pass's own total taken out). With one pass all weigh the same: then the noise is
the stated population's and nothing of the test's own.

A pattern that wanders as a whole is no noise at single trays: the mean of the passes lies aside, which does nothing
round-and-round, and is blurred. `NoiseDrawn` has both beside the noise. What all passes of one test share can't be
seen in how they differ: `Stated` has it, each with its default.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.limits import LIMITS
from spreadcheck.passes.passes import Passes
from spreadcheck.sheet.traytest import FloatArray

Floats = NDArray[np.float32]  # draws are many and rough: half the memory, twice the speed

FROM_PASSES = "passes"
FROM_STATED = "stated population"

GUESSES = 400
MOST_TRAYS = 600  # that guesses are weighed on; of more, every second, third ... is taken
_MOST_COUNTED = 120  # that independent parts are counted on
_BASES = (2, 3, 5, 7, 11, 13)
_SCATTER, _GUSTS, _WANDER_M, _BENT_M = 0.04, 0.10, 0.30, 0.60  # scales of half-normal laws
_GUSTS_ONE_PASS = 0.07
_NONE = 0.50  # chance that there are no gusts, or no wandering, at all
_LENGTH_M = (1.0, 16.0)  # of gusts along the line
_BEND_M = (4.0, 16.0)  # of parts of the pattern that wander by themselves
_COUNTING = (0.02, 0.15)  # CV of a catch at the peak, where granules are not known
_FLOOR = 0.02  # of the peak: a catch is never less noisy than one of this size
_READING = 1e-6  # variance of a reading over the peak squared, where the scale is not known
_PRIOR = 2.0  # what the population's own size counts for, in degrees of freedom
_TURNS = 8.0  # variances are larger by so much times what noise that goes together has fewer parts: see the study


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
        most_of = {"tray efficiency": 50.0, "laying error": 10.0, "wind of the day": 20.0}
        given = (self.tray_efficiency_pct, self.laying_error_m, self.wind_shift_m)
        for (name, most), value in zip(most_of.items(), given, strict=True):
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
    """The noise of a test. `rate_kg_ha` is the mean at each tray with a usable catch, `peak_kg_ha` the largest of them,
    `used` the passes behind each, `slope` that of the mean pass over its peak, smoothed over three trays [1/m].

    `source` says where it is known from: "passes", "stated population" (one pass, granules known), or "" where it is
    not. A guess has a `weight`; its parts are in units of the peak rate (`counting` as a variance), `scale` is what the
    passes make of its size, and `freedom` the degrees of freedom behind that (infinite where none was fitted).
    `together` is how much more of it goes together along the line than noise of single trays: what 1 over the number of
    independent parts exceeds that of those by. `residual` is what each pass differs from the mean, its own level taken
    out (trays x passes, 0 where not weighed), and `by_granules` the variance of a catch at the peak by counting alone,
    where granules are known; both in units of the peak.
    """

    source: str
    missing: tuple[str, ...]
    passes: int
    offset_m: FloatArray
    rate_kg_ha: FloatArray
    peak_kg_ha: float
    used: FloatArray
    slope: FloatArray
    reading: float
    scatter: FloatArray
    gusts: FloatArray
    wander_m: FloatArray
    length_m: FloatArray
    bend_m: FloatArray
    counting: FloatArray
    together: FloatArray
    weight: FloatArray
    scale: FloatArray
    freedom: FloatArray
    residual: FloatArray
    by_granules: float | None

    @property
    def known(self) -> bool:
        """Whether anything can be said about the noise."""
        return bool(self.source)

    @cached_property
    def agreement(self) -> Agreement | None:
        """Whether the passes differ as counting their granules says they should; None where that is not known."""
        if self.source != FROM_PASSES or self.by_granules is None:
            return None
        r = self.rate_kg_ha / self.peak_kg_ha
        counted = self.by_granules * r + self.reading
        squares = (self.residual**2).sum() / (self.passes - 1) / (counted * (1 - r / r.sum())).sum()
        freedom = (self.passes - 1) * counted.sum() ** 2 / (counted**2).sum()
        return Agreement(float(squares), *(ratio_by_chance(freedom, z) for z in (-_Z95, _Z95)))

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

    def parts(self) -> dict[str, float]:
        """Expected standard deviation of each part for one catch at the peak, and of wandering. [-, m]"""
        size = self.weight * self.scale
        return {
            "counting": float(np.sqrt(size @ self.counting)),
            "scatter": float(np.sqrt(size @ self.scatter**2)),
            "gusts": float(np.sqrt(size @ self.gusts**2)),
            "wander_m": float(np.sqrt(size @ self.wander_m**2)),
        }

    @cached_property
    def variance(self) -> FloatArray:
        """Variance of one catch at each weighed tray. [(kg/ha)^2]"""
        size, r = self.weight * self.scale, self.rate_kg_ha / self.peak_kg_ha
        law = size @ self.counting * np.maximum(r, _FLOOR) + size @ (self.scatter**2 + self.gusts**2) * r**2
        law += size.sum() * self.reading + size @ self.wander_m**2 * self.slope**2
        return np.asarray(law * self.peak_kg_ha**2)

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
        lists = {name: getattr(self, name)[at] for name in ("offset_m", "rate_kg_ha", "used", "slope", "residual")}
        return replace(self, **lists)

    def drawn(
        self,
        draws: int,
        rng: np.random.Generator,
        offset_m: FloatArray | None = None,
        rate_kg_ha: FloatArray | None = None,
        *,
        stated: Stated = NOTHING_STATED,
    ) -> NoiseDrawn:
        """Noise of the mean of all passes, a column a draw; at the weighed trays, or at others of the same pattern.

        A draw is a guess, chosen by its weight, and one noise with that guess's covariance: no covariance is built.
        """
        if offset_m is None or rate_kg_ha is None:
            offset_m, rate_kg_ha, share = self.offset_m, self.rate_kg_ha, 1.0 / self.used
        else:
            share = np.full(len(offset_m), 1.0 / self.passes)
        slope = slope_of(offset_m, rate_kg_ha / self.peak_kg_ha).astype(np.float32)
        r = (rate_kg_ha / self.peak_kg_ha).astype(np.float32)
        guess = np.searchsorted(np.cumsum(self.weight), (np.arange(draws) + rng.random()) / draws * self.weight.sum())
        guess = rng.permutation(np.minimum(guess, len(self.weight) - 1))
        size, freedom = np.sqrt(self.scale[guess]), self.freedom[guess]
        known = np.isfinite(freedom)
        size[known] *= np.sqrt(freedom[known] / rng.chisquare(freedom[known]))
        parts = (self.counting, self.scatter, self.gusts, self.wander_m)
        counting, scatter, gusts, wander = (part[guess].astype(np.float32) for part in parts)
        bent = np.isfinite(self.bend_m[guess]) & (wander > 0)
        own = np.maximum(r, np.float32(_FLOOR))[:, None] * counting + (r**2)[:, None] * scatter**2
        noise = np.sqrt(own + np.float32(self.reading)) * rng.standard_normal((len(r), draws), dtype=np.float32)
        noise += (r[:, None] * gusts) * _along_line(offset_m, self.length_m[guess], rng)
        noise[:, bent] += (slope[:, None] * wander[bent]) * _along_line(offset_m, self.bend_m[guess[bent]], rng)
        noise *= size.astype(np.float32)
        noise *= np.sqrt(share)[:, None].astype(np.float32) * np.float32(self.peak_kg_ha)
        moved = wander * size
        keeps = (stated.tray_efficiency_pct / 100 * rate_kg_ha)[:, None].astype(np.float32)
        return NoiseDrawn(
            own_kg_ha=noise,
            slope=slope * np.float32(self.peak_kg_ha),
            shift_m=np.where(bent, 0.0, moved * rng.standard_normal(draws) / np.sqrt(self.passes)),
            blur_m2=np.asarray(moved**2 * np.where(bent, 1.0, 1 - 1 / self.passes), dtype=float),
            trays_kg_ha=keeps * rng.standard_normal((len(r), draws), dtype=np.float32),
            stated_shift_m=stated.shift_m * rng.standard_normal(draws),
            adds=rng.random(draws) < 0.5,
            wider=np.sqrt(1 + _TURNS * self.together[guess]),
        )


@record(eq=False)
class NoiseDrawn:
    """The noise of a test drawn, a column a draw: at the trays, and what moves and blurs the pattern as a whole.

    `own_kg_ha` and `shift_m` are as the passes show them, `trays_kg_ha` and `stated_shift_m` what one test can't see;
    `adds` says of a draw that lying aside made the pattern less even, and not more;
    `slope` is that of the mean pass, in kg/ha a metre.
    `blur_m2` is the variance of the places that the passes' patterns had about their mean. `wider` is by how much more
    than the first-order law figures may be off: noise of few independent parts along the line turns the direction in
    which the pattern departs from even.
    """

    own_kg_ha: Floats
    slope: Floats
    shift_m: FloatArray
    blur_m2: FloatArray
    trays_kg_ha: Floats
    stated_shift_m: FloatArray
    adds: NDArray[np.bool_]
    wider: FloatArray

    def part(self, some: slice) -> NoiseDrawn:
        """Some of the draws, as far as they stand beside the noise itself."""
        each = ("shift_m", "blur_m2", "stated_shift_m", "adds", "wider")
        return replace(self, **{name: getattr(self, name)[some] for name in each})

    @property
    def at_trays_kg_ha(self) -> FloatArray:
        """The passes' own noise where no bouts are laid: the shift taken as noise at single trays."""
        return np.asarray(self.own_kg_ha + np.outer(self.slope, self.shift_m))

    @property
    def all_at_trays_kg_ha(self) -> FloatArray:
        """The same with what one test can't see."""
        return self.at_trays_kg_ha + self.trays_kg_ha + np.outer(self.slope, self.stated_shift_m)


def _along_line(offset_m: FloatArray, length_m: FloatArray, rng: np.random.Generator) -> Floats:
    """Noise of unit variance that fades along the line as exp(-distance / length); a column a length."""
    normal = rng.standard_normal((len(offset_m), len(length_m)), dtype=np.float32)
    for tray, gap in enumerate(np.diff(offset_m), start=1):
        kept = np.exp(-gap / length_m).astype(np.float32)
        normal[tray] = kept * normal[tray - 1] + np.sqrt(1 - kept**2) * normal[tray]
    return normal


_Z95 = 1.959964  # 95 % of a normal distribution lie within so many sigma


def ratio_by_chance(freedom: float, z: float) -> float:
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


@lru_cache(maxsize=4)  # several rooms ask for the noise of the same passes
def noise_of(account: Passes) -> Noise:
    """The noise of a test, weighed by how its passes differ."""
    kept, mean = account.used > 0, account.mean_kg_ha
    rates, mean = account.rate_kg_ha[kept], mean[kept]
    rates = rates[:, np.nansum(rates, axis=0) > 0]
    passes, test, peak = rates.shape[1], account.test, float(mean.max())
    missing = [label for label in ("size guide number", "granule density") if test.quantity(label) is None]
    missing += ["bulk density"] if account.relative else []
    several = passes > 1 and bool((account.used > 1).any())
    counting = None if account.catches.counting is None else account.catches.counting / peak
    # what each pass differs from the mean pass, its own level taken out, for a pass as heavy as the mean one
    seen, r = ~np.isnan(rates), mean / peak
    level = np.nansum(rates / peak, axis=0) / np.maximum((seen * r[:, None]).sum(axis=0), 1e-12)
    residual = np.where(seen, rates / peak / level - r[:, None], 0.0)
    residual -= r[:, None] * (residual.sum(axis=0) / r.sum())
    noise = Noise(
        source=FROM_STATED if counting is not None else "",
        missing=tuple(missing),
        passes=passes,
        offset_m=account.offset_m[kept],
        rate_kg_ha=mean,
        peak_kg_ha=peak,
        used=account.used[kept].astype(float),
        slope=slope_of(account.offset_m[kept], r),
        reading=max(account.catches.reading / peak**2, _READING),
        together=np.zeros(GUESSES),
        weight=np.full(GUESSES, 1.0 / GUESSES),
        scale=np.ones(GUESSES),
        freedom=np.full(GUESSES, np.inf),
        residual=residual if several else np.zeros((len(mean), 0)),
        by_granules=counting,
        **_population(counting, one_pass=not several),
    )
    blank = float(np.isnan(rates).sum()) if several else 0.0
    squares, log_size, independent, together, trays = _fitted(noise, blank)
    if not several:
        return replace(noise, together=together)
    # the size has the inverse-gamma law, and is integrated out of the weight
    degrees = (passes - 1.0) * (trays - 1.0) + _PRIOR
    log_weight = -(passes - 1) / 2 * log_size - degrees / 2 * np.log(squares + _PRIOR)
    weight = np.exp(log_weight - log_weight.max())
    return replace(
        noise,
        source=FROM_PASSES,
        together=together,
        weight=weight / weight.sum(),
        scale=(squares + _PRIOR) / degrees,
        freedom=(passes - 1.0) * independent + _PRIOR,
    )


def _population(counting: float | None, *, one_pass: bool) -> dict[str, FloatArray]:
    """The guesses: Halton points of the stated population, so that the same test gets the same ones."""
    u = np.zeros((len(_BASES), GUESSES))
    for point, base in zip(u, _BASES, strict=True):  # digits of 1, 2, 3 ... mirrored at the point (van der Corput)
        number, share = np.arange(1, GUESSES + 1), 1.0 / base
        while number.any():
            number, digit = np.divmod(number, base)
            point += digit * share
            share /= base

    from statistics import NormalDist  # it loads decimal and fractions

    # half-normal laws, with a chance that there is nothing of it
    none = np.array([[0.0], [_NONE], [_NONE]])
    part = (np.maximum(u[:3] - none, 0.0) / (1 - none)).tolist()
    scatter, gusts, wander = np.array([[NormalDist().inv_cdf((1 + each) / 2) for each in row] for row in part])
    # and laws whose logarithms are spread evenly
    length, bend, counts = (
        low * (high / low) ** share
        for (low, high), share in ((_LENGTH_M, u[3]), (_BEND_M, 2 * u[5] - 1), (_COUNTING, u[4]))
    )
    whole = u[5] < 0.5
    return {
        "scatter": _SCATTER * scatter,
        "gusts": (_GUSTS_ONE_PASS if one_pass else _GUSTS) * gusts,
        "wander_m": np.where(whole, _WANDER_M, _BENT_M) * wander,
        "length_m": length,
        "bend_m": np.where(whole, np.inf, bend),
        "counting": counts**2 if counting is None else np.full(GUESSES, counting),
    }


def _fitted(noise: Noise, missing: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, int]:
    """tr(M^-1 R R'), log|M| and tr(M)^2 / tr(M^2) of each guess, and the number of trays that they are taken on.

    Each pass's total is taken out of its residuals R, which leaves their part along r unknown: M is the covariance of
    all that does not lie along r (restricted likelihood). Gusts and wandering go from tray to tray as an
    autoregression, so all guesses are carried along the line at once by a Kalman filter. tr^2 / tr of the square is the
    number of independent parts (Satterthwaite): noise that goes along the line together has few.
    """
    trays, passes = noise.residual.shape
    r = noise.rate_kg_ha / noise.peak_kg_ha
    telling = np.flatnonzero(r > _FLOOR)  # trays that catch next to nothing agree in that, and say nothing of the rest
    telling = telling[:: -(-len(telling) // MOST_TRAYS)]
    slope, x, r = noise.slope[telling], noise.offset_m[telling], r[telling]
    differing = max(1.0 - missing / (trays * max(passes - 1.0, 1.0)), 0.1)  # a missing catch differs by nothing
    residual = noise.residual[telling] / np.sqrt(differing)
    if passes > len(x):  # only R R' counts, which fewer columns hold as well
        residual = np.linalg.qr(residual.T)[1].T
    seen = np.column_stack((residual, r))
    own = np.outer(np.maximum(r, _FLOOR), noise.counting) + np.outer(r**2, noise.scatter**2) + noise.reading
    gusts, wander = noise.gusts**2, noise.wander_m**2
    gust_var, wander_var, both = gusts.copy(), wander.copy(), np.zeros(GUESSES)
    gust, moved, squares, along = np.zeros((4, GUESSES, seen.shape[1]))
    log_size = np.zeros(GUESSES)
    for tray, gap in enumerate(np.diff(x, prepend=x[:1])):
        stays, bends = np.exp(-gap / noise.length_m), np.exp(-gap / noise.bend_m)
        gust *= stays[:, None]
        moved *= bends[:, None]
        gust_var = gusts + stays**2 * (gust_var - gusts)
        wander_var = wander + bends**2 * (wander_var - wander)
        both *= stays * bends
        by_gust, by_wander = r[tray] * gust_var + slope[tray] * both, r[tray] * both + slope[tray] * wander_var
        variance = r[tray] * by_gust + slope[tray] * by_wander + own[tray]
        off = seen[tray] - r[tray] * gust - slope[tray] * moved
        share = off / variance[:, None]
        squares += off * share
        along += share * off[:, -1:]
        log_size += np.log(variance)
        gust += by_gust[:, None] * share
        moved += by_wander[:, None] * share
        gust_var -= by_gust**2 / variance
        wander_var -= by_wander**2 / variance
        both -= by_gust * by_wander / variance
    fitted = (squares[:, :-1] - along[:, :-1] ** 2 / squares[:, -1:]).sum(axis=1)
    return fitted, log_size + np.log(squares[:, -1]), *_independent(x, r, slope, own, noise), len(x)


def _independent(
    x: FloatArray, r: FloatArray, slope: FloatArray, own: FloatArray, noise: Noise
) -> tuple[FloatArray, FloatArray]:
    """tr(M)^2 / tr(M^2) of each guess; sums over pairs of trays are read off a table of how fast they fade."""
    step = -(-len(x) // _MOST_COUNTED)
    x, r, slope, own = x[::step], r[::step], slope[::step], own[::step]
    fades = np.concatenate(([0.0], np.geomspace(0.05, 4.0, 24)))
    apart = np.exp(-fades[:, None, None] * np.abs(x[:, None] - x))
    gusts, wander = noise.gusts**2, noise.wander_m**2
    by_gust, by_wander = 1 / noise.length_m, 1 / noise.bend_m

    def faded(one: FloatArray, other: FloatArray, by: FloatArray) -> FloatArray:
        table = one * (apart @ other)
        low = np.minimum(np.searchsorted(fades, by, side="right") - 1, len(fades) - 2)
        part = ((by - fades[low]) / (fades[low + 1] - fades[low]))[:, None]
        return np.asarray((table[low] * (1 - part) + table[low + 1] * part).T)

    shared = np.outer(r**2, gusts) + np.outer(slope**2, wander)
    square = (own**2 + 2 * own * shared).sum(axis=0) + 2 * gusts * wander * faded(
        r * slope, r * slope, by_gust + by_wander
    ).sum(axis=0)
    square += gusts**2 * faded(r**2, r**2, 2 * by_gust).sum(axis=0)
    square += wander**2 * faded(slope**2, slope**2, 2 * by_wander).sum(axis=0)
    # what lies along r is taken out, as each pass's total is
    along = own * r[:, None] + gusts * faded(r, r**2, by_gust) + wander * faded(slope, slope * r, by_wander)
    out, size = r @ along, r @ r
    trace = (own + shared).sum(axis=0) - out / size
    square += (out / size) ** 2 - 2 * (along**2).sum(axis=0) / size
    alone = ((own + shared) ** 2).sum(axis=0) / (own + shared).sum(axis=0) ** 2  # if every tray had noise of its own
    parts = np.maximum(trace**2 / np.maximum(square, 1e-30), 1.0)
    return parts, np.maximum(1 / parts - alone, 0.0)
