"""The shape of a spread pattern in the trade's own words, named only where it stands clear of the test's own noise.

Thresholds are this tool's own: a trapezoid whose top is at least 0.3 of its base is flat-topped; one with a smaller
top, a triangle and a bell (Gaussian) are peaked. A figure is clear of its threshold when it is further from it than the
one model of the noise explains in 99 of 100 tests. Whether a pattern is alike to both sides is asked by the same test
as the advice and the doubt `off-centre` ask it (`passes.sides`).

Chance makes peaks of its own: of n trays some two will differ by more than one standard error. The rise asked for is
what no two of the n differ by in 99 of 100 tests: sqrt(2) sigma z, with z at most sqrt(2 ln(n (n - 1) / (2 x 0.01))) by
the bound of Chernoff on the normal law, over all pairs (Bonferroni).
"""

from __future__ import annotations

import math
from enum import Enum

import numpy as np

from spreadcheck.errors import record
from spreadcheck.pattern.figures import UNKNOWN, Chance, Compared, Figures
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.profile import Profile

LEVEL = 0.15  # flat-topped: both shoulders within this of the centre
PEAKED = 0.85  # peaked: both shoulders at most this share of the centre
HOLLOW = 1.20  # hollow centre: both shoulders at least this share of the centre
LOPSIDED_PCT = 5.0  # lopsided: one side has this much more than half
TAIL_RATIO = 1.5  # one-sided tail: one tail this many times the other
LEAST_RISE = 0.10  # of the highest rate: smaller humps don't matter to the overlap
CHANCE = 0.01  # share of tests in which chance alone may show a peak
WINDOW = 0.125  # of the half-rate width: trays that are taken together

_Z = 2.5758  # standard normal deviate, 99 % two-sided


@record
class Shape:
    """One shape: `meaning` in plain words, `rule` by which it is named, `effect` on the overlap."""

    name: str
    meaning: str
    rule: str
    effect: str


SHAPES = {
    shape.name: shape
    for shape in (
        Shape("flat-topped", "about the same rate from shoulder to shoulder, then falling to both sides",
              f"both shoulders within {100 * LEVEL:g} % of the centre, and no second peak that is clear of chance",
              "even over narrow bout widths and again up to its half-rate width, where it takes good driving"),
        Shape("peaked", "highest about its middle and falling from there to both sides, like a triangle or a bell",
              f"both shoulders at most {100 * PEAKED:g} % of the centre, and no second peak that is clear of chance",
              "forgives driving that is not quite true, at bout widths up to its half-rate width"),
        Shape("double-peaked", "two heaps with a dip between them (M-shaped)",
              "two peaks, each above the dip between them by 10 % of the highest rate, and clear of chance",
              "often a stretch of bout widths fails between narrow and wide ones that are within the limit"),
        Shape("hollow centre", "less in the middle than on both sides of it",
              f"both shoulders at least {100 * HOLLOW:g} % of the centre",
              "a light strip along every driving line, unless neighbouring passes fill it"),
        Shape("several peaks", "three heaps or more",
              "three or more peaks, each above the dips beside it by 10 % of the highest rate, and clear of chance",
              "evenness comes and goes with the bout width: look at all width bands"),
        Shape("lopsided", "more on one side of the driving line than on the other",
              f"one side has at least {50 + LOPSIDED_PCT:g} % of the spread, and the sides differ by more than chance",
              "driven back-and-forth, heavy and light strips in turn; driven round-and-round it matters less"),
        Shape("one-sided tail", "the rate falls more slowly on one side than on the other",
              f"one tail at least {TAIL_RATIO:g} times as long as the other, longer by a tray spacing, and the sides "
              "differ by more than chance",
              "driven back-and-forth, long tails meet long ones and short meet short, so that every second edge "
              "differs"),
    )
}  # fmt: skip


class Verdict(Enum):
    """Whether a shape is there; of several things that it needs the first of these decides."""

    ABSENT = "absent"
    UNCLEAR = "unclear"
    NAMED = "named"


def margin(figure: Compared) -> float:
    """How far a figure may be off by chance in 99 of 100 tests."""
    return math.inf if math.isnan(figure.error) or math.isnan(figure.value) else _Z * figure.error


def between(figure: Compared, low: float, high: float) -> Verdict:
    """Whether a figure lies between two thresholds, clear of chance."""
    off = margin(figure)
    if math.isinf(off):
        return Verdict.UNCLEAR
    least, most = figure.value - off, figure.value + off
    if least >= low and most <= high:
        return Verdict.NAMED
    return Verdict.ABSENT if most < low or least > high else Verdict.UNCLEAR


def name_shapes(
    figures: Figures, *, spacing_m: float, clear_peaks: int, humps: int, noise: str, unlike: bool
) -> dict[str, Verdict]:
    """The verdict on every shape."""
    if noise == UNKNOWN:
        return dict.fromkeys(SHAPES, Verdict.UNCLEAR)
    sides = (figures.left_shoulder, figures.right_shoulder)
    one = Verdict.ABSENT if clear_peaks > 1 else Verdict.NAMED  # a hump that may be chance takes nothing away
    heaps = []  # chance can hide no peak that stands clear, and humps that don't stand clear may be chance
    for low, high in ((2, 2), (3, math.inf)):
        there, absent = low <= clear_peaks <= high and humps <= high, humps < low or clear_peaks > high
        heaps.append(Verdict.NAMED if there else Verdict.ABSENT if absent else Verdict.UNCLEAR)
    found = {
        "flat-topped": [*(between(side, 1 - LEVEL, 1 + LEVEL) for side in sides), one],
        "peaked": [*(between(side, -math.inf, PEAKED) for side in sides), one],
        "double-peaked": heaps[:1],
        "hollow centre": [between(side, HOLLOW, math.inf) for side in sides],
        "several peaks": heaps[1:],
    }
    even = between(figures.left_share_pct, 50 - LOPSIDED_PCT, 50 + LOPSIDED_PCT)
    lopsided = Verdict.ABSENT if even is Verdict.NAMED else Verdict.UNCLEAR  # too near to half to matter
    left, right = figures.tail_left_m, figures.tail_right_m
    longer, shorter = (left, right) if left.value >= right.value else (right, left)
    # their difference in each pass carries the spread
    excess = Compared(
        longer.value - TAIL_RATIO * shorter.value, error=math.hypot(longer.error, TAIL_RATIO * shorter.error)
    )
    tails = between(excess, 0.0, math.inf)
    if tails is Verdict.NAMED and longer.value - shorter.value < spacing_m * (1 - 1e-9):
        tails = Verdict.ABSENT
    if unlike:
        share = figures.left_share_pct.value
        lopsided = Verdict.NAMED if abs(share - 50) >= LOPSIDED_PCT else Verdict.ABSENT
    elif tails is Verdict.NAMED:  # no one-sided shape where the sides differ by no more than chance
        tails = Verdict.UNCLEAR
    shapes = {name: min(needed, key=[*Verdict].index) for name, needed in found.items()}
    return {**shapes, "lopsided": lopsided, "one-sided tail": tails}


@record
class Peak:
    """One peak of the smoothed pattern: offset, rate, and its offset in each pass."""

    offset_m: float
    rate_kg_ha: float
    pass_offset_m: tuple[float, ...] = ()


def smoothed(rates: FloatArray, window: int) -> FloatArray:
    """Running mean over an odd number of trays; over fewer, evenly on both sides, near the ends."""
    if window == 1:
        return rates
    trays = rates.shape[1]
    at = np.arange(trays)
    reach = np.minimum(np.minimum(at, trays - 1 - at), window // 2)
    run = np.zeros((len(rates), trays + 1))
    np.cumsum(rates, axis=1, out=run[:, 1:])
    return np.asarray((run[:, at + reach + 1] - run[:, at - reach]) / (2 * reach + 1))


def clear_rise(sigma: float, trays: int) -> float:
    """How far two of many trays must differ so that chance alone hardly ever does it."""
    pairs = max(trays, 2) * (max(trays, 2) - 1) / 2
    return math.sqrt(2.0) * sigma * math.sqrt(2.0 * math.log(pairs / CHANCE))


def peaks_of(offset_m: FloatArray, rates: FloatArray, *, rise: float) -> tuple[Peak, ...]:
    """The peaks of a pattern that stand at least so far above the dips beside them, from left to right."""
    pattern = rates[0].tolist()
    tops: list[int] = []
    dips: list[int] = []
    high = low = 0
    climbing = True
    for at, rate in enumerate(pattern):  # a top counts once the rate has fallen by the rise
        high, low = (at if rate > pattern[high] else high), (at if rate < pattern[low] else low)
        if climbing and rate <= pattern[high] - rise:
            tops.append(high)
            low, climbing = at, False
        elif not climbing and rate >= pattern[low] + rise:
            dips.append(low)
            high, climbing = at, True
    edges, found = [0, *dips, len(pattern) - 1], []
    for top, first, last in zip([*tops, high][: len(dips) + 1], edges[:-1], edges[1:], strict=True):
        inside, places = slice(first, last + 1), []
        for row in rates:  # the middle of the trays that share the highest rate: a mirrored pattern has a mirrored peak
            level = offset_m[inside][row[inside] >= row[inside].max() * (1 - 1e-9)]
            places.append(float(level[0] + level[-1]) / 2)
        found.append(Peak(places[0], pattern[top], tuple(places[1:])))
    return tuple(found)


def clear_peaks_of(
    profile: Profile, rows: FloatArray, chance: Chance | None, half_width_m: float
) -> tuple[tuple[Peak, ...], int]:
    """The peaks of profile and passes that stand clear of chance, and how many there are by the rise alone."""
    # an odd number of trays is taken together, over an eighth of the half-rate width at most
    trays = 0 if math.isnan(half_width_m) else int(WINDOW * half_width_m / profile.spacing_m + 1e-9)
    window = max(1, trays - 1 + trays % 2)
    rates = smoothed(np.concatenate((profile.rate_kg_ha[np.newaxis], rows)), window)
    least = LEAST_RISE * float(rates[0].max())
    humps = peaks_of(profile.offset_m, rates, rise=least)
    if chance is None or len(humps) == 1:
        return humps, len(humps)
    taken = smoothed(np.eye(len(profile.offset_m)), window)[:, int(profile.rate_kg_ha.argmax())]
    body = int((profile.rate_kg_ha > profile.rate_kg_ha.max() / 2).sum())
    rise = clear_rise(float(chance.errors(taken[np.newaxis])[0]), body)
    return (humps if rise <= least else peaks_of(profile.offset_m, rates, rise=rise)), len(humps)
