"""The overlap simulator: what the field gets when passes are driven side by side.

Pass k is centred on k x w. Round-and-round: D(x) = sum_k p(x - k w). Back-and-forth: odd k uses p(-(x - k w)).
Both repeat (every w; every 2 w) and back-and-forth is its own mirror image at every bout edge, so that one bout
[-w/2, +w/2] around a pass driven in the test's direction shows all of it. A `method` may be given point by point, as
booleans: True for back-and-forth.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.evenness import Deposit
from spreadcheck.spread.profile import CUT, SAME_PLACE, Profile

Method = str | ArrayLike
_ROUNDING = 1e-11  # of the lengths at hand: kinks closer than this are one kink
_END_SLACK = 1e-9  # of the smallest tray spacing


def overlapped_deposit(profile: Profile, x_m: ArrayLike, bout_width_m: ArrayLike, method: Method) -> FloatArray:
    """Sum of all passes at points across the field.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]
    x_m : array_like
        Points, measured from the centre line of pass 0. [m]
    bout_width_m : array_like
        Bout width, one for all points or one a point. [m]
    method : str or array_like of bool
        "back-and-forth" or "round-and-round", or True for back-and-forth point by point. [-]

    Returns
    -------
    ndarray
        Overlapped deposit, in the shape of points and widths broadcast. [kg/ha]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> skewed = profile_from([-3, -2, -1, 0, 1, 2, 3], [0, 2, 6, 10, 8, 4, 0])
    >>> overlapped_deposit(skewed, [-1, 0, 1], 3, "round-and-round")
    array([10., 10., 10.])
    >>> overlapped_deposit(skewed, [-1, 0, 1], 3, "back-and-forth")
    array([ 8., 10., 12.])
    """
    back = method == BACK_AND_FORTH if isinstance(method, str) else np.asarray(method, dtype=bool)
    x, w, back = np.broadcast_arrays(np.asarray(x_m, float), np.asarray(bout_width_m, float), back)
    shape, x, w, back = x.shape, x.ravel(), w.ravel(), back.ravel()
    # the distance of each point from every pass that may reach it, as that pass sees it
    reach = profile.reach_m * (1 + SAME_PLACE)
    first = np.ceil((x - reach) / w).astype(np.intp)
    counts = np.maximum(np.floor((x + reach) / w).astype(np.intp) - first + 1, 1)
    starts = np.cumsum(counts) - counts
    number = np.arange(starts[-1] + counts[-1]) - np.repeat(starts - first, counts)
    away = np.repeat(x, counts) - number * np.repeat(w, counts)
    np.negative(away, out=away, where=(number & 1).astype(bool) & np.repeat(back, counts))
    return np.add.reduceat(_one_pass(profile, away), starts).reshape(shape)


def deposit_shares(
    profile: Profile, x_m: ArrayLike, bout_width_m: float, method: str
) -> tuple[NDArray[np.int64], FloatArray]:
    """What each pass leaves at points across the field.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]
    x_m : array_like, shape (points,)
        Points, measured from the centre line of pass 0. [m]
    bout_width_m : float
        Bout width. [m]
    method : str
        "back-and-forth" or "round-and-round". [-]

    Returns
    -------
    tuple of ndarray
        Pass numbers, shape (passes,), and each pass's deposit, shape (passes, points). [-], [kg/ha]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> numbers, shares = deposit_shares(profile_from([-1, 0, 1], [1, 2, 1]), [0.0, 1.0], 2.0, "round-and-round")
    >>> numbers, shares
    (array([0, 1]), array([[2., 1.],
           [0., 1.]]))
    """
    x = np.asarray(x_m, dtype=float)
    reach = profile.reach_m
    numbers = np.arange(np.floor((x.min() - reach) / bout_width_m), np.ceil((x.max() + reach) / bout_width_m) + 1)
    away = x[None, :] - numbers[:, None] * bout_width_m
    turned = (numbers % 2 == 1) & (method == BACK_AND_FORTH)
    shares = _one_pass(profile, np.where(turned[:, None], -away, away))
    seen = shares.any(axis=1)
    return numbers[seen].astype(np.int64), shares[seen]


def tray_points(profile: Profile, bout_width_m: FloatArray) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Where CV by trays looks: the tray offsets inside one bout of each width, their weights, where each bout starts.

    The line of trays is continued to the bout's edges where it ends before them; a point on an edge weighs 1/2. Uneven
    trays are replaced by points at the smallest spacing: on the trays themselves where these leave gaps in an even
    line, else about the driving centre line.

    >>> from spreadcheck.spread.profile import profile_from
    >>> tray_points(profile_from([-1, 0, 1], [1, 2, 1]), np.array([2.0]))
    (array([-1.,  0.,  1.]), array([0.5, 1. , 0.5]), array([0]))
    """
    offset, anchor, spacing = profile.offset_m, 0.0, profile.spacing_m
    if profile.places is not None:
        anchor, spacing = float(offset[0]), float(offset[-1] - offset[0]) / float(profile.places[-1])
    half = np.asarray(bout_width_m, dtype=float) / 2
    first = np.ceil((-half - anchor) / spacing - SAME_PLACE)
    last = np.floor((half - anchor) / spacing + SAME_PLACE)
    counts = np.maximum(last - first + 1, 1).astype(np.intp)
    starts = np.cumsum(counts) - counts
    step = np.arange(counts.sum()) - np.repeat(starts - first, counts)
    x = anchor + step * spacing
    on_edge = np.abs(np.abs(x) - np.repeat(half, counts)) <= SAME_PLACE * spacing
    return x, np.where(on_edge, 0.5, 1.0), starts


def bout_deposit(profile: Profile, bout_width_m: FloatArray, method: Method) -> Deposit:
    """The deposit over one whole bout of each width, as linear pieces between its kinks.

    Every knot of the profile folds to one kink in the bout: modulo w when round-and-round, reflected at the bout
    edges when back-and-forth. No sampling grid is laid, so that what is drawn from the pieces is exact.

    Parameters
    ----------
    profile : Profile
        The single-pass profile. [m, kg/ha]
    bout_width_m : ndarray, shape (widths,)
        Bout widths. [m]
    method : str or array_like of bool
        "back-and-forth" or "round-and-round", or True for back-and-forth width by width. [-]

    Returns
    -------
    Deposit
        The pieces, bout after bout. [m, kg/ha]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> pieces = bout_deposit(profile_from([-1, 0, 1], [0, 1, 0], tails="cut"), np.array([1.5]), "round-and-round")
    >>> pieces.start_m, pieces.left, pieces.right
    (array([-0.75, -0.5 ,  0.  ,  0.5 ]), array([0.5, 0.5, 1. , 0.5]), array([0.5, 1. , 0.5, 0.5]))
    """
    w = np.asarray(bout_width_m, dtype=float)
    back = np.broadcast_to(method == BACK_AND_FORTH if isinstance(method, str) else np.asarray(method, bool), w.shape)
    width, period = w[:, None], np.where(back, 2 * w, w)[:, None]
    folded = profile.knots[0] / period
    folded = (folded - np.rint(folded)) * period
    beyond = np.abs(folded) > width / 2  # only in the second half of a back-and-forth period: reflect at the edge
    np.copyto(folded, np.copysign(width, folded) - folded, where=beyond & back[:, None])
    kinks = np.sort(np.concatenate((folded, -width / 2, width / 2), axis=1), axis=1)
    new = np.ones(kinks.shape, dtype=bool)
    closest = _ROUNDING * (w + profile.reach_m)
    np.greater(kinks[:, 1:] - kinks[:, :-1], closest[:, None], out=new[:, 1:])
    row = np.nonzero(new)[0]
    x, widths, back = kinks[new], w[row], back[row]
    piece = np.flatnonzero(row[1:] == row[:-1])
    start, length = x[piece], x[piece + 1] - x[piece]
    if profile.tails == CUT:
        # a step may stand on a kink, so look a quarter inside each piece and extend its straight line to both ends
        near, far = (
            overlapped_deposit(profile, start + part * length, widths[piece], back[piece]) for part in (0.25, 0.75)
        )
        left, right = np.maximum(1.5 * near - 0.5 * far, 0.0), np.maximum(1.5 * far - 0.5 * near, 0.0)
    else:
        value = overlapped_deposit(profile, x, widths, back)
        left, right = value[piece], value[piece + 1]
    return Deposit(start, length, left, right, np.searchsorted(row[piece], np.arange(len(w))))


def _one_pass(profile: Profile, away_m: FloatArray) -> FloatArray:
    """What one pass leaves at a distance from its own centre line, right positive as that pass sees it."""
    x, y = profile.knots
    # an end tray still counts, whatever rounding does to its place
    slack = _END_SLACK * profile.spacing_m if profile.tails == CUT else 0.0
    if profile.on_grid:  # the place between knots is a division, several times faster than a search
        place = (away_m - x[0]) * ((len(x) - 1) / (x[-1] - x[0]))
        at = np.clip(place, 0, len(x) - 2).astype(np.intp)
        value = y[at] + np.clip(place - at, 0.0, 1.0) * np.diff(y)[at]
        return np.where((away_m >= x[0] - slack) & (away_m <= x[-1] + slack), value, 0.0)
    if slack:
        x, y = np.concatenate(([x[0] - slack], x, [x[-1] + slack])), np.concatenate((y[:1], y, y[-1:]))
    return np.interp(away_m, x, y, left=0.0, right=0.0)
