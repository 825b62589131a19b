"""The peaks of a spread pattern that stand clear of chance.

Chance makes peaks of its own: of n trays some two will differ by more than one standard error. The rise asked for is
what no two of the n differ by in 99 of 100 tests: sqrt(2) sigma z, with z at most sqrt(2 ln(n (n - 1) / (2 x 0.01))) by
the bound of Chernoff on the normal law, over all pairs (Bonferroni).
"""

from __future__ import annotations

import math

import numpy as np

from spreadcheck.errors import record
from spreadcheck.sheet.traytest import FloatArray

LEAST_RISE = 0.10  # of the highest rate: smaller humps don't matter to the overlap
CHANCE = 0.01  # share of tests in which chance alone may show a peak
WINDOW = 0.125  # of the half-rate width: trays that are taken together


@record
class Peak:
    """One peak of the smoothed pattern: offset, rate, its offset in each pass, and the trays it stretches over."""

    offset_m: float
    rate_kg_ha: float
    pass_offset_m: tuple[float, ...] = ()


def window_trays(spacing_m: float, half_width_m: float) -> int:
    """How many trays are taken together: an odd number, over an eighth of the half-rate width at most."""
    trays = 0 if math.isnan(half_width_m) else int(WINDOW * half_width_m / spacing_m + 1e-9)
    return max(1, trays - 1 + trays % 2)


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
    pattern = rates[0]
    tops, dips = _tops_and_dips(pattern.tolist(), rise)
    edges = [0, *dips, len(pattern) - 1]
    found = []
    for top, low, high in zip(tops, edges, edges[1:], strict=False):
        inside = slice(low, high + 1)
        at = [_middle_of_top(offset_m[inside], row[inside]) for row in rates]
        found.append(Peak(at[0], float(pattern[top]), tuple(at[1:])))
    return tuple(found)


def _middle_of_top(offset_m: FloatArray, rates: FloatArray) -> float:
    """The middle of the trays that share the highest rate, so that a mirrored pattern has a mirrored peak."""
    top = offset_m[rates >= rates.max() * (1 - 1e-9)]
    return float(top[0] + top[-1]) / 2


def _tops_and_dips(rates: list[float], rise: float) -> tuple[list[int], list[int]]:
    """Places of the tops, and of the dips between them: a top counts once the rate has fallen by the rise."""
    tops: list[int] = []
    dips: list[int] = []
    high = low = 0
    climbing = True
    for at, rate in enumerate(rates):
        if climbing:
            high = at if rate > rates[high] else high
            if rate <= rates[high] - rise:
                tops.append(high)
                low, climbing = at, False
        else:
            low = at if rate < rates[low] else low
            if rate >= rates[low] + rise:
                dips.append(low)
                high, climbing = at, True
    if climbing:
        tops.append(high)
    return tops, dips
