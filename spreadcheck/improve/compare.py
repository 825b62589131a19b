"""Tests held against each other: what changed, and whether it is more than chance explains.

Every figure is worked out for each single pass as well, and those are tested; the profile at all trays together. Tests
with other tray lines are compared on the lines drawn between trays, over the stretch that both cover.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import replace
from math import isclose, isnan

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import Fault, NoSpreadError, SheetError, SpreadcheckError, record, shown
from spreadcheck.improve.between import Terms, between_sd, difference_evidence, profile_evidence
from spreadcheck.improve.common import check_different, common_places, passes_at, place_of, same_catches
from spreadcheck.improve.fold import Figures, even_line, many_figures
from spreadcheck.improve.settings import settings_said
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.passes.evidence import LEVEL_PCT, Evidence, TrayEvidence, alpha, holm
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.bands import width_curves
from spreadcheck.spread.profile import CUT, Profile

AUTO, SCALED, MEASURED = "auto", "scaled", "measured"
PROFILES = (AUTO, SCALED, MEASURED)
KIND = {"mean rate": "rate", "centre": "length", "left share": "share", "CV": "share", "effective width": "length"}
QUESTIONS = tuple(KIND)
_DRAWS = 20_000
SAME_BAND = 0.15  # of an effective width: one farther off ends another band of widths
_SAME = 1e-6  # relative: target rates closer than this are the same, written in other units


@record
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

    @property
    def jumps(self) -> bool:
        """Whether it is an effective width that ends another band of widths, and yet chance may explain it."""
        far = abs(self.change or 0.0) > SAME_BAND * max(self.before or 0.0, self.after or 0.0)
        return self.code == "effective width" and far and self.evidence.beyond is False


@record(eq=False)
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


@record
class Rank:
    """One of three tests or more: the figure by which it is ranked, and the chance that it is the best of them.

    A test that can't be judged stands last, behind those that have no such figure. Neither has a chance, as nothing
    says how near they come to one; nor has a test that is the only one with a figure.
    """

    test: int
    code: str
    value: float | None
    probability_pct: float | None


@record(eq=False)
class Comparison:
    """Tests assessed alike, and what changed from the first to each of the others.

    `bout_width_m` is None where no sheet says one; `reference_width_m` is the width over which mean rates are taken.
    `learned` are the sizes of the groups of tests that tell how far tests differ though nothing was changed; `left_out`
    are the tests named that were to tell it and can't be judged, `passed_over` those of the archive.
    """

    results: tuple[Assessment, ...]
    changes: tuple[Change, ...]
    bout_width_m: float | None
    reference_width_m: float
    limit_pct: float
    level_pct: float
    terms: Terms
    question: str
    learned: tuple[int, ...]
    left_out: tuple[Assessment, ...]
    passed_over: tuple[Assessment, ...]
    ranking: tuple[Rank, ...]


def compare(
    tests: Sequence[TrayTest],
    *,
    limit_pct: float = CV_LIMIT_PCT,
    bout_width_m: float | None = None,
    level_pct: float = LEVEL_PCT,
    profiles: str = AUTO,
    relative: bool = False,
    terms: Terms | None = None,
    question: str = "",
    repeats: Sequence[TrayTest] = (),
    archive: Sequence[TrayTest] = (),
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
    relative : bool
        Whether rates in proportion are enough where catches are in ml and no bulk density is given. [-]
    terms : Terms, optional
        How far tests differ though nothing was changed: laying, wind, rate, stretch. [m, %]
    question : str
        A figure that was asked about beforehand, such as "centre" or "effective width"; it is then judged alone, and
        all others together. [-]
    repeats : sequence of TrayTest
        Further tests of the machine as it was before, from which the spread between tests is learned. [-]
    archive : sequence of TrayTest
        Older tests of any machine: those of this one between which nothing was changed tell the same. [-]

    Returns
    -------
    Comparison
        The result. [m, kg/ha, %]

    Raises
    ------
    SheetError
        If two tests are the same one, their tray lines share no stretch, or the archive holds no repeats.
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
    bout = bout_width_m
    if bout is None:
        bout = next((test.bout_width_m for test in tests if test.bout_width_m is not None), None)

    def assessed(given: Iterable[TrayTest]) -> tuple[Assessment, ...]:
        return tuple(assess(test, limit_pct=limit_pct, bout_width_m=bout, relative=relative) for test in given)

    results, repeated = assessed(tests), assessed(repeats)
    groups, passed_over = _unchanged(results, repeated, archive, assessed)
    asked_to_tell = (results[0], *repeated) if repeats or archive else ()
    reference = bout if bout is not None else float(np.ptp(results[0].profile.offset_m))
    asked = _Asked(limit_pct, level_pct, bout, reference, profiles, terms or Terms(), question)
    learned = tuple(asked.learned(group, results[0]) for group in groups)
    return Comparison(
        results=results,
        changes=tuple(_change(results[0], after, asked, learned) for after in results[1:]),
        bout_width_m=bout,
        reference_width_m=reference,
        limit_pct=limit_pct,
        level_pct=level_pct,
        terms=asked.terms,
        question=question,
        learned=tuple(map(len, groups)),
        left_out=tuple(one for one in asked_to_tell if one.blocking),
        passed_over=passed_over,
        ranking=_ranking(results, asked, learned) if len(results) > 2 else (),
    )


def _unchanged(
    results: Sequence[Assessment],
    repeats: Sequence[Assessment],
    archive: Sequence[TrayTest],
    assessed: Callable[[Iterable[TrayTest]], Sequence[Assessment]],
) -> tuple[list[list[Assessment]], tuple[Assessment, ...]]:
    """Groups of tests of the machine between which nothing was changed, and the blocked tests of the archive.

    The first test leads the first of them.
    Of the tests compared, those whose forms say the same as the first one's may be what was changed, and stand in none;
    nor does any test that can't be judged.
    """
    first = results[0].test
    machine = first.text("machine").casefold()
    known = [one.test for one in (*results, *repeats)]
    groups = {settings_said(first): [results[0]]}
    for later in results[1:] if archive else ():
        groups.setdefault(settings_said(later.test), [later])
    groups[settings_said(first)] += repeats
    passed_over: list[Assessment] = []
    for test in archive:
        if test.text("machine").casefold() != machine or any(same_catches(test, one) for one in known):
            continue
        known.append(test)
        try:
            (older,) = assessed([test])
        except SpreadcheckError:  # it tells nothing, and was not asked about
            continue
        passed_over += [older] if older.blocking else []
        groups.setdefault(settings_said(test), []).append(older)
    judged = [[one for one in group if not one.blocking] for group in groups.values()]
    found = [group for group in judged if len(group) > 1]
    if archive and not found:
        named = f'"{shown(first.text("machine"))}"' if machine else "a machine without a name"
        problem = f"no two sheets that can be judged are tests of {named} with the same product and settings"
        if passed_over:
            told = ", ".join(f"{place_of(one.test)} ({', '.join(one.blocking)})" for one in passed_over)
            problem += f"; passed over, for they can't be judged: {told}"
        raise SheetError(Fault("archive", problem, "name further tests of the machine as before with --repeat"))
    return found, tuple(passed_over)


@record(eq=False)
class _Asked:
    """How tests are to be compared."""

    limit_pct: float
    level_pct: float
    width_m: float | None
    reference_m: float
    profiles: str
    terms: Terms
    question: str

    def figures(self, place_m: FloatArray, rates: FloatArray, methods: Sequence[str], relative: bool) -> Figures:
        """Every figure that is compared, for many profiles at once."""
        reference = None if relative else self.reference_m
        return many_figures(
            place_m, rates, methods, limit_pct=self.limit_pct, width_m=self.width_m, reference_m=reference
        )

    def spreads(
        self, results: Sequence[Assessment], profiles: Sequence[Profile], methods: Sequence[str]
    ) -> list[tuple[Figures, Figures]]:
        """Of every test the figures of its single passes, and those of its profile as other tests may show it.

        The profiles stand on one line of trays.
        """
        place = even_line(profiles[0])
        rates: list[FloatArray] = []
        for result, profile in zip(results, profiles, strict=True):
            passes = passes_at(result.passes, result.profile, place)
            mean = np.interp(place, profile.offset_m, profile.rate_kg_ha)
            rates += [passes[passes.any(axis=1)], self.terms.moved(place, mean)]
        relative = any(profile.relative for profile in profiles)
        found = self.figures(place, np.concatenate(rates), methods, relative)
        ends = np.cumsum([len(one) for one in rates])[:-1]
        split = {key: np.split(values, ends) for key, values in found.items()}
        each = [{key: parts[at] for key, parts in split.items()} for at in range(len(rates))]
        return list(zip(each[::2], each[1::2], strict=True))

    def learned(self, group: Sequence[Assessment], first: Assessment) -> Figures:
        """The figures of tests between which nothing was changed; mean rates on the scale of the first test."""
        lines = [(even_line(one.profile), one.profile) for one in group]
        each = [
            self.figures(line, np.interp(line, one.offset_m, one.rate_kg_ha)[None], METHODS, one.relative)
            for line, one in lines
        ]
        found = {key: np.concatenate([one[key] for one in each]) for key in each[0] if all(key in one for one in each)}
        if ("mean rate", "") in found:
            rate = found["mean rate", ""]
            found["mean rate", ""] = rate * (first.profile.area_kg_ha_m / self.reference_m / rate.mean())
        return found


def _change(before: Assessment, after: Assessment, asked: _Asked, learned: Sequence[Figures]) -> Change:
    places, alike = common_places(before.profile, after.profile, place=place_of(after.test))
    pair = (before, after)
    profiles = [one.profile for one in pair]
    if not alike:  # on the stretch that both tray lines cover
        profiles = [
            replace(one, offset_m=places, rate_kg_ha=np.interp(places, one.offset_m, one.rate_kg_ha))
            for one in profiles
        ]
    why = "asked for" if asked.profiles == SCALED else ""
    if before.profile.relative or after.profile.relative:
        why = "rates are known in proportion only"
    elif asked.profiles == AUTO:
        wanted, later = (one.test.target_kg_ha for one in pair)
        if wanted is None or later is None:
            why = "no target rate says that both tests were to give the same"
        elif not isclose(wanted, later, rel_tol=_SAME):
            why = "the target rates differ"
    areas = [replace(profile, tails=CUT).area_kg_ha_m for profile in profiles]
    if not min(areas) > 0:
        problem = "nothing fell into the trays of the stretch that both tray lines cover"
        raise NoSpreadError(Fault("", problem, "compare tests whose trays cover the same offsets"))
    factor = areas[0] / areas[1] if why else 1.0
    rates = [passes_at(one.passes, one.profile, places) for one in pair]
    rates = [one[one.any(axis=1)] for one in rates]
    means = (profiles[0].rate_kg_ha, profiles[1].rate_kg_ha * factor)
    trays = profile_evidence(places, (rates[0], rates[1] * factor), means, asked.terms, level_pct=asked.level_pct)
    differences, trays = _together(tuple(_differences(pair, profiles, asked, learned)), trays, asked.question)
    return Change(
        before=before,
        after=after,
        passes=(len(rates[0]), len(rates[1])),
        place_m=places,
        before_kg_ha=means[0],
        after_kg_ha=means[1],
        factor=factor,
        why_scaled=why,
        same_trays=alike,
        trays=trays,
        differences=differences,
    )


def _differences(
    pair: tuple[Assessment, Assessment], profiles: Sequence[Profile], asked: _Asked, learned: Sequence[Figures]
) -> Iterator[Difference]:
    """Figure by figure: that of both tests, and the evidence from single passes and from what differs between tests."""
    driving = {one.driving for one in pair}
    methods = tuple(str(one) for one in driving) if len(driving) == 1 and None not in driving else METHODS
    relative = any(one.profile.relative for one in pair)
    tests = [
        _own_figures(result, profile, methods, asked, relative) for result, profile in zip(pair, profiles, strict=True)
    ]
    spreads = asked.spreads(pair, profiles, methods)
    for key in tests[0]:
        code, method = key
        pair_of = (tests[0][key], tests[1][key])
        sides = [(own[key], moved[key]) for own, moved in spreads]
        if code == "effective width":
            evidence = _width_evidence(
                pair_of, sides, [group[key] for group in learned if key in group], asked.level_pct
            )
        else:
            between = [between_sd({key: moved}, learned)[key] for _, moved in sides]
            evidence = difference_evidence(
                sides[0][0], sides[1][0], (between[0], between[1]), level_pct=asked.level_pct
            )
        if code in ("CV", "effective width"):  # single passes lie higher or lower by chance: no range
            evidence = replace(evidence, low=None, high=None)
        yield Difference(code, method, KIND[code], *pair_of, evidence)


def _width_evidence(
    tests: tuple[float | None, float | None],
    sides: Sequence[tuple[FloatArray, FloatArray]],
    learned: Sequence[FloatArray],
    level_pct: float,
) -> Evidence:
    """Effective widths of two tests, judged by passes and moved profiles whose width ends the same band as their own.

    A pattern that a little shift takes over the limit in the midst of its band has an effective width that jumps to a
    narrower band. That says nothing of how closely a width is known while it doesn't jump; but where moved profiles of
    one test jump to the width of the other, chance explains the difference at least as often as they do.
    """
    key = ("effective width", "")
    own = [one or 0.0 for one in tests]
    groups = [{key: _near(values, float(np.nanmedian(values)))} for values in learned]
    between = [between_sd({key: _near(moved, at)}, groups)[key] for (_, moved), at in zip(sides, own, strict=True)]
    passes = [_near(values, at) for (values, _), at in zip(sides, own, strict=True)]
    evidence = difference_evidence(passes[0], passes[1], (between[0], between[1]), level_pct=level_pct)
    jumps = [
        float((_ends_band(moved, other) & ~_ends_band(moved, at)).mean())
        for (_, moved), at, other in zip(sides, own, own[::-1], strict=True)
    ]
    return evidence if evidence.p is None else replace(evidence, p=max(evidence.p, *jumps))


def _ends_band(widths: FloatArray, at: float) -> NDArray[np.bool_]:
    """Which widths end the same band as one of this width."""
    return np.asarray(np.abs(widths - at) <= SAME_BAND * at)


def _near(widths: FloatArray, at: float) -> FloatArray:
    """The widths that end the same band, where two or more do; else all of them, none being the narrowest of all."""
    near = _ends_band(widths, at)
    return widths[near] if near.sum() > 1 else np.nan_to_num(widths)


def _own_figures(
    result: Assessment, profile: Profile, methods: Sequence[str], asked: _Asked, relative: bool
) -> dict[tuple[str, str], float | None]:
    """Every figure of a test that is compared, exactly."""
    found: dict[tuple[str, str], float | None] = {}
    if not relative:
        found["mean rate", ""] = profile.area_kg_ha_m / asked.reference_m
    found |= {("centre", ""): profile.centre_m, ("left share", ""): profile.left_share_pct}
    curves = result.curves if profile is result.profile and result.blend is None else width_curves(profile)
    if asked.width_m is not None:
        cvs = {method: curves[method].cv_at(asked.width_m) for method in methods}
        found |= {("CV", method): None if isnan(cv) else cv for method, cv in cvs.items()}
    limit = asked.limit_pct
    return found | {("effective width", method): curves[method].effective_width_m(limit) for method in methods}


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


def _ranking(results: tuple[Assessment, ...], asked: _Asked, learned: Sequence[Figures]) -> tuple[Rank, ...]:
    """Three tests or more from best to worst, by CV at the bout width, else by effective width, as driven.

    There is no ranking where no test that can be judged has that figure.
    """
    method = results[0].driving or BACK_AND_FORTH
    code, sign = ("CV", 1.0) if asked.width_m is not None else ("effective width", -1.0)
    rng, drawn, values = np.random.default_rng(1), [], []
    for result in results:
        value = _own_figures(result, result.profile, (method,), asked, True)[code, method]
        values.append(value)
        if result.blocking or value is None:
            continue
        ((own, moved),) = asked.spreads([result], [result.profile], (method,))
        between = between_sd(moved, learned)[code, method].sd
        passes = np.nan_to_num(own[code, method])
        freedom = len(passes) - 1
        error = float(np.std(passes, ddof=1) / np.sqrt(len(passes))) if freedom > 0 else 0.0
        noise = error * rng.standard_t(max(freedom, 1), _DRAWS) + between * rng.standard_normal(_DRAWS)
        drawn.append(sign * (value + noise))
    ranked = [at for at, result in enumerate(results) if not result.blocking and values[at] is not None]
    if not ranked:
        return ()
    best: dict[int, float] = {}
    if len(ranked) > 1:
        share = np.bincount(np.argmin(drawn, axis=0), minlength=len(ranked)) * (100.0 / _DRAWS)
        best = dict(zip(ranked, share.tolist(), strict=True))
    order = sorted(
        range(len(results)),
        key=lambda at: (bool(results[at].blocking), values[at] is None, sign * (values[at] or 0.0)),
    )
    return tuple(Rank(at, code, values[at], best.get(at)) for at in order)
