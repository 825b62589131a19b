"""The best spinner speed from tests of one product at several speeds.

1. `tune`         the tests assessed; CV at the wanted bout width and effective width against speed
2. `Tuning`       all of it
3. `SpeedAnswer`  for one figure: the curve, the best speed, how sure it is, and which test to run next

Never beyond the tested range: a best speed at its edge is said to be at the edge, and the next test goes beyond it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from spreadcheck.errors import Fault, SheetError, SpreadcheckError, WidthError, shown
from spreadcheck.improve.passfigures import check_different, setting_changes
from spreadcheck.improve.speedcurve import NONE, SpeedCurve, best_speeds, fit_curve
from spreadcheck.judge.assessment import Assessment, assess
from spreadcheck.limits import CV_LIMIT_PCT
from spreadcheck.passes.evidence import LEVEL_PCT, alpha
from spreadcheck.sheet.labels import BACK_AND_FORTH, METHODS
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import TAPER

CLEAR, EDGE, AT_HIGHEST, UNCLEAR, MISFIT, NO_CURVE = (
    "clear", "edge", "at the highest speed", "unclear", "misfit", "no curve",
)  # fmt: skip
_WIDE = 0.5  # of the range: a stretch of possible best speeds wider than this leaves it open
_GAP = 0.2  # of the range: a gap between tested speeds smaller than this is not worth halving


@dataclass(frozen=True, eq=False)
class SpeedAnswer:
    """What the tests say of the best speed for one figure ("CV" or "effective width").

    `value` is that of the curve at `best_rpm` with its band, or of the best test where there is no curve to trust.
    `stretch_rpm` are the speeds that can't be told from the best; `next_rpm` is where the next test helps most, None
    where none is needed.
    """

    code: str
    curve: SpeedCurve
    standing: str
    best_rpm: float
    value: float
    band: tuple[float, float] | None
    best_tested_rpm: float
    best_tested: float
    stretch_rpm: tuple[float, float] | None
    next_rpm: float | None
    without: tuple[str, ...]  # tests that don't have this figure


@dataclass(frozen=True, eq=False)
class Tuning:
    """Tests at several spinner speeds, in order of speed, and the best speed for each figure.

    `allowed_rpm` is the stretch within which a best speed is looked for: what was tested, up to the highest speed that
    the granules bear.
    """

    results: tuple[Assessment, ...]
    speed_rpm: FloatArray
    allowed_rpm: tuple[float, float]
    highest_rpm: float | None
    method: str
    method_stated: bool
    bout_width_m: float | None
    limit_pct: float
    level_pct: float
    products: tuple[str, ...]
    cv: SpeedAnswer | None
    width: SpeedAnswer | None
    other_settings: tuple[tuple[str, tuple[str, ...]], ...]

    @property
    def main(self) -> SpeedAnswer | None:
        """The answer that counts: CV at the wanted bout width, or the effective width where none is wanted."""
        return self.cv or self.width

    @property
    def cut_short(self) -> tuple[str, ...]:
        """Tests whose effective width is as wide as the tray line, so that the true one may be wider."""
        return tuple(result.test.name for result in self.results if result.censored(self.method))


def tune(
    tests: Sequence[TrayTest],
    *,
    bout_width_m: float | None = None,
    highest_rpm: float | None = None,
    driving: str | None = None,
    limit_pct: float = CV_LIMIT_PCT,
    level_pct: float = LEVEL_PCT,
    any_product: bool = False,
    relative: bool = False,
) -> Tuning:
    """The best spinner speed from tests of one product at several speeds.

    Parameters
    ----------
    tests : sequence of TrayTest
        The tests; each form gives its spinner speed. [-]
    bout_width_m : float, optional
        The bout width wanted; that of the forms if not said, where they agree. [m]
    highest_rpm : float, optional
        The highest speed that the crush strength of the granules allows. [rpm]
    driving : str, optional
        "back-and-forth" or "round-and-round"; that of the forms if not said, where they agree, else back-and-forth. [-]
    limit_pct : float
        CV limit for the effective width. [%]
    level_pct : float
        How often bands and stretches hold the truth. [%]
    any_product : bool
        Whether tests of different products, or of none stated, are mixed all the same. [-]
    relative : bool
        Whether rates in proportion are enough where catches are in ml and no bulk density is given. [-]

    Returns
    -------
    Tuning
        The result. [rpm, m, %]

    Raises
    ------
    SheetError
        If a form has no spinner speed, products differ, or a test is given twice.
    SpreadcheckError
        If there are fewer than two tests or speeds, or the highest speed lies below all of them.
    WidthError
        If the forms name different bout widths and none was given.

    Examples
    --------
    >>> from glob import glob
    >>> from spreadcheck import read_sheet
    >>> found = tune([read_sheet(sheet) for sheet in glob("sample_trays/speed_series/*.csv")])
    >>> len(found.results), found.cv.curve.kind, found.cv.standing
    (6, 'quadratic', 'clear')
    """
    alpha(level_pct)
    if driving is not None and driving not in METHODS:
        raise SpreadcheckError(Fault("driving", f'"{shown(driving)}"', f"use one of {', '.join(METHODS)}"))
    if len(tests) < 2:
        raise SpreadcheckError(Fault("", "one test says nothing about speed", "give tests at two speeds or more"))
    check_different(tests)
    speeds = _speeds(tests)
    _check_products(tests, any_product)
    order = np.argsort(speeds, kind="stable")
    tests, speeds = [tests[at] for at in order], speeds[order]
    allowed = _allowed(speeds, highest_rpm)
    stated = {test.text("driving") for test in tests}
    agreed = next(iter(stated)) if len(stated) == 1 else ""
    method = driving or agreed or BACK_AND_FORTH
    bout = _bout_width(tests) if bout_width_m is None else bout_width_m
    results = tuple(
        assess(test, limit_pct=limit_pct, bout_width_m=bout, relative=relative, tails=TAPER) for test in tests
    )
    cvs = [result.bouts[method].cv_trays_pct if bout is not None else np.nan for result in results]
    widths = [np.nan if (w := result.effective_width_m(method)) is None else w for result in results]
    step = max(result.profile.spacing_m for result in results)
    return Tuning(
        results=results,
        speed_rpm=speeds,
        allowed_rpm=allowed,
        highest_rpm=highest_rpm,
        method=method,
        method_stated=bool(driving or agreed),
        bout_width_m=bout,
        limit_pct=limit_pct,
        level_pct=level_pct,
        products=tuple(dict.fromkeys(test.text("product") or "not stated" for test in tests)),
        cv=_answer("CV", results, speeds, np.array(cvs), allowed, highest_rpm, level_pct, step=0.0),
        width=_answer("effective width", results, speeds, np.array(widths), allowed, highest_rpm, level_pct, step=step),
        other_settings=tuple(one for one in setting_changes(tests) if one[0] != "spinner speed"),
    )


def _speeds(tests: Sequence[TrayTest]) -> FloatArray:
    """The spinner speeds; forms without one are named, all at once."""
    speeds = [test.quantity("spinner speed") for test in tests]
    faults = [
        Fault(test.source or test.name, 'the form has no "spinner speed"', "add a row such as spinner speed, 800, rpm")
        for test, speed in zip(tests, speeds, strict=True)
        if speed is None
    ]
    if faults:
        raise SheetError(*faults)
    known = np.array([speed for speed in speeds if speed is not None])
    if len(np.unique(known)) < 2:
        problem = f"all tests are at {known[0]:g} rpm"
        raise SpreadcheckError(Fault("", problem, "give tests at two speeds or more"))
    return known


def _check_products(tests: Sequence[TrayTest], any_product: bool) -> None:
    """One product only, unless told otherwise; where no form names one there is nothing to hold against another."""
    sheets: dict[str, list[str]] = {}
    spelt: dict[str, str] = {}
    for test in tests:
        name = " ".join(test.text("product").split())
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


def _allowed(speeds: FloatArray, highest_rpm: float | None) -> tuple[float, float]:
    """Where a best speed is looked for: within what was tested, and not above the highest speed."""
    low, high = float(speeds.min()), float(speeds.max())
    if highest_rpm is None:
        return low, high
    if not highest_rpm >= low:
        raise SpreadcheckError(
            Fault(
                "highest speed",
                f"{highest_rpm:g} rpm lies below every speed tested (from {low:g} rpm)",
                "run tests at speeds that the granules bear",
            )
        )
    return low, min(high, highest_rpm)


def _bout_width(tests: Sequence[TrayTest]) -> float | None:
    """The bout width of the forms; None where no form names one."""
    named = {float(f"{test.bout_width_m:.6g}"): test.bout_width_m for test in tests if test.bout_width_m is not None}
    if len(named) > 1:
        widths = ", ".join(f"{width:g} m" for width in sorted(named))
        raise WidthError(
            Fault("", f"the forms name different bout widths ({widths})", 'say which is wanted: --bout-width "24 m"')
        )
    return next(iter(named.values()), None)


def _answer(
    code: str,
    results: tuple[Assessment, ...],
    speeds: FloatArray,
    values: FloatArray,
    allowed: tuple[float, float],
    highest_rpm: float | None,
    level_pct: float,
    *,
    step: float,
) -> SpeedAnswer | None:
    """The best speed for one figure; None where no test at an allowed speed has it."""
    known = ~np.isnan(values)
    inside = known & (speeds <= allowed[1])
    if not inside.any():
        return None
    smallest = code == "CV"
    tested = float(speeds[inside][np.argmin(values[inside] if smallest else -values[inside])])
    best_tested = float(values[inside].min() if smallest else values[inside].max())
    curve = fit_curve(speeds[known], values[known], step=step, level_pct=level_pct)
    ends = max(allowed[0], float(speeds[known].min())), min(allowed[1], float(speeds[known].max()))
    best, value, band, stretch = tested, best_tested, None, None
    if curve.kind != NONE and not curve.misses:
        best, stretch = best_speeds(curve, *ends, smallest=smallest)
        fitted, half = (float(one[0]) for one in curve.at(best))
        value, band = fitted, (fitted - half, fitted + half)
    standing = _standing(curve, best, stretch, ends, highest_rpm)
    return SpeedAnswer(
        code=code,
        curve=curve,
        standing=standing,
        best_rpm=best,
        value=value,
        band=band,
        best_tested_rpm=tested,
        best_tested=best_tested,
        stretch_rpm=stretch,
        next_rpm=_next_test(standing, best, stretch, speeds, ends if standing == EDGE else allowed, highest_rpm),
        without=tuple(result.test.name for result, there in zip(results, known, strict=True) if not there),
    )


def _standing(
    curve: SpeedCurve,
    best: float,
    stretch: tuple[float, float] | None,
    ends: tuple[float, float],
    highest_rpm: float | None,
) -> str:
    """How the best speed stands: clear, at an edge, at the highest speed, unclear, or without a curve to trust."""
    if curve.kind == NONE:
        return NO_CURVE
    if stretch is None:
        return MISFIT
    wide = stretch[1] - stretch[0] > _WIDE * (ends[1] - ends[0])
    if wide:
        return UNCLEAR
    if best in ends:
        return AT_HIGHEST if best == highest_rpm else EDGE
    return CLEAR


def _next_test(
    standing: str,
    best: float,
    stretch: tuple[float, float] | None,
    speeds: FloatArray,
    ends: tuple[float, float],
    highest_rpm: float | None,
) -> float | None:
    """Where the next test helps most. [rpm]

    Beyond an edge by the usual step, as far as the granules bear; in the middle of the widest untested gap among speeds
    that may be the best; where no such gap is left, once more at the tested speed next to the best.
    """
    if standing in (CLEAR, AT_HIGHEST):
        return None
    tested = np.unique(speeds)
    if standing == EDGE:
        usual = float(np.diff(tested).mean())
        beyond = best + usual if best == ends[1] else max(best - usual, best / 2)
        beyond = min(_to_ten(beyond), highest_rpm or np.inf)
        return beyond if beyond != best else None
    gaps = [(a, min(b, ends[1])) for a, b in pairwise(tested.tolist()) if a < ends[1]]
    if stretch is not None:
        gaps = [gap for gap in gaps if gap[1] > stretch[0] and gap[0] < stretch[1]]
    else:  # without a curve to trust, look beside the best test
        gaps = [gap for gap in gaps if best in gap] or gaps
    low, high = max(gaps, key=lambda gap: (gap[1] - gap[0], -abs(gap[0] + gap[1] - 2 * best)), default=(best, best))
    if high - low > _GAP * (ends[1] - ends[0]):
        return min(_to_ten((low + high) / 2), ends[1])
    inside = tested[tested <= ends[1]]
    return float(inside[np.abs(inside - best).argmin()])


def _to_ten(speed_rpm: float) -> float:
    """A speed that can be set: to 10 rpm. [rpm]"""
    return round(speed_rpm / 10) * 10.0
