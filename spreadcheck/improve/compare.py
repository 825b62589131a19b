"""Tests held against each other: what changed, and whether it is more than chance explains.

1. `compare`      two tests or more, each against the first
2. `Comparison`   the tests assessed, and a `Change` for every test after the first
3. `Change`       the profiles at common places, and a `Difference` for every figure

Every figure is worked out for each single pass as well, and those are tested; the profile at all trays together. Tests
with other tray lines are compared on the lines drawn between trays, over the stretch that both cover.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from math import isclose

import numpy as np

from spreadcheck.errors import Fault, NoSpreadError, SpreadcheckError, shown
from spreadcheck.improve.between import Terms, between_sd, difference_evidence, profile_evidence
from spreadcheck.improve.passfigures import check_different, common_places, pass_profiles, rates_at
from spreadcheck.improve.profiles import upper_ends
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.passes.evidence import LEVEL_PCT, Evidence, TrayEvidence, alpha, holm
from spreadcheck.sheet.labels import BACK_AND_FORTH
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.bands import STEP_M, width_curves
from spreadcheck.spread.profile import CUT, TAPER, Profile
from spreadcheck.spread.widths import cv_by_trays

AUTO, SCALED, MEASURED = "auto", "scaled", "measured"
PROFILES = (AUTO, SCALED, MEASURED)
KIND = {"mean rate": "rate", "centre": "length", "left share": "share", "CV": "share", "effective width": "length"}
QUESTIONS = tuple(KIND)
_DRAWS = 20_000
_SAME = 1e-6  # relative: target rates closer than this are the same, written in other units


@dataclass(frozen=True)
class Difference:
    """One figure before and after, and what the passes say of its change.

    `kind` is "length", "rate" or "share". A figure that does not exist (no effective width) is None.
    """

    code: str
    method: str
    kind: str
    before: float | None
    after: float | None
    evidence: Evidence

    @property
    def change(self) -> float | None:
        """After less before; None where one of them does not exist."""
        return None if self.before is None or self.after is None else self.after - self.before


@dataclass(frozen=True, eq=False)
class Change:
    """One test held against the first.

    `place_m` are the offsets at which the profiles are compared; `after_kg_ha` is multiplied by `factor` already, which
    is 1 where profiles are compared as measured. `why_scaled` and `same_trays` say how they were made comparable.
    """

    before: Assessment
    after: Assessment
    passes: tuple[int, int]
    place_m: FloatArray
    before_kg_ha: FloatArray
    after_kg_ha: FloatArray
    factor: float
    why_scaled: str
    same_trays: bool
    trays: TrayEvidence
    differences: tuple[Difference, ...]

    @property
    def difference_kg_ha(self) -> FloatArray:
        """After less before at the places compared. [kg/ha]"""
        return self.after_kg_ha - self.before_kg_ha

    @property
    def most(self) -> int:
        """The place of the largest difference."""
        return int(np.abs(self.difference_kg_ha).argmax())


@dataclass(frozen=True)
class Rank:
    """One of three tests or more: the figure by which it is ranked, and the chance that it is the best of them."""

    test: int
    code: str
    value: float | None
    probability_pct: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """Tests assessed alike, and what changed from the first to each of the others.

    `bout_width_m` is None where no sheet says one; `reference_width_m` is the width over which mean rates are taken.
    """

    results: tuple[Assessment, ...]
    changes: tuple[Change, ...]
    bout_width_m: float | None
    reference_width_m: float
    limit_pct: float
    level_pct: float
    terms: Terms
    question: str
    repeats: int
    ranking: tuple[Rank, ...]


def compare(
    tests: Sequence[TrayTest],
    *,
    limit_pct: float = CV_LIMIT_PCT,
    bout_width_m: float | None = None,
    level_pct: float = LEVEL_PCT,
    profiles: str = AUTO,
    tails: str = TAPER,
    relative: bool = False,
    terms: Terms | None = None,
    question: str = "",
    repeats: Sequence[TrayTest] = (),
) -> Comparison:
    """Hold tests against each other, each against the first.

    Parameters
    ----------
    tests : sequence of TrayTest
        The test before, and one or more after. [-]
    limit_pct : float
        CV limit. [%]
    bout_width_m : float, optional
        Bout width for CV and mean rate; the first that a form gives if not said. [m]
    level_pct : float
        How sure each statement has to be. [%]
    profiles : str
        "measured", "scaled" (the later profile multiplied so that both have the same mean), or "auto": as measured
        where both forms give the same target rate, else scaled. [-]
    tails : str
        What happens beyond the end trays: "taper" or "cut". [-]
    relative : bool
        Whether rates in proportion are enough where catches are in ml and no bulk density is given. [-]
    terms : Terms, optional
        How far tests differ though nothing was changed: laying, wind, rate, stretch. [m, %]
    question : str
        A figure that was asked about beforehand, such as "centre" or "effective width"; it is then judged alone, and
        all others together. [-]
    repeats : sequence of TrayTest
        Further tests of the machine as it was before, from which the spread between tests is learned. [-]

    Returns
    -------
    Comparison
        The result. [m, kg/ha, %]

    Raises
    ------
    SheetError
        If two tests are the same one, or their tray lines share no stretch.
    SpreadcheckError
        If there are fewer than two tests, or the level or the choice of profiles can't be used.

    Examples
    --------
    >>> from spreadcheck import tray_test
    >>> left = [[0, 1], [2, 2], [4, 5], [4, 4], [2, 2], [0, 0], [0, 0]]
    >>> right = [[0, 0], [0, 0], [2, 2], [4, 4], [4, 5], [2, 2], [1, 0]]
    >>> tests = [tray_test(range(-3, 4), caught, tray_width="1 m", tray_length="1 m") for caught in (left, right)]
    >>> centre = compare(tests).changes[0].differences[1]
    >>> centre.code, round(centre.change, 2), round(centre.evidence.p, 3), centre.evidence.beyond
    ('centre', 1.23, 0.069, False)
    """
    if len(tests) < 2:
        raise SpreadcheckError(Fault("", "one test can't be compared", "give the test before and the test after"))
    if profiles not in PROFILES:
        raise SpreadcheckError(Fault("", f'"{profiles}" profiles', f"use one of {', '.join(PROFILES)}"))
    if question and question not in QUESTIONS:
        problem = f'"{shown(question)}" is no figure that is compared'
        raise SpreadcheckError(Fault("question", problem, f"use one of {', '.join(QUESTIONS)}"))
    alpha(level_pct)
    check_different([*tests, *repeats])
    stated = [test.bout_width_m for test in tests if test.bout_width_m is not None]
    bout = bout_width_m if bout_width_m is not None else next(iter(stated), None)
    results = tuple(
        assess(test, limit_pct=limit_pct, bout_width_m=bout, tails=tails, relative=relative) for test in tests
    )
    reference = bout if bout is not None else float(np.ptp(results[0].profile.offset_m))
    same = tuple(
        assess(test, limit_pct=limit_pct, bout_width_m=bout, tails=tails, relative=relative) for test in repeats
    )
    asked = _Asked(level_pct, reference, profiles, terms or Terms(), question, same)
    changes = (_change(results[0], after, asked) for after in results[1:])
    return Comparison(
        results,
        tuple(changes),
        bout,
        reference,
        limit_pct,
        level_pct,
        asked.terms,
        question,
        len(same),
        _ranking(results, asked),
    )


@dataclass(frozen=True, eq=False)
class _Asked:
    """How tests are to be compared."""

    level_pct: float
    reference_m: float
    profiles: str
    terms: Terms
    question: str
    repeats: tuple[Assessment, ...]


@dataclass(frozen=True, eq=False)
class _Side:
    """One of two tests on the tray line that both share: its profile and its single passes."""

    profile: Profile
    passes: tuple[Profile, ...]

    @classmethod
    def of(cls, result: Assessment, place_m: FloatArray, alike: bool) -> _Side:
        mean = result.profile
        rates = rates_at(pass_profiles(result.passes, mean), mean, place_m)
        passes = tuple(Profile(place_m, row, tails=mean.tails) for row in rates if row.any())
        if alike:
            return cls(mean, passes)
        return cls(Profile(place_m, np.interp(place_m, mean.offset_m, mean.rate_kg_ha), tails=mean.tails), passes)

    @property
    def rates(self) -> FloatArray:
        """Rates of the single passes, shape (passes, places). [kg/ha]"""
        return np.array([one.rate_kg_ha for one in self.passes]).reshape(len(self.passes), len(self.profile.offset_m))


def _change(before: Assessment, after: Assessment, asked: _Asked) -> Change:
    places, alike = common_places(before.profile, after.profile)
    sides = _Side.of(before, places, alike), _Side.of(after, places, alike)
    why = _why_scaled(before, after, asked.profiles)
    means = [side.profile.rate_kg_ha for side in sides]
    areas = [_area(places, rates) for rates in means]
    factor = areas[0] / areas[1] if why else 1.0
    trays = profile_evidence(
        (sides[0].rates, sides[1].rates),
        (sides[0].profile, sides[1].profile),
        asked.terms,
        factor=factor,
        level_pct=asked.level_pct,
    )
    reference = None if _relative(before, after) else asked.reference_m
    differences, trays = _together(tuple(_differences(before, sides, asked, reference)), trays, asked.question)
    return Change(
        before=before,
        after=after,
        passes=(len(sides[0].passes), len(sides[1].passes)),
        place_m=places,
        before_kg_ha=means[0],
        after_kg_ha=means[1] * factor,
        factor=factor,
        why_scaled=why,
        same_trays=alike,
        trays=trays,
        differences=differences,
    )


def _together(
    differences: tuple[Difference, ...], trays: TrayEvidence, question: str
) -> tuple[tuple[Difference, ...], TrayEvidence]:
    """Chances of error that are good for all statements at once (Holm); what was asked about is judged alone."""
    alone = np.array([np.nan if one.evidence.p is None else one.evidence.p for one in differences])
    overall = np.nan if trays.overall.p is None else trays.overall.p
    asked = np.array([one.code == question for one in differences])
    others = holm([*alone[~asked], overall])
    together = alone.copy()
    if asked.any():
        together[asked] = holm(alone[asked])
    together[~asked] = others[:-1]
    judged = tuple(
        one if one.evidence.p is None else replace(one, evidence=replace(one.evidence, p=float(p)))
        for one, p in zip(differences, together, strict=True)
    )
    if trays.overall.p is None:
        return judged, trays
    more = others[-1] / max(overall, 1e-300)
    p = np.minimum(trays.p * max(more, 1.0), 1.0)
    return judged, TrayEvidence(trays.rule, p, replace(trays.overall, p=float(others[-1])))


def _ranking(results: tuple[Assessment, ...], asked: _Asked) -> tuple[Rank, ...]:
    """Three tests or more from best to worst, by CV at the bout width, else by effective width, as driven."""
    if len(results) < 3:
        return ()
    first = results[0]
    method = first.driving or BACK_AND_FORTH
    code = "CV" if first.bout_width_m is not None else "effective width"
    key, sign = (code, method), 1.0 if code == "CV" else -1.0
    figures = partial(_figures, limit_pct=first.limit_pct, width_m=first.bout_width_m, reference_m=None)
    rng, drawn, values = np.random.default_rng(1), [], []
    for result in results:
        value = figures(result.profile)[key]
        passes = [figures(one)[key] or 0.0 for one in pass_profiles(result.passes, result.profile)]
        freedom = len(passes) - 1
        between = between_sd(result.profile, partial(figures, near=True), asked.terms)[key].sd
        own = float(np.std(passes, ddof=1) / np.sqrt(len(passes))) if freedom else 0.0
        noise = own * rng.standard_t(max(freedom, 1), _DRAWS) + between * rng.standard_normal(_DRAWS)
        drawn.append(sign * ((value or 0.0) + noise) if value is not None else np.full(_DRAWS, np.inf))
        values.append(value)
    best = np.bincount(np.argmin(drawn, axis=0), minlength=len(results)) * (100.0 / _DRAWS)
    order = sorted(range(len(results)), key=lambda at: (values[at] is None, sign * (values[at] or 0.0)))
    return tuple(Rank(at, code, values[at], float(best[at])) for at in order)


def _area(place_m: FloatArray, rate_kg_ha: FloatArray) -> float:
    area = Profile(place_m, rate_kg_ha, tails=CUT).area_kg_ha_m
    if not area > 0:
        problem = "nothing fell into the trays of the stretch that both tray lines cover"
        raise NoSpreadError(Fault("", problem, "compare tests whose trays cover the same offsets"))
    return area


def _relative(before: Assessment, after: Assessment) -> bool:
    return before.profile.relative or after.profile.relative


def _why_scaled(before: Assessment, after: Assessment, profiles: str) -> str:
    """Why profiles are compared at the same mean; "" where they are compared as measured."""
    if _relative(before, after):
        return "rates are known in proportion only"
    if profiles != AUTO:
        return "asked for" if profiles == SCALED else ""
    wanted, later = (result.test.quantity("target rate") for result in (before, after))
    if wanted is None or later is None:
        return "no target rate says that both tests were to give the same"
    return "" if isclose(wanted, later, rel_tol=_SAME) else "the target rates differ"


def _differences(
    before: Assessment, sides: tuple[_Side, _Side], asked: _Asked, reference_m: float | None
) -> Iterator[Difference]:
    """Figure by figure: that of both tests, and the evidence from single passes and from what differs between tests."""
    figures = partial(_figures, limit_pct=before.limit_pct, width_m=before.bout_width_m, reference_m=reference_m)
    tests = [figures(side.profile) for side in sides]
    passes = [[figures(one) for one in side.passes] for side in sides]
    repeats = [figures(one.profile) for one in asked.repeats]
    repeats = [tests[0], *repeats] if repeats else []
    between = [between_sd(side.profile, partial(figures, near=True), asked.terms, repeats) for side in sides]
    for key in tests[0]:
        code, method = key
        none = code == "effective width"  # a pass without one is the narrowest of all
        missing = 0.0 if none else np.nan
        values = [[missing if (value := one[key]) is None else value for one in side] for side in passes]
        evidence = difference_evidence(
            values[0], values[1], (between[0][key], between[1][key]), level_pct=asked.level_pct
        )
        if code in ("CV", "effective width"):  # single passes lie higher or lower by chance: no range
            evidence = replace(evidence, low=None, high=None)
        yield Difference(code, method, KIND[code], tests[0][key], tests[1][key], evidence)


def _figures(
    profile: Profile, *, limit_pct: float, width_m: float | None, reference_m: float | None, near: bool = False
) -> dict[tuple[str, str], float | None]:
    """Every figure that is compared, as far as rates and a bout width are known; `near` is quick."""
    found: dict[tuple[str, str], float | None] = {}
    if reference_m is not None:
        found["mean rate", ""] = profile.area_kg_ha_m / reference_m
    found |= {("centre", ""): profile.centre_m, ("left share", ""): profile.left_share_pct}
    if width_m is not None:
        for method, cv in cv_by_trays(profile, width_m).items():
            found["CV", method] = None if np.isnan(cv) else cv
    for method, curve in width_curves(profile, step_m=0.5 if near else STEP_M).items():
        ends = upper_ends(curve.width_m, curve.cv_pct, limit_pct) if near else curve.effective_width_m(limit_pct)
        found["effective width", method] = float(ends) if ends else None
    return found
