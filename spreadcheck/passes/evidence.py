"""What the passes' own spread explains: tests of a difference between two sets of passes.

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
    """The chance of error that goes with a level."""
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
    """Whether Welch's test keeps its promise with so many passes."""
    return min(before, after) >= fewest and max(before, after) <= _BALANCED * min(before, after)


def _differ(a: FloatArray, b: FloatArray) -> bool:
    """Whether the passes of either test differ by more than rounding."""
    size = _SAME * float(np.abs(np.concatenate((a, b))).max())
    return bool(np.ptp(a) > size or np.ptp(b) > size)


def _by_welch(a: FloatArray, b: FloatArray, level_pct: float) -> Evidence:
    from scipy.special import stdtrit

    gap, error, p, freedom = _welch(a[:, None], b[:, None])
    reach = float(stdtrit(freedom[0], 1 - alpha(level_pct) / 2) * error[0])
    return Evidence(WELCH, float(p[0]), 0.0, level_pct, low=float(gap[0]) - reach, high=float(gap[0]) + reach)


def _by_dealing(a: FloatArray, b: FloatArray, level_pct: float) -> Evidence:
    gaps = mean_differences(arrangements(len(a), len(b)), np.concatenate((a, b))[:, None])[:, 0]
    p = float(_share_as_large(np.abs(gaps), np.abs(gaps[:1]))[0])
    return Evidence(PERMUTATION, p, smallest_p(len(a), len(b)), level_pct)


def _welch(before: FloatArray, after: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Mean difference, its standard error, two-sided chance and degrees of freedom, for each column of figures."""
    from scipy.special import stdtr

    parts = [rows.var(axis=0, ddof=1) / len(rows) for rows in (before, after)]
    both = parts[0] + parts[1]
    freedom = both**2 / (parts[0] ** 2 / (len(before) - 1) + parts[1] ** 2 / (len(after) - 1))
    gap, error = after.mean(axis=0) - before.mean(axis=0), np.sqrt(both)
    return gap, error, np.asarray(2 * stdtr(freedom, -np.abs(gap) / error)), freedom


def _too_few(before: int, after: int, level_pct: float) -> str:
    """Why passes of these numbers can't show a difference."""
    if before == 1 and after == 1:
        return "each test has one pass"
    if min(before, after) == 0:
        return "no single pass of one test has this figure"
    needed, least = passes_to_show(level_pct), smallest_p(before, after)
    return f"{before} and {after} passes can't show it (p at best {least:.2g}); {needed} and {needed} can"


def arrangements(before: int, after: int, *, most: int = MOST_ARRANGEMENTS) -> BoolArray:
    """The ways to deal passes out to two tests: all of them, or many drawn at random."""
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
    """The smallest chance that a permutation test of these passes can show, whatever the difference."""
    count = comb(before + after, after)
    return 1 / most if count > most else (2 if before == after else 1) / count


def passes_to_show(level_pct: float = LEVEL_PCT) -> int:
    """How many passes each test needs so that a permutation test can show a difference at all."""
    return next(count for count in range(2, 60) if 2 / comb(2 * count, count) <= alpha(level_pct))


def _share_as_large(sizes: FloatArray, wanted: FloatArray) -> FloatArray:
    """The share of arrangements whose size is at least each one wanted."""
    margin = _SAME * float(np.abs(sizes).max())
    ordered = np.sort(sizes)
    return np.asarray((len(ordered) - np.searchsorted(ordered, wanted - margin)) / len(ordered))


def holm(p: ArrayLike) -> FloatArray:
    """Holm-adjusted p-values of several statements."""
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
    """Mean of the passes dealt to the test after, less that of those dealt to the test before, for each arrangement."""
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
