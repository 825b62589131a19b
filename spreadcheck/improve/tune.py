"""The best setting from tests of one product at several: lowest CV, widest width, what one costs the other.

The profiles are modelled over the settings (`profiles`), folded at each of them, and judged by draws from the model, so
that every claim has its probability. Never beyond the tested range: a best setting at its edge is said to be there.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import Fault, SheetError, SpreadcheckError, WidthError, record, shown
from spreadcheck.improve.between import alpha
from spreadcheck.improve.profiles import (
    ProfileModel,
    check_different,
    common_places,
    folded,
    place_of,
    profile_model,
    widths_from,
)
from spreadcheck.improve.settings import SPEED, Setting, of_bins, product_of, setting_changes, varied_settings
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.judge.confidence import NARROW_M
from spreadcheck.judge.likely import widest_within
from spreadcheck.limits import CV_LIMIT_PCT, LIMITS
from spreadcheck.passes.passes import LEVEL_PCT
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import FloatArray, FormRow, TrayTest, form_row

LOWEST, WIDEST = "lowest CV", "widest effective width"
CLEAR, UNCLEAR, BEYOND = "clear", "unclear", "beyond the range"
DRAWS = 300
_GRID = {1: 81, 2: 17}  # settings looked at, along each setting
_WIDE = 0.5  # of the range: a best setting known no better than this is open
_EDGE = 0.02  # of the range: as near to its end the best may lie beyond
_AT_ONCE = 50  # draws that are folded at a time, so that memory stays flat
_MOST_PLACES = 121  # a longer line is drawn on this many places

Drawn = tuple[FloatArray, FloatArray]  # a figure at every setting: most likely (G,), and as drawn (draws, G)


class Tested:
    """The settings as tested, `value` (tests, settings), and up to where the granules let them be set."""

    def __init__(self, settings: tuple[Setting, ...], value: FloatArray, highest_rpm: float | None) -> None:
        """Low end, range and upper end of each setting; which end at their bound, and which tests lie over it."""
        self.settings, self.value, self.highest_rpm = settings, value, highest_rpm
        highest = np.inf if highest_rpm is None else highest_rpm
        self.bound = np.array([highest if one.label == SPEED else np.inf for one in settings])
        self.over = np.asarray((value > self.bound).any(axis=1))
        ends = value if len(value) else np.zeros((1, len(settings)))  # no test can be judged
        self.low, self.reach = ends.min(axis=0), np.ptp(ends, axis=0)
        self.bounded, self.top = self.bound <= ends.max(axis=0), np.minimum(ends.max(axis=0), self.bound)

    def share(self, value: FloatArray) -> FloatArray:
        """Settings over the tested range, from 0 to 1."""
        return np.asarray((value - self.low) / self.reach)

    def check(self, left_out: Sequence[Assessment] = ()) -> None:
        """Refuse settings that nobody can tell apart, and speeds that the granules don't bear; or what was left out."""
        apart = bool((self.reach > 0).all())
        if apart:
            basis = np.insert(self.share(self.value), 0, 1.0, axis=1)
            apart = bool(np.linalg.matrix_rank(basis, tol=1e-3) > len(self.settings))
        if left_out and not (apart and not self.over.all()):
            problem = "and the tests that can are too few to tune by"
            remedy = "put it right first, as spreadcheck analyse says"
            told = [(place_of(one.test), ", ".join(one.blocking)) for one in left_out]
            raise SheetError(*(Fault(place, f"can't be judged ({codes}), {problem}", remedy) for place, codes in told))
        if not apart:
            first, second = (one.label for one in self.settings)
            problem = f"{first} and {second} were changed together in all tests, so that nobody can tell which did it"
            remedy = f'tune one of them, --setting "{first}", or test once with only one of them changed'
            raise SpreadcheckError(Fault("", problem, remedy))
        if self.over.all():
            lowest = self.low[self.bounded][0]
            problem = f"{self.highest_rpm:g} rpm lies below every speed tested (from {lowest:g} rpm)"
            raise SpreadcheckError(Fault("highest speed", problem, "run tests at speeds that the granules bear"))

    def grid(self) -> FloatArray:
        """The settings looked at, over the tested range; shape (G, settings)."""
        ends, number = self.share(self.top), _GRID[len(self.settings)]
        axes = [np.linspace(0.0, end, number) if end > 0 else np.zeros(1) for end in ends]
        grid = np.stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")], axis=1)
        if len(axes) == 1:
            return grid
        from scipy.spatial import Delaunay

        return np.asarray(grid[Delaunay(self.share(self.value)).find_simplex(grid, tol=1e-9) >= 0])


@record
class NextTest:
    """The setting to test next, and what is expected of it: `gain` in % of CV or m of width, None beyond the range."""

    setting: tuple[float, ...]
    gain: float | None
    again: bool


@record
class Answer:
    """The best setting for one goal, and how sure it is.

    `interval` holds the best setting, and `alike` are the settings that can't be told from it, both at the level asked
    for. `figures` has what each goal is there: most likely, low end, high end. `probability_pct` is the chance that it
    beats the best setting tested, by `gain` most likely (% of CV or m). `at_highest` says that the highest spinner
    speed is what bounds it.
    """

    goal: str
    standing: str
    best: tuple[float, ...]
    interval: tuple[tuple[float, float], ...]
    alike: tuple[tuple[float, float], ...]
    figures: dict[str, tuple[float, ...]]
    best_tested: int
    gain: float
    probability_pct: float
    at_highest: bool
    next: NextTest | None


@record(eq=False)
class Tuning:
    """Tests at several settings, in order, the model of their profiles, and the best setting for each goal.

    `left_out` are tests that can't be judged: a fault in them must not carry an answer. `bins` are those whose products
    and target rates the tests are held against, of machines with several. `drawn` has the figure of each goal at the
    settings `grid`, which run from 0 to 1 over the tested range; a width of 0 stands for none within the limit.
    """

    tested: Tested
    results: tuple[Assessment, ...]
    left_out: tuple[Assessment, ...]
    method: str
    method_stated: bool
    bout_width_m: float | None
    limit_pct: float
    level_pct: float
    products: tuple[str, ...]
    bins: tuple[int, ...]
    other_settings: tuple[tuple[str, tuple[str, ...]], ...]
    model: ProfileModel
    grid: FloatArray
    drawn: dict[str, Drawn]

    @cached_property
    def answers(self) -> dict[str, Answer]:
        """The best setting for each goal that can be reached, CV at the wanted bout width first."""
        return {goal: _answer(self, goal) for goal, (likely, _) in self.drawn.items() if likely.any()}

    @property
    def main(self) -> Answer | None:
        """The answer that counts: CV at the wanted bout width, or the effective width where none is wanted."""
        return next(iter(self.answers.values()), None)

    @property
    def label(self) -> str:
        """What is tuned."""
        return " and ".join(one.label for one in self.tested.settings)

    @property
    def setting(self) -> FloatArray:
        """The settings looked at, shape (G, settings)."""
        return np.asarray(self.tested.low + self.grid * self.tested.reach)

    def band(self, goal: str) -> FloatArray:
        """The figure of a goal over the settings: most likely, low end, high end; shape (3, G). [%] or [m]"""
        likely, drawn = self.drawn[goal]
        half = 50.0 * alpha(self.level_pct)
        low, high = np.percentile(drawn, [half, 100.0 - half], axis=0)
        return np.stack((likely, np.minimum(low, likely), np.maximum(high, likely)))

    def measured(self, goal: str) -> FloatArray:
        """CV at the bout width, or effective width, of every test; NaN where there is none. [%] or [m]"""
        if goal == WIDEST:
            return np.array([one.effective_width_m(self.method) or np.nan for one in self.results])
        return np.array([one.bouts[self.method].cv_pct if one.bouts else np.nan for one in self.results])

    @property
    def like(self) -> TrayTest:
        """The test that a sheet for the next one is made like: the best one tested."""
        return self.results[0 if self.main is None else self.main.best_tested].test

    def form_rows(self, system: str = "metric") -> tuple[FormRow, ...]:
        """The rows for the sheet of the next test: its setting, and what bounds and judges it."""
        if self.main is None:
            return ()
        setting = self.main.best if self.main.next is None else self.main.next.setting
        pairs = zip(self.tested.settings, setting, strict=True)
        rows = [FormRow(one.label, one.number(value), one.unit) for one, value in pairs]
        if self.tested.highest_rpm is not None:
            rows.append(form_row("highest spinner speed", "turning speed", self.tested.highest_rpm, system))
        if self.bout_width_m is not None:
            rows.append(form_row("bout width", "length", self.bout_width_m, system))
        return tuple(rows)

    @property
    def cut_short(self) -> tuple[str, ...]:
        """Tests whose effective width is as wide as the tray line, so that the true one may be wider."""
        return tuple(result.test.name for result in self.results if result.censored(self.method))

    @cached_property
    def trade_off(self) -> tuple[tuple[tuple[float, ...], float, float], ...]:
        """From the lowest CV to the widest width: settings that no other beats in both, with CV and width. [%], [m]"""
        if len(self.answers) < 2:
            return ()
        (cv, _), (width, _) = self.drawn.values()
        order = np.lexsort((-width, cv))
        best = np.maximum.accumulate(width[order])
        kept = order[np.concatenate(([True], best[1:] > best[:-1]))]
        kept = kept[width[kept] > 0]
        if len(kept) > 6:
            kept = kept[np.unique(np.linspace(0, len(kept) - 1, 6).round().astype(int))]
        return tuple((tuple(self.setting[at].tolist()), float(cv[at]), float(width[at])) for at in kept)


def tune(
    tests: Sequence[TrayTest],
    *,
    settings: Sequence[str] = (),
    bout_width_m: float | None = None,
    highest_rpm: float | None = None,
    driving: str | None = None,
    bin_no: int | None = None,
    limit_pct: float = CV_LIMIT_PCT,
    level_pct: float = LEVEL_PCT,
    any_product: bool = False,
    relative: bool = False,
) -> Tuning:
    """The best setting of a spreader from tests of one product at several settings.

    Parameters
    ----------
    tests : sequence of TrayTest
        The tests; each form gives the setting. Those that can't be judged are left out, and named. [-]
    settings : sequence of str
        One or two labels to tune, such as "spinner speed"; the numbers in which the forms differ if not said. [-]
    bout_width_m : float, optional
        The bout width wanted; that of the forms if not said, where they agree. [m]
    highest_rpm : float, optional
        The highest spinner speed that the granules bear; the lowest one on the forms if not said. [rpm]
    driving : str, optional
        "back-and-forth" or "round-and-round"; that of the forms if not said, where they agree, else back-and-forth. [-]
    bin_no : int, optional
        The bin that the tests threw from, of bins that run one after the other; bin 1 if not said. [-]
    limit_pct : float
        CV limit for the effective width. [%]
    level_pct : float
        How often intervals and bands hold the truth. [%]
    any_product : bool
        Whether tests of different products, or of none stated, are mixed all the same. [-]
    relative : bool
        Whether rates in proportion are enough where catches are in ml and no bulk density is given. [-]

    Returns
    -------
    Tuning
        The result. [unit of each setting, m, %]

    Raises
    ------
    SheetError
        If a form lacks the setting, products differ, a test is given twice, or too few tests can be judged.
    SpreadcheckError
        If there are fewer than two tests or settings, or the highest speed lies below all of them.
    WidthError
        If the forms name different bout widths and none was given.

    Examples
    --------
    >>> from glob import glob
    >>> from spreadcheck import read_sheet
    >>> found = tune([read_sheet(sheet) for sheet in glob("sample_trays/speed_series/*.csv")])
    >>> len(found.results), found.tested.settings[0].label, found.main.standing
    (6, 'spinner speed', 'clear')
    """
    alpha(level_pct)
    if driving is not None and driving not in METHODS:
        raise SpreadcheckError(Fault("driving", f'"{shown(driving)}"', f"use one of {', '.join(METHODS)}"))
    if len(tests) < 2:
        raise SpreadcheckError(Fault("", "one test says nothing about a setting", "give tests at two settings or more"))
    check_different(tests)
    pairs = [of_bins(test, bin_no) for test in tests]
    several = {number for test, (_, bins) in zip(tests, pairs, strict=True) if len(test.bins) > 1 for number in bins}
    tests = [test for test, _ in pairs]
    varied, values = varied_settings(tests, settings)
    if not any_product:
        _check_products(tests)
    order = np.lexsort(values.T[::-1])
    tests, values = [tests[at] for at in order], values[order]
    if highest_rpm is None:
        given = [test.quantity("highest spinner speed") for test in tests]
        highest_rpm = min((speed for speed in given if speed is not None), default=None)
    tested = Tested(varied, values, highest_rpm)
    tested.check()
    stated = {test.text("driving") for test in tests}
    agreed = stated.pop() if len(stated) == 1 else ""
    method = driving or agreed or BACK_AND_FORTH
    bout = _bout_width(tests) if bout_width_m is None else bout_width_m
    every = [assess(test, limit_pct=limit_pct, bout_width_m=bout, relative=relative) for test in tests]
    results, left_out = (tuple(one for one in every if bool(one.blocking) is blocked) for blocked in (False, True))
    if left_out:
        tested = Tested(varied, values[[not one.blocking for one in every]], highest_rpm)
        tested.check(left_out)
    place = _places(results)
    rates = np.array([np.interp(place, one.profile.offset_m, one.profile.rate_kg_ha) for one in results])
    model = profile_model(place, tested.share(tested.value), rates, [one.noise for one in results])
    grid, labels = tested.grid(), [one.label for one in varied]
    return Tuning(
        tested=tested,
        results=results,
        left_out=left_out,
        method=method,
        method_stated=bool(driving or agreed),
        bout_width_m=bout,
        limit_pct=limit_pct,
        level_pct=level_pct,
        products=tuple(dict.fromkeys(product_of(test) or "not stated" for test in tests)),
        bins=tuple(sorted(several)),
        other_settings=tuple(one for one in setting_changes([one.test for one in results]) if one[0] not in labels),
        model=model,
        grid=grid,
        drawn=_drawn(model, grid, method, bout, limit_pct),
    )


def _check_products(tests: Sequence[TrayTest]) -> None:
    """One product only; where no form names one there is nothing to hold against another."""
    sheets: dict[str, list[TrayTest]] = {}
    for test in tests:
        sheets.setdefault(" ".join(product_of(test).casefold().split()), []).append(test)
    unnamed = sheets.pop("", [])
    if len(sheets) > 1:
        named = [(shown(" ".join(product_of(group[0]).split())), map(place_of, group)) for group in sheets.values()]
        listed = "; ".join(f'"{product}" in {", ".join(places)}' for product, places in named)
        remedy = "give tests of one product, or add --any-product to mix them all the same"
        raise SheetError(Fault("", f"the tests are of different products: {listed}", remedy))
    if sheets and unnamed:
        remedy = "name the product on its form, or add --any-product to mix them all the same"
        raise SheetError(*(Fault(place_of(one), 'the form has no "product" and others do', remedy) for one in unnamed))


def _bout_width(tests: Sequence[TrayTest]) -> float | None:
    """The bout width of the forms, else the width that the setting chart expects; None where no form names one."""
    found = [test.bout_width_m for test in tests]
    if not any(found):
        found = [test.quantity("expected width") for test in tests]
    named = {float(f"{width:.6g}"): width for width in found if width is not None}
    if len(named) > 1:
        problem = f"the forms name different bout widths ({', '.join(f'{width:g} m' for width in sorted(named))})"
        raise WidthError(Fault("", problem, 'say which is wanted: --bout-width "24 m"'))
    return next(iter(named.values()), None)


def _places(results: Sequence[Assessment]) -> FloatArray:
    """Evenly spaced places: the trays themselves where all lines are alike, else the stretch that all lines cover."""
    first, lines = results[0].profile, [one.profile for one in results]
    alike = [common_places(first, one.profile, place_of(one.test))[1] for one in results[1:]]
    if all(alike) and first.even and len(first.offset_m) <= _MOST_PLACES:
        return first.offset_m
    low, high = max(float(one.offset_m[0]) for one in lines), min(float(one.offset_m[-1]) for one in lines)
    count = min(round((high - low) / min(one.spacing_m for one in lines)) + 1, _MOST_PLACES)
    if high <= low or count < 5:
        problem = "the tray lines overlap over fewer than five trays"
        raise SheetError(Fault("", problem, "give tests whose trays cover the same offsets"))
    return np.linspace(low, high, count)


def _drawn(
    model: ProfileModel, grid: FloatArray, method: str, bout_width_m: float | None, limit_pct: float
) -> dict[str, Drawn]:
    """CV at the bout width, where one is wanted, and effective width (0 where none is within the limit).

    Draws of the true CV, half of them each way: first that true CV which, with the error drawn, reads as the most
    likely one, so that noise which lifts a CV is taken out again; then that of the most likely profile less the error
    drawn, which leaves it in. Answers rest on the first; bands hold both.
    """
    place = model.place_m
    likely, errors = model.mean(grid), model.drawn(grid, DRAWS, np.random.default_rng(1))
    widths = widths_from(max(4 * float(np.diff(place[:2])[0]), 2.0), float(np.ptp(place)))
    every = np.array([*([] if bout_width_m is None else [bout_width_m]), *widths])
    spread, level = folded(place, likely, every, method)
    spread = np.maximum(spread, 1e-6)
    factors, added = [], []
    for error in np.split(errors, range(_AT_ONCE, DRAWS, _AT_ONCE)):
        own, less = (folded(place, one, every, method)[0] / spread[:, None] for one in (error, likely - error))
        along = (1.0 + own**2 - less**2) / 2
        factors.append(np.maximum(np.sqrt(np.maximum(along**2 - own**2 + 1.0, 0.0)) - along, 0.0))
        added.append(less)
    mean = 100.0 * spread / level
    drawn = mean[:, None] * np.concatenate((*factors, *added), axis=1)
    of_width = slice(len(every) - len(widths), None)
    ends = widest_within(widths, mean[of_width], limit_pct, NARROW_M)
    flat = drawn[of_width].reshape(len(widths), -1)
    drawn_ends = widest_within(widths, flat, limit_pct, NARROW_M).reshape(drawn.shape[1:])
    lowest = {} if bout_width_m is None else {LOWEST: (mean[0], drawn[0])}
    return lowest | {WIDEST: (ends, drawn_ends)}


def _answer(found: Tuning, goal: str) -> Answer:
    """The best setting for a goal, how sure it is, and what to test next."""
    grid, tested, sign = found.grid, found.tested, 1.0 if goal == LOWEST else -1.0
    mean, draws = sign * found.drawn[goal][0], sign * found.drawn[goal][1][:DRAWS]
    at = int(mean.argmin())
    half = 50.0 * alpha(found.level_pct)
    ends = np.percentile(grid[draws.argmin(axis=1)], [half, 100.0 - half], axis=0)
    ends = np.stack((np.minimum(ends[0], grid[at]), np.maximum(ends[1], grid[at])))
    alike = np.percentile(draws - draws[:, [at]], 2 * half, axis=0) <= 0
    alike[at] = True
    stretch = np.stack((grid[alike].min(axis=0), grid[alike].max(axis=0)))
    interval, not_told = (
        tuple((float(low), float(high)) for low, high in (tested.low + one * tested.reach).T) for one in (ends, stretch)
    )
    measured = sign * found.measured(goal)
    first = int(np.where(tested.over | np.isnan(measured), np.inf, measured).argmin())
    near = _nearest(found)[first]
    standing, at_highest = _standing(found, at, ends)
    following = None
    if standing != CLEAR:
        following = _beyond(found, at) if standing == BEYOND else _telling(found, mean, draws, alike)
    return Answer(
        goal=goal,
        standing=standing,
        best=tuple(found.setting[at].tolist()),
        interval=interval,
        alike=not_told,
        figures={one: tuple(found.band(one)[:, at].tolist()) for one, (likely, _) in found.drawn.items() if likely[at]},
        best_tested=first,
        gain=float(max(mean[near] - mean[at], 0.0)),
        probability_pct=float(100.0 * (draws[:, at] < draws[:, near]).mean()) if at != near else 0.0,
        at_highest=at_highest,
        next=following,
    )


def _nearest(found: Tuning) -> NDArray[np.intp]:
    """The place of each test on the grid."""
    share = found.tested.share(found.tested.value)
    return np.asarray(((share[:, None] - found.grid[None]) ** 2).sum(axis=2).argmin(axis=1))


def _standing(found: Tuning, at: int, ends: FloatArray) -> tuple[str, bool]:
    """Clear, unclear, or beyond the range; and whether the highest speed bounds it."""
    top, bounded = found.grid.max(axis=0), found.tested.bounded
    near_low, near_top = found.grid[at] <= _EDGE, found.grid[at] >= top - _EDGE
    at_highest = bool((near_top & bounded).any())
    few = len(found.tested.value) <= len(found.tested.settings) + 1
    if few or (ends[1] - ends[0] > _WIDE * np.maximum(top, 1e-9)).any():
        return UNCLEAR, at_highest
    if (near_low | (near_top & ~bounded)).any():
        return BEYOND, False
    open_end = (ends[0] <= 1e-9) | ((ends[1] >= top - 1e-9) & ~bounded)
    return (UNCLEAR if open_end.any() else CLEAR), at_highest


def _telling(found: Tuning, mean: FloatArray, draws: FloatArray, alike: NDArray[np.bool_]) -> NextTest | None:
    """The setting that a test is expected to teach most at; None where none is worth it."""
    from scipy.special import ndtri

    candidates = np.flatnonzero(alike)
    spread = draws - draws.mean(axis=0)
    covariance = spread.T @ spread / (len(draws) - 1)
    own = covariance.diagonal()
    noise = float(np.median(own[_nearest(found)]))
    normal = ndtri((np.arange(25) + 0.5) / 25)
    shift = covariance[candidates] / np.sqrt(own[candidates] + noise + 1e-12)[:, None]
    learnt = np.array([(mean[None] + normal[:, None] * one[None]).min(axis=1).mean() for one in shift])
    gain = mean.min() - learnt
    if gain.max() < LIMITS["least gain" if mean.min() >= 0 else "least gain in width"].value:
        return None
    tested, steps = found.tested, np.array([one.step for one in found.tested.settings])
    wanted = found.setting[candidates[gain.argmax()]]
    near = (np.abs(tested.value - wanted) <= steps / 2).all(axis=1)  # a place that can be set, or was tested
    settable = np.clip(np.round(wanted / steps) * steps, tested.low, tested.top)
    setting = tested.value[near][0] if near.any() else settable
    return NextTest(tuple(setting.tolist()), float(gain.max()), bool(near.any()))


def _beyond(found: Tuning, at: int) -> NextTest:
    """One usual step beyond the edge that the best lies at, as far as the granules bear."""
    tested, wanted = found.tested, found.setting[at].copy()
    for number, one in enumerate(tested.settings):
        values = np.unique(tested.value[:, number])
        usual = float(np.diff(values).mean())
        if found.grid[at, number] <= _EDGE:
            wanted[number] = values[0] - usual
            if one.label == SPEED or values[0] > 0:
                wanted[number] = max(wanted[number], values[0] / 2)
        elif found.grid[at, number] >= 1.0 - _EDGE:
            wanted[number] = values[-1] + usual
        wanted[number] = min(round(wanted[number] / one.step) * one.step, tested.bound[number])
    return NextTest(tuple(wanted.tolist()), None, again=False)
