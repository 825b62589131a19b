"""Some passes and no others: what a field gets where the passes come to an end.

Pass k is centred on k x w and turned as in the endless field; places are measured from the centre line of pass 0.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.evenness import Deposit
from spreadcheck.spread.overlap import deposit_shares
from spreadcheck.spread.profile import Profile

_CHUNK = 2_000  # points looked at together, so that memory stays flat in the number of passes
_SAME = 1e-11  # of the lengths at hand: kinks closer than this are one kink


def mirrored(profile: Profile) -> Profile:
    """The profile with left and right swapped."""
    return replace(profile, offset_m=-profile.offset_m[::-1], rate_kg_ha=profile.rate_kg_ha[::-1])


def area_left_of(profile: Profile, offset_m: FloatArray) -> FloatArray:
    """Area under the profile left of an offset, exact."""
    x, y = profile.knots
    whole = np.concatenate(([0.0], np.cumsum((y[1:] + y[:-1]) * np.diff(x) / 2)))
    at = np.clip(offset_m, x[0], x[-1])
    piece = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    along = at - x[piece]
    slope = (y[piece + 1] - y[piece]) / (x[piece + 1] - x[piece])
    return np.asarray(whole[piece] + along * (y[piece] + slope * along / 2))


def support_m(profile: Profile) -> tuple[float, float]:
    """Where a pass begins and ends to leave anything: zero catches at the end of the line are no reach."""
    x, y = profile.knots
    caught = np.flatnonzero(y > 0)
    return float(x[max(caught[0] - 1, 0)]), float(x[min(caught[-1] + 1, len(x) - 1)])


def reach_m(profile: Profile) -> float:
    """How far from its centre line a pass leaves anything, on either side."""
    return max(abs(end) for end in support_m(profile))


def deposit_between(
    profile: Profile,
    bout_width_m: float,
    method: str,
    *,
    low_m: float,
    high_m: float,
    first: int | None = None,
    last: int | None = None,
) -> Deposit:
    """The deposit of some passes between two places, as linear pieces between its kinks."""
    x = _kinks(profile, bout_width_m, low_m, high_m)
    start, length = x[:-1], np.diff(x)
    # a step may stand on a kink, so look a quarter inside each piece and extend its straight line to both ends
    near, far = (_sum_of(profile, start + part * length, bout_width_m, method, first, last) for part in (0.25, 0.75))
    left, right = np.maximum(1.5 * near - 0.5 * far, 0.0), np.maximum(1.5 * far - 0.5 * near, 0.0)
    return Deposit(start, length, left, right, np.array([0]))


def _kinks(profile: Profile, w: float, low_m: float, high_m: float) -> FloatArray:
    """Every place between two where the deposit may bend: the knots of all passes, turned or not, and both ends."""
    reach = reach_m(profile)
    numbers = np.arange(np.floor((low_m - reach) / w), np.ceil((high_m + reach) / w) + 1)
    knots = np.concatenate((profile.knots[0], -profile.knots[0]))
    places = np.sort((numbers[:, None] * w + knots).ravel())
    places = places[(places > low_m) & (places < high_m)]
    closest = _SAME * (high_m - low_m + reach + w)
    inner = [places[:1], places[1:][np.diff(places) > closest]] if len(places) else [places]
    x = np.concatenate(inner)
    return np.concatenate(([low_m], x[(x > low_m + closest) & (x < high_m - closest)], [high_m]))


def _sum_of(
    profile: Profile, x_m: FloatArray, w: float, method: str, first: int | None, last: int | None
) -> FloatArray:
    """What the passes from first to last leave at points in order, a stretch of the field at a time."""
    parts = []
    for at in range(0, len(x_m), _CHUNK):
        numbers, shares = deposit_shares(profile, x_m[at : at + _CHUNK], w, method)
        driven = np.ones(len(numbers), dtype=bool)
        driven &= True if first is None else numbers >= first
        driven &= True if last is None else numbers <= last
        parts.append(shares[driven].sum(axis=0))
    return np.concatenate(parts)
