"""Tests held against each other: what changed, and whether it is more than chance explains.

Every figure is worked out for each single pass as well, and those are tested; the profile at all trays together. Tests
with other tray lines are compared on the lines drawn between trays, over the stretch that both cover.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import cached_property, partial
from math import isclose, isnan

import numpy as np

from spreadcheck.errors import Fault, NoSpreadError, SheetError, SpreadcheckError, record, shown
from spreadcheck.improve.between import (
    Evidence,
    Terms,
    TrayEvidence,
    alpha,
    between_sd,
    difference_evidence,
    profile_evidence,
)
from spreadcheck.improve.profiles import (
    Figures,
    check_different,
    common_places,
    even_line,
    many_figures,
    passes_at,
    place_of,
    same_catches,
)
from spreadcheck.improve.settings import settings_said
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.passes.passes import LEVEL_PCT, holm
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.bands import width_curves
from spreadcheck.spread.profile import CUT, Profile

AUTO, SCALED, _ = PROFILES = ("auto", "scaled", "measured")
# the figures that are compared, and the kind of each
KIND = {"mean rate": "rate", "centre": "length", "left share": "share", "CV": "share", "effective width": "length"}
MEAN_RATE = ("mean rate", "")
_DRAWS = 20_000
SAME_BAND = 0.15  # of an effective width: one farther off ends another band of widths
_SAME = 1e-6  # relative: target rates closer than this are the same, written in other units


@record
class Difference:
    """One figure before and after, and what the passes say of its change; None where it does not exist."""

    code: str
    method: str
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
    """Tests assessed alike, how they are compared, and what changed from the first to each of the others.

    `bout_width_m` is None where no sheet says one; `reference_width_m` is the width over which mean rates are taken.
    `unchanged` are groups of tests that tell how far tests differ though nothing was changed; `left_out` are the tests
    named that were to tell it and can't be judged, `passed_over` those of the archive.
    """

    results: tuple[Assessment, ...]
    bout_width_m: float | None
    reference_width_m: float
    limit_pct: float
    level_pct: float
    profiles: str
    terms: Terms
    question: str | None
    unchanged: tuple[tuple[Assessment, ...], ...]
    left_out: tuple[Assessment, ...]
    passed_over: tuple[Assessment, ...]
    changes: tuple[Change, ...] = ()
    ranking: tuple[Rank, ...] = ()

    def figures(self, place_m: FloatArray, rates: FloatArray, methods: Sequence[str]) -> Figures:
        """Every figure that is compared, for many profiles at once."""
        width, reference = self.bout_width_m, self.reference_width_m
        return many_figures(place_m, rates, methods, limit_pct=self.limit_pct, width_m=width, reference_m=reference)

    @cached_property
    def learned(self) -> tuple[Figures, ...]:
        """The figures of each group of unchanged tests; mean rates on the scale of the first test."""
        found = []
        for group in self.unchanged:
            lines = [(even_line(one.profile), one.profile) for one in group]
            rates = [np.interp(line, one.offset_m, one.rate_kg_ha)[None] for line, one in lines]
            each = [self.figures(line, rate, METHODS) for (line, _), rate in zip(lines, rates, strict=True)]
            found.append({key: np.concatenate([one[key] for one in each]) for key in each[0]})
            mean = found[-1].pop(MEAN_RATE)
            if not any(one.profile.relative for one in group):
                own = self.results[0].profile.area_kg_ha_m / self.reference_width_m
                found[-1][MEAN_RATE] = mean * (own / mean.mean())
        return tuple(found)


def compare(
    tests: Sequence[TrayTest],
    *,
    limit_pct: float = CV_LIMIT_PCT,
    bout_width_m: float | None = None,
    level_pct: float = LEVEL_PCT,
    profiles: str = AUTO,
    relative: bool = False,
    terms: Terms | None = None,
    question: str | None = None,
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
        "measured", "scaled" to the same mean, or "auto": scaled unless both forms give the same target rate. [-]
    relative : bool
        Whether rates in proportion are enough where catches are in ml and no bulk density is given. [-]
    terms : Terms, optional
        How far tests differ though nothing was changed: laying, wind, rate, stretch. [m, %]
    question : str, optional
        A figure that was asked about beforehand, such as "centre"; it is judged alone, all others together. [-]
    repeats : sequence of TrayTest
        Further tests of the machine as it was before, from which the spread between tests is learned. [-]
    archive : sequence of TrayTest
        Older tests of any machine: those of this one between which nothing was changed tell that too. [-]

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
    if question is not None and question not in KIND:
        problem = f'"{shown(question)}" is no figure that is compared'
        raise SpreadcheckError(Fault("question", problem, f"use one of {', '.join(KIND)}"))
    alpha(level_pct)
    check_different([*tests, *repeats])
    if bout_width_m is None:
        bout_width_m = next((test.bout_width_m for test in tests if test.bout_width_m is not None), None)
    assessed = partial(assess, limit_pct=limit_pct, bout_width_m=bout_width_m, relative=relative)
    results, repeated = tuple(map(assessed, tests)), tuple(map(assessed, repeats))
    older = _older(archive, (*results, *repeated), assessed)
    unchanged = _unchanged(results, repeated, older, bool(archive))
    asked_to_tell = (results[0], *repeated) if repeats or archive else ()
    found = Comparison(
        results=results,
        bout_width_m=bout_width_m,
        reference_width_m=bout_width_m or float(np.ptp(results[0].profile.offset_m)),
        limit_pct=limit_pct,
        level_pct=level_pct,
        profiles=profiles,
        terms=terms or Terms(),
        question=question,
        unchanged=unchanged,
        left_out=tuple(one for one in asked_to_tell if one.blocking),
        passed_over=tuple(one for one in older if one.blocking),
    )
    changes = tuple(_change(found, after) for after in results[1:])
    return replace(found, changes=changes, ranking=_ranking(found) if len(results) > 2 else ())


def _older(
    archive: Sequence[TrayTest], known: Sequence[Assessment], assessed: Callable[[TrayTest], Assessment]
) -> list[Assessment]:
    """The tests of an archive that are of the machine, each once; one that can't be assessed was not asked about."""
    seen, older = [one.test for one in known], []
    machine = seen[0].text("machine").casefold()
    for test in archive:
        if test.text("machine").casefold() == machine and not any(same_catches(test, one) for one in seen):
            seen.append(test)
            with suppress(SpreadcheckError):
                older.append(assessed(test))
    return older


def _unchanged(
    results: Sequence[Assessment], repeats: Sequence[Assessment], older: Sequence[Assessment], archive: bool
) -> tuple[tuple[Assessment, ...], ...]:
    """Groups of tests between which nothing was changed, the first test's first; none that can't be judged is in one.

    A test compared whose form says the same as an earlier one's stands in none: what it doesn't say may be the change.
    """
    groups = {settings_said(results[0].test): [results[0], *repeats]}
    for later in results[1:]:
        groups.setdefault(settings_said(later.test), [later])
    for one in older:
        groups.setdefault(settings_said(one.test), []).append(one)
    judged = [tuple(one for one in group if not one.blocking) for group in groups.values()]
    found = tuple(group for group in judged if len(group) > 1)
    if archive and not found:
        machine = results[0].test.text("machine")
        named = f'"{shown(machine)}"' if machine else "a machine without a name"
        problem = f"no two sheets that can be judged are tests of {named} with the same product and settings"
        if blocked := [f"{place_of(one.test)} ({', '.join(one.blocking)})" for one in older if one.blocking]:
            problem += f"; passed over, for they can't be judged: {', '.join(blocked)}"
        raise SheetError(Fault("archive", problem, "name further tests of the machine as before with --repeat"))
    return found


def _change(found: Comparison, after: Assessment) -> Change:
    """One test held against the first."""
    pair = before, _ = (found.results[0], after)
    places, alike = common_places(before.profile, after.profile, place_of(after.test))
    profiles = [one.profile for one in pair]
    if not alike:  # on the stretch that both tray lines cover
        rates = [np.interp(places, one.offset_m, one.rate_kg_ha) for one in profiles]
        profiles = [replace(one, offset_m=places, rate_kg_ha=at) for one, at in zip(profiles, rates, strict=True)]
    areas = [replace(profile, tails=CUT).area_kg_ha_m for profile in profiles]
    if not min(areas) > 0:
        problem = "nothing fell into the trays of the stretch that both tray lines cover"
        raise NoSpreadError(Fault("", problem, "compare tests whose trays cover the same offsets"))
    why = "asked for" if found.profiles == SCALED else ""
    wanted, later = (one.test.target_kg_ha for one in pair)
    if any(one.profile.relative for one in pair):
        why = "rates are known in proportion only"
    elif found.profiles == AUTO and (wanted is None or later is None):
        why = "no target rate says that both tests were to give the same"
    elif found.profiles == AUTO and not isclose(wanted or 0.0, later or 0.0, rel_tol=_SAME):
        why = "the target rates differ"
    factor = areas[0] / areas[1] if why else 1.0
    means = profiles[0].rate_kg_ha, profiles[1].rate_kg_ha * factor
    passes = [passes_at(one, places) for one in pair]
    counted = len(passes[0]), len(passes[1])
    passes[1] = passes[1] * factor
    trays = profile_evidence(places, passes, means, found.terms, level_pct=found.level_pct)
    differences, trays = _together(tuple(_differences(found, pair, profiles)), trays, found.question)
    return Change(before, after, counted, places, *means, factor, why, alike, trays, differences)


def _differences(
    found: Comparison, pair: tuple[Assessment, Assessment], profiles: Sequence[Profile]
) -> Iterator[Difference]:
    """Figure by figure: that of both tests, and the evidence from single passes and from what differs between tests."""
    driving = {one.driving for one in pair}
    methods = tuple(str(one) for one in driving) if len(driving) == 1 and None not in driving else METHODS
    before, after = (_figures(found, *one, methods) for one in zip(pair, profiles, strict=True))
    spreads = _spreads(found, pair, profiles, methods)
    for key, value in before.items():
        if key == MEAN_RATE and any(one.profile.relative for one in pair):
            continue
        learned = [group[key] for group in found.learned if key in group]
        passes, moved = spreads[key][::2], spreads[key][1::2]
        if key[0] == "effective width":
            evidence = _width_evidence((value, after[key]), passes, moved, learned, found.level_pct)
        else:
            between = [between_sd(one, learned) for one in moved]
            evidence = difference_evidence(passes[0], passes[1], between, level_pct=found.level_pct)
        if key[0] in ("CV", "effective width"):  # single passes lie higher or lower by chance: no range
            evidence = replace(evidence, low=None, high=None)
        yield Difference(*key, value, after[key], evidence)


def _figures(
    found: Comparison, result: Assessment, profile: Profile, methods: Sequence[str]
) -> dict[tuple[str, str], float | None]:
    """Every figure of a test that is compared, exactly."""
    figures: dict[tuple[str, str], float | None] = {
        MEAN_RATE: profile.area_kg_ha_m / found.reference_width_m,
        ("centre", ""): profile.centre_m,
        ("left share", ""): profile.left_share_pct,
    }
    curves = result.curves if profile is result.profile and result.blend is None else width_curves(profile)
    if found.bout_width_m is not None:
        cvs = {method: curves[method].cv_at(found.bout_width_m) for method in methods}
        figures |= {("CV", method): None if isnan(cv) else cv for method, cv in cvs.items()}
    return figures | {("effective width", one): curves[one].effective_width_m(found.limit_pct) for one in methods}


def _spreads(
    found: Comparison, results: Sequence[Assessment], profiles: Sequence[Profile], methods: Sequence[str]
) -> dict[tuple[str, str], list[FloatArray]]:
    """Every figure of the single passes of a test and of its profile as other tests may show it, test by test.

    The profiles stand on one line of trays.
    """
    place, rates = even_line(profiles[0]), []
    for result, profile in zip(results, profiles, strict=True):
        mean = np.interp(place, profile.offset_m, profile.rate_kg_ha)
        rates += [passes_at(result, place), found.terms.moved(place, mean)]
    ends = np.cumsum([len(one) for one in rates])[:-1]
    figures = found.figures(place, np.concatenate(rates), methods)
    return {key: np.split(values, ends) for key, values in figures.items()}


def _width_evidence(
    tests: tuple[float | None, float | None],
    passes: Sequence[FloatArray],
    moved: Sequence[FloatArray],
    learned: Sequence[FloatArray],
    level_pct: float,
) -> Evidence:
    """Effective widths of two tests, judged by passes and moved profiles whose width ends the same band as their own.

    A pattern that a little shift takes over the limit in the midst of its band has an effective width that jumps to a
    narrower band. That says nothing of how closely a width is known while it doesn't jump; but where moved profiles of
    one test jump to the width of the other, chance explains the difference at least as often as they do.
    """
    own = [one or 0.0 for one in tests]
    learned = [_near(values, float(np.nanmedian(values))) for values in learned]
    between = [between_sd(_near(values, at), learned) for values, at in zip(moved, own, strict=True)]
    before, after = map(_near, passes, own)
    evidence = difference_evidence(before, after, between, level_pct=level_pct)
    jumps = []
    for values, at, other in zip(moved, own, own[::-1], strict=True):
        stays, goes = (np.abs(values - width) <= SAME_BAND * width for width in (at, other))
        jumps.append(float((goes & ~stays).mean()))
    return evidence if evidence.p is None else replace(evidence, p=max(evidence.p, *jumps))


def _near(widths: FloatArray, at: float) -> FloatArray:
    """The widths that end the same band, where two or more do; else all of them, none being the narrowest of all."""
    near = np.abs(widths - at) <= SAME_BAND * at
    return widths[near] if near.sum() > 1 else np.nan_to_num(widths)


def _together(
    differences: tuple[Difference, ...], trays: TrayEvidence, question: str | None
) -> tuple[tuple[Difference, ...], TrayEvidence]:
    """Chances of error that are good for all statements at once (Holm); what was asked about is judged alone."""
    every = [*(one.evidence for one in differences), trays.overall]
    alone = np.array([one.p for one in every], dtype=float)
    asked = np.array([*(one.code == question for one in differences), False])
    together = np.empty(len(alone))
    for those in (asked, ~asked):
        together[those] = holm(alone[those])
    *judged, overall = (
        one if one.p is None else replace(one, p=float(p)) for one, p in zip(every, together, strict=True)
    )
    if overall.p is not None:
        more = max(overall.p / max(float(alone[-1]), 1e-300), 1.0)
        trays = TrayEvidence(np.minimum(trays.p * more, 1.0), overall)
    pairs = zip(differences, judged, strict=True)
    return tuple(replace(one, evidence=evidence) for one, evidence in pairs), trays


def _ranking(found: Comparison) -> tuple[Rank, ...]:
    """Three tests or more from best to worst, by CV at the bout width, else by effective width, as driven.

    There is no ranking where no test that can be judged has that figure.
    """
    results, method = found.results, found.results[0].driving or BACK_AND_FORTH
    key, sign = (("CV", method), 1.0) if found.bout_width_m is not None else (("effective width", method), -1.0)
    values = [_figures(found, result, result.profile, (method,))[key] for result in results]
    rng, drawn = np.random.default_rng(1), {}
    for at, (result, value) in enumerate(zip(results, values, strict=True)):
        if result.blocking or value is None:
            continue
        own, moved = _spreads(found, [result], [result.profile], (method,))[key]
        between, _ = between_sd(moved, [group[key] for group in found.learned if key in group])
        passes, freedom = np.nan_to_num(own), len(own) - 1
        error = float(np.std(passes, ddof=1) / np.sqrt(len(passes))) if freedom > 0 else 0.0
        noise = error * rng.standard_t(max(freedom, 1), _DRAWS) + between * rng.standard_normal(_DRAWS)
        drawn[at] = sign * (value + noise)
    if not drawn:
        return ()
    best: dict[int, float] = {}
    if len(drawn) > 1:
        share = np.bincount(np.argmin([*drawn.values()], axis=0), minlength=len(drawn)) * (100.0 / _DRAWS)
        best = dict(zip(drawn, share.tolist(), strict=True))
    order = sorted(
        range(len(results)),
        key=lambda at: (bool(results[at].blocking), values[at] is None, sign * (values[at] or 0.0)),
    )
    return tuple(Rank(at, key[0], values[at], best.get(at)) for at in order)
