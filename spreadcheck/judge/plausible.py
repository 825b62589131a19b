"""Which patterns could have read as the trays did: the noise is drawn again and taken back out.

1. `plausible_cv`        true CVs that go with the reading, one a draw, at every width and driving method together
2. `widest_crossing`     the width up to which a CV curve stays within the limit
3. `noise_variance`      the part of the variance at each bout that sampling noise puts there

Trays read ||d + e||, where d is how the true deposit departs from its mean and e is noise. Noise adds to the reading
far more often than it takes away, so drawing it once more on top of the reading only makes that worse. Instead
each draw asks how large d must be for d + e to read what was read. The answers, taken together, are the
confidence distribution of the true CV: the share of draws above a value is the chance of such a reading or a smaller
one if that value were true.

In formulas, with d of length 1: |z d + e| is at most what was read for z from -p - c to -p + c, where p = d.e
and c^2 = p^2 - |e|^2 + (what was read)^2. Where 0 lies inside, the answer is the upper end c - p. Where all of it lies
above 0, the answer is its length 2 c; where there is no such z the noise alone reads more, and the answer is 0.
"""

from __future__ import annotations

import numpy as np

from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.traymap import TrayMap


def plausible_cv(
    bouts: TrayMap,
    rates: FloatArray,
    variance: FloatArray,
    *,
    draws: int,
    freedom: float,
    rng: np.random.Generator,
) -> FloatArray:
    """True CVs that go with what was read, one a draw; a draw is one noise of the tray line, the same for all bouts.

    Parameters
    ----------
    bouts : TrayMap
        How the trays enter each bout. [-]
    rates : ndarray, shape (trays,)
        Mean rates of the weighed trays. [kg/ha]
    variance : ndarray, shape (trays,)
        Variance of these means. [(kg/ha)^2]
    draws : int
        How many draws. [-]
    freedom : float
        Degrees of freedom behind the variance; infinite if it is known. [-]
    rng : numpy.random.Generator
        Source of the draws. [-]

    Returns
    -------
    ndarray, shape (bouts, draws)
        CV by trays without noise; 0 where the noise alone reads as much. [%]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> from spreadcheck.spread.traymap import tray_map
    >>> profile = profile_from([-2, -1, 0, 1, 2], [1, 2, 3, 2, 1])
    >>> bouts = tray_map(profile, np.array([4.0]), ("round-and-round",))
    >>> settings = {"draws": 3, "freedom": float("inf"), "rng": np.random.default_rng(1)}
    >>> plausible_cv(bouts, profile.rate_kg_ha, np.zeros(5), **settings).round(4)  # no noise: what was read is true
    array([[22.2222, 22.2222, 22.2222]])
    """
    noise = np.sqrt(variance)[:, None] * rng.standard_normal((len(variance), draws))
    if np.isfinite(freedom):
        noise *= np.sqrt(freedom / rng.chisquare(freedom, draws))
    off = bouts.deviations(rates)
    mean = bouts.mean(rates[:, None])
    length = bouts.cv_of_line_pct(rates)[:, None] * mean / 100.0
    along = bouts.along(off, noise) / np.where(length > 0, length, 1.0)
    read = (length * (1.0 + bouts.mean(noise) / mean)) ** 2
    half = np.sqrt(np.maximum(along**2 + read - bouts.variance(noise), 0.0))
    return np.asarray(100.0 * (half - np.clip(along, -half, half)) / mean)


def noise_variance(bouts: TrayMap, variance: FloatArray) -> FloatArray:
    """What sampling noise adds on average to s^2 at each bout: exact, whatever the pattern and the noise's law.

    Parameters
    ----------
    bouts : TrayMap
        How the trays enter each bout. [-]
    variance : ndarray, shape (trays,)
        Variance of the mean rate at each weighed tray, independent from tray to tray. [(kg/ha)^2]

    Returns
    -------
    ndarray, shape (bouts,)
        Expected addition to s^2; NaN for a bout with n < 2. [(kg/ha)^2]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> from spreadcheck.spread.traymap import tray_map
    >>> profile = profile_from([-2, -1, 0, 1, 2], [2, 2, 2, 2, 2], tails="cut")
    >>> bouts = tray_map(profile, np.array([5.0]), ("round-and-round",))
    >>> noise_variance(bouts, np.full(5, 0.3)).round(6)  # no overlap, so each point has the noise of its own tray
    array([0.3])
    """
    return np.asarray(bouts.noise_gain @ variance)


def widest_crossing(width_m: FloatArray, cv_pct: FloatArray, limit_pct: float) -> FloatArray:
    """The width up to which each CV curve is within the limit, on a straight line between candidate widths.

    Parameters
    ----------
    width_m : ndarray, shape (widths,)
        Candidate widths, increasing. [m]
    cv_pct : ndarray, shape (widths, draws)
        CVs, a column a curve. [%]
    limit_pct : float
        CV limit. [%]

    Returns
    -------
    ndarray, shape (draws,)
        Where the curve leaves the limit for good; the widest candidate if it is within, 0 if none is. [m]

    Examples
    --------
    >>> curves = np.array([[10.0, 20, 5], [14, 20, 9], [18, 20, 12]])
    >>> widest_crossing(np.array([20.0, 21, 22]), curves, 15)
    array([21.25,  0.  , 22.  ])
    """
    within = np.nan_to_num(cv_pct, nan=np.inf) <= limit_pct
    last = len(width_m) - 1 - np.argmax(within[::-1], axis=0)
    column = np.arange(cv_pct.shape[1])
    beyond = np.minimum(last + 1, len(width_m) - 1)
    low, high = cv_pct[last, column], cv_pct[beyond, column]
    rise = np.where(beyond > last, high - low, 1.0)
    part = np.where(np.isfinite(rise) & (rise > 0), (limit_pct - low) / np.where(rise > 0, rise, 1.0), 0.0)
    crossing = width_m[last] + np.where(beyond > last, part, 0.0) * (width_m[beyond] - width_m[last])
    return np.where(within.any(axis=0), crossing, 0.0)
