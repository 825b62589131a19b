"""How sure the answer is: what part of the CV is the machine, and what part is the test.

How the intervals are made, and how often they hold: docs/confidence.md.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np

from spreadcheck.doubts.agreement import noise_doubts
from spreadcheck.doubts.doubt import Doubt
from spreadcheck.errors import Fault, WidthError, record
from spreadcheck.judge.assessment import Assessment
from spreadcheck.judge.likely import Drawn, Likely, Line, bouts_on, likely_cv, noise_floor, widest_within
from spreadcheck.limits import LIMITS
from spreadcheck.passes.noise import Floats, Noise, NoiseDrawn, Stated
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.profile import Profile
from spreadcheck.spread.tails import Ends, allowed, ends_of, metered_kg_ha_m
from spreadcheck.spread.widths import scan_methods

LEVEL_PCT = 90.0
SURE_PCT = 90.0  # probability at which a bout width is called sure to be within the limit
DRAWS = 2_000
SEED = 1
NARROW_M = 2 * LIMITS["driving error"].value  # a shorter band of widths is too narrow to drive in
MAX_WIDTHS = 160  # of the curve that effective widths are read on
_LEAST_STEP_M = 0.1
_MOST_POINTS = 600  # of the line: of a longer one only so many trays are drawn, as far apart as an even line of them
_MOST_NUMBERS = 2_000_000  # of all draws of the noise: a longer line gets fewer


@record(eq=False)
class BoutConfidence:
    """The figures at one bout width, for one driving method; see `CvBand`.

    `alone_low_pct` to `alone_high_pct` is the interval by the passes alone, without what one test can't see.
    """

    method: str
    width_m: float
    cv_trays_pct: float
    noise_floor_pct: float
    cv_without_noise_pct: float
    low_pct: float
    high_pct: float
    within_pct: float
    within_most_pct: float
    line_share: float
    alone_low_pct: float = float("nan")
    alone_high_pct: float = float("nan")

    @property
    def all_noise(self) -> bool:
        """Whether the noise alone would read as much as was read; the interval is then one-sided."""
        return self.cv_without_noise_pct == 0

    @property
    def line_interval_pct(self) -> tuple[float, float]:
        """The interval of the CV on the true line of the field, which is a little lower than by trays. [%]"""
        return self.low_pct * self.line_share, self.high_pct * self.line_share


@record(eq=False)
class CvBand:
    """CV by trays against bout width for one driving method: as read, the noise in it, and what may be true.

    Arrays have an entry a width. `cv_trays_pct` is the smooth curve, CV by line x sqrt(n / (n - 1)); `noise_floor_pct`
    what an even spread would have read; `cv_without_noise_pct` the CV read with it taken out; `low_pct` to `high_pct`
    the interval. `within_pct` is the probability that the true CV is within the limit, and where the end trays still
    catch the least that any plausible tail gives; `within_most_pct` is the largest. `line_share` turns a CV by trays
    into that on the line. Widths are upper ends of bands that are not narrow: `effective_width_m` as read,
    `without_noise_m`, the ends of the interval, and `sure_width_m`; 0 (None) where there is none.
    """

    method: str
    width_m: FloatArray
    cv_trays_pct: FloatArray
    noise_floor_pct: FloatArray
    cv_without_noise_pct: FloatArray
    low_pct: FloatArray
    high_pct: FloatArray
    within_pct: FloatArray
    within_most_pct: FloatArray
    line_share: FloatArray
    effective_width_m: float | None
    without_noise_m: float
    effective_low_m: float
    effective_high_m: float
    sure_width_m: float | None

    def at(self, index: int) -> BoutConfidence:
        """The figures at one of the widths."""
        columns = (
            self.width_m, self.cv_trays_pct, self.noise_floor_pct, self.cv_without_noise_pct, self.low_pct,
            self.high_pct, self.within_pct, self.within_most_pct, self.line_share,
        )  # fmt: skip
        return BoutConfidence(self.method, *(float(column[index]) for column in columns))


@record(eq=False)
class Confidence:
    """How sure an assessment is. `noise.source` says where the noise was taken from; "" if it could not be known.

    `tray_error_kg_ha` is the standard error of the mean rate at each tray of the profile, NaN at a filled tray.
    """

    assessment: Assessment
    noise: Noise
    stated: Stated
    ends: Ends
    level_pct: float
    draws: int
    seed: int
    bands: dict[str, CvBand]
    bouts: dict[str, BoutConfidence]
    tray_error_kg_ha: FloatArray
    doubts: tuple[Doubt, ...]
    drawn: Draws

    @cached_property
    def judged(self) -> Assessment:
        """The assessment with its verdict and advised widths judged by the noise too, where it is known.

        Of a blend it is known for all components together only, while the worst part decides.
        """
        if not self.known or self.assessment.blend is not None:
            return self.assessment
        return replace(self.assessment, kept=lambda width_m, method: kept_probability(self.drawn, width_m, method))

    @property
    def tells_probability(self) -> bool:
        """Whether a probability of keeping the limit can be told: nothing blocks, and what decides is not a part."""
        return self.known and not self.assessment.blocking and self.assessment.blend is None

    @property
    def known(self) -> bool:
        """Whether anything could be said about the noise."""
        return self.noise.known


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
    drawn = draw(result, draws=draws, seed=seed, level_pct=level_pct, stated=stated)
    noise, profile = result.noise, result.profile
    doubts = tuple(noise_doubts(noise))
    error = np.full(len(profile.offset_m), np.nan)
    if not noise.known:
        return Confidence(result, noise, drawn.stated, drawn.ends, level_pct, draws, seed, {}, {}, error, doubts, drawn)
    error[np.isin(profile.offset_m, noise.offset_m)] = noise.error_kg_ha[np.isin(noise.offset_m, profile.offset_m)]
    bands = {method: band_at(drawn, curve_widths(result), method, level_pct) for method in METHODS}
    bouts: dict[str, BoutConfidence] = {}
    if result.bout_width_m is not None:
        width = np.array([result.bout_width_m])
        for method in METHODS:
            band = band_at(drawn, width, method, level_pct)
            low, high = _interval(drawn.likely(width, method, alone=True), level_pct) / band.line_share
            bouts[method] = replace(band.at(0), alone_low_pct=float(low[0]), alone_high_pct=float(high[0]))
    if result.blocking or result.blend is not None:  # then no probability is given: of a blend the worst part decides
        unknown = np.full(len(curve_widths(result)), np.nan)
        unjudged: dict[str, Any] = {"within_pct": unknown, "within_most_pct": unknown, "sure_width_m": None}
        bands = {method: replace(band, **unjudged) for method, band in bands.items()}
        bouts = {m: replace(bout, within_pct=np.nan, within_most_pct=np.nan) for m, bout in bouts.items()}
    ends, stated = drawn.ends, drawn.stated
    return Confidence(result, noise, stated, ends, level_pct, draws, seed, bands, bouts, error, doubts, drawn)


@record(eq=False)
class Draws:
    """The noise of a test, drawn, and the tails it is drawn with: what every probability of it comes from."""

    assessment: Assessment
    noise: Noise
    stated: Stated
    ends: Ends
    drawn: NoiseDrawn

    @cached_property
    def lines(self) -> tuple[Line, ...]:
        """The even line of points that the trays make, with every pair of tails that the metering allows."""
        ends, weighed_m, profile = self.ends, self.noise.offset_m, self.ends.profile
        length = float(profile.offset_m[-1] - profile.offset_m[0])
        inside = min(round(length / profile.spacing_m), _MOST_POINTS) + 1
        spacing = length / (inside - 1)
        beyond: FloatArray = np.arange(1.0, int(ends.reach_m / spacing) + 2) * spacing
        at = np.interp(
            np.linspace(profile.offset_m[0], profile.offset_m[-1], inside),
            weighed_m,
            np.arange(len(weighed_m), dtype=float),
        )
        low = np.minimum(np.floor(at + 1e-9).astype(np.intp), len(weighed_m) - 2)
        body = np.zeros((inside, len(weighed_m)))
        body[np.arange(inside), low], body[np.arange(inside), low + 1] = 1 - (at - low), at - low
        lines, areas = [], []
        for left, right in ends.pairs:
            tails = np.zeros((2, len(beyond), len(weighed_m)))
            tails[0, :, 0], tails[1, :, -1] = ends.tail(0, left, beyond), ends.tail(1, right, beyond)
            matrix = np.concatenate((tails[0, ::-1], body, tails[1]))
            lines.append(Line(float(profile.offset_m[0] - beyond[-1]), spacing, matrix))
            areas.append(spacing * float((matrix @ self.noise.rate_kg_ha).sum()))
        if not ends.open or profile.relative:
            return tuple(lines)
        return tuple(
            lines[at] for at in allowed(areas, metered_kg_ha_m(self.assessment.test, self.assessment.bout_width_m))
        )

    @cached_property
    def seen(self) -> tuple[Drawn, ...]:
        """The noise as the passes show it, on every line."""
        return self._on_lines(self.drawn.own_kg_ha, self.drawn.shift_m)

    @cached_property
    def told(self) -> tuple[Drawn, ...]:
        """The same with what one test can't see."""
        noise, shift = self.drawn.own_kg_ha + self.drawn.trays_kg_ha, self.drawn.shift_m + self.drawn.stated_shift_m
        return self._on_lines(noise, shift)

    def _on_lines(self, noise: Floats, shift_m: FloatArray) -> tuple[Drawn, ...]:
        """Draws of the noise on every line: some on each where the ends are open, else a share of them all."""
        found, some = [], slice(max(len(shift_m) // 6, 100))
        for number, line in enumerate(self.lines):
            part = some if self.ends.open else slice(number, None, len(self.lines))
            there = np.asarray(line.from_trays.astype(np.float32) @ noise[:, part], dtype=np.float32)
            pattern = line.from_trays @ self.noise.rate_kg_ha
            found.append(Drawn(line, pattern, there, shift_m[part], self.drawn.part(part)))
        return tuple(found)

    def likely(self, width_m: FloatArray, method: str, *, alone: bool = False) -> tuple[Likely, ...]:
        """True CVs at each width: one set of draws, or one for each pair of tails where the ends are open."""
        bouts = bouts_on(self.lines[0], width_m, method)
        parts = tuple(likely_cv(on, bouts) for on in (self.seen if alone else self.told))
        if self.ends.open or len(parts) == 1:
            return parts
        read, floor = (np.mean([getattr(part, name) for part in parts], axis=0) for name in ("read_pct", "floor_pct"))
        return (Likely(np.concatenate([part.cv_pct for part in parts], axis=1), read, floor),)


def draw(
    result: Assessment,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    level_pct: float = LEVEL_PCT,
    stated: Stated | None = None,
) -> Draws:
    """Draw the noise of a test once; `kept_probability` and `confidence` read everything from it."""
    check_draws(draws=draws, seed=seed, level_pct=level_pct)
    noise, ends = result.noise.of_at_most(_MOST_POINTS + 1), ends_of(result.profile)
    stated = Stated() if stated is None else stated
    rng = np.random.default_rng(seed)
    count = min(draws, max(_MOST_NUMBERS // len(noise.offset_m), 100)) if noise.known else 0
    return Draws(
        result,
        noise,
        stated,
        ends,
        noise.drawn(count, rng, stated=stated),
    )


def kept_probability(drawn: Draws, width_m: FloatArray, method: str) -> FloatArray:
    """Probability that the true CV by trays keeps the limit at each width; NaN where noise or CV is not known. [%]

    The first row is the least that any plausible tail gives, the second the greatest.
    """
    widths = np.atleast_1d(np.asarray(width_m, dtype=float))
    if not drawn.noise.known:
        return np.full((2, len(widths)), np.nan)
    return _kept(drawn, drawn.likely(widths, method), _line_share(drawn.assessment.profile, widths))


def _kept(drawn: Draws, cases: tuple[Likely, ...], share: FloatArray) -> FloatArray:
    on_line = (drawn.assessment.limit_pct * share)[:, None]
    kept = 100.0 * np.array([(case.cv_pct <= on_line).mean(axis=1) for case in cases])
    return np.where(np.isnan(share), np.nan, (kept.min(axis=0), kept.max(axis=0)))


def check_draws(*, draws: int, seed: int, level_pct: float) -> None:
    """Refuse settings of a simulation that can't be used."""
    if not 100 <= draws <= 100_000:
        raise WidthError(Fault("draws", f"{draws:,} draws can't tell the ends of an interval", "give 100 to 100,000"))
    if seed < 0:
        raise WidthError(Fault("seed", f"{seed} is no seed", "give a whole number from 0 up"))
    if not 50 <= level_pct <= 99:
        raise WidthError(Fault("level", f"{level_pct:g} % is no level of an interval", "give 50 to 99, such as 90"))


def curve_widths(result: Assessment) -> FloatArray:
    """The bout widths of the curve that effective widths are read on, from the narrowest tried to the widest. [m]"""
    first, last = float(result.width_m[0]), float(result.width_m[-1])
    count = int(np.clip(np.ceil((last - first) / _LEAST_STEP_M), 0, MAX_WIDTHS - 1)) + 1
    return np.linspace(first, last, count)


def _line_share(profile: Profile, width_m: FloatArray) -> FloatArray:
    """CV on the line over CV by trays, on average over where the line lies: sqrt((n - 1) / n); NaN where n < 2."""
    n = width_m / profile.spacing_m
    return np.sqrt(np.where(n >= 2 - 1e-9, (n - 1) / np.maximum(n, 2 - 1e-9), np.nan))


def band_at(drawn: Draws, width_m: FloatArray, method: str, level_pct: float) -> CvBand:
    """The figures at bout widths for one driving method; all from the same draws."""
    share = _line_share(drawn.assessment.profile, width_m)
    read = scan_methods(drawn.assessment.profile, width_m)[method].cv_line_pct / share
    limit, narrow = drawn.assessment.limit_pct, NARROW_M
    cases = drawn.likely(width_m, method)
    low, high = _interval(cases, level_pct)
    least, most = _kept(drawn, cases, share)
    bouts = bouts_on(drawn.lines[0], width_m, method, straight=True)
    floors = [100 * noise_floor(on, bouts) / bouts.mean(on.pattern.sum()[None])[:, 0] for on in drawn.seen]
    floor = np.mean(floors, axis=0) / share
    out = np.sqrt(np.maximum(read**2 - floor**2, 0.0))
    low = np.where(out > 0, low, 0.0)
    ends = (100 - level_pct) / 2, (100 + level_pct) / 2
    to_trays = (1 / share)[:, None].astype(np.float32)
    crossing = np.array(
        [np.percentile(widest_within(width_m, case.cv_pct * to_trays, limit, narrow), ends) for case in cases]
    )
    as_read, without = widest_within(width_m, np.stack((read, out), axis=1), limit, narrow).tolist()
    sure = float(widest_within(width_m, 100.0 - least[:, None], 100.0 - SURE_PCT, narrow)[0])
    return CvBand(
        method=method,
        width_m=width_m,
        cv_trays_pct=read,
        noise_floor_pct=floor,
        cv_without_noise_pct=out,
        low_pct=low / share,
        high_pct=high / share,
        within_pct=least,
        within_most_pct=most,
        line_share=share,
        effective_width_m=as_read or None,
        without_noise_m=without,
        effective_low_m=float(crossing[:, 0].min()),
        effective_high_m=float(crossing[:, 1].max()),
        sure_width_m=sure or None,
    )


def _interval(cases: tuple[Likely, ...], level_pct: float) -> tuple[FloatArray, FloatArray]:
    """The interval of the CV on the true line, the outermost over all tails; from 0 where the noise explains all."""
    first, last = (100 - level_pct) / 2, (100 + level_pct) / 2
    lows, highs = [], []
    for case in cases:
        low, high = np.percentile(case.cv_pct, (first, last), axis=1)
        lows.append(np.where(case.read_pct <= case.floor_pct, 0.0, low))
        highs.append(high)
    return np.min(lows, axis=0), np.max(highs, axis=0)
