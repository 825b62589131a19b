"""Sideways driving error: what it does to the CV that a field can expect, in closed form; see docs/confidence.md.

For a profile of straight pieces R and C are sums of |t - t_i|^3 / 12, whose fourth derivative is a unit pulse, over the
differences t_i of the places where its slope changes; where it ends in a step, of their first and second derivatives
too. The mean of each over a normal error is known exactly, so there is no grid and no simulation.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import Fault, WidthError, record
from spreadcheck.judge.assessment import Assessment
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.profile import Profile
from spreadcheck.spread.widths import scan_methods

MAX_UNEVEN_TRAYS = 300
_FAR = 9.0  # standard deviations beyond which a pass no longer reaches another
_CHUNK = 2_000_000


@record
class Steering:
    """Sideways driving error: its standard deviation, and its correlation from one pass to the next.

    Correlation 0 is an error that starts anew with every pass; near 1 is a slow drift, which shifts neighbouring passes
    together and so mostly does less harm.
    """

    sd_m: float
    correlation: float = 0.0

    def __post_init__(self) -> None:
        if not 0 <= self.sd_m <= 100:
            problem = f"a steering error of {self.sd_m:g} m can't be"
            raise WidthError(Fault("steering", problem, 'give a standard deviation from 0 to 100 m, such as "0.10 m"'))
        if not 0 <= self.correlation <= 1:
            problem = f"a correlation of {self.correlation:g} from pass to pass can't be"
            raise WidthError(Fault("steering", problem, "give 0 (every pass anew) to 1 (all passes shifted alike)"))


@record(eq=False)
class SteeringScan:
    """Expected CV by line at every bout width for one driving method, straight and with the steering error."""

    method: str
    width_m: FloatArray
    cv_straight_pct: FloatArray
    cv_steered_pct: FloatArray

    def widest_m(self, limit_pct: float) -> tuple[float | None, ...]:
        """Widest candidate whose CV by line is within a limit, driven straight and steered; None for none."""
        both = self.cv_straight_pct, self.cv_steered_pct
        return tuple(max(self.width_m[cv <= limit_pct].tolist(), default=None) for cv in both)


@record(eq=False)
class SteeringEffect:
    """What a steering error does to an assessment: a scan a driving method, and the same at the bout driven."""

    steering: Steering
    limit_pct: float
    scans: dict[str, SteeringScan]
    bouts: dict[str, SteeringScan]


def steering_effect(result: Assessment, steering: Steering) -> SteeringEffect:
    """What a steering error does to the widths of an assessment, for both driving methods.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]
    steering : Steering
        The driving error. [m]

    Returns
    -------
    SteeringEffect
        CV by line at every candidate width and at the bout driven, straight and steered. [%]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> test = tray_test([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1], tray_width="1 m", tray_length="1 m")
    >>> effect = steering_effect(assess(test), Steering(0.2))
    >>> effect.scans["back-and-forth"].widest_m(effect.limit_pct)
    (4.0, 3.0)
    """
    candidates, driven = result.width_m, np.array([each.width_m for each in result.bouts.values()][:1])
    scans, bouts = (
        {method: steering_scan(result.profile, widths, method, steering) for method in METHODS if len(widths)}
        for widths in (candidates, driven)
    )
    return SteeringEffect(steering, result.limit_pct, scans, bouts)


def steering_scan(profile: Profile, width_m: FloatArray, method: str, steering: Steering) -> SteeringScan:
    """Expected CV by line of a large field, a population figure, with and without sideways driving error."""
    straight = scan_methods(profile, width_m, (method,))[method].cv_line_pct
    reach = 2 * float(np.abs(profile.knots[0]).max()) + _FAR * math.sqrt(2.0) * steering.sd_m
    most = np.floor(reach / width_m).astype(int)
    owner = np.repeat(np.arange(len(width_m)), 2 * most + 1)
    number = np.concatenate([np.arange(-m, m + 1) for m in most])
    # standard deviation of the distance between two passes, so many passes apart
    sd = steering.sd_m * np.sqrt(2.0 * (1.0 - steering.correlation ** np.abs(number.astype(float))))
    t, overlap = number * width_m[owner], np.empty(len(number))
    mirrored = (number % 2 == 1) & (method == BACK_AND_FORTH)
    for turned in (False, True):
        here, mean = np.flatnonzero(mirrored == turned), _overlap(profile, mirrored=turned)
        for some in np.array_split(here, len(here) * len(profile.knots[0]) // _CHUNK + 1):
            overlap[some] = mean(t[some], sd[some])
    squares = width_m * np.bincount(owner, overlap, len(width_m)) / profile.area_kg_ha_m**2
    return SteeringScan(method, width_m, straight, 100.0 * np.sqrt(np.maximum(squares - 1.0, 0.0)))


def _overlap(profile: Profile, *, mirrored: bool) -> Callable[[FloatArray, FloatArray], FloatArray]:
    """R of the profile with itself (mirrored: C, of its mirror image), at lags t and on average over normal errors.

    At t it is the sum of a_i K(t - t_i) + b_i K'(t - t_i) + c_i K''(t - t_i), K = |t|^3 / 12.
    """
    x, y = profile.knots
    slope = np.diff(np.diff(y) / np.diff(x), prepend=0.0, append=0.0)  # by how much it changes at each knot
    step = np.zeros(len(x))  # how far the profile jumps there
    step[0], step[-1] = y[0], -y[-1]
    own = (-x[::-1], slope[::-1], -step[::-1]) if mirrored else (x, slope, step)
    lag, pairs = _differences(profile, own[0], x)
    bends = np.outer(own[1], slope), np.outer(own[1], step) - np.outer(own[2], slope), -np.outer(own[2], step)
    third, second, first = (np.bincount(pairs.ravel(), part.ravel(), len(lag)) for part in bends)

    def mean(t: FloatArray, sd: FloatArray) -> FloatArray:
        from scipy.special import erf

        mu, s = t[:, None] - lag, sd[:, None]
        scaled = mu / np.where(s > 0, s * math.sqrt(2.0), 1.0)
        sign = np.where(s > 0, erf(scaled), np.sign(mu))
        bell = s * math.sqrt(2.0 / math.pi) * np.exp(-(scaled**2))  # 2 s^2 times the density at 0
        total = ((mu**3 + 3 * mu * s**2) * sign + (mu**2 + 2 * s**2) * bell) @ third / 12.0
        if second.any():
            total += ((mu**2 + s**2) * sign + mu * bell) @ second / 4.0
        if first.any():
            total += (mu * sign + bell) @ first / 2.0
        return np.asarray(total)

    return mean


def _differences(profile: Profile, own: FloatArray, other: FloatArray) -> tuple[FloatArray, NDArray[np.intp]]:
    """All differences other - own, those of an even tray line each once; and which of them each pair has."""
    count = len(other)
    if profile.even:
        spacing = float(profile.offset_m[-1] - profile.offset_m[0]) / (len(profile.offset_m) - 1)
        pairs = np.arange(count)[None, :] - np.arange(count)[:, None] + count - 1
        return np.asarray(other[0] - own[0] + spacing * np.arange(1 - count, count)), pairs
    if count > MAX_UNEVEN_TRAYS:
        problem = f"{count:,} unevenly spaced trays are too many for the effect of steering"
        raise WidthError(Fault("", problem, f"use evenly spaced trays, or at most {MAX_UNEVEN_TRAYS:,}"))
    differences = other[None, :] - own[:, None]
    lag, pairs = np.unique(np.round(differences, 12), return_inverse=True)
    return np.asarray(lag), np.asarray(pairs).reshape(differences.shape)
