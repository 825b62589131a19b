"""How many passes a test needs to pin the effective width, judged by how the passes of a former test differ."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from spreadcheck.errors import Fault, QuantityError, WidthError, record
from spreadcheck.judge.assessment import assess
from spreadcheck.judge.confidence import DRAWS, LEVEL_PCT, SEED, Confidence, between, confidence
from spreadcheck.judge.likely import AnyFloats, Line, bouts_on, products, widest_within
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.passes.noise import FROM_PASSES, Floats, NoiseDrawn, Stated
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import MAX_PASSES, FloatArray, TrayTest
from spreadcheck.spread.profile import TAPER

SHOWN_PASSES = (1, 2, 3, 5, 9, 15, 25)
MAX_CLOSER_TRAYS = 500
_MOST_DRAWS = 500  # quite enough for a forecast
_MOST_WIDTHS = 80


@record
class PassesNeeded:
    """How many passes pin the effective width to a half-width, for one driving method.

    `passes` is for the trays as they stood, `closer_trays_passes` with twice as many at half the spacing; None where
    even 1,000 do not, or where `why_not` says that it can't be told. `half_widths_m` lists passes and the half-width
    they give, by how passes differ. `unseen_m` is the half-width that what one test can't see adds, whatever the number
    of passes: only a repeat of the whole test makes it smaller.
    """

    method: str
    half_width_m: float
    level_pct: float
    passes_done: int
    effective_width_m: float = 0.0
    passes: int | None = None
    closer_trays_passes: int | None = None
    half_widths_m: tuple[tuple[int, float], ...] = ()
    unseen_m: float = 0.0
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
    stated: Stated | None = None,
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
    draws, seed : int
        How often the noise is drawn, of which 500 are used at most; and the seed of the draws. [-]
    level_pct : float
        How often the interval should hold the truth. [%]
    stated : Stated, optional
        What one test can't see; the defaults of `LIMITS` if not given. [%, m]

    Returns
    -------
    PassesNeeded
        Passes for the trays as they stood, and with trays at half the spacing. [-]

    Raises
    ------
    WidthError
        If the half-width is not above 0, or the draws, the seed or the level can't be used.

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
    sure = confidence(result, draws=draws, seed=seed, level_pct=level_pct, stated=stated)
    return passes_for(sure, half_width_m, method=method)


def check_half_width(half_width_m: float) -> None:
    """Refuse a wish that no number of passes meets."""
    if not half_width_m > 0:
        raise WidthError(Fault("half-width", f"{half_width_m:g} m can't be reached", 'give one such as "0.5 m"'))


def passes_for(sure: Confidence, half_width_m: float, *, method: str = "") -> PassesNeeded:
    """How many passes a test like the assessed one needs; see `passes_needed`."""
    check_half_width(half_width_m)
    result, noise = sure.assessment, sure.noise
    method = method or result.driving or BACK_AND_FORTH
    if method not in METHODS:
        raise WidthError(Fault("", f'"{method}" is not a driving method', f"use one of {', '.join(METHODS)}"))
    answer, why_not = PassesNeeded(method, half_width_m, sure.level_pct, noise.passes), ""
    if noise.source != FROM_PASSES:
        why_not = "one pass tells nothing about how passes differ; weigh each of three or more"
    elif sure.ends.open:
        why_not = "the end trays still catch; lay trays farther out first"
    elif result.blocking:
        why_not = f"a doubt blocks the verdict ({', '.join(result.blocking)}); put that right first"
    if why_not:
        return replace(answer, why_not=why_not)
    draws = min(sure.draws, _MOST_DRAWS)
    few = confidence(result, draws=draws, seed=sure.seed, level_pct=sure.level_pct, stated=sure.stated)
    widths = few.curve_m[:: max(len(few.curve_m) // _MOST_WIDTHS, 1)]
    line = few.lines[0]
    width_m, half_width, unseen_m = _forecast(few, line, few.few.rate_kg_ha, few.drawn, method, widths)
    answer = replace(answer, effective_width_m=width_m)
    if width_m <= 0:
        return replace(answer, why_not="no bout width is within the limit, so there is no effective width to pin")
    if width_m >= widths[-1]:
        why_not = "the widest bout width tried is still within the limit: the tray line is too short to find the end"
        return replace(answer, why_not=why_not)
    closer = None
    if len(noise.offset_m) <= MAX_CLOSER_TRAYS:  # another tray halfway between each two
        x, h = noise.offset_m, line.spacing_m / 2
        offset = np.sort(np.concatenate((x, (x[1:] + x[:-1]) / 2)))
        rates = np.interp(offset, x, noise.rate_kg_ha)
        even = between(offset, np.linspace(x[0], x[-1], round((x[-1] - x[0]) / h) + 1))
        more = noise.drawn(len(few.drawn.shift_m), np.random.default_rng(sure.seed), offset, rates, stated=sure.stated)
        halved = _forecast(few, Line(float(x[0]), h, even), rates, more, method, widths)[1]
        closer = _fewest(halved, half_width_m)
    return replace(
        answer,
        passes=_fewest(half_width, half_width_m),
        closer_trays_passes=closer,
        half_widths_m=tuple((passes, half_width(passes)) for passes in SHOWN_PASSES),
        unseen_m=unseen_m,
    )


def runs_from_former(test: TrayTest, half_width_m: float) -> int:
    """Runs that the next test needs, by the noise of a former one: passes times the runs in each catch."""
    needed = passes_needed(test, half_width_m)
    place = test.source or test.name
    if needed.why_not:
        raise QuantityError(Fault(place, f"can't tell how many passes are needed: {needed.why_not}", "plan without it"))
    if needed.passes is None:
        problem = f"not even 1,000 passes like these pin the effective width to +/- {half_width_m:g} m"
        raise QuantityError(Fault(place, problem, "allow a larger half-width"))
    return needed.passes * test.runs_per_catch


def _forecast(
    sure: Confidence, line: Line, rates: FloatArray, drawn: NoiseDrawn, method: str, width_m: FloatArray
) -> tuple[float, Callable[[int], float], float]:
    """Effective width; its half-width by passes, as squares are quadratic in the noise; and that of the unseen."""
    bouts, pattern = bouts_on(line, width_m, method), line.from_trays @ rates
    of, along = products(pattern[:, None]), bouts.along(pattern).astype(np.float32)
    n = width_m / line.spacing_m
    to_trays = (n / np.maximum(n - 1, 0.5))[:, None]

    def added(noise: Floats) -> tuple[AnyFloats, AnyFloats, AnyFloats]:
        """What noise adds: its total, its covariance with the pattern in each bout, and its own variance there."""
        there = line.from_trays.astype(np.float32) @ noise
        return there.sum(axis=0), along @ there, bouts.variance(products(there))

    def crossing(squares: AnyFloats, total: AnyFloats) -> FloatArray:
        curves = np.sqrt(np.maximum(squares / bouts.mean(total) ** 2 * 1e4 * to_trays, 0.0))
        return widest_within(width_m, curves, sure.assessment.limit_pct, 2 * sure.assessment.driving_error_m)

    own = added(drawn.own_kg_ha)
    by_noise = np.asarray(own[2].mean(axis=1, keepdims=True))

    def half(noise: tuple[AnyFloats, AnyFloats, AnyFloats], shift_m: FloatArray, scale: float) -> float:
        (total, covariance, square), much = noise, np.float32(scale)
        more = much**2 * (square - square.mean(axis=1, keepdims=True)) + 2 * much * covariance
        widths = crossing(bouts.moved(of, scale * shift_m) - by_noise + more, pattern.sum() + much * total)
        low, high = np.percentile(widths, sure.tails_pct)
        return float(high - low) / 2

    found = float(crossing(bouts.variance(of) - by_noise, pattern.sum(keepdims=True))[0])
    unseen = half(added(drawn.trays_kg_ha), drawn.stated_shift_m, 1.0)
    return found, lambda passes: half(own, drawn.shift_m, (sure.noise.passes / passes) ** 0.5), unseen


def _fewest(half_width_m: Callable[[int], float], wanted_m: float) -> int | None:
    """The smallest number of passes whose half-width is small enough, by bisection."""
    if half_width_m(MAX_PASSES) > wanted_m:
        return None
    return 1 + bisect_left(range(1, MAX_PASSES), True, key=lambda passes: half_width_m(passes) <= wanted_m)
