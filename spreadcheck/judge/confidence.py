"""How sure the answer is: what part of the CV is the machine, and what part is the test; see docs/confidence.md."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Any, Generic, TypeVar

import numpy as np

from spreadcheck.doubts.agreement import noise_doubts
from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import Fault, WidthError, record
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.likely import Drawn, Likely, Line, bouts_on, drawn_on, likely_cv, noise_floor, widest_within
from spreadcheck.passes.noise import Noise, NoiseDrawn, Stated
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.bands import DRIVING_ERROR_M, on_average
from spreadcheck.spread.profile import Ends, allowed, metered_kg_ha_m
from spreadcheck.spread.widths import scan_methods

F = TypeVar("F", FloatArray, float)
LEVEL_PCT = 90.0
SURE_PCT = 90.0  # probability at which a bout width is called sure to be within the limit
DRAWS = 2_000
SEED = 1
NARROW_M = 2 * DRIVING_ERROR_M  # a shorter band of widths is too narrow to drive in
MAX_WIDTHS = 160  # of the curve that effective widths are read on
_LEAST_STEP_M = 0.1
_MOST_POINTS = 600  # of the line: of a longer one only so many trays are drawn, as far apart as an even line of them
_MOST_NUMBERS = 2_000_000  # of all draws of the noise: a longer line gets fewer


@record(eq=False)
class CvBand(Generic[F]):
    """CV by trays against bout width for one driving method: as read, the noise in it, and what may be true.

    Of many widths each figure is an array, of one a number. `cv_trays_pct` is the smooth curve, CV by line x
    sqrt(n / (n - 1)); `noise_floor_pct` what an even spread would have read; `cv_without_noise_pct` the CV read with it
    taken out; `low_pct` to `high_pct` the interval, `alone_low_pct` to `alone_high_pct` that by the passes alone,
    without what one test can't see. `within_pct` is the probability that the true CV is within the limit, and where the
    end trays still catch the least that any plausible tail gives; `within_most_pct` is the largest. `line_share` turns
    a CV by trays into that on the line. Widths are upper ends of bands that are not narrow: `effective_width_m` as
    read, `without_noise_m`, the ends of the interval, and `sure_width_m`; 0 (None) where there is none.
    """

    method: str
    width_m: F
    cv_trays_pct: F
    noise_floor_pct: F
    cv_without_noise_pct: F
    low_pct: F
    high_pct: F
    within_pct: F
    within_most_pct: F
    line_share: F
    effective_width_m: float | None
    without_noise_m: float
    effective_low_m: float
    effective_high_m: float
    sure_width_m: float | None
    alone_low_pct: float = float("nan")
    alone_high_pct: float = float("nan")

    def at(self, index: int) -> CvBand[float]:
        """The figures at one of the widths."""
        own: dict[str, Any] = {
            name: float(each[index]) for name, each in vars(self).items() if isinstance(each, np.ndarray)
        }
        return CvBand(**{**vars(self), **own})

    @property
    def line_low_pct(self) -> F:
        """The lower end of the interval for CV by line."""
        return self.low_pct * self.line_share

    @property
    def line_high_pct(self) -> F:
        """The upper end."""
        return self.high_pct * self.line_share

    def censored(self, width_m: float) -> bool:
        """Whether a band ends only where the widths that were tried end."""
        return width_m >= float(np.max(self.width_m)) - 1e-9

    @property
    def all_noise(self) -> bool:
        """Whether the noise alone would read as much as was read; the interval is then one-sided."""
        return bool(self.cv_without_noise_pct == 0)


@record(eq=False)
class Confidence:
    """How sure an assessment is: the noise of its passes drawn once, and what comes of it when asked for.

    `noise.source` says where the noise was taken from; "" if it could not be known, and then bands and bouts are empty.
    `few` is the noise of so many trays at most that a long line can be drawn. `tray_error_kg_ha` is the standard error
    of the mean rate at each tray of the profile, NaN at a filled tray.
    """

    assessment: Assessment
    noise: Noise
    few: Noise
    stated: Stated
    ends: Ends
    level_pct: float
    draws: int
    seed: int
    drawn: NoiseDrawn
    tray_error_kg_ha: FloatArray
    doubts: tuple[Doubt, ...]

    @property
    def tells_probability(self) -> bool:
        """Whether a probability of keeping the limit can be told: nothing blocks, and what decides is not a part."""
        return self.noise.known and not self.assessment.blocking and self.assessment.blend is None

    @property
    def tails_pct(self) -> tuple[float, float]:
        """The shares of draws below either end of an interval. [%]"""
        return (100 - self.level_pct) / 2, (100 + self.level_pct) / 2

    @cached_property
    def judged(self) -> Assessment:
        """The assessment judged by the noise too, where it is known; not that of a blend, whose worst part decides."""
        told = self.noise.known and self.assessment.blend is None
        return replace(self.assessment, kept=self.kept) if told else self.assessment

    @cached_property
    def curve_m(self) -> FloatArray:
        """The bout widths of the curve that effective widths are read on, the narrowest tried to the widest. [m]"""
        first, last = self.assessment.width_m[[0, -1]].tolist()
        count = int(np.clip(np.ceil((last - first) / _LEAST_STEP_M), 0, MAX_WIDTHS - 1)) + 1
        return np.linspace(first, last, count)

    @cached_property
    def bands(self) -> dict[str, CvBand[FloatArray]]:
        """The figures over all widths, for each driving method."""
        return {method: self.band_at(self.curve_m, method) for method in METHODS} if self.noise.known else {}

    @cached_property
    def bouts(self) -> dict[str, CvBand[float]]:
        """The figures at the bout width driven, for each driving method."""
        bouts: dict[str, CvBand[float]] = {}
        width_m = self.assessment.bout_width_m
        for method in METHODS if self.noise.known and width_m is not None else ():
            bout, width = self.band_at(np.array([width_m]), method).at(0), np.array([width_m])
            low, high = self._interval(self.likely(width, method, alone=True)) / bout.line_share
            bouts[method] = replace(bout, alone_low_pct=float(low[0]), alone_high_pct=float(high[0]))
        return bouts

    @cached_property
    def lines(self) -> tuple[Line, ...]:
        """The even line of points that the trays make, with every pair of tails that the metering allows."""
        ends, weighed_m, profile = self.ends, self.few.offset_m, self.assessment.profile
        first, last = profile.offset_m[[0, -1]].tolist()
        inside = min(round((last - first) / profile.spacing_m), _MOST_POINTS) + 1
        spacing = (last - first) / (inside - 1)
        beyond: FloatArray = np.arange(1.0, int(ends.reach_m / spacing) + 2) * spacing
        body, trays = between(weighed_m, np.linspace(first, last, inside)), np.eye(len(weighed_m))
        lines = []
        for left, right in ends.pairs:
            tails = ends.tail(0, left, beyond)[::-1], ends.tail(1, right, beyond)
            matrix = np.concatenate((np.outer(tails[0], trays[0]), body, np.outer(tails[1], trays[-1])))
            lines.append(Line(first - beyond[-1], spacing, matrix))
        if not ends.open or profile.relative:
            return tuple(lines)
        areas = [spacing * float((line.from_trays @ self.few.rate_kg_ha).sum()) for line in lines]
        metered = metered_kg_ha_m(self.assessment.test, self.assessment.bout_width_m)
        return tuple(lines[at] for at in allowed(areas, metered))

    @cached_property
    def on_lines(self) -> dict[bool, tuple[Drawn, ...]]:
        """The draws on every line, with what one test can't see and (True) without; of open ends some on each."""
        drawn, rates, found = self.drawn, self.few.rate_kg_ha, {}
        noise, shift_m = drawn.own_kg_ha + drawn.trays_kg_ha, drawn.shift_m + drawn.stated_shift_m
        parts = [slice(number, None, len(self.lines)) for number in range(len(self.lines))]
        if self.ends.open:
            parts = [slice(max(len(shift_m) // 6, 100))] * len(self.lines)
        for alone, seen, moved in ((False, noise, shift_m), (True, drawn.own_kg_ha, drawn.shift_m)):
            found[alone] = tuple(
                drawn_on(line, rates, seen[:, part], moved[part], drawn.part(part))
                for line, part in zip(self.lines, parts, strict=True)
            )
        return found

    def likely(self, width_m: FloatArray, method: str, *, alone: bool = False) -> tuple[Likely, ...]:
        """True CVs at each width: one set of draws, or one for each pair of tails where the ends are open."""
        bouts = bouts_on(self.lines[0], width_m, method)
        parts = tuple(likely_cv(on, bouts) for on in self.on_lines[alone])
        if self.ends.open or len(parts) == 1:
            return parts
        read, floor = (np.mean([getattr(part, name) for part in parts], axis=0) for name in ("read_pct", "floor_pct"))
        return (Likely(np.concatenate([part.cv_pct for part in parts], axis=1), read, floor),)

    def line_share(self, width_m: FloatArray) -> FloatArray:
        """CV on the line over CV by trays, on average over where it lies: sqrt((n - 1) / n); NaN where n < 2."""
        return 1 / np.sqrt(on_average(width_m, self.assessment.profile.spacing_m))

    def kept(self, width_m: FloatArray, method: str, cases: tuple[Likely, ...] = ()) -> FloatArray:
        """Least and greatest probability that the true CV keeps the limit, over the tails; NaN where not known. [%]"""
        if not self.noise.known:
            return np.full((2, len(width_m)), np.nan)
        share = self.line_share(width_m)
        on_line = (self.assessment.limit_pct * share)[:, None]
        kept = np.array([(case.cv_pct <= on_line).mean(axis=1) for case in cases or self.likely(width_m, method)])
        return np.where(np.isnan(share), np.nan, 100.0 * np.array((kept.min(axis=0), kept.max(axis=0))))

    def _interval(self, cases: tuple[Likely, ...]) -> FloatArray:
        """The interval of the CV on the true line, the outermost over all tails; from 0 where noise explains all."""
        spans = np.array([np.percentile(case.cv_pct, self.tails_pct, axis=1) for case in cases])
        spans[:, 0] = np.where([case.read_pct <= case.floor_pct for case in cases], 0.0, spans[:, 0])
        return np.array((spans[:, 0].min(axis=0), spans[:, 1].max(axis=0)))

    def band_at(self, width_m: FloatArray, method: str) -> CvBand[FloatArray]:
        """The figures at bout widths for one driving method."""
        limit, narrow = self.assessment.limit_pct, 2 * self.assessment.driving_error_m
        share, cases = self.line_share(width_m), self.likely(width_m, method)
        read = scan_methods(self.assessment.profile, width_m, (method,))[method].cv_line_pct / share
        bouts = bouts_on(self.lines[0], width_m, method, straight=True)
        floors = [100 * noise_floor(on, bouts) / bouts.mean(on.pattern.sum()[None])[:, 0] for on in self.on_lines[True]]
        floor = np.mean(floors, axis=0) / share
        out = np.sqrt(np.maximum(read**2 - floor**2, 0.0))
        low, high = self._interval(cases) / share
        least, most = self.kept(width_m, method, cases)
        if not self.tells_probability:
            least = most = np.full(len(width_m), np.nan)
        to_trays = (1 / share)[:, None].astype(np.float32)
        found = (widest_within(width_m, case.cv_pct * to_trays, limit, narrow) for case in cases)
        crossing = np.array([np.percentile(widths, self.tails_pct) for widths in found])
        as_read, without = widest_within(width_m, np.stack((read, out), axis=1), limit, narrow).tolist()
        sure = float(widest_within(width_m, 100.0 - least[:, None], 100.0 - SURE_PCT, narrow)[0])
        return CvBand(
            method=method,
            width_m=width_m,
            cv_trays_pct=read,
            noise_floor_pct=floor,
            cv_without_noise_pct=out,
            low_pct=np.where(out > 0, low, 0.0 * share),
            high_pct=high,
            within_pct=least,
            within_most_pct=most,
            line_share=share,
            effective_width_m=as_read or None,
            without_noise_m=without,
            effective_low_m=float(crossing[:, 0].min()),
            effective_high_m=float(crossing[:, 1].max()),
            sure_width_m=sure or None,
        )


def between(offset_m: FloatArray, at_m: FloatArray) -> FloatArray:
    """How trays make the rates at places between them, on straight lines: places x trays."""
    return np.array([np.interp(at_m, offset_m, tray) for tray in np.eye(len(offset_m))]).T


def confidence(
    result: Assessment,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    level_pct: float = LEVEL_PCT,
    stated: Stated | None = None,
) -> Confidence:
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
    stated : Stated, optional
        What one test can't see; the defaults of `LIMITS` if not given. [%, m]

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
    ('passes', 0.7, 2.1)
    >>> bout.all_noise, bout.cv_without_noise_pct, bout.low_pct
    (True, 0.0, 0.0)
    """
    check_draws(draws=draws, seed=seed, level_pct=level_pct)
    noise, offset_m, stated = result.noise, result.profile.offset_m, Stated() if stated is None else stated
    few, error = noise.of_at_most(_MOST_POINTS + 1), np.full(len(offset_m), np.nan)
    count = min(draws, max(_MOST_NUMBERS // len(few.offset_m), 100)) if noise.known else 0
    if noise.known:
        error[np.isin(offset_m, noise.offset_m)] = noise.error_kg_ha[np.isin(noise.offset_m, offset_m)]
    return Confidence(
        assessment=result,
        noise=noise,
        few=few,
        stated=stated,
        ends=result.profile.ends,
        level_pct=level_pct,
        draws=draws,
        seed=seed,
        drawn=few.drawn(count, np.random.default_rng(seed), stated=stated),
        tray_error_kg_ha=error,
        doubts=tuple(noise_doubts(noise)),
    )


def check_draws(*, draws: int, seed: int, level_pct: float) -> None:
    """Refuse settings of a simulation that can't be used."""
    if not 100 <= draws <= 100_000:
        raise WidthError(Fault("draws", f"{draws:,} draws can't tell the ends of an interval", "give 100 to 100,000"))
    if seed < 0:
        raise WidthError(Fault("seed", f"{seed} is no seed", "give a whole number from 0 up"))
    if not 50 <= level_pct <= 99:
        raise WidthError(Fault("level", f"{level_pct:g} % is no level of an interval", "give 50 to 99, such as 90"))
