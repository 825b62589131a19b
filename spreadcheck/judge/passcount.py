"""How many passes a test needs to pin the effective width, judged by how the passes of a former test differ."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cached_property

import numpy as np

from spreadcheck.errors import Fault, QuantityError, WidthError, record
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.judge.confidence import DRAWS, LEVEL_PCT, SEED, check_draws, curve_widths, draw, narrow_m
from spreadcheck.judge.likely import AnyFloats, Bouts, Line, Products, bouts_on, products, widest_within
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.passes.noise import FROM_PASSES, Floats, Noise, NoiseDrawn, Stated
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
    effective_width_m: float
    passes_done: int
    passes: int | None
    closer_trays_passes: int | None
    half_widths_m: tuple[tuple[int, float], ...]
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
    draws : int
        How often the noise is drawn, 500 at most. [-]
    seed : int
        Seed of the draws. [-]
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
    return passes_for(result, half_width_m, method=method, draws=draws, seed=seed, level_pct=level_pct, stated=stated)


def passes_for(
    result: Assessment,
    half_width_m: float,
    *,
    method: str = "",
    draws: int = DRAWS,
    seed: int = SEED,
    level_pct: float = LEVEL_PCT,
    stated: Stated | None = None,
) -> PassesNeeded:
    """How many passes a test like the assessed one needs; see `passes_needed`."""
    check_draws(draws=draws, seed=seed, level_pct=level_pct)
    if not half_width_m > 0:
        raise WidthError(Fault("half-width", f"{half_width_m:g} m can't be reached", 'give one such as "0.5 m"'))
    method = method or result.driving or BACK_AND_FORTH
    if method not in METHODS:
        raise WidthError(Fault("", f'"{method}" is not a driving method', f"use one of {', '.join(METHODS)}"))
    noise, stated = result.noise, Stated() if stated is None else stated
    answer = PassesNeeded(method, half_width_m, level_pct, 0.0, noise.passes, None, None, ())
    if noise.source != FROM_PASSES:
        return replace(answer, why_not="one pass tells nothing about how passes differ; weigh each of three or more")
    drawn = draw(result, draws=min(draws, _MOST_DRAWS), seed=seed, level_pct=level_pct, stated=stated)
    if drawn.ends.open:
        return replace(answer, why_not="the end trays still catch; lay trays farther out first")
    if result.blocking:
        codes = ", ".join(result.blocking)
        return replace(answer, why_not=f"a doubt blocks the verdict ({codes}); put that right first")
    widths = curve_widths(result)[:: max(len(curve_widths(result)) // _MOST_WIDTHS, 1)]
    spec = _Wanted(method, widths, result.limit_pct, level_pct, noise.passes)
    as_stood = _Forecast(drawn.lines[0], drawn.noise.rate_kg_ha, drawn.drawn, spec)
    answer = replace(answer, effective_width_m=as_stood.width_m)
    if why_not := _not_to_be_told(as_stood.width_m, widths):
        return replace(answer, why_not=why_not)
    closer = None
    if len(noise.offset_m) <= MAX_CLOSER_TRAYS:
        closer = _fewest(_with_closer_trays(as_stood, noise, seed, stated).half_width_m, half_width_m)
    return replace(
        answer,
        passes=_fewest(as_stood.half_width_m, half_width_m),
        closer_trays_passes=closer,
        half_widths_m=tuple((passes, as_stood.half_width_m(passes)) for passes in SHOWN_PASSES),
        unseen_m=as_stood.unseen_m,
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


def _not_to_be_told(width_m: float, widths: FloatArray) -> str:
    if width_m <= 0:
        return "no bout width is within the limit, so there is no effective width to pin"
    if width_m >= widths[-1]:
        return "the widest bout width tried is still within the limit: the tray line is too short to find the end"
    return ""


@record(eq=False)
class _Wanted:
    """What a forecast is made for; `passes` stand behind the noise that it starts from."""

    method: str
    width_m: FloatArray
    limit_pct: float
    level_pct: float
    passes: int


@record(eq=False)
class _Added:
    """What noise adds to a pattern: its own totals, and at each width what it does along the pattern and by itself."""

    total: AnyFloats  # (draws,)
    along: AnyFloats  # (widths, draws): covariance of the deposits
    square: AnyFloats  # (widths, draws): variance of the noise's own deposit
    shift_m: FloatArray  # (draws,): how far it moves the pattern


@record(eq=False)
class _Forecast:
    """Effective widths that tests of this pattern would give; more passes make the passes' own noise smaller."""

    line: Line
    rates: FloatArray
    drawn: NoiseDrawn
    spec: _Wanted

    @cached_property
    def bouts(self) -> Bouts:
        """The bouts of all widths."""
        return bouts_on(self.line, self.spec.width_m, self.spec.method)

    @cached_property
    def pattern(self) -> FloatArray:
        """The rates on the line."""
        return self.line.from_trays @ self.rates

    @cached_property
    def width_m(self) -> float:
        """The effective width with the noise of the former test taken out."""
        squares = self._read - self._by_noise
        return float(self._crossing(squares / self.bouts.mean(self.pattern.sum(keepdims=True)) ** 2 * 1e4)[0])

    def half_width_m(self, passes: int) -> float:
        """Half the interval for the effective width after so many passes, by how passes differ."""
        return self._half(self._own, (self.spec.passes / passes) ** 0.5)

    @cached_property
    def unseen_m(self) -> float:
        """The same by what one test can't see alone."""
        return self._half(self._added(self.drawn.trays_kg_ha, self.drawn.stated_shift_m), 1.0)

    def _half(self, added: _Added, scale: float) -> float:
        """Half the interval from noise so many times as large: squares are quadratic in it, so nothing is laid anew."""
        much = np.float32(scale)
        by_noise = much**2 * (added.square - added.square.mean(axis=1, keepdims=True)) + 2 * much * added.along
        squares = self.bouts.moved(self._products, scale * added.shift_m) - self._by_noise + by_noise
        mean = self.bouts.mean(self.pattern.sum() + much * added.total)
        ends = (100 - self.spec.level_pct) / 2, (100 + self.spec.level_pct) / 2
        low, high = np.percentile(self._crossing(squares / mean**2 * 1e4), ends)
        return float(high - low) / 2

    @cached_property
    def _own(self) -> _Added:
        return self._added(self.drawn.own_kg_ha, self.drawn.shift_m)

    @cached_property
    def _products(self) -> Products:
        return products(self.pattern[:, None])

    @cached_property
    def _read(self) -> AnyFloats:
        """Variance of the pattern's deposit at each width; (widths, 1)."""
        return self.bouts.variance(self._products)

    @cached_property
    def _by_noise(self) -> AnyFloats:
        """What the pattern's own noise put there on average."""
        return np.asarray(self._own.square.mean(axis=1, keepdims=True))

    def _added(self, noise: Floats, shift_m: FloatArray) -> _Added:
        drawn = self.line.from_trays.astype(np.float32) @ noise
        along = self.bouts.along(self.pattern).astype(np.float32) @ drawn
        return _Added(drawn.sum(axis=0), along, self.bouts.variance(products(drawn)), shift_m)

    def _crossing(self, squares: FloatArray) -> FloatArray:
        n = self.spec.width_m / self.line.spacing_m
        to_trays = (n / np.maximum(n - 1, 0.5))[:, None]
        curves = np.sqrt(np.maximum(squares * to_trays, 0.0))
        return widest_within(self.spec.width_m, curves, self.spec.limit_pct, narrow_m())


def _with_closer_trays(as_stood: _Forecast, noise: Noise, seed: int, stated: Stated) -> _Forecast:
    """The same pattern with another tray halfway between each two."""
    x, rng = noise.offset_m, np.random.default_rng(seed)
    offset = np.sort(np.concatenate((x, (x[1:] + x[:-1]) / 2)))
    rates = np.interp(offset, x, noise.rate_kg_ha)
    spacing = as_stood.line.spacing_m / 2
    drawn = noise.drawn(len(as_stood.drawn.shift_m), rng, offset, rates, stated=stated)
    return replace(as_stood, line=Line(float(x[0]), spacing, _even_from(offset, spacing)), rates=rates, drawn=drawn)


def _even_from(offset_m: FloatArray, spacing_m: float) -> FloatArray:
    """From trays to even points between the first and the last."""
    points = np.linspace(offset_m[0], offset_m[-1], round((offset_m[-1] - offset_m[0]) / spacing_m) + 1)
    return np.array([np.interp(points, offset_m, row) for row in np.eye(len(offset_m))]).T


def _fewest(half_width_m: Callable[[int], float], wanted_m: float) -> int | None:
    """The smallest number of passes whose half-width is small enough, by bisection."""
    if half_width_m(MAX_PASSES) > wanted_m:
        return None
    least, most = 0, 1
    while half_width_m(most) > wanted_m:
        least, most = most, min(2 * most, MAX_PASSES)
    while most - least > 1:
        middle = (least + most) // 2
        least, most = (least, middle) if half_width_m(middle) <= wanted_m else (middle, most)
    return most
