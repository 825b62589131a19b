"""Left against right: centre, mass, reach and slope of a pattern, each held against the one model of the noise.

A mirror image is taken from the mean pass: d = r(x) - r(-x), which a machine, line and day that are alike to both sides
leave at nothing but noise. Ways of being unlike are fitted to d by generalised least squares, each alone: the pattern
shifted, one side given more, one side thrown further, a rate that falls steadily along the line, and carried by a side
wind, the further the longer granules fly. What laying the line, the wind of the day and the two sides of a good machine
usually differ by (`LIMITS`) counts as noise.

How well each way explains d is told by its evidence, the Bayes factor against noise alone with a normal law for its
size: log B = (z^2 / (1 + 1 / (t^2 I)) - log(1 + t^2 I)) / 2, I its information, t its usual size.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np

from spreadcheck.errors import record
from spreadcheck.limits import LIMITS
from spreadcheck.passes.noise import Noise, noise_of, ratio_by_chance
from spreadcheck.passes.passes import FEW, Passes
from spreadcheck.sheet.labels import BOOM, DROP, SINGLE, WIND_FROM
from spreadcheck.sheet.traytest import FloatArray, TrayTest

# the figures and their weights where they share a chance of error: what lies off is found most often
FIGURES = {"centre": 0.5, "mass": 0.25, "reach": 0.1, "slope": 0.15}
SIDES_SHARE, SHAPE_SHARE = 0.8, 0.1  # of that chance: of all of these together, and of each of the two of the shape
# the ways of being unlike: usual size (m, or a share), chance before the test
WAYS = {"shift": (1.5, 0.40), "wind": (1.5, 0.15), "mass": (0.15, 0.20), "slope": (0.30, 0.10), "reach": (0.20, 0.15)}
FLAT = (BOOM, DROP)
_PLATEAU = 0.85  # of the half-rate width: what counts of a flat pattern, whose ends are too steep to say more
_Z_90, _Z_95 = 1.6449, 1.96  # 90 and 95 % of a normal distribution lie within so many sigma
_POWER = 0.8416  # 80 % of a normal distribution lies below so many sigma
_PRIMES = (2.0, 3.0, 5.0, 7.0, 11.0, 13.0, 17.0, 19.0)  # their roots never fall into step; two a figure
_DRAWS, _ENOUGH = 10_000, 20  # of figures that are chance alone: 4 % is known to 0.2 %; fewer tell nothing
_CALM = 0.2  # of the wind's speed: what blows across even where it is said to come from ahead
_TAKES_OVER, _NEAR_SHARE, _FURTHEST = 2.0, 0.3, 2.0  # how fast one side takes over; wind: least share, furthest flight
_SMOOTH = np.array([-2.0, 3.0, 6.0, 7.0, 6.0, 3.0, -2.0]) / 21  # a parabola through seven (Savitzky and Golay, 1964)
_FLOOR = 0.02  # of the peak: as the noise has it
_MOST_TRAYS = 601  # of a longer line only so many: every tray is held against every other
_CHANCE = 0.05  # of error, for all that is said of one pattern together
# the share of the wind that blows along the tray line, by where it came from; a changing one counts whole
ACROSS = dict.fromkeys(WIND_FROM, math.sqrt(0.5)) | {
    "left": 1.0, "right": 1.0, "ahead": 0.0, "behind": 0.0, "changing": 1.0,
}  # fmt: skip


@record
class Difference:
    """One tested difference: its value, standard error, chance of one as large (`p`), and 90 % range (`low`, `high`).

    It is `clear` where it is more than the `least` that matters and than chance, line, wind and good machines make.
    """

    value: float
    error: float
    p: float
    low: float
    high: float
    least: float
    clear: bool


@record
class Sides:
    """How a pattern differs from its mirror image.

    `figures` are "centre" (m), and "mass", "reach" and "slope" (shares of 1), positive where the right has more; `odds`
    is how the ways of being unlike share the evidence. A figure is clear from so many (`asked`) of its standard errors
    on. `ground` is how far right the pattern lay over the ground, whichever way it was driven, where
    passes went both ways; None where they did not. [m]
    """

    figures: dict[str, Difference]
    odds: dict[str, float]
    asked: dict[str, float]
    ground: Difference | None = None

    @property
    def clear(self) -> bool:
        """Whether the sides differ by more than chance."""
        return any(figure.clear for figure in self.figures.values())

    def least_seen(self, name: str) -> float:
        """The least size of a difference that a test like this one would find in 80 of 100.

        Of the share of its feed that a side lacks ("mass"): held against the mean of both sides the lack is larger, and
        so, by as much, is the error; neither is corrected.
        """
        figure = self.figures[name]
        return max(self.asked[name] * figure.error, figure.least) + _POWER * figure.error


def wind_reach(test: TrayTest, shift_m: float) -> str:
    """Whether the wind explains a shift: "explains", "may explain" (it kept changing), "part", "other side", "not
    across", or "not noted".
    """
    speed, direction = test.quantity("wind speed"), test.text("wind from")
    if speed is None or not direction:
        return "not noted"
    if ACROSS[direction] == 0:
        return "not across"
    if ("right" if shift_m > 0 else "left") in direction:
        return "other side"
    if speed * ACROSS[direction] * LIMITS["drift most"].value < abs(shift_m):
        return "part"
    return "may explain" if direction == "changing" else "explains"


def usual_shift_m(test: TrayTest, *, cancelled: bool = True) -> float:
    """How far line and wind usually shift the mean pass: less where the wind is noted, or passes go both ways. [m]

    A pass that is driven the other way is shifted the other way as the machine sees it.
    """
    shift, speed, direction = LIMITS["wind of the day"].value, test.quantity("wind speed"), test.text("wind from")
    if speed is not None and direction:
        middle = (LIMITS["drift least"].value + LIMITS["drift most"].value) / 2
        shift = min(shift, middle * speed * max(ACROSS[direction], _CALM))
    passes = len(test.passes)
    return math.hypot(LIMITS["laying error"].value, shift) * (
        abs(passes - 2 * len(test.reversed_passes)) / passes if cancelled else 1.0
    )


@record(eq=False)
class Usual:
    """What a single test can't see and a good one has: trays that keep more or less, and patterns of known size."""

    tray: float
    patterns: FloatArray  # (patterns, trays), in units of the peak


def sum_variance(noise: Noise, weights: FloatArray, usual: Usual | None = None) -> FloatArray:
    """Variance of weighted sums of the mean pass, one for each guess at the noise; (sums, guesses). [peak^2]"""
    r, gaps, found = noise.rate_kg_ha / noise.peak_kg_ha, np.diff(noise.offset_m).tolist(), []
    for whole in weights:
        w = whole / np.sqrt(noise.used)
        lifted = (w * r).tolist()
        # gusts: the sum over all pairs i, j of lifted(i) lifted(j) exp(-|x(i) - x(j)| / length), tray by tray
        before, gusts = np.zeros(len(noise.length_m)), np.full(len(noise.length_m), (w * r) @ (w * r))
        for gap, last, one in zip(gaps, lifted[:-1], lifted[1:], strict=True):
            before = (before + last) * np.exp(-gap / noise.length_m)
            gusts += 2 * one * before
        own = noise.counting * (w**2 @ np.maximum(r, _FLOOR)) + noise.scatter**2 * (w**2 @ r**2) + noise.reading * w @ w
        own = own + noise.gusts**2 * gusts + noise.wander_m**2 * float(w @ noise.slope) ** 2
        found.append(own * noise.scale)
        if usual is not None:
            found[-1] += usual.tray**2 * float((whole * r) @ (whole * r)) + float(((usual.patterns @ whole) ** 2).sum())
    return np.array(found)


def _covariance(noise: Noise, usual: Usual) -> FloatArray:
    """Covariance of the mean pass, expected over the guesses; (trays, trays). [peak^2]"""
    r, x, size = noise.rate_kg_ha / noise.peak_kg_ha, noise.offset_m, noise.weight * noise.scale
    lag, where = np.unique(np.round(np.abs(x[:, None] - x), 6), return_inverse=True)
    gusts = (size * noise.gusts**2) @ np.exp(-np.multiply.outer(1 / noise.length_m, lag))
    found = np.outer(r, r) * gusts[where.reshape(len(x), len(x))]
    found += (size @ noise.wander_m**2) * np.outer(noise.slope, noise.slope)
    own = (
        (size @ noise.counting) * np.maximum(r, _FLOOR) + (size @ noise.scatter**2) * r**2 + size.sum() * noise.reading
    )
    found[np.diag_indices(len(x))] += own
    found /= np.sqrt(np.outer(noise.used, noise.used))
    found[np.diag_indices(len(x))] += (usual.tray * r) ** 2
    return np.asarray(found + usual.patterns.T @ usual.patterns)


def chance_of(noise: Noise, off: float, variance: FloatArray) -> float:
    """Chance that noise alone makes a difference as large, either way, over all guesses at the noise."""
    z = abs(off) / np.sqrt(2 * np.maximum(variance, 1e-300))
    return float(noise.weight @ np.array([math.erfc(each) for each in z.tolist()]) / noise.weight.sum())


def difference(noise: Noise, value: float, variance: FloatArray, p: float, least: float = 0.0) -> Difference:
    """A tested difference with its 90 % range, from the variance at each guess and the chance already adjusted."""
    error = math.sqrt(float(noise.weight @ variance / noise.weight.sum()))
    clear = p <= _CHANCE and abs(value) > least
    return Difference(value, error, p, value - _Z_90 * error, value + _Z_90 * error, least, clear)


def off_centre(passes: Passes, width_m: float) -> Difference | None:
    """How far the centre of the spread lies off the line, where that is clear; looks at the noise only if need be."""
    kept = passes.used > 0
    at, mass = _moments(passes.offset_m[kept])
    rate = passes.mean_kg_ha[kept]
    if abs(at @ rate) <= LIMITS["off centre"].value / 100 * width_m * (mass @ rate):
        return None
    sides = left_against_right(passes, width_m)
    return sides.figures["centre"] if sides is not None and sides.figures["centre"].clear else None


@lru_cache(maxsize=8)
def left_against_right(passes: Passes, width_m: float) -> Sides | None:
    """The tested differences between left and right, of a pattern that serves a width; None where a side is missing."""
    passes = passes.of_at_most(_MOST_TRAYS)
    noise = noise_of(passes)
    x, r = noise.offset_m, noise.rate_kg_ha / noise.peak_kg_ha
    mirror, names = _mirror(x), [*FIGURES]
    if passes.test.text("spreader type") in FLAT:  # nothing is thrown, so no side is thrown further
        half = float(np.abs(x[r >= 0.5]).max())
        mirror, names = mirror[x[(x > 0) & (x <= -x[0] + 1e-9)] <= _PLATEAU * half], ["centre", "mass", "slope"]
    if len(mirror) < FEW:
        return None
    at, mass = _moments(x)
    centre = float(at @ r / (mass @ r))
    ways = _ways(x, r, centre)
    # what a single test can't see: the line and the wind, and sides that differ as those of a good machine do
    single = passes.test.text("spreader type") == SINGLE
    unlike = LIMITS["unlike sides of one disc" if single else "unlike sides"].value / 100
    patterns = np.array([usual_shift_m(passes.test) * ways["shift"], unlike * ways["mass"]])
    usual = Usual(LIMITS["tray efficiency"].value / 100, patterns)
    covariance = _covariance(noise, usual)
    weights, log_odds = _fitted(ways, mirror, covariance, r)
    sums = np.array([(at - centre * mass) / (mass @ r), *(weights[name] for name in names[1:])])
    values = [centre, *(sums[1:] @ r).tolist()]
    variance = sum_variance(noise, sums, usual) * _torn(passes, noise, sums)[:, None]
    p = [chance_of(noise, *each) for each in zip(values, variance, strict=True)]
    p, asked = _together(p, [FIGURES[name] for name in names], sums @ covariance @ sums.T)
    aside = LIMITS["off centre"].value / 100 * width_m
    least = [aside if name == "centre" else 0.0 for name in names]
    tested = [difference(noise, *each) for each in zip(values, variance, p, least, strict=True)]
    figures = dict(zip(names, tested, strict=True))
    if len(names) < len(FIGURES):
        telling = [name for name in names[1:] if figures[name].clear]
        log_odds = {name: log_odds[name] for name in names[1:] if telling} or {"shift": 0.0}
    odds = {name: math.exp(value - max(log_odds.values())) for name, value in log_odds.items()}
    return Sides(
        figures,
        {name: value / sum(odds.values()) for name, value in odds.items()},
        dict(zip(names, asked, strict=True)),
        _over_ground(passes, noise, sums[:1], aside),
    )


def _together(p: list[float], share: list[float], covariance: FloatArray) -> tuple[list[float], list[float]]:
    """Chances of several figures that hang together, and from how many standard errors on each is clear.

    Trays, line and wind that make one figure large make the others large too. So the least chance of all, each over its
    share, is drawn as noise alone has it, and a chance is how often that is as small; never worse than Bonferroni
    (Westfall and Young, 1993, Resampling-based multiple testing).
    """
    error = np.maximum(np.sqrt(np.diag(covariance)), 1e-12)  # 0: a figure that the pattern has no trays for
    root = np.linalg.cholesky(covariance / np.outer(error, error) + 1e-9 * np.eye(len(error)))
    # evenly spread draws (Kronecker sequence, Box and Muller): numpy's generator takes longer to load than all of this
    even = np.arange(1, _DRAWS + 1)[:, None] * np.sqrt(_PRIMES[: 2 * len(error)]) % 1.0
    draws = np.sqrt(-2 * np.log(even[:, ::2])) * np.cos(2 * np.pi * even[:, 1::2])
    knots = np.linspace(0.0, 6.0, 601)
    chances = np.interp(np.abs(draws @ root.T), knots, [math.erfc(z / math.sqrt(2)) for z in knots.tolist()])
    least = np.sort((chances / share).min(axis=1))
    found = []
    for each, part in zip(p, share, strict=True):
        as_small, bound = int(np.searchsorted(least, each / part, side="right")), each * sum(share) / part
        found.append(min(max(as_small / _DRAWS, each) if as_small >= _ENOUGH else bound, bound, SIDES_SHARE))
    level = float(least[int(SIDES_SHARE * _CHANCE * _DRAWS)])
    from statistics import NormalDist  # it loads decimal and fractions

    asked = [-NormalDist().inv_cdf(min(level * part, 1.0) / 2) for part in share]
    return [each / SIDES_SHARE for each in found], asked


def _torn(passes: Passes, noise: Noise, sums: FloatArray) -> FloatArray:
    """How much further whole passes differ than the noise explains (chi-square, 97.5 %), as a factor; 1 where not."""
    rates = passes.rate_kg_ha[passes.used > 0] / noise.peak_kg_ha
    rates = rates[:, rates.sum(axis=0) > 0]  # passes with every catch, and that caught something
    count = rates.shape[1]
    if count < 2:
        return np.ones(len(sums))
    seen = (sums @ (rates / rates.sum(axis=0) * rates.sum(axis=0).mean())).var(axis=1, ddof=1)
    model = sum_variance(noise, sums) @ noise.weight * noise.passes
    return np.asarray(np.maximum(seen / np.maximum(model * ratio_by_chance(count - 1, _Z_95), 1e-300), 1.0))


def _fitted(
    ways: dict[str, FloatArray], mirror: FloatArray, covariance: FloatArray, r: FloatArray
) -> tuple[dict[str, FloatArray], dict[str, float]]:
    """What a rate at each tray adds to the size of each way, fitted alone, and the log evidence of each way.

    Where none fits within the noise, evidence is held against the misfit of the best one instead of it.
    """
    alone = mirror @ covariance @ mirror.T
    alone[np.diag_indices(len(alone))] += 1e-9
    inverse, off = np.linalg.inv(alone), mirror @ r
    weights, told = {}, {}
    for name, way in ways.items():
        fitted = mirror @ way @ inverse
        information = max(float(fitted @ (mirror @ way)), 1e-12)
        weights[name] = (fitted / information) @ mirror
        told[name] = information, float(weights[name] @ r) ** 2 * information
    misfit = max((float(off @ inverse @ off) - max(squared for _, squared in told.values())) / (len(mirror) - 1), 1.0)
    log_odds = {}
    for name, (size, before) in WAYS.items():
        information, squared = told[name]
        known = size**2 * information / misfit
        log_odds[name] = math.log(before) + (squared / misfit / (1 + 1 / known) - math.log1p(known)) / 2
    return weights, log_odds


def _over_ground(passes: Passes, noise: Noise, weights: FloatArray, least: float) -> Difference | None:
    """How far right the pattern lay over the ground, by passes both ways; line and wind count as noise. [m]"""
    rates = passes.rate_kg_ha[passes.used > 0]
    blank = np.isnan(rates)
    some = ~blank.all(axis=0)  # passes of which anything was weighed
    numbers = np.array(passes.test.passes)[some]
    turned, whole = np.isin(numbers, tuple(passes.test.reversed_passes)), ~blank[:, some].any(axis=1)
    both = int(turned.sum()), int((~turned).sum())
    if not all(both) or whole.sum() < 2 * FEW:
        return None
    rates = rates[np.ix_(whole, some)]  # the trays that all these passes have: their centres stay alike
    at, mass = _moments(noise.offset_m[whole])
    centres = (at @ rates) / np.maximum(mass @ rates, 1e-12)
    ground = float(centres[~turned].mean() - centres[turned].mean()) / 2
    alone = sum_variance(noise, weights)[0] * noise.passes
    if sum(both) > 2:  # the noise takes what turns with the ground for wandering: read it within each direction
        within = [centres[way] - centres[way].mean() for way in (turned, ~turned)]
        alone = np.full_like(alone, float((np.concatenate(within) ** 2).sum()) / (sum(both) - 2))
    variance = alone * (1 / both[0] + 1 / both[1]) / 4 + usual_shift_m(passes.test, cancelled=False) ** 2
    return difference(noise, ground, variance, min(2 * chance_of(noise, ground, variance), 1.0), least)


def _moments(x: FloatArray) -> tuple[FloatArray, FloatArray]:
    """First moment and area of the straight lines that meet at each tray, the ends running out over a spacing."""
    gaps = np.concatenate(([x[1] - x[0]], np.diff(x), [x[-1] - x[-2]]))
    area = (gaps[1:] + gaps[:-1]) / 2
    return area * (x + (gaps[1:] - gaps[:-1]) / 3), area


def _mirror(x: FloatArray) -> FloatArray:
    """What takes the mirror image from a pattern at the trays right of the line; (trays right, trays)."""
    right = x[(x > 0) & (x <= -x[0] + 1e-9)]
    found, row = np.zeros((len(right), len(x))), np.arange(len(right))
    after = np.searchsorted(x, -right).clip(1, len(x) - 1)
    share = ((-right - x[after - 1]) / (x[after] - x[after - 1])).clip(0.0, 1.0)
    found[row, np.searchsorted(x, right)] += 1.0
    found[row, after - 1] -= 1 - share
    found[row, after] -= share
    return found


def _ways(x: FloatArray, r: FloatArray, centre: float = 0.0) -> dict[str, FloatArray]:
    """How a pattern alike to both sides changes with each way of being unlike, for a size of one.

    A shift that is more than half a tray is taken whole, not by the slope.
    """
    # the pattern alike to both sides about the line, and about its centre; smoothed, so that its noise has no slope
    both = [
        np.interp(at + x, x, r, left=0.0, right=0.0) + np.interp(at - x, x, r, left=0.0, right=0.0)
        for at in (0.0, centre)
    ]
    alike, own = (np.convolve(np.pad(each / 2, 3, mode="edge"), _SMOOTH, mode="valid") for each in both)
    shift = -np.gradient(alike, x)
    if abs(centre) > np.diff(x).min() / 2:
        shift = (np.interp(x - centre, x, own) - np.interp(x + centre, x, own)) / (2 * centre)
    half = max(float(np.abs(x[alike >= alike.max() / 2]).max()), float(np.diff(x).min()))
    takes_over = np.tanh(_TAKES_OVER * x / half)
    flight = _NEAR_SHARE + (1 - _NEAR_SHARE) * np.minimum(np.abs(x) / half, _FURTHEST)
    right = alike * (1 + takes_over) / 2
    return {
        "shift": shift,
        "wind": -np.gradient(flight * alike, x),
        "mass": alike * takes_over / 2,
        "slope": alike * x / (2 * half),
        "reach": -np.gradient(x * right, x),
    }
