"""What the passes' own spread explains: tests of a difference between two sets of passes.

1. `figure_evidence`  one figure a pass: Welch's test, or the passes dealt out anew where that is the safer one
2. `arrangements`     every way (or many ways) to deal the passes out to the two tests
3. `smallest_p`, `passes_to_show`  what so few passes can show at all
4. `tray_evidence`    many trays at once, with one chance of error for all of them together
5. `holm`             chances of error of several statements, made good for all of them together

Welch (1947), Biometrika 34: 28-35; Holm (1979), Scand. J. Statist. 6: 65-70; largest difference over all places under
permutation as in Westfall & Young (1993), Resampling-based multiple testing.

Welch's test keeps its promised rate of false alarms only while neither test has more than twice as many passes as the
other: with 2 against 8 passes it raises 9 false alarms in 100 at a level of 95 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.errors import Fault, SpreadcheckError
from spreadcheck.sheet.traytest import FloatArray

BoolArray = NDArray[np.bool_]

MOST_ARRANGEMENTS = 1000
LEVEL_PCT = 95.0
WELCH, PERMUTATION = "Welch", "permutation"
_BALANCED = 2  # times as many passes: past it Welch's test raises too many false alarms
_SAME = 1e-9  # relative: figures closer than this differ by rounding only


@dataclass(frozen=True)
class Evidence:
    """What the passes say of one difference.

    `p` is the chance of a difference as large if nothing had changed, None where no statement is possible (`why_not`
    says why); `smallest_p` is the smallest that these passes can show by being dealt out anew. `low` and `high` are the
    ends of the range of the difference, where there is one.
    """

    test: str
    p: float | None
    smallest_p: float
    level_pct: float
    why_not: str = ""
    low: float | None = None
    high: float | None = None

    @property
    def beyond(self) -> bool | None:
        """Whether the difference is more than the passes' own spread explains; None where nothing can be said."""
        return None if self.p is None else self.p <= alpha(self.level_pct)


def alpha(level_pct: float) -> float:
    """The chance of error that goes with a level.

    Parameters
    ----------
    level_pct : float
        How sure a statement has to be. [%]

    Returns
    -------
    float
        How often it may be made where nothing changed. [-]

    Raises
    ------
    SpreadcheckError
        If the level is not between 50 and 100 %.

    Examples
    --------
    >>> alpha(95)
    0.05
    """
    if not 50 <= level_pct < 100:
        raise SpreadcheckError(
            Fault("level", f"{level_pct:g} % can't be used", "give 50 or more and less than 100, such as 95")
        )
    return round((100 - level_pct) / 100, 12)


def figure_evidence(
    before: ArrayLike, after: ArrayLike, *, level_pct: float = LEVEL_PCT, in_steps: bool = False
) -> Evidence:
    """What the passes say of one figure that every pass has.

    Welch's test where neither test has more than twice as many passes as the other; else, or where all passes of a test
    agree to the last digit, the passes are dealt out anew. Figures that move in steps (effective widths) are dealt out
    anew wherever the passes are enough for it.

    Parameters
    ----------
    before, after : array_like, shape (passes,)
        The figure of every pass of each test; NaN where a pass has none. [any unit]
    level_pct : float
        How sure the statement has to be, and how often the range holds the true difference. [%]
    in_steps : bool
        Whether the figure moves in steps. [-]

    Returns
    -------
    Evidence
        Two-sided chance and, from Welch's test, the range of the mean difference, after less before. [-], [any unit]

    Examples
    --------
    >>> found = figure_evidence([60, 61, 59], [50, 52, 51])
    >>> found.test, round(found.p, 4), round(found.low, 2), round(found.high, 2), found.beyond
    ('Welch', 0.0004, -11.27, -6.73, True)
    >>> figure_evidence([60], [50]).why_not
    'each test has one pass'
    >>> round(figure_evidence([12, 12, 12, 12], [24, 24, 24, 24]).p, 4)
    0.0286
    """
    a, b = np.asarray(before, dtype=float), np.asarray(after, dtype=float)
    a, b = a[np.isfinite(a)], b[np.isfinite(b)]
    reachable = min(len(a), len(b)) > 0 and smallest_p(len(a), len(b)) <= alpha(level_pct)
    spread = min(len(a), len(b)) > 1 and _differ(a, b)
    fewest = 3 if in_steps else 2
    if spread and balanced(len(a), len(b), fewest=fewest) and not (in_steps and reachable):
        return _by_welch(a, b, level_pct)
    if reachable:
        return _by_dealing(a, b, level_pct)
    least = smallest_p(len(a), len(b)) if min(len(a), len(b)) else 1.0
    same = not spread and balanced(len(a), len(b), fewest=fewest)
    why = "the passes of each test agree to the last digit" if same else _too_few(len(a), len(b), level_pct)
    return Evidence("", None, least, level_pct, why)


def balanced(before: int, after: int, *, fewest: int = 2) -> bool:
    """Whether Welch's test keeps its promise with so many passes.

    Parameters
    ----------
    before, after : int
        How many passes each test has. [-]
    fewest : int
        The fewest that each must have. [-]

    Returns
    -------
    bool
        True where neither has more than twice as many as the other. [-]

    Examples
    --------
    >>> balanced(3, 6), balanced(2, 5), balanced(1, 2)
    (True, False, False)
    """
    return min(before, after) >= fewest and max(before, after) <= _BALANCED * min(before, after)


def _differ(a: FloatArray, b: FloatArray) -> bool:
    """Whether the passes of either test differ by more than rounding."""
    size = _SAME * float(np.abs(np.concatenate((a, b))).max())
    return bool(np.ptp(a) > size or np.ptp(b) > size)


def _by_welch(a: FloatArray, b: FloatArray, level_pct: float) -> Evidence:
    from scipy.stats import t

    gap, error, p, freedom = _welch(a[:, None], b[:, None])
    reach = float(t.ppf(1 - alpha(level_pct) / 2, freedom[0]) * error[0])
    return Evidence(WELCH, float(p[0]), 0.0, level_pct, low=float(gap[0]) - reach, high=float(gap[0]) + reach)


def _by_dealing(a: FloatArray, b: FloatArray, level_pct: float) -> Evidence:
    gaps = mean_differences(arrangements(len(a), len(b)), np.concatenate((a, b))[:, None])[:, 0]
    p = float(_share_as_large(np.abs(gaps), np.abs(gaps[:1]))[0])
    return Evidence(PERMUTATION, p, smallest_p(len(a), len(b)), level_pct)


def _welch(before: FloatArray, after: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Mean difference, its standard error, two-sided chance and degrees of freedom, for each column of figures."""
    from scipy.stats import t

    parts = [rows.var(axis=0, ddof=1) / len(rows) for rows in (before, after)]
    both = parts[0] + parts[1]
    freedom = both**2 / (parts[0] ** 2 / (len(before) - 1) + parts[1] ** 2 / (len(after) - 1))
    gap, error = after.mean(axis=0) - before.mean(axis=0), np.sqrt(both)
    return gap, error, np.asarray(2 * t.sf(np.abs(gap) / error, freedom)), freedom


def _too_few(before: int, after: int, level_pct: float) -> str:
    """Why passes of these numbers can't show a difference."""
    if before == 1 and after == 1:
        return "each test has one pass"
    if min(before, after) == 0:
        return "no single pass of one test has this figure"
    needed, least = passes_to_show(level_pct), smallest_p(before, after)
    return f"{before} and {after} passes can't show it (p at best {least:.2g}); {needed} and {needed} can"


def arrangements(before: int, after: int, *, most: int = MOST_ARRANGEMENTS) -> BoolArray:
    """The ways to deal passes out to two tests: all of them, or many drawn at random.

    Parameters
    ----------
    before, after : int
        How many passes each test has. [-]
    most : int
        All are listed up to this many; past it one less than this many are drawn, always the same ones. [-]

    Returns
    -------
    ndarray of bool, shape (arrangements, passes)
        True where a pass is dealt to the test after; the first row is how it really was. [-]

    Examples
    --------
    >>> arrangements(1, 2).astype(int)
    array([[0, 1, 1],
           [1, 0, 1],
           [1, 1, 0]])
    """
    total = before + after
    real = np.arange(total) >= before
    if comb(total, after) <= most:
        dealt = np.zeros((comb(total, after), total), dtype=bool)
        for row, chosen in zip(dealt, combinations(range(total - 1, -1, -1), after), strict=True):
            row[list(chosen)] = True
        return dealt
    drawn = np.random.default_rng(1).permuted(np.tile(real, (most - 1, 1)), axis=1)
    return np.vstack((real, drawn))


def smallest_p(before: int, after: int, *, most: int = MOST_ARRANGEMENTS) -> float:
    """The smallest chance that a permutation test of these passes can show, whatever the difference.

    Parameters
    ----------
    before, after : int
        How many passes each test has. [-]
    most : int
        The largest number of arrangements looked at. [-]

    Returns
    -------
    float
        1 over the number of arrangements; twice that where both tests have as many passes, since swapping the tests
        gives the same difference. [-]

    Examples
    --------
    >>> smallest_p(3, 3), round(smallest_p(4, 4), 4), smallest_p(1, 1)
    (0.1, 0.0286, 1.0)
    """
    count = comb(before + after, after)
    return 1 / most if count > most else (2 if before == after else 1) / count


def passes_to_show(level_pct: float = LEVEL_PCT) -> int:
    """How many passes each test needs so that a permutation test can show a difference at all.

    Parameters
    ----------
    level_pct : float
        How sure the statement has to be. [%]

    Returns
    -------
    int
        Passes a test. [-]

    Examples
    --------
    >>> passes_to_show(95), passes_to_show(99)
    (4, 5)
    """
    return next(count for count in range(2, 60) if 2 / comb(2 * count, count) <= alpha(level_pct))


def _share_as_large(sizes: FloatArray, wanted: FloatArray) -> FloatArray:
    """The share of arrangements whose size is at least each one wanted."""
    margin = _SAME * float(np.abs(sizes).max())
    ordered = np.sort(sizes)
    return np.asarray((len(ordered) - np.searchsorted(ordered, wanted - margin)) / len(ordered))


def holm(p: ArrayLike) -> FloatArray:
    """Chances of error of several statements, made good for all of them together (Holm's rule).

    Parameters
    ----------
    p : array_like, shape (statements,)
        The chance of each on its own; NaN counts as 1. [-]

    Returns
    -------
    ndarray, shape (statements,)
        The chance of any wrong statement if all those up to this one are made. [-]

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03])
    array([0.03, 0.06, 0.06])
    """
    alone = np.nan_to_num(np.asarray(p, dtype=float), nan=1.0)
    order = np.argsort(alone, kind="stable")
    stepped = np.maximum.accumulate(alone[order] * np.arange(len(alone), 0, -1))
    together = np.empty(len(alone))
    together[order] = np.minimum(stepped, 1.0)
    return together


@dataclass(frozen=True, eq=False)
class TrayEvidence:
    """What the passes say of the differences at many trays, under one chance of error for all of them together.

    `p` has an entry a tray; the whole profile's evidence is in `overall`.
    """

    rule: str
    p: FloatArray
    overall: Evidence

    @property
    def beyond(self) -> BoolArray:
        """Which trays differ by more than the passes' own spread explains."""
        return np.asarray(self.p <= alpha(self.overall.level_pct))


def tray_evidence(before: FloatArray, after: FloatArray, *, level_pct: float = LEVEL_PCT) -> TrayEvidence:
    """At which trays two tests differ by more than the passes' own spread explains.

    With passes enough, the largest difference over all trays is held against the largest one of every other
    arrangement of the passes. Each tray's difference is measured in the square root of the rate there (catches scatter
    so by chance), at least that of a tenth of the peak. With fewer passes each tray has its own Welch test, and Holm's
    rule over all trays. Which of the two is used depends on the number of passes only.

    Parameters
    ----------
    before, after : ndarray, shape (passes, trays)
        Rates of every pass at the same places. [kg/ha]
    level_pct : float
        How sure the statement has to be, for all trays together. [%]

    Returns
    -------
    TrayEvidence
        A chance a tray, good for all of them together. [-]

    Examples
    --------
    >>> rates = np.array([[10.0, 20, 30], [11, 20, 31], [10, 21, 29], [10, 20, 30]])
    >>> found = tray_evidence(rates, rates[:, ::-1])
    >>> found.rule, found.beyond
    ('largest difference under permutation', array([ True, False,  True]))
    """
    counts = len(before), len(after)
    if min(counts) and smallest_p(*counts) <= alpha(level_pct):
        return _largest_difference(before, after, level_pct)
    if balanced(*counts):
        return _welch_by_tray(before, after, level_pct)
    least = smallest_p(*counts) if min(counts) else 1.0
    overall = Evidence("", None, least, level_pct, _too_few(*counts, level_pct))
    return TrayEvidence("none", np.ones(before.shape[1]), overall)


def _largest_difference(before: FloatArray, after: FloatArray, level_pct: float) -> TrayEvidence:
    rates = np.concatenate((before, after))
    mean = rates.mean(axis=0)
    scale = np.sqrt(np.maximum(mean, 0.1 * mean.max()))
    gaps = mean_differences(arrangements(len(before), len(after)), rates / scale)
    p = _share_as_large(np.abs(gaps).max(axis=1), np.abs(gaps[0]))
    overall = Evidence(PERMUTATION, float(p.min()), smallest_p(len(before), len(after)), level_pct)
    return TrayEvidence("largest difference under permutation", p, overall)


def mean_differences(dealt: BoolArray, rates: FloatArray) -> FloatArray:
    """Mean of the passes dealt to the test after, less that of those dealt to the test before, for each arrangement.

    Parameters
    ----------
    dealt : ndarray of bool, shape (arrangements, passes)
        True where a pass is dealt to the test after. [-]
    rates : ndarray, shape (passes, trays)
        Rates of every pass. [kg/ha]

    Returns
    -------
    ndarray, shape (arrangements, trays)
        The differences. [kg/ha]

    Examples
    --------
    >>> mean_differences(arrangements(1, 1), np.array([[1.0, 2.0], [4.0, 2.0]]))
    array([[ 3.,  0.],
           [-3.,  0.]])
    """
    after = dealt / dealt.sum(axis=1, keepdims=True)
    before = ~dealt / (~dealt).sum(axis=1, keepdims=True)
    return np.asarray((after - before) @ rates)


def _welch_by_tray(before: FloatArray, after: FloatArray, level_pct: float) -> TrayEvidence:
    """Trays at which all passes agree to the last digit have no spread and are not judged."""
    size = _SAME * max(float(before.max()), float(after.max()))
    judged = (before.std(axis=0) > size) | (after.std(axis=0) > size)
    p = np.ones(before.shape[1])
    if judged.any():
        p[judged] = _welch(before[:, judged], after[:, judged])[2]
    p = holm(p)
    why = "" if judged.any() else "the passes of each test agree to the last digit"
    overall = Evidence(WELCH, None if why else float(p.min()), 0.0, level_pct, why)
    return TrayEvidence("Welch at each tray, Holm over all of them", p, overall)
