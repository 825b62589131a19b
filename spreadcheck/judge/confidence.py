"""How sure the answer is: what part of the CV is the machine, and what part is the test.

1. `Confidence`, `confidence`   noise floor, intervals and probabilities of an assessment
2. `CvBand`            the CV curve of one driving method with its noise floor, its interval and its probability
3. `BoutConfidence`    the same at the bout width driven
4. `thinned_widths`, `check_draws`, `floor_pct`, `without_noise_pct`   the parts of it

A tray in a light application catches a hundred granules; their number alone scatters by a tenth, and that scatter is in
every CV that trays give. The noise is taken from the spread between the passes, pooled over all trays; from counting
granules where there is one pass only. How the intervals are made, and how often they hold: docs/confidence.md.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.doubts.noise_known import Noise, noise_doubts, noise_of
from spreadcheck.errors import Fault, WidthError
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.plausible import noise_variance, plausible_cv, widest_crossing
from spreadcheck.passes.laws import VarianceLaw
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.traymap import TrayMap, tray_map, weighed_trays

LEVEL_PCT = 90.0
SURE_PCT = 90.0  # probability at which a bout width is called sure to be within the limit
DRAWS = 2_000
SEED = 1
MAX_BOUTS = 200  # candidate widths looked at; more are thinned evenly


@dataclass(frozen=True, eq=False)
class CvBand:
    """CV by trays against bout width for one driving method: as read, the noise in it, and what may be true.

    Arrays have an entry a width. `noise_floor_pct` is the CV that an even spread would have read;
    `cv_without_noise_pct` the CV read with it taken out; `low_pct` to `high_pct` the interval; `within_pct` the
    probability that the true CV is within the limit. `passes_floor_pct` and `counting_floor_pct` are the floor by each
    way of knowing it (NaN if not known). `effective_width_m` and `sure_width_m` are candidates; `crossing_m`,
    `without_noise_m` and the ends of the interval for the effective width are where a curve crosses the limit, between
    candidates too; 0 if it is never within.
    """

    method: str
    width_m: FloatArray
    cv_trays_pct: FloatArray
    noise_floor_pct: FloatArray
    passes_floor_pct: FloatArray
    counting_floor_pct: FloatArray
    cv_without_noise_pct: FloatArray
    low_pct: FloatArray
    high_pct: FloatArray
    within_pct: FloatArray
    effective_width_m: float | None
    crossing_m: float
    without_noise_m: float
    effective_low_m: float
    effective_high_m: float
    sure_width_m: float | None

    def at(self, index: int) -> BoutConfidence:
        """The figures at one of the widths."""
        return BoutConfidence(
            self.method,
            float(self.width_m[index]),
            float(self.cv_trays_pct[index]),
            float(self.noise_floor_pct[index]),
            float(self.cv_without_noise_pct[index]),
            float(self.low_pct[index]),
            float(self.high_pct[index]),
            float(self.within_pct[index]),
        )


@dataclass(frozen=True)
class BoutConfidence:
    """How sure the CV by trays is at one bout width, for one driving method."""

    method: str
    width_m: float
    cv_trays_pct: float
    noise_floor_pct: float
    cv_without_noise_pct: float
    low_pct: float
    high_pct: float
    within_pct: float

    @property
    def all_noise(self) -> bool:
        """Whether the noise alone would read as much as was read."""
        return self.noise_floor_pct >= self.cv_trays_pct


@dataclass(frozen=True, eq=False)
class Confidence:
    """How sure an assessment is. `noise.source` says where the noise was taken from; "" if it could not be known.

    `tray_error_kg_ha` is the standard error of the mean rate at each tray of the profile, NaN at a filled tray.
    """

    assessment: Assessment
    noise: Noise
    level_pct: float
    draws: int
    seed: int
    bands: dict[str, CvBand]
    bouts: dict[str, BoutConfidence]
    tray_error_kg_ha: FloatArray
    doubts: tuple[Doubt, ...]

    @property
    def known(self) -> bool:
        """Whether anything could be said about the noise."""
        return bool(self.bands)


def confidence(result: Assessment, *, draws: int = DRAWS, seed: int = SEED, level_pct: float = LEVEL_PCT) -> Confidence:
    """How sure an assessment is: noise floor, intervals and the probability of keeping the limit.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]
    draws : int
        How often the noise is drawn. [-]
    seed : int
        Seed of the draws: the same seed gives the same figures. [-]
    level_pct : float
        How often the intervals should hold the truth. [%]

    Returns
    -------
    Confidence
        The result; without bands where the noise can't be known, and `noise.missing` says what would help. [%, m]

    Raises
    ------
    WidthError
        If the draws, the seed or the level can't be used.

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> catch = [[2.1, 1.8, 2.3], [4.2, 3.7, 4.0], [6.3, 5.9, 5.8], [3.9, 4.4, 3.8], [1.9, 2.2, 2.0]]
    >>> test = tray_test([-2, -1, 0, 1, 2], catch, tray_width="0.5 m", tray_length="0.5 m")
    >>> sure = confidence(assess(test, bout_width_m=3))
    >>> bout = sure.bouts["round-and-round"]
    >>> sure.noise.source, round(bout.cv_trays_pct, 1), round(bout.noise_floor_pct, 1)
    ('passes', 1.0, 3.3)
    >>> bout.all_noise, bout.cv_without_noise_pct, bout.low_pct
    (True, 0.0, 0.0)
    """
    check_draws(draws=draws, seed=seed, level_pct=level_pct)
    noise = noise_of(result.test, result.profile)
    doubts = noise_doubts(noise)
    error = np.full(len(result.profile.offset_m), np.nan)
    if noise.law is None:
        return Confidence(result, noise, level_pct, draws, seed, {}, {}, error, doubts)
    error[weighed_trays(result.profile)] = np.sqrt(noise.law.at(noise.rate) / noise.used)
    bands = _bands(result, noise, noise.law, thinned_widths(result), draws, seed, level_pct)
    bouts: dict[str, BoutConfidence] = {}
    if result.bout_width_m is not None:
        driven = _bands(result, noise, noise.law, np.array([result.bout_width_m]), draws, seed, level_pct)
        bouts = {method: band.at(0) for method, band in driven.items()}
    return Confidence(result, noise, level_pct, draws, seed, bands, bouts, error, doubts)


def check_draws(*, draws: int, seed: int, level_pct: float) -> None:
    """Refuse settings of a simulation that can't be used.

    Parameters
    ----------
    draws : int
        How often the noise is drawn. [-]
    seed : int
        Seed of the draws. [-]
    level_pct : float
        How often an interval should hold the truth. [%]

    Returns
    -------
    None
        Nothing, if all can be used. [-]

    Raises
    ------
    WidthError
        If one can't.

    Examples
    --------
    >>> check_draws(draws=10, seed=1, level_pct=90)
    Traceback (most recent call last):
    ...
    spreadcheck.errors.WidthError: draws: 10 draws can't tell the ends of an interval; give 100 to 100,000
    """
    if not 100 <= draws <= 100_000:
        raise WidthError(Fault("draws", f"{draws:,} draws can't tell the ends of an interval", "give 100 to 100,000"))
    if seed < 0:
        raise WidthError(Fault("seed", f"{seed} is no seed", "give a whole number from 0 up"))
    if not 50 <= level_pct <= 99:
        raise WidthError(Fault("level", f"{level_pct:g} % is no level of an interval", "give 50 to 99, such as 90"))


def thinned_widths(result: Assessment) -> FloatArray:
    """The candidate widths of an assessment, thinned evenly where they are very many, the widest among them.

    Parameters
    ----------
    result : Assessment
        The assessment. [-]

    Returns
    -------
    ndarray, shape (widths,)
        At most 200 bout widths. [m]

    Examples
    --------
    >>> from spreadcheck import assess, tray_test
    >>> test = tray_test(np.arange(-400, 401) / 4, np.ones(801), tray_width="0.25 m", tray_length="1 m")
    >>> widths = thinned_widths(assess(test))
    >>> len(widths), float(widths[-1])
    (200, 200.0)
    """
    widths = next(iter(result.scans.values())).width_m
    every = -(-len(widths) // MAX_BOUTS)
    return np.asarray(widths[::-1][::every][::-1])


def _bands(
    result: Assessment,
    noise: Noise,
    law: VarianceLaw,
    width_m: FloatArray,
    draws: int,
    seed: int,
    level_pct: float,
) -> dict[str, CvBand]:
    """The bands of both driving methods; the same noise of the tray line is drawn for all widths and both methods."""
    bouts = tray_map(result.profile, width_m)
    plausible = plausible_cv(
        bouts,
        noise.rate,
        law.at(noise.rate) / noise.used,
        draws=draws,
        freedom=law.freedom,
        rng=np.random.default_rng(seed),
    )
    read = bouts.cv_of_line_pct(noise.rate)
    floors = [floor_pct(bouts, noise, known) for known in (law, noise.between_passes, noise.counting)]
    ends = (100 - level_pct) / 2, (100 + level_pct) / 2
    found = {}
    for method in METHODS:
        rows = bouts.rows(method)
        found[method] = _band(
            method, width_m, read[rows], [floor[rows] for floor in floors], plausible[rows], ends, result.limit_pct
        )
    return found


def _band(
    method: str,
    width_m: FloatArray,
    read: FloatArray,
    floors: list[FloatArray],
    plausible: FloatArray,
    ends: tuple[float, float],
    limit_pct: float,
) -> CvBand:
    out = without_noise_pct(read, floors[0])
    within = np.where(np.isnan(read), np.nan, 100.0 * (plausible <= limit_pct).mean(axis=1))
    low, high = np.percentile(plausible, ends, axis=1)
    narrow, wide = np.percentile(widest_crossing(width_m, plausible, limit_pct), ends)
    crossing, without = widest_crossing(width_m, np.stack((read, out), axis=1), limit_pct).tolist()
    kept, sure = width_m[read <= limit_pct], width_m[within >= SURE_PCT]
    return CvBand(
        method=method,
        width_m=width_m,
        cv_trays_pct=read,
        noise_floor_pct=floors[0],
        passes_floor_pct=floors[1],
        counting_floor_pct=floors[2],
        cv_without_noise_pct=out,
        low_pct=low,
        high_pct=high,
        within_pct=within,
        effective_width_m=float(kept[-1]) if len(kept) else None,
        crossing_m=crossing,
        without_noise_m=without,
        effective_low_m=float(narrow),
        effective_high_m=float(wide),
        sure_width_m=float(sure[-1]) if len(sure) else None,
    )


def floor_pct(bouts: TrayMap, noise: Noise, law: VarianceLaw | None) -> FloatArray:
    """The noise floor: the CV by trays that sampling noise alone puts into each bout, exact in its square.

    Parameters
    ----------
    bouts : TrayMap
        How the trays enter each bout. [-]
    noise : Noise
        Mean rates, and how many passes are in them. [kg/ha]
    law : VarianceLaw or None
        Variance of one catch. [(kg/ha)^2]

    Returns
    -------
    ndarray, shape (bouts,)
        Noise floor; NaN without a law. [%]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_from
    >>> even = profile_from(np.arange(-4.0, 5.0), np.full(9, 100.0), tails="cut")
    >>> noise = Noise("counting", np.full(9, 100.0), np.ones(9), None, None)
    >>> bouts = tray_map(even, np.array([9.0]))
    >>> floor_pct(bouts, noise, VarianceLaw(0, 0.449, 0)).round(2)  # 222.5 granules a tray: 100 / sqrt(222.5)
    array([6.7, 6.7])
    """
    if law is None:
        return np.full(bouts.bouts, np.nan)
    mean = bouts.mean(noise.rate[:, None])[:, 0]
    return np.asarray(100.0 * np.sqrt(noise_variance(bouts, law.at(noise.rate) / noise.used)) / mean)


def without_noise_pct(cv_pct: FloatArray, floor_pct: FloatArray) -> FloatArray:
    """A CV with the noise floor taken out: sqrt(CV^2 - floor^2), never below zero.

    Parameters
    ----------
    cv_pct : ndarray
        CV as read. [%]
    floor_pct : ndarray
        Noise floor. [%]

    Returns
    -------
    ndarray
        CV without noise; 0 where the noise explains all of it. [%]

    Examples
    --------
    >>> without_noise_pct(np.array([13.0, 11.0]), np.array([12.0, 12.0]))
    array([5., 0.])
    """
    return np.asarray(np.sqrt(np.maximum(cv_pct**2 - floor_pct**2, 0.0)))
