"""Stripes in the field: how much of a bout gets too little or too much, and the widest strip that goes short.

All are measured on the linear pieces of the deposit, so none depends on a sampling grid. Round-and-round repeats every
bout. Back-and-forth repeats every second bout, the next one being the mirror image at the bout edge: a strip that
touches the edge goes on at the other side of it.
"""

from __future__ import annotations

import numpy as np

from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.evenness import Deposit, mean_of_pieces, share_between

STRIPE_PCT = 90.0  # of the mean: what a stripe is short of
_ROUNDING = 1e-9  # of a rate: closer than this to the bound is not below it


def shares_beyond(deposit: Deposit, margin_pct: float) -> tuple[FloatArray, FloatArray]:
    """Shares of each bout that get less, and more, than the bout's mean by over x %."""
    margin = margin_pct / 100.0
    within = ((1.0 - margin, np.inf), (-np.inf, 1.0 + margin))
    under, over = (100.0 - share_between(deposit, low=low, high=high) for low, high in within)
    least = 100.0 * _ROUNDING  # 100 less a sum of pieces is not quite 0
    return np.where(under < least, 0.0, under), np.where(over < least, 0.0, over)


def runs_below(deposit: Deposit, rate_kg_ha: float) -> tuple[FloatArray, FloatArray]:
    """The strips of a deposit along a line that lie below a rate."""
    bound = rate_kg_ha * (1.0 - _ROUNDING)  # a level strip on the rate is not below it, whatever rounding does
    left, right = deposit.left < bound, deposit.right < bound
    rise = np.where(left == right, 1.0, deposit.right - deposit.left)
    crossing = np.where(left == right, 1.0, np.clip((rate_kg_ha - deposit.left) / rise, 0.0, 1.0))
    starts = np.column_stack((deposit.start_m, deposit.start_m + crossing * deposit.length_m)).ravel()
    below = np.column_stack((left, right)).ravel().astype(np.int8)
    turns = np.diff(below, prepend=0, append=0)
    ends = np.append(starts, deposit.start_m[-1] + deposit.length_m[-1])
    return ends[turns == 1], ends[turns == -1]


def longest_stripe(deposit: Deposit, method: str, share_pct: float = STRIPE_PCT) -> tuple[FloatArray, FloatArray]:
    """The widest continuous strip below a share of the bout's mean, over the whole period of the field."""
    pieces = np.array((deposit.start_m, deposit.length_m, deposit.left, deposit.right))
    bouts = np.split(pieces, deposit.starts[1:], axis=1)
    bounds = (mean_of_pieces(deposit) * (share_pct / 100.0)).tolist()
    widths, middles = np.array([_longest(*each, method) for each in zip(bouts, bounds, strict=True)]).reshape(-1, 2).T
    return widths, middles


def _longest(bout: FloatArray, rate_kg_ha: float, method: str) -> tuple[float, float]:
    """Width and middle of the widest strip in two periods laid end to end, so that it may wrap."""
    start, length, left, right = bout
    if method == BACK_AND_FORTH:  # the next bout is its mirror image at the bout edge
        mirror = (2 * (start[-1] + length[-1]) - (start + length)[::-1], length[::-1], right[::-1], left[::-1])
        bout = np.hstack((bout, mirror))
    period = float(bout[1].sum())
    twice = np.hstack((bout, bout + np.array([[period], [0], [0], [0]])))
    start, length, left, right = twice
    starts, ends = runs_below(Deposit(start, length, left, right, np.array([0])), rate_kg_ha)
    if not len(starts):
        return 0.0, float("nan")
    widths = ends - starts
    longest = int(np.argmax(widths > widths.max() * (1.0 - _ROUNDING)))  # the first of equals, whatever rounding does
    middle = float(starts[longest] + ends[longest]) / 2
    nearer = abs(middle - period) < abs(middle) * (1.0 - _ROUNDING)  # the same strip, a period back
    return float(widths[longest]), middle - period if nearer else middle
