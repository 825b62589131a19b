"""From one tray test to its assessment: the one place that knows the order of the work."""

from __future__ import annotations

import math
import shlex
from collections.abc import Callable
from dataclasses import field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.doubts.doubt import Doubt, Listed, Quantity, Words
from spreadcheck.doubts.explain import with_verdicts
from spreadcheck.doubts.inspection import doubts_of
from spreadcheck.errors import Fault, NoSpreadError, WidthError, record
from spreadcheck.judge.blend import BlendAssessment, NutrientAnalysis, assess_blend
from spreadcheck.judge.verdict import (
    CANT_BE_JUDGED,
    EVEN_CHANCE_PCT,
    FITS,
    NARROWLY,
    NOT_EVEN,
    STATES,
    SURE_PCT,
    TAILS_KEEP,
    Verdict,
    advised_width,
    kept_either_way,
)  # fmt: skip
from spreadcheck.limits import CV_LIMIT_PCT, SIDE_BY_SIDE_PCT
from spreadcheck.passes.noise import Noise, noise_of
from spreadcheck.passes.passes import Passes, passes_of
from spreadcheck.sheet.labels import METHODS
from spreadcheck.sheet.traytest import CatchState, FloatArray, TrayTest, rising
from spreadcheck.spread.bands import (
    DRIVING_ERROR_M,
    MOST_DRIVING_ERROR_M,
    Band,
    WidthCurve,
    on_average,
    width_curves,
    worst_curve,
)
from spreadcheck.spread.profile import SAME_PLACE, TAPER, FigureRange, Profile, metered_kg_ha_m, over_tails, tailed
from spreadcheck.spread.widths import Scan, check_limit, check_widths, default_widths, lay, scan_methods

WITHIN, CLOSE, OVER = "within", "close", "over"
if TYPE_CHECKING:
    from spreadcheck.pattern.reading import PatternReading

WHOLE = 1e3 * SAME_PLACE  # of a spacing: bout widths typed to a millimetre are whole multiples still
Kept: TypeAlias = Callable[[FloatArray, str], FloatArray]  # least and greatest probability of keeping the limit [%]


@record(eq=False)
class Bout:
    """What the field gets at one bout width, for one driving method.

    `offset_m` are the tray offsets inside one bout and `rate_kg_ha` the overlapped deposit there; mean, min and max are
    the true ones over the whole bout; `part` names the part of a blend that the CVs are of;
    `within_10_pct` and `within_20_pct` are the shares of the bout whose deposit is within 10 and 20 % of the mean.
    """

    method: str
    width_m: float
    cv_pct: float
    cv_trays_pct: float
    cv_line_pct: float
    mean_kg_ha: float
    min_kg_ha: float
    max_kg_ha: float
    within_10_pct: float
    within_20_pct: float
    offset_m: FloatArray
    rate_kg_ha: FloatArray
    part: str = ""


@record(eq=False)
class Assessment:
    """One test assessed: passes, profile, the scan for each driving method, the bout driven, and what is doubtful."""

    test: TrayTest
    passes: Passes
    profile: Profile
    limit_pct: float
    width_m: FloatArray  # of the table
    curves: dict[str, WidthCurve]
    blend: BlendAssessment | None
    bouts: dict[str, Bout]
    doubts: tuple[Doubt, ...]
    tail_curves: tuple[dict[str, WidthCurve], ...] = ()  # over all plausible tails, where the end trays still catch
    driving_error_m: float = DRIVING_ERROR_M
    kept: Kept | None = None  # probability of keeping the limit, where the noise was looked at
    _bouts: dict[float, dict[str, Bout]] = field(default_factory=dict, init=False)
    _advised_m: dict[str, float | None] = field(default_factory=dict, init=False)

    @cached_property
    def scans(self) -> dict[str, Scan]:
        """The table for each driving method; only tables and plots need it, so it is worked out when asked for."""
        whole = scan_methods(self.profile, self.width_m)
        return whole if self.blend is None else self.blend.worst_scans(whole, self.limit_pct)

    @cached_property
    def verdict(self) -> Verdict | None:
        """The verdict: of the driving method named, else of the way with the worse outcome."""
        if not self.bouts:
            return None
        if self.driving:
            return self.verdicts[self.driving]
        return max(self.verdicts.values(), key=lambda each: (STATES.index(each.state), np.nan_to_num(each.cv_pct)))

    @cached_property
    def verdicts(self) -> dict[str, Verdict]:
        """The verdict at the bout width driven for each driving method; empty where no bout width is known."""
        limit, error, found = self.limit_pct, self.driving_error_m, {}
        for method, bout in self.bouts.items():
            width, curve, least, most = bout.width_m, self.curves[method], None, None
            cv = curve.cv_at(width)
            if self.kept is not None and not self.blocking:  # where it can be told and no doubt forbids it
                sure = self.kept(np.array([width]), method)[:, 0].tolist()
                least, most = (None, None) if math.isnan(sure[0]) else sure
            whole = bool(self.whole_spacings(np.array([width]))[0])
            close = whole and not math.isnan(cv) and (bout.cv_trays_pct <= limit) != (cv <= limit)
            if self.blocking:
                state, why = CANT_BE_JUDGED, "doubts"
            elif math.isnan(cv):
                state, why = CANT_BE_JUDGED, "few trays"
            elif cv > limit:
                state, why = NOT_EVEN, ""
            elif least is not None and least < EVEN_CHANCE_PCT:
                state, why = NOT_EVEN, "probability"
            elif close:
                state, why = NARROWLY, "close"
            elif self.tail_curves and not kept_either_way(self.curves_over_tails[method], width, limit, error):
                state, why = NARROWLY, "tails"
            elif not kept_either_way(curve, width, limit, error):
                state, why = NARROWLY, "driving error"
            elif least is not None and least < SURE_PCT:
                state, why = NARROWLY, "probability"
            else:
                state, why = FITS, ""
            found[method] = Verdict(
                state=state,
                method=method,
                bout_width_m=width,
                cv_pct=cv,
                cv_trays_pct=bout.cv_trays_pct,
                limit_pct=limit,
                error_m=error,
                probability_pct=least,
                probability_most_pct=most,
                blocking=self.blocking,
                why=why,
                close=close,
                part=bout.part,
                untested=self.test.mirrored,
            )
        return found

    def whole_spacings(self, width_m: FloatArray) -> NDArray[np.bool_]:
        """Which widths are whole numbers of tray spacings, where CV by trays is the standards' figure."""
        spacings = width_m / self.profile.spacing_m
        return np.asarray(np.abs(spacings - np.rint(spacings)) <= WHOLE)

    def standings(self, method: str) -> tuple[str, ...]:
        """How each width of the table stands to the limit; empty while a doubt blocks, or with too few trays."""
        scan, limit = self.scans[method], self.limit_pct
        cv = self.curves[method].cv_of(scan.width_m)
        close = self.whole_spacings(scan.width_m) & ((scan.cv_trays_pct <= limit) != (cv <= limit))
        said = np.where(close, CLOSE, np.where(cv <= limit, WITHIN, OVER))
        return tuple(np.where(np.isnan(cv) | bool(self.blocking), "", said).tolist())

    def with_table(self, width_m: ArrayLike) -> Assessment:
        """The same, with a table of other widths."""
        widths = rising(width_m)
        check_widths(self.profile, widths)
        blend = self.blend
        if blend is not None:
            blend = replace(blend, parts=tuple(replace(part, width_m=widths) for part in blend.parts))
        return replace(self, width_m=widths, blend=blend)

    @cached_property
    def blocking(self) -> tuple[str, ...]:
        """The codes of the doubts that forbid a verdict."""
        return tuple(dict.fromkeys(doubt.code for doubt in self.doubts if doubt.blocking))

    def advised_width_m(self, method: str) -> float | None:
        """Widest width that keeps the limit for driving errors either way; None where none can be given. [m]"""
        if self.blocking or self.test.mirrored:
            return None
        if method not in self._advised_m:  # all pictures and pages ask for it, and the noise is drawn at every width
            curve = self.curves_over_tails[method]  # the limit has to be kept whatever fell beyond the end trays
            at: dict[str, Any] = {}
            if self.kept is not None:
                at = {"width_m": curve.width_m, "within_pct": self.kept(curve.width_m, method)[0]}
            self._advised_m[method] = advised_width(curve, self.limit_pct, error_m=self.driving_error_m, **at)
        return self._advised_m[method]

    @cached_property
    def curves_over_tails(self) -> dict[str, WidthCurve]:
        """The largest CV at each width over all plausible tails, with a reserve where the ends are open."""
        if not self.tail_curves:
            return self.curves
        shares = [1.0, *[1 / TAILS_KEEP if self.profile.ends.open else 1.0] * len(self.tail_curves)]
        every = {method: [curve, *(one[method] for one in self.tail_curves)] for method, curve in self.curves.items()}
        return {method: worst_curve(curves, shares, curves[0].width_m) for method, curves in every.items()}

    @cached_property
    def pattern(self) -> PatternReading:
        """The reading of the spread pattern: figures, shape, what to check; worked out when it is first asked for."""
        from spreadcheck.pattern.reading import read_pattern  # a command that shows no pattern loads none

        held = self.width_concluded_m or self.bout_width_m or self.profile.half_rate_width_m
        return read_pattern(self.test, self.profile, self.passes, width_m=held, bout_width_m=self.bout_width_m)

    @cached_property
    def noise(self) -> Noise:
        """How far chance lets the passes and their mean differ; worked out when it is first asked for."""
        return noise_of(self.passes)

    @property
    def bout_width_m(self) -> float | None:
        """The bout width that is driven, if it is known. [m]"""
        return next((bout.width_m for bout in self.bouts.values()), None)

    @property
    def driving(self) -> str | None:
        """The driving method of the form, if it names one."""
        return self.test.text("driving") or None

    @property
    def judged_methods(self) -> tuple[str, ...]:
        """The driving method of the form, or both where it names none."""
        return (self.driving,) if self.driving else METHODS

    @property
    def width_concluded_m(self) -> float | None:
        """The effective width that the tray line has to serve: of the method driven, else the wider of both. [m]"""
        return max(filter(None, map(self.effective_width_m, self.judged_methods)), default=None)

    @property
    def within_limit(self) -> bool | None:
        """Whether the bout driven keeps the limit; None where no width is known or the test can't be judged."""
        verdict = self.verdict
        return None if verdict is None or verdict.state == CANT_BE_JUDGED else verdict.may_be_driven

    def bouts_at(self, width_m: float) -> dict[str, Bout]:
        """What the field gets at any bout width, for each driving method; worked out once a width."""
        if width_m == self.bout_width_m:
            return self.bouts
        if width_m not in self._bouts:
            self._bouts[width_m] = bouts_at(self.profile, width_m, self.blend, self.limit_pct)
        return self._bouts[width_m]

    def effective_width_m(self, method: str, limit_pct: float | None = None) -> float | None:
        """Upper end of the band at the widest widths that is not narrow (the assessment's own limit if None). [m]"""
        limit = self.limit_pct if limit_pct is None else limit_pct
        return self.curves[method].effective_width_m(limit, self.driving_error_m)

    def censored(self, method: str) -> bool:
        """Whether the tray line ends before the limit is reached, so that the effective width is "at least"."""
        run = self.curves[method].effective_run(self.limit_pct, self.driving_error_m)
        return run is not None and run.censored

    def cv_over_tails(self, method: str, width_m: float) -> FigureRange | None:
        """Least and largest CV at a width over all plausible tails; None where the end trays catch nothing. [%]"""
        found = [curves[method].cv_at(width_m) for curves in self.tail_curves]
        return FigureRange(min(found), max(found)) if found else None

    @cached_property
    def mass_of_passes(self) -> FigureRange | None:
        """Least and largest mass of a pass over their mean, where levels differ by more than chance; else None. [-]"""
        if not any(doubt.code == "pass-level" for doubt in self.doubts):
            return None
        mass = self.passes.catches.rates.sum(axis=1)
        return FigureRange(float(mass.min() / mass.mean()), float(mass.max() / mass.mean()))

    def area_range(self, metered_kg_ha_m: float | None) -> FigureRange | None:
        """Least and largest rate over the width, by the tails and the passes; None where it is known. [kg/ha m]"""
        mass = self.mass_of_passes
        if not self.tail_curves and mass is None:
            return None
        area = over_tails(self.profile, lambda one: one.area_kg_ha_m, metered_kg_ha_m=metered_kg_ha_m)
        return area if mass is None else FigureRange(area.least * mass.least, area.most * mass.most)

    def effective_over_tails(self, method: str) -> FigureRange | None:
        """Least and largest effective width over all plausible tails, 0 for none; None as in `cv_over_tails`. [m]"""
        if not self.tail_curves:
            return None
        found = [curves[method].effective_width_m(self.limit_pct, self.driving_error_m) for curves in self.tail_curves]
        return FigureRange(min(width or 0.0 for width in found), max(width or 0.0 for width in found))

    def bands(self, method: str, limit_pct: float | None = None) -> tuple[Band, ...]:
        """Width bands within a CV limit (the assessment's own if None), from narrow widths to wide ones."""
        limit = self.limit_pct if limit_pct is None else limit_pct
        return self.curves[method].bands(limit, self.driving_error_m)

    @property
    def side_by_side_pct(self) -> tuple[float, ...]:
        """The usual CV limits and the one asked for, in order. [%]"""
        return tuple(sorted({*SIDE_BY_SIDE_PCT, self.limit_pct}))


def assess(
    test: TrayTest,
    *,
    limit_pct: float = CV_LIMIT_PCT,
    width_m: ArrayLike | None = None,
    bout_width_m: float | None = None,
    tails: str = TAPER,
    relative: bool = False,
    analysis: NutrientAnalysis | None = None,
    driving_error_m: float = DRIVING_ERROR_M,
) -> Assessment:
    """Assess one tray test: from tray weights to an effective width.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    limit_pct : float
        CV limit. [%]
    width_m : array_like, shape (widths,), optional
        Candidate bout widths; every whole multiple of the tray spacing if not given. [m]
    bout_width_m : float, optional
        The bout width driven; the form's if not given. [m]
    tails : str
        What happens beyond the end trays: "taper" or "cut". [-]
    relative : bool
        Whether rates in proportion are enough, where catches are in ml and no bulk density is given. [-]
    analysis : NutrientAnalysis, optional
        What the components of a blend hold: its nutrients are then judged, else its worst component. [%]
    driving_error_m : float
        How far a driver may be off to either side: narrower bands than twice that are narrow. [m]

    Returns
    -------
    Assessment
        The result. [m, kg/ha, %]

    Raises
    ------
    NoSpreadError
        If the test has no pattern, or most of its trays are not weighed yet.
    WidthError
        If a bout width can't be driven, the CV limit is not above 0, or the driving error is not 0 to 5 m.

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test(range(-3, 4), [0, 1, 2, 3, 2, 1, 0], tray_width="1 m", tray_length="1 m")
    >>> result = assess(test, bout_width_m=3)
    >>> result.verdict.state, round(result.advised_width_m("back-and-forth"), 2)
    ('fits', 3.63)
    >>> result.effective_width_m("back-and-forth"), result.bouts["back-and-forth"].mean_kg_ha, result.within_limit
    (3.93..., 30.0, True)
    """
    asked: dict[str, Any] = {"limit_pct": limit_pct, "tails": tails, "relative": relative, "analysis": analysis}
    asked |= {"driving_error_m": driving_error_m}
    result = _assessed(test, width_m=width_m, bout_width_m=bout_width_m, **asked)

    def put_right(corrected: TrayTest) -> tuple[Words, frozenset[str], bool]:
        """The test put right, asked as this one was; a bout width that is itself what was put right is not kept."""
        # a test put right is not explained in turn: two slips could each lead to the other without end
        kept = bout_width_m if corrected.bout_width_m == test.bout_width_m else None
        return _would_get(_assessed(corrected, width_m=None, bout_width_m=kept, **asked))

    return replace(result, doubts=with_verdicts(result.doubts, put_right))


def _assessed(
    test: TrayTest,
    *,
    limit_pct: float,
    tails: str,
    relative: bool,
    width_m: ArrayLike | None,
    bout_width_m: float | None,
    analysis: NutrientAnalysis | None,
    driving_error_m: float,
) -> Assessment:
    """The test as `assess` takes it, its slips found and not yet put right."""
    check_limit(limit_pct)
    if not 0 <= driving_error_m <= MOST_DRIVING_ERROR_M:
        remedy = f"give 0 to {MOST_DRIVING_ERROR_M:g} m to either side"
        raise WidthError(Fault("driving error (--steering)", f"{driving_error_m:g} m can't be", remedy))
    blank = int((test.state == CatchState.NOT_WEIGHED).all(axis=1).sum())
    trays = len(test.tray) - int(test.no_tray.sum())
    if 2 * blank > trays:  # the sheet is being filled in still
        remedy = f"weigh them, with `spreadcheck record {shlex.quote(test.file)}`; write - where no tray stands"
        raise NoSpreadError(Fault(test.source, f"{blank} of {trays} trays are not weighed yet", remedy))
    passes = passes_of(test, relative=relative)
    profile = passes.profile(tails)
    widths = rising(default_widths(profile, place=test.source) if width_m is None else width_m)
    driven = test.bout_width_m if bout_width_m is None else bout_width_m
    check_widths(profile, widths, place=test.source)
    ends, blend, tail_curves = profile.ends, None, []
    if test.components:
        blend = assess_blend(test, analysis, limit_pct=limit_pct, width_m=widths, tails=tails)
        tail_curves = [blend.with_tails(*pair).worst(limit_pct) for pair in ends.pairs] if ends.catch else []
    elif ends.catch:
        tail_curves = [width_curves(one) for one in tailed(ends, metered_kg_ha_m(test, driven))]
    result = Assessment(
        test=test,
        passes=passes,
        profile=profile,
        limit_pct=limit_pct,
        width_m=widths,
        curves=width_curves(profile) if blend is None else blend.worst(limit_pct),
        blend=blend,
        bouts={} if driven is None else bouts_at(profile, driven, blend, limit_pct),
        driving_error_m=driving_error_m,
        tail_curves=tuple(tail_curves),
        doubts=(),
    )
    cvs, decide = {}, driven is None
    if driven is not None:
        for method in result.judged_methods:
            cv, drawn = result.cv_over_tails(method, driven), result.curves[method].cv_at(driven)
            if cv is not None:  # it rests on the tails whether the limit is kept
                cvs[method] = cv
                decide |= min(cv.least, drawn) <= limit_pct < max(cv.most, drawn)
    doubts = doubts_of(
        test,
        profile,
        effective_m=result.width_concluded_m,
        bout_width_m=driven,
        passes=passes,
        cv_over_tails=cvs,
        tails_decide=decide,
    )
    return replace(result, doubts=doubts)


def _would_get(result: Assessment) -> tuple[Words, frozenset[str], bool]:
    """Verdict, effective widths and share of the target rate of a test put right; its doubts; whether one blocks."""
    told = [Words(result.verdict.state)] if result.verdict else []
    for method in result.judged_methods:
        width = result.effective_width_m(method)
        shown = {} if width is None else {"width": Quantity(width, "length")}
        told.append(Words(f"effective width {{width}} {method}" if shown else f"no effective width {method}", shown))
    target, bout = result.test.target_kg_ha, next(iter(result.bouts.values()), None)
    if target is not None and bout is not None and not result.profile.relative:
        share = 100 * bout.mean_kg_ha / target
        rate = Quantity(bout.mean_kg_ha, "rate")
        told.append(Words("a mean rate of {rate}, {share:.0f} % of the target", {"rate": rate, "share": share}))
    words = Words("{told}", {"told": Listed(tuple(told))})
    return words, frozenset(doubt.code for doubt in result.doubts), bool(result.blocking)


def bouts_at(
    profile: Profile, bout_width_m: float, blend: BlendAssessment | None = None, limit_pct: float = CV_LIMIT_PCT
) -> dict[str, Bout]:
    """What the field gets at one bout width, by method; of a blend with the CVs of its worst part, scaled."""
    width = float(bout_width_m)
    check_widths(profile, width)
    laid = lay(profile, np.array([width]))
    cv = laid.cv_line_pct * np.sqrt(on_average(np.array([width]), profile.spacing_m))
    within = (laid.pieces.share_between(low=1 - part, high=1 + part) for part in (0.1, 0.2))
    read, mean = (cv, laid.cv_trays_pct, laid.cv_line_pct), np.full(len(cv), profile.area_kg_ha_m / width)
    figures = np.array((*read, mean, laid.min_kg_ha, laid.max_kg_ha, *within)).T.tolist()
    offsets, rates = (np.split(values, laid.starts[1:]) for values in (laid.offset_m, laid.rate_kg_ha))
    bouts = {}
    for at, method in enumerate(METHODS):
        told: list[Any] = [method, width, *figures[at], offsets[at], rates[at]]
        bouts[method] = Bout(*told)
    if blend is None:
        return bouts
    for method, bout in bouts.items():
        part = blend.worst_part(method, bout_width_m)
        own, share = bouts_at(part.profile, bout_width_m)[method], limit_pct / part.limit_pct
        cvs = {name: share * getattr(own, name) for name in ("cv_pct", "cv_trays_pct", "cv_line_pct")}
        bouts[method] = replace(bout, part=part.name, **cvs)
    return bouts
