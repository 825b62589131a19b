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
from spreadcheck.improve.common import check_different, common_places, place_of
from spreadcheck.improve.fold import Fold, upper_ends, widths_from
from spreadcheck.improve.profiles import ProfileModel, profile_model
from spreadcheck.improve.settings import (
    SPEED,
    Setting,
    highest_speed,
    of_bin,
    product_of,
    setting_changes,
    thrown_bins,
    varied_settings,
)
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.limits import CV_LIMIT_PCT, LIMITS
from spreadcheck.passes.evidence import LEVEL_PCT, alpha
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
    for. `probability_pct` is the chance that it beats the best setting tested, by `gain` most likely (% of CV or m).
    `at_highest` says that the highest spinner speed is what bounds it.
    """

    goal: str
    standing: str
    best: tuple[float, ...]
    interval: tuple[tuple[float, float], ...]
    alike: tuple[tuple[float, float], ...]
    cv_pct: float | None
    cv_band_pct: tuple[float, float] | None
    width_m: float | None
    width_band_m: tuple[float, float] | None
    best_tested: int
    gain: float
    probability_pct: float
    at_highest: bool
    next: NextTest | None

    @property
    def to_test(self) -> tuple[float, ...]:
        """The setting of the next test; the best one, for a last test that confirms it, where no other is asked for."""
        return self.best if self.next is None else self.next.setting


@record(eq=False)
class Surface:
    """CV and effective width over the settings: `setting` (G, settings); each figure as most likely, low, high (3, G).

    A width of 0 stands for none within the limit.
    """

    setting: FloatArray
    cv_pct: FloatArray | None
    width_m: FloatArray


@record(eq=False)
class Tuning:
    """Tests at several settings, in order, the model of their profiles, and the best setting for each goal."""

    results: tuple[Assessment, ...]
    settings: tuple[Setting, ...]
    value: FloatArray  # (tests, settings)
    highest_rpm: float | None
    method: str
    method_stated: bool
    bout_width_m: float | None
    limit_pct: float
    level_pct: float
    products: tuple[str, ...]
    model: ProfileModel
    surface: Surface
    cv: Answer | None
    width: Answer | None
    best_kg_ha: FloatArray | None  # the most likely profile at the answer that counts, at `model.place_m`
    over: NDArray[np.bool_]  # tests faster than the highest speed: they count for the model and are never the best
    left_out: tuple[Assessment, ...]  # tests that can't be judged: a fault in them must not carry an answer
    bins: tuple[int, ...]  # whose products and target rates the tests are held against, of machines with several
    other_settings: tuple[tuple[str, tuple[str, ...]], ...]

    @property
    def main(self) -> Answer | None:
        """The answer that counts: CV at the wanted bout width, or the effective width where none is wanted."""
        return self.cv or self.width

    def measured(self, goal: str) -> FloatArray:
        """CV at the bout width, or effective width, of every test; NaN where there is none. [%] or [m]"""
        return measured(self.results, self.method, goal)

    @property
    def like(self) -> TrayTest:
        """The test that a sheet for the next one is made like: the best one tested."""
        return self.results[0 if self.main is None else self.main.best_tested].test

    def form_rows(self, system: str = "metric") -> tuple[FormRow, ...]:
        """The rows for the sheet of the next test: its setting, and what bounds and judges it."""
        if self.main is None:
            return ()
        rows = [
            FormRow(one.label, one.number(value), one.unit)
            for one, value in zip(self.settings, self.main.to_test, strict=True)
        ]
        if self.highest_rpm is not None:
            rows.append(form_row("highest spinner speed", "turning speed", self.highest_rpm, system))
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
        if self.surface.cv_pct is None or self.cv is None or self.width is None:
            return ()
        cv, width = self.surface.cv_pct[0], self.surface.width_m[0]
        order = np.lexsort((-width, cv))
        best = np.maximum.accumulate(width[order])
        kept = order[np.concatenate(([True], best[1:] > best[:-1]))]
        kept = kept[width[kept] > 0]
        if len(kept) > 6:
            kept = kept[np.unique(np.linspace(0, len(kept) - 1, 6).round().astype(int))]
        return tuple((tuple(self.surface.setting[at].tolist()), float(cv[at]), float(width[at])) for at in kept)


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
        The highest spinner speed that the crush strength of the granules allows; the lowest one on the forms if not
        said. [rpm]
    driving : str, optional
        "back-and-forth" or "round-and-round"; that of the forms if not said, where they agree, else back-and-forth. [-]
    bin_no : int, optional
        The bin that the tests threw from, of a machine whose bins run one after the other; bin 1 if not said. Of bins
        that run together the trays catch them all, and are held against the sum of their targets. [-]
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
    >>> len(found.results), found.settings[0].label, found.cv.standing
    (6, 'spinner speed', 'clear')
    """
    alpha(level_pct)
    if driving is not None and driving not in METHODS:
        raise SpreadcheckError(Fault("driving", f'"{shown(driving)}"', f"use one of {', '.join(METHODS)}"))
    if len(tests) < 2:
        raise SpreadcheckError(Fault("", "one test says nothing about a setting", "give tests at two settings or more"))
    check_different(tests)
    thrown = [thrown_bins(test, bin_no) for test in tests]
    several = {number for test, bins in zip(tests, thrown, strict=True) if len(test.bins) > 1 for number in bins}
    tests = [of_bin(test, bin_no or 1) for test in tests]
    varied, values = varied_settings(tests, settings)
    _check_products(tests, any_product)
    order = np.lexsort(values.T[::-1])
    tests, values = [tests[at] for at in order], values[order]
    highest = highest_speed(tests) if highest_rpm is None else highest_rpm
    tested = _Tested(varied, values, highest)
    if not tested.apart:
        first, second = (one.label for one in varied)
        problem = f"{first} and {second} were changed together in all tests, so that nobody can tell which did it"
        remedy = f'tune one of them, --setting "{first}", or test once with only one of them changed'
        raise SpreadcheckError(Fault("", problem, remedy))
    if tested.over.all():
        problem = f"{highest:g} rpm lies below every speed tested (from {tested.low[tested.bounded][0]:g} rpm)"
        raise SpreadcheckError(Fault("highest speed", problem, "run tests at speeds that the granules bear"))
    products = tuple(dict.fromkeys(product_of(test) or "not stated" for test in tests))
    stated = {test.text("driving") for test in tests}
    agreed = next(iter(stated)) if len(stated) == 1 else ""
    method = driving or agreed or BACK_AND_FORTH
    bout = _bout_width(tests) if bout_width_m is None else bout_width_m
    assessed = [assess(test, limit_pct=limit_pct, bout_width_m=bout, relative=relative) for test in tests]
    results, left_out = (tuple(one for one in assessed if bool(one.blocking) is blocked) for blocked in (False, True))
    if left_out:
        counted = [at for at, one in enumerate(assessed) if not one.blocking]
        tests, values = [tests[at] for at in counted], values[counted]
        tested = _Tested(varied, values, highest)
        if not ((tested.reach > 0).all() and tested.apart and not tested.over.all()):
            problem = "and the tests that can are too few to tune by"
            remedy = "put it right first, as spreadcheck analyse says"
            raise SheetError(
                *(
                    Fault(place_of(one.test), f"can't be judged ({', '.join(one.blocking)}), {problem}", remedy)
                    for one in left_out
                )
            )
    place = _places(results)
    rates = np.array([np.interp(place, one.profile.offset_m, one.profile.rate_kg_ha) for one in results])
    model = profile_model(place, tested.share, rates, [one.noise for one in results])
    grid = tested.grid()
    figures = _drawn(model, grid, method, bout, limit_pct)
    judge = _Judge(
        tested,
        level_pct,
        figures,
        grid,
        {goal: measured(results, method, goal) for goal in (LOWEST, WIDEST)},
    )
    cv = judge.answer(LOWEST) if LOWEST in figures else None
    width = judge.answer(WIDEST) if figures[WIDEST][0].any() else None
    best = cv or width
    return Tuning(
        results=results,
        settings=varied,
        value=values,
        highest_rpm=highest,
        method=method,
        method_stated=bool(driving or agreed),
        bout_width_m=bout,
        limit_pct=limit_pct,
        level_pct=level_pct,
        products=products,
        model=model,
        surface=Surface(
            tested.low + grid * tested.reach,
            _bands(figures[LOWEST], level_pct) if LOWEST in figures else None,
            _bands(figures[WIDEST], level_pct),
        ),
        cv=cv,
        width=width,
        best_kg_ha=None if best is None else model.mean((np.array([best.best]) - tested.low) / tested.reach)[0],
        over=tested.over,
        left_out=left_out,
        bins=tuple(sorted(several)),
        other_settings=tuple(one for one in setting_changes(tests) if one[0] not in [s.label for s in varied]),
    )


def measured(results: Sequence[Assessment], method: str, goal: str) -> FloatArray:
    """The figure of a goal of every test; NaN where there is none. [%] or [m]"""
    if goal == LOWEST:
        return np.array([one.bouts[method].cv_pct if one.bouts else np.nan for one in results])
    return np.array([one.effective_width_m(method) or np.nan for one in results])


class _Tested:
    """The settings as tested, shape (tests, settings), and up to where the granules let them be set."""

    def __init__(self, settings: tuple[Setting, ...], value: FloatArray, highest_rpm: float | None) -> None:
        """Low end, range and upper end of each setting; which end at their bound, and which tests lie over it."""
        highest = np.inf if highest_rpm is None else highest_rpm
        self.settings, self.value = settings, value
        self.bound = np.array([highest if one.label == SPEED else np.inf for one in settings])
        self.over = np.asarray((value > self.bound).any(axis=1))
        ends = value if len(value) else np.zeros((1, len(settings)))  # no test can be judged
        self.low, self.reach = ends.min(axis=0), np.ptp(ends, axis=0)
        self.bounded, self.top = self.bound <= ends.max(axis=0), np.minimum(ends.max(axis=0), self.bound)

    @property
    def share(self) -> FloatArray:
        """The settings over the tested range, from 0 to 1."""
        return np.asarray((self.value - self.low) / self.reach)

    @property
    def apart(self) -> bool:
        """Whether no setting was changed together with the other in all tests."""
        basis = np.insert(self.share, 0, 1.0, axis=1)
        return bool(np.linalg.matrix_rank(basis, tol=1e-3) > len(self.settings))

    def grid(self) -> FloatArray:
        """The settings looked at, over the tested range; shape (G, settings)."""
        ends, number = (self.top - self.low) / self.reach, _GRID[len(self.settings)]
        axes = [np.linspace(0.0, end, number) if end > 0 else np.zeros(1) for end in ends]
        grid = np.stack([axis.ravel() for axis in np.meshgrid(*axes, indexing="ij")], axis=1)
        if len(axes) == 1:
            return grid
        from scipy.spatial import Delaunay

        return np.asarray(grid[Delaunay(self.share).find_simplex(grid, tol=1e-9) >= 0])


def _check_products(tests: Sequence[TrayTest], any_product: bool) -> None:
    """One product only, unless told otherwise; where no form names one there is nothing to hold against another."""
    sheets: dict[str, list[str]] = {}
    spelt: dict[str, str] = {}
    for test in tests:
        name = " ".join(product_of(test).split())
        sheets.setdefault(name.casefold(), []).append(test.source or test.name)
        spelt.setdefault(name.casefold(), name)
    if any_product or len(sheets) == 1:
        return
    unnamed = sheets.pop("", [])
    listed = "; ".join(f'"{shown(spelt[key])}" in {", ".join(names)}' for key, names in sheets.items())
    remedy = "give tests of one product, or add --any-product to mix them all the same"
    if len(sheets) > 1:
        raise SheetError(Fault("", f"the tests are of different products: {listed}", remedy))
    remedy = "name the product on its form, or add --any-product to mix them all the same"
    raise SheetError(*(Fault(name, 'the form has no "product" and others do', remedy) for name in unnamed))


def _bout_width(tests: Sequence[TrayTest]) -> float | None:
    """The bout width of the forms, else the width that the setting chart expects; None where no form names one."""
    found = [test.bout_width_m for test in tests if test.bout_width_m is not None]
    found = found or [width for test in tests if (width := test.quantity("expected width")) is not None]
    named = {float(f"{width:.6g}"): width for width in found}
    if len(named) > 1:
        widths = ", ".join(f"{width:g} m" for width in sorted(named))
        raise WidthError(
            Fault("", f"the forms name different bout widths ({widths})", 'say which is wanted: --bout-width "24 m"')
        )
    return next(iter(named.values()), None)


def _places(results: Sequence[Assessment]) -> FloatArray:
    """Evenly spaced places: the trays themselves where all lines are alike, else the stretch that all lines cover."""
    first = results[0].profile
    alike = [common_places(first, one.profile, place=place_of(one.test))[1] for one in results[1:]]
    if all(alike) and first.even and len(first.offset_m) <= _MOST_PLACES:
        return first.offset_m
    low = max(float(result.profile.offset_m[0]) for result in results)
    high = min(float(result.profile.offset_m[-1]) for result in results)
    step = min(result.profile.spacing_m for result in results)
    count = min(round((high - low) / step) + 1, _MOST_PLACES)
    if high <= low or count < 5:
        problem = "the tray lines share no stretch with five trays in it"
        raise SheetError(Fault("", problem, "give tests whose trays cover the same offsets"))
    return np.linspace(low, high, count)


Drawn = tuple[FloatArray, FloatArray]  # a figure at every setting: most likely (G,), and as drawn (draws, G)


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
    fold = Fold(place, np.array([*([] if bout_width_m is None else [bout_width_m]), *widths]), method)
    square = np.maximum(fold.products(likely, likely), 1e-12)  # (G, W)
    mean = fold.of_trays * np.sqrt(square) / likely.sum(axis=1)[:, None]
    factors, added = [], []
    for error in np.split(errors, range(_AT_ONCE, DRAWS, _AT_ONCE)):
        cross = fold.products(likely, error)
        own = fold.products(error, error)
        root = np.sqrt(np.maximum(cross**2 - square * (own - square), 0.0))
        factors.append(np.maximum(root - cross, 0.0) / square)
        added.append(np.sqrt(np.maximum(1.0 + (own - 2.0 * cross) / square, 0.0)))
    cv = mean.T, np.moveaxis(np.concatenate((*factors, *added)) * mean, -1, 0)
    ends = tuple(upper_ends(widths, one[-len(widths) :], limit_pct) for one in cv)
    found = {WIDEST: (ends[0], ends[1])}
    return found if bout_width_m is None else {LOWEST: (cv[0][0], cv[1][0])} | found


def _bands(figure: Drawn, level_pct: float) -> FloatArray:
    """A figure over the settings: most likely, low end, high end; shape (3, G)."""
    mean, drawn = figure
    half = 50.0 * alpha(level_pct)
    low, high = np.percentile(drawn, [half, 100.0 - half], axis=0)
    return np.stack((mean, np.minimum(low, mean), np.maximum(high, mean)))


@record(eq=False)
class _Judge:
    """What an answer is worked out from; `grid` are the settings looked at, `measured` the figures of each test."""

    tested: _Tested
    level_pct: float
    figures: dict[str, Drawn]
    grid: FloatArray
    measured: dict[str, FloatArray]

    def answer(self, goal: str) -> Answer:
        """The best setting for a goal, how sure it is, and what to test next."""
        grid, tested = self.grid, self.tested
        sign = 1.0 if goal == LOWEST else -1.0
        mean, draws = sign * self.figures[goal][0], sign * self.figures[goal][1][:DRAWS]
        at = int(mean.argmin())
        half = 50.0 * alpha(self.level_pct)
        ends = np.percentile(grid[draws.argmin(axis=1)], [half, 100.0 - half], axis=0)
        ends = np.stack((np.minimum(ends[0], grid[at]), np.maximum(ends[1], grid[at])))
        alike = np.percentile(draws - draws[:, [at]], 2 * half, axis=0) <= 0
        alike[at] = True
        stretch = np.stack((grid[alike].min(axis=0), grid[alike].max(axis=0)))
        measured = sign * self.measured[goal]
        first = int(np.where(tested.over | np.isnan(measured), np.inf, measured).argmin())
        near = self._nearest()[first]
        standing, at_highest = self._standing(at, ends)
        at_best = {
            name: _bands((values[[at]], drawn[:, [at]]), self.level_pct)[:, 0].tolist()
            for name, (values, drawn) in self.figures.items()
            if name == LOWEST or values[at]
        }
        cv, *cv_band = at_best.get(LOWEST, [None])
        width, *width_band = at_best.get(WIDEST, [None])
        return Answer(
            goal=goal,
            standing=standing,
            best=tuple((tested.low + grid[at] * tested.reach).tolist()),
            interval=self._pairs(ends),
            alike=self._pairs(stretch),
            cv_pct=cv,
            cv_band_pct=(cv_band[0], cv_band[1]) if cv_band else None,
            width_m=width,
            width_band_m=(width_band[0], width_band[1]) if width_band else None,
            best_tested=first,
            gain=float(max(mean[near] - mean[at], 0.0)),
            probability_pct=float(100.0 * (draws[:, at] < draws[:, near]).mean()) if at != near else 0.0,
            at_highest=at_highest,
            next=self._next(standing, at, mean, draws, alike),
        )

    def _pairs(self, ends: FloatArray) -> tuple[tuple[float, float], ...]:
        """Low and high end of each setting, from shares of the range."""
        values = self.tested.low + ends * self.tested.reach
        return tuple((float(low), float(high)) for low, high in values.T)

    def _nearest(self) -> NDArray[np.intp]:
        """The place of each test on the grid."""
        return np.asarray(((self.tested.share[:, None] - self.grid[None]) ** 2).sum(axis=2).argmin(axis=1))

    def _standing(self, at: int, ends: FloatArray) -> tuple[str, bool]:
        """Clear, unclear, or beyond the range; and whether the highest speed bounds it."""
        top, bounded = self.grid.max(axis=0), self.tested.bounded
        near_low, near_top = self.grid[at] <= _EDGE, self.grid[at] >= top - _EDGE
        at_highest = bool((near_top & bounded).any())
        few = len(self.tested.value) <= len(self.tested.settings) + 1
        if few or (ends[1] - ends[0] > _WIDE * np.maximum(top, 1e-9)).any():
            return UNCLEAR, at_highest
        if (near_low | (near_top & ~bounded)).any():
            return BEYOND, False
        open_end = (ends[0] <= 1e-9) | ((ends[1] >= top - 1e-9) & ~bounded)
        return (UNCLEAR if open_end.any() else CLEAR), at_highest

    def _next(
        self, standing: str, at: int, mean: FloatArray, draws: FloatArray, alike: NDArray[np.bool_]
    ) -> NextTest | None:
        """Beyond an edge, else the setting expected to teach most; None where none is worth it."""
        if standing == CLEAR:
            return None
        if standing == BEYOND:
            return self._beyond(at)
        from scipy.special import ndtri

        candidates = np.flatnonzero(alike)
        spread = draws - draws.mean(axis=0)
        covariance = spread.T @ spread / (len(draws) - 1)
        own = covariance.diagonal()
        noise = float(np.median(own[self._nearest()]))
        normal = ndtri((np.arange(25) + 0.5) / 25)
        shift = covariance[candidates] / np.sqrt(own[candidates] + noise + 1e-12)[:, None]
        learnt = np.array([(mean[None] + normal[:, None] * one[None]).min(axis=1).mean() for one in shift])
        gain = mean.min() - learnt
        least = LIMITS["least gain"].value if mean[at] >= 0 else LIMITS["least gain in width"].value
        if gain.max() < least:
            return None
        tested, steps = self.tested, np.array([one.step for one in self.tested.settings])
        wanted = tested.low + self.grid[candidates[gain.argmax()]] * tested.reach
        near = (np.abs(tested.value - wanted) <= steps / 2).all(axis=1)  # a place that can be set, or was tested
        settable = np.clip(np.round(wanted / steps) * steps, tested.low, tested.top)
        setting = tested.value[near][0] if near.any() else settable
        return NextTest(tuple(setting.tolist()), float(gain.max()), bool(near.any()))

    def _beyond(self, at: int) -> NextTest:
        """One usual step beyond the edge that the best lies at, as far as the granules bear."""
        tested = self.tested
        wanted = tested.low + self.grid[at] * tested.reach
        for number, one in enumerate(tested.settings):
            values = np.unique(tested.value[:, number])
            usual = float(np.diff(values).mean())
            if self.grid[at, number] <= _EDGE:
                wanted[number] = values[0] - usual
                if one.label == SPEED or values[0] > 0:
                    wanted[number] = max(wanted[number], values[0] / 2)
            elif self.grid[at, number] >= 1.0 - _EDGE:
                wanted[number] = values[-1] + usual
            wanted[number] = min(round(wanted[number] / one.step) * one.step, tested.bound[number])
        return NextTest(tuple(wanted.tolist()), None, again=False)
