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
    not_under = share_between(deposit, low=1.0 - margin, high=np.inf)
    not_over = share_between(deposit, low=-np.inf, high=1.0 + margin)
    return _no_less_than_nothing(100.0 - not_under), _no_less_than_nothing(100.0 - not_over)


def _no_less_than_nothing(share_pct: FloatArray) -> FloatArray:
    """A share with its rounding taken off: 100 less a sum of pieces is not quite 0."""
    return np.where(share_pct < 100.0 * _ROUNDING, 0.0, share_pct)


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
    means = mean_of_pieces(deposit)
    bounds = [*deposit.starts.tolist(), len(deposit.left)]
    found = [
        _longest(_slice(deposit, first, last), method, float(mean) * share_pct / 100.0)
        for first, last, mean in zip(bounds[:-1], bounds[1:], means, strict=True)
    ]
    widths, middles = np.array(found).reshape(-1, 2).T
    return widths, middles


def _slice(deposit: Deposit, first: int, last: int) -> Deposit:
    """One bout out of many."""
    pieces = slice(first, last)
    return Deposit(
        deposit.start_m[pieces], deposit.length_m[pieces], deposit.left[pieces], deposit.right[pieces], np.array([0])
    )


def _longest(bout: Deposit, method: str, rate_kg_ha: float) -> tuple[float, float]:
    """Width and middle of the widest strip in two periods laid end to end, so that it may wrap."""
    period = _with_mirror(bout) if method == BACK_AND_FORTH else bout
    length = float(period.length_m.sum())
    starts, ends = runs_below(_joined(period, _moved(period, length)), rate_kg_ha)
    if not len(starts):
        return 0.0, float("nan")
    widths = ends - starts
    longest = int(np.argmax(widths > widths.max() * (1.0 - _ROUNDING)))  # the first of equals, whatever rounding does
    middle = float(starts[longest] + ends[longest]) / 2
    nearer = abs(middle - length) < abs(middle) * (1.0 - _ROUNDING)  # the same strip, a period back
    return float(widths[longest]), middle - length if nearer else middle


def _with_mirror(bout: Deposit) -> Deposit:
    """A back-and-forth bout and the next one, its mirror image at the bout edge."""
    edge = bout.start_m[-1] + bout.length_m[-1]
    start = 2 * edge - (bout.start_m + bout.length_m)[::-1]
    mirror = Deposit(start, bout.length_m[::-1], bout.right[::-1], bout.left[::-1], bout.starts)
    return _joined(bout, mirror)


def _moved(deposit: Deposit, distance_m: float) -> Deposit:
    return Deposit(deposit.start_m + distance_m, deposit.length_m, deposit.left, deposit.right, deposit.starts)


def _joined(first: Deposit, second: Deposit) -> Deposit:
    """Two lines of pieces as one."""
    return Deposit(
        np.concatenate((first.start_m, second.start_m)),
        np.concatenate((first.length_m, second.length_m)),
        np.concatenate((first.left, second.left)),
        np.concatenate((first.right, second.right)),
        first.starts,
    )
