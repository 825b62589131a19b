"""How many passes a test needs to pin the effective width, judged by the noise of a former test.

1. `passes_needed`   from a test
2. `passes_for`      from its assessment
3. `PassesNeeded`    the answer, with the half-width that each number of passes would give

Runs that are caught together in one tray count like passes here: both divide the counting noise in the same way. Trays
at half the spacing are tried too.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from spreadcheck.doubts.noise_known import Noise, noise_of
from spreadcheck.errors import Fault, QuantityError, WidthError
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.judge.confidence import (
    DRAWS,
    LEVEL_PCT,
    SEED,
    check_draws,
    floor_pct,
    thinned_widths,
    without_noise_pct,
)
from spreadcheck.judge.plausible import noise_variance, widest_crossing
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.passes.laws import VarianceLaw
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import MAX_PASSES, FloatArray, TrayTest
from spreadcheck.spread.profile import TAPER, Profile, profile_from
from spreadcheck.spread.traymap import tray_map

SHOWN_PASSES = (1, 2, 3, 5, 9, 15, 25)
MAX_CLOSER_TRAYS = 500


@dataclass(frozen=True)
class PassesNeeded:
    """How many passes pin the effective width to a half-width, for one driving method.

    `passes` is for the trays as they stood, `closer_trays_passes` with twice as many at half the spacing; None where
    even 1,000 do not, or where `why_not` says that it can't be told. `half_widths_m` lists passes and the half-width
    they give. `source` says where the noise was taken from: "passes" or "counting".
    """

    method: str
    half_width_m: float
    level_pct: float
    effective_width_m: float
    source: str
    passes_done: int
    passes: int | None
    closer_trays_passes: int | None
    half_widths_m: tuple[tuple[int, float], ...]
    why_not: str = ""


def passes_needed(
    test: TrayTest,
    half_width_m: float,
    *,
    method: str = "",
    limit_pct: float = CV_LIMIT_PCT,
    tails: str = TAPER,
    relative: bool = False,
    draws: int = DRAWS,
    seed: int = SEED,
    level_pct: float = LEVEL_PCT,
) -> PassesNeeded:
    """How many passes a test like this one needs to pin the effective width.

    Parameters
    ----------
    test : TrayTest
        A former test with this spreader, product and rate. [-]
    half_width_m : float
        Half the length that the interval for the effective width may have. [m]
    method : str
        Driving method; the form's if empty, else back-and-forth. [-]
    limit_pct : float
        CV limit. [%]
    tails : str
        What happens beyond the end trays: "taper" or "cut". [-]
    relative : bool
        Whether rates in proportion are enough. [-]
    draws : int
        How often the noise is drawn. [-]
    seed : int
        Seed of the draws. [-]
    level_pct : float
        How often the interval should hold the truth. [%]

    Returns
    -------
    PassesNeeded
        Passes for the trays as they stood, and with trays at half the spacing. [-]

    Raises
    ------
    WidthError
        If the half-width is not above 0.

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> offset = np.arange(-18.0, 19.0)
    >>> catch = np.random.default_rng(1).poisson(6.0 * (18 - abs(offset))[:, None], size=(37, 3)) * 0.02
    >>> test = tray_test(offset, catch, tray_width="0.5 m", tray_length="0.5 m")
    >>> needed = passes_needed(test, 0.5)
    >>> needed.passes_done, needed.passes > 3, needed.closer_trays_passes < needed.passes
    (3, True, True)
    """
    result = assess(test, limit_pct=limit_pct, tails=tails, relative=relative)
    return passes_for(result, half_width_m, method=method, draws=draws, seed=seed, level_pct=level_pct)


def passes_for(
    result: Assessment,
    half_width_m: float,
    *,
    method: str = "",
    draws: int = DRAWS,
    seed: int = SEED,
    level_pct: float = LEVEL_PCT,
) -> PassesNeeded:
    """How many passes a test like the assessed one needs to pin the effective width.

    Parameters
    ----------
    result : Assessment
        The assessment of a former test. [-]
    half_width_m : float
        Half the length that the interval for the effective width may have. [m]
    method : str
        Driving method; the form's if empty, else back-and-forth. [-]
    draws : int
        How often the noise is drawn. [-]
    seed : int
        Seed of the draws. [-]
    level_pct : float
        How often the interval should hold the truth. [%]

    Returns
    -------
    PassesNeeded
        Passes for the trays as they stood, and with trays at half the spacing. [-]

    Raises
    ------
    WidthError
        If the half-width is not above 0, or a setting can't be used.

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-1, 0, 1], [5, 9, 5], tray_width="0.5 m", tray_length="0.5 m")
    >>> passes_for(assess(test), 0.5).why_not
    'the noise of this test is not known: it has one pass, and the form lacks size guide number, granule density'
    """
    check_draws(draws=draws, seed=seed, level_pct=level_pct)
    if not half_width_m > 0:
        raise WidthError(Fault("half-width", f"{half_width_m:g} m can't be reached", 'give one such as "0.5 m"'))
    method = method or result.driving or BACK_AND_FORTH
    if method not in METHODS:
        raise WidthError(Fault("", f'"{method}" is not a driving method', f"use one of {', '.join(METHODS)}"))
    noise, widths = noise_of(result.test, result.profile), thinned_widths(result)
    if noise.law is None:
        lacks = f"it has one pass, and the form lacks {', '.join(noise.missing)}"
        why_not = f"the noise of this test is not known: {lacks}"
        return PassesNeeded(method, half_width_m, level_pct, 0.0, "", noise.passes, None, None, (), why_not)
    spec = _Wanted(method, widths, result.limit_pct, draws, seed, level_pct)
    out = _without_noise(result.profile, noise, noise.law, spec)
    crossing = float(widest_crossing(widths, out[:, None], result.limit_pct)[0])
    answer = PassesNeeded(method, half_width_m, level_pct, crossing, noise.source, noise.passes, None, None, ())
    if why_not := _not_to_be_told(crossing, widths):
        return replace(answer, why_not=why_not)
    half_width = _forecast(result.profile, noise.law, out, spec)
    closer = None
    if len(result.profile.offset_m) <= MAX_CLOSER_TRAYS:
        closer = _fewest(_forecast(_closer_trays(result.profile), noise.law, out, spec), half_width_m)
    return replace(
        answer,
        passes=_fewest(half_width, half_width_m),
        closer_trays_passes=closer,
        half_widths_m=tuple((passes, half_width(passes)) for passes in SHOWN_PASSES),
    )


def runs_from_former(test: TrayTest, half_width_m: float) -> int:
    """Runs that the next test needs, by the noise of a former one, to pin the effective width.

    Parameters
    ----------
    test : TrayTest
        A former test with this spreader, product and rate. [-]
    half_width_m : float
        Half the length that the interval for the effective width may have. [m]

    Returns
    -------
    int
        Runs over the tray line: passes times the runs in each catch. [-]

    Raises
    ------
    QuantityError
        If the former test can't tell, or not even 1,000 passes are enough.

    Examples
    --------
    >>> from spreadcheck.sheet.traysheet import read_sheet
    >>> former = read_sheet("sample_trays/even_trapezoid.csv")
    >>> runs_from_former(former, 0.1), passes_needed(former, 0.1).passes
    (24, 6)
    """
    needed = passes_needed(test, half_width_m)
    place = test.source or test.name
    if needed.why_not:
        raise QuantityError(Fault(place, f"can't tell how many passes are needed: {needed.why_not}", "plan without it"))
    if needed.passes is None:
        problem = f"not even 1,000 passes like these pin the effective width to +/- {half_width_m:g} m"
        raise QuantityError(Fault(place, problem, "allow a larger half-width"))
    return needed.passes * test.runs_per_catch


def _not_to_be_told(crossing_m: float, widths: FloatArray) -> str:
    if crossing_m <= 0:
        return "no bout width is within the limit, so there is no effective width to pin"
    if crossing_m >= widths[-1]:
        return "the widest bout width tried is still within the limit: the tray line is too short to find the end"
    return ""


@dataclass(frozen=True, eq=False)
class _Wanted:
    """What a forecast is made for."""

    method: str
    width_m: FloatArray
    limit_pct: float
    draws: int
    seed: int
    level_pct: float


def _without_noise(profile: Profile, noise: Noise, law: VarianceLaw, spec: _Wanted) -> FloatArray:
    """CV of the former test at each width with its noise taken out: the pattern that a new test will meet."""
    bouts = tray_map(profile, spec.width_m, (spec.method,))
    return without_noise_pct(bouts.cv_of_line_pct(noise.rate), floor_pct(bouts, noise, law))


def _forecast(profile: Profile, law: VarianceLaw, out_pct: FloatArray, spec: _Wanted) -> Callable[[int], float]:
    """Half the interval for the effective width that so many passes over these trays would give.

    The noise is drawn once for one pass; with more passes the same draws are only smaller.
    """
    full = replace(profile, filled_offset_m=())  # a new test will weigh every tray
    bouts, rates = tray_map(full, spec.width_m, (spec.method,)), full.rate_kg_ha
    variance = law.at(rates)
    e = np.random.default_rng(spec.seed).standard_normal((len(rates), spec.draws)) * np.sqrt(variance)[:, None]
    mean, shift, off = bouts.mean(rates[:, None]), bouts.mean(e), bouts.deviations(rates)
    length = bouts.cv_of_line_pct(rates)[:, None] * mean / 100.0
    along = bouts.along(off, e) / np.where(length > 0, length, 1.0)
    beyond = bouts.variance(e) - noise_variance(bouts, variance)[:, None]
    true = out_pct[:, None] * mean / 100.0
    ends = (100 - spec.level_pct) / 2, (100 + spec.level_pct) / 2

    def half_width_m(passes: int) -> float:
        squares = true**2 + 2 * true * along / np.sqrt(passes) + beyond / passes
        curves = 100.0 * np.sqrt(np.maximum(squares, 0.0)) / (mean + shift / np.sqrt(passes))
        low, high = np.percentile(widest_crossing(spec.width_m, curves, spec.limit_pct), ends)
        return float(high - low) / 2

    return half_width_m


def _fewest(half_width_m: Callable[[int], float], wanted_m: float) -> int | None:
    """The smallest number of passes whose half-width is small enough, by bisection."""
    most = 1
    while half_width_m(most) > wanted_m:
        if most >= MAX_PASSES:
            return None
        most = min(2 * most, MAX_PASSES)
    least = most // 2
    while most - least > 1:
        middle = (least + most) // 2
        least, most = (least, middle) if half_width_m(middle) <= wanted_m else (middle, most)
    return most


def _closer_trays(profile: Profile) -> Profile:
    """The same pattern with another tray halfway between each two."""
    x = profile.offset_m
    offset = np.sort(np.concatenate((x, (x[1:] + x[:-1]) / 2)))
    return profile_from(offset, np.interp(offset, x, profile.rate_kg_ha), tails=profile.tails)
