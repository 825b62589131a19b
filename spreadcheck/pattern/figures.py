"""The figures of a spread pattern, for the profile and for every pass beside it; and its outlets one by one.

Shares, centre and shoulders are ratios of two sums over the trays, each tray with a weight from the area under the
straight lines between trays; their standard errors follow from the one model of the noise.

An outlet of a boom lays a fan that reaches to its neighbours (a triangle, common practice: fans that overlap by half),
a gap of a drop spreader a strip as wide as the spacing. What is missing or over is fitted as so much of one fan, by
least squares over its trays; at the two end outlets over those on the inner side, as nothing fills the outer one. Each
is held against the middle outlet; at the ends a line that lies off counts as chance. Fans that reach further show an
outlet that gives nothing as less than all missing.
"""

from __future__ import annotations

import math
from dataclasses import field
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import record
from spreadcheck.limits import LIMITS
from spreadcheck.passes.noise import Noise
from spreadcheck.passes.passes import Passes, holm
from spreadcheck.passes.sides import Difference, Usual, chance_of, difference, sum_variance, usual_shift_m
from spreadcheck.sheet.labels import BOOM
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import CUT, Profile

UNKNOWN = "unknown"  # where nothing says how far chance reaches

TAIL_SHARE = 0.05  # of the peak: a tail runs from half of the peak down to this
CENTRE_BAND, SHOULDER_FROM, SHOULDER_TO = 0.25, 0.4, 0.8  # of half the half-rate width, from its middle
MOST_MISSING = 0.5  # of the spread: a pass that lacks more of it is not compared
_NEAR, _WIDE = 2, 4  # centre trays, more where several stand equally near
_FEWEST = 4
_BODY = 0.5  # of the peak: trays that are taken one by one where outlets are not known
_EDGE = 1e-6  # of a spacing
_SHARE = 0.6  # of a chance of error of 5 %: the figures of the sides are asked of a boom as well


def pass_rows(passes: Passes, profile: Profile) -> tuple[tuple[int, ...], FloatArray]:
    """The numbers of the usable passes, and their rates at the profile's trays, scaled to its amount; (passes, trays).

    A catch that a pass lacks is taken from the profile.
    """
    first = int(np.searchsorted(passes.offset_m, profile.offset_m[0]))
    rates, mean = passes.rate_kg_ha.T[:, first : first + len(profile.offset_m)], profile.rate_kg_ha
    known = np.isfinite(rates)
    there, caught = known @ mean, np.where(known, rates, 0.0).sum(axis=1)
    usable = (there >= (1 - MOST_MISSING) * mean.sum()) & (caught > 0)
    level = (there[usable] / caught[usable])[:, np.newaxis]
    return tuple(np.array(passes.test.passes)[usable].tolist()), np.where(known[usable], rates[usable] * level, mean)


def half_rate_points(
    offset_m: ArrayLike, rate_kg_ha: ArrayLike, rate_there: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Where straight lines between trays last reach a rate, from outside, left and right."""
    x, rates, level = np.asarray(offset_m, float), np.asarray(rate_kg_ha, float), np.asarray(rate_there, float)
    above = rates >= level[..., np.newaxis]
    row = np.arange(len(rates))
    last = rates.shape[1] - 1
    points = []
    for at, step in ((above.argmax(axis=-1), -1), (last - above[..., ::-1].argmax(axis=-1), 1)):
        beyond = np.minimum(np.maximum(at + step, 0), last)
        inner, outer = rates[row, at], rates[row, beyond]
        found = (level > 0) & (outer < level) & (inner >= level)
        share = (inner - level) / np.where(found, inner - outer, 1.0)
        points.append(np.where(found, x[at] + share * (x[beyond] - x[at]), np.nan))
    return points[0], points[1]


@record(eq=False)
class Chance:
    """What chance may do to sums over the trays of a profile: the noise, and what a single test can't see."""

    noise: Noise
    usual: Usual
    offset_m: FloatArray  # of the profile's trays; filled ones lie between two that were weighed

    def errors(self, weights: FloatArray) -> FloatArray:
        """Standard errors of weighted sums over the profile's trays; (sums,). [kg/ha]"""
        return np.asarray(
            np.sqrt(self.variances(weights) @ self.noise.weight / self.noise.weight.sum()) * self.noise.peak_kg_ha
        )

    def variances(self, weights: FloatArray) -> FloatArray:
        """The same at each guess at the noise; (sums, guesses). [peak^2]"""
        x = self.noise.offset_m
        low = np.clip(np.searchsorted(x, self.offset_m, side="right") - 1, 0, len(x) - 2)
        part = np.clip((self.offset_m - x[low]) / (x[low + 1] - x[low]), 0.0, 1.0)
        of_weighed = np.zeros((len(x), len(weights)))
        np.add.at(of_weighed, low, (weights * (1 - part)).T)
        np.add.at(of_weighed, low + 1, (weights * part).T)
        return sum_variance(self.noise, of_weighed.T, self.usual)


@record
class Compared:
    """One figure: of the profile, of each pass, and its standard error by the one model of the noise (NaN: unknown).

    NaN stands for a figure that does not exist.
    """

    value: float
    passes: tuple[float, ...] = ()
    error: float = math.nan
    weights: FloatArray | None = field(default=None, compare=False, repr=False)  # what a rate at each tray adds to it

    @cached_property
    def of_passes(self) -> dict[str, float]:
        """Count, mean, standard deviation (n - 1), least and most of the passes that have the figure."""
        seen = [figure for figure in self.passes if not math.isnan(figure)]
        values = np.array(seen or [math.nan])
        return {
            "count": len(seen),
            "mean": float(values.mean()),
            "sd": float(values.std(ddof=1)) if len(seen) > 1 else math.nan,
            "least": float(values.min()),
            "most": float(values.max()),
        }


@record
class Figures:
    """The figures of a pattern, each compared between the passes.

    The half-rate width depends on what is halved: the peak, or the mean of the `near_trays` or `wide_trays` next to the
    driving centre line. Shoulders are the mean rates between 0.4 and 0.8 of the way from the middle of the half-rate
    width to its ends, the centre that within 0.25, in shares of the centre.
    """

    left_share_pct: Compared
    centre_m: Compared
    half_of_peak_m: Compared
    half_of_near_m: Compared
    half_of_wide_m: Compared
    near_trays: int
    wide_trays: int
    left_shoulder: Compared
    right_shoulder: Compared
    shoulder_to_centre: Compared
    tail_left_m: Compared
    tail_right_m: Compared


def figures_of(profile: Profile, rows: FloatArray, chance: Chance | None) -> Figures:
    """The figures of a pattern and of each pass."""
    x = profile.offset_m
    rates = np.concatenate((profile.rate_kg_ha[np.newaxis], rows))
    peak = rates.max(axis=1)
    away = np.abs(x)  # from the driving centre line; all trays that stand equally near are taken
    near, wide = (away <= np.sort(away)[min(count, len(away)) - 1] * (1 + 1e-9) + 1e-9 for count in (_NEAR, _WIDE))
    levels = np.array((peak / 2, rates[:, near].mean(axis=1) / 2, rates[:, wide].mean(axis=1) / 2, peak * TAIL_SHARE))
    left, right = half_rate_points(x, rates, levels)
    ratios = _ratios(profile, float(left[0, 0]), float(right[0, 0]), rates, chance)
    widths = [Compared(width[0], tuple(width[1:])) for width in (right[:3] - left[:3]).tolist()]
    return Figures(
        left_share_pct=ratios[0],
        centre_m=ratios[1],
        half_of_peak_m=widths[0],
        half_of_near_m=widths[1],
        half_of_wide_m=widths[2],
        near_trays=int(near.sum()),
        wide_trays=int(wide.sum()),
        left_shoulder=ratios[2],
        right_shoulder=ratios[3],
        shoulder_to_centre=ratios[4],
        tail_left_m=_tail(profile, left[0] - left[3], left[0, 0], chance),
        tail_right_m=_tail(profile, right[3] - right[0], right[0, 0], chance),
    )


def _ratios(
    profile: Profile, half_left: float, half_right: float, rates: FloatArray, chance: Chance | None
) -> list[Compared]:
    """Left share, centre, and left, right and both shoulders to the centre: each one weighted sum over another."""
    middle, reach = (half_left + half_right) / 2, (half_right - half_left) / 2
    x = profile.knots[0]
    lows = (x[0], x[0], middle - SHOULDER_TO * reach, middle - CENTRE_BAND * reach, middle + SHOULDER_FROM * reach)
    highs = (x[-1], min(max(0.0, x[0]), x[-1]), middle - SHOULDER_FROM * reach, middle + CENTRE_BAND * reach,
             middle + SHOULDER_TO * reach)  # fmt: skip
    whole, left_half, left, centre, right = _area_weights(x, np.array(lows), np.array(highs))
    gaps = x[1:] - x[:-1]
    moment = np.zeros(len(x))
    moment[:-1] = gaps * (2 * x[:-1] + x[1:])
    moment[1:] += gaps * (x[:-1] + 2 * x[1:])
    shoulder, core = (SHOULDER_TO - SHOULDER_FROM) * reach, 2 * CENTRE_BAND * reach
    left, centre, right = left / shoulder, centre / core, right / shoulder
    sums = np.array((100.0 * left_half, moment / 6, left, right, (left + right) / 2))
    over = np.array((whole, whole, centre, centre, centre))
    kept = slice(None) if profile.tails == CUT else slice(1, -1)  # the tails end at a rate of 0
    sums, over = sums[:, kept], over[:, kept]
    above, below = sums @ rates.T, over @ rates.T
    usable = below > 0
    ratio = np.where(usable, above / np.where(usable, below, 1.0), np.nan)
    weights = (sums - ratio[:, :1] * over) / np.where(usable[:, :1], below[:, :1], np.nan)
    errors = np.full(len(ratio), np.nan)
    if chance is not None:
        errors[usable[:, 0]] = chance.errors(weights[usable[:, 0]])
    return [
        Compared(figures[0], tuple(figures[1:]), error, each)
        for figures, error, each in zip(ratio.tolist(), errors.tolist(), weights, strict=True)
    ]


def _area_weights(x: FloatArray, lows: FloatArray, highs: FloatArray) -> FloatArray:
    """What the rate at each place adds to the area under the straight lines between low and high; (bands, places)."""
    if math.isnan(lows.sum()):
        lows, highs = np.nan_to_num(lows, nan=x[0]), np.nan_to_num(highs, nan=x[0])
    start, end = x[:-1], x[1:]
    low = np.minimum(np.maximum(lows[:, np.newaxis], start), end)
    high = np.minimum(np.maximum(highs[:, np.newaxis], start), end)
    part, middle = (high - low) / (end - start), (low + high) / 2
    weights = np.zeros((len(lows), len(x)))
    weights[:, :-1] = part * (end - middle)
    weights[:, 1:] += part * (middle - start)
    return weights


def line_and_edge(profile: Profile, width_m: float) -> tuple[float, FloatArray]:
    """Deposit about the driving line less that about the bout edges, thirds of the bout each, over the mean deposit.

    Returns the share and what a rate at each tray adds to it; a bout narrower than three trays has none (NaN).
    """
    x = profile.knots[0]
    if width_m < 3 * profile.spacing_m:
        return math.nan, np.zeros(len(profile.offset_m))
    most = math.ceil((x[-1] - x[0]) / width_m) + 1
    lines = np.arange(-most, most + 1) * width_m
    middle = _area_weights(x, lines - width_m / 6, lines + width_m / 6).sum(axis=0)
    edges = _area_weights(x, lines + width_m / 3, lines + 2 * width_m / 3).sum(axis=0)
    whole = _area_weights(x, x[:1], x[-1:])[0]
    kept = slice(None) if profile.tails == CUT else slice(1, -1)
    sums, over, rate = 3 * (middle - edges)[kept], whole[kept], profile.rate_kg_ha
    value = float(sums @ rate / (over @ rate))
    return value, np.asarray((sums - value * over) / (over @ rate))


def _tail(profile: Profile, lengths: FloatArray, half_at: float, chance: Chance | None) -> Compared:
    """A tail; its error is that of the rate at both ends over the mean slope between them."""
    values = lengths.tolist()
    error = math.nan
    if chance is not None and not math.isnan(values[0]):
        x, one = profile.offset_m, np.zeros((1, len(profile.offset_m)))
        low = int(np.clip(np.searchsorted(x, half_at, side="right") - 1, 0, len(x) - 2))
        one[0, low + 1] = np.clip((half_at - x[low]) / (x[low + 1] - x[low]), 0.0, 1.0)
        one[0, low] = 1.0 - one[0, low + 1]
        at_half = float(chance.errors(one)[0])
        peak = float(profile.rate_kg_ha.max())
        error = at_half * math.sqrt(1 + 2 * TAIL_SHARE) * values[0] / ((0.5 - TAIL_SHARE) * peak)
    return Compared(values[0], tuple(values[1:]), error)


@record
class Outlet:
    """One outlet: its number from the left (0: a tray), its offset, and how far it is off the middle one, a share."""

    number: int
    offset_m: float
    off: Difference


@record
class Outlets:
    """The outlets of a machine; `by` says where their places are known from."""

    by: str
    every: tuple[Outlet, ...]

    @property
    def odd(self) -> tuple[Outlet, ...]:
        """Those that stand clear, the furthest off first; not those that are only short beside a worse one."""
        off = [outlet.off.value if outlet.off.clear else 0.0 for outlet in self.every]
        beside = zip([0.0, *off], [*off[1:], 0.0], strict=False)
        kept = [
            outlet
            for outlet, own, both in zip(self.every, off, beside, strict=True)
            if own and not any(other * own > 0 and abs(other) > 2 * abs(own) for other in both)
        ]
        return tuple(sorted(kept, key=lambda outlet: -abs(outlet.off.value)))


def outlets_of(kind: str, test: TrayTest, profile: Profile, chance: Chance, width_m: float) -> Outlets | None:
    """Every outlet against the middle one; by single trays where the sheet does not say where the outlets are."""
    x, rate = profile.offset_m, profile.rate_kg_ha / chance.noise.peak_kg_ha
    places, spacing, by = _places(test, width_m)
    inside = (places >= x[0] - spacing / 2) & (places <= x[-1] + spacing / 2)
    numbers, at = np.flatnonzero(inside) + 1, places[inside]
    away = np.abs(x - at[:, None]) / spacing
    fans = np.maximum(1 - away, 0) if kind == BOOM else np.clip((0.5 - away) / _EDGE, -0.5, 0.5) + 0.5
    if len(at):
        fans[0, (x < at[0] - _EDGE) & inside[0]] = 0.0
        fans[-1, (x > at[-1] + _EDGE) & inside[-1]] = 0.0
    if len(at) < _FEWEST or not fans.any(axis=1).all():
        by = "single trays" if not by else "single trays, as some outlets have no tray"
        body = np.flatnonzero(rate > _BODY * np.median(rate[rate > _BODY * rate.max()]))
        inner = np.arange(body[0] + 1, body[-1])  # the end trays may stand half outside
        numbers, at, fans = np.zeros(len(inner), int), x[inner], np.eye(len(x))[inner]
    if len(at) < _FEWEST:
        return None
    whole = fans.sum(axis=1, keepdims=True)
    weights, alone = fans / whole, whole / (fans**2).sum(axis=1, keepdims=True)
    levels = weights @ rate
    middle = float(np.median(levels))
    if middle <= 0:
        return None
    beside = levels / middle
    off = alone[:, 0] * (beside - 1)
    variance = chance.variances(alone * (weights - beside[:, None] * weights.mean(axis=0)) / middle)
    least = LIMITS["outlet gap"].value / 100
    alike = (LIMITS["unlike sides"].value / 100) ** 2  # good outlets differ too
    ends = np.isin(numbers, (1, max(len(places), 1)))  # a line that lies off takes so much of an end outlet's edge
    variance[ends] += (usual_shift_m(test) / spacing * (alone * weights).max(axis=1)[ends, None]) ** 2
    chances = [chance_of(chance.noise, *each) for each in zip(off.tolist(), variance + alike, strict=True)]
    p = np.minimum(holm(chances) / _SHARE, 1.0)
    told = [difference(chance.noise, *each, least) for each in zip(off.tolist(), variance, p.tolist(), strict=True)]
    return Outlets(by, tuple(map(Outlet, numbers.tolist(), at.tolist(), told)))


def _places(test: TrayTest, width_m: float) -> tuple[FloatArray, float, str]:
    """Where the outlets are: by number and spacing, or by one of them and the width."""
    number, spacing = test.quantity("number of outlets"), test.quantity("outlet spacing")
    by = "outlet spacing and number" if number and spacing else "outlet spacing" if spacing else "number of outlets"
    if spacing and not number and not math.isnan(width_m):
        number = round(width_m / spacing)
    elif number and not spacing and not math.isnan(width_m):
        spacing = width_m / number
    if not number or not spacing or number < _FEWEST:
        return np.array([]), math.nan, ""
    return np.asarray((np.arange(int(number)) - (int(number) - 1) / 2) * spacing, float), float(spacing), by
