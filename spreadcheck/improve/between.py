"""What differs from test to test though nothing was changed: laying, wind, rate and stretch; and tests of a difference.

Passes of one test share its line of trays and its weather, so their own spread is too small a measure for two tests.
Welch (1947), Biometrika 34: 28-35, with a known variance between tests added; Holm (1979), Scand. J. Statist. 6: 65-70.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.errors import Fault, QuantityError, SpreadcheckError, record
from spreadcheck.limits import LIMITS
from spreadcheck.sheet.traytest import FloatArray

Between = tuple[float, float]  # standard deviation of a figure from test to test, and the freedom behind it
_MOVED = 60  # profiles that stand for what may differ
_STATED_WEIGHT = 4.0  # freedom that the stated terms are worth beside repeats
_FLOOR = 0.10  # of the peak: the noise of a tray is never taken to be that of a smaller rate


@record
class Terms:
    """How far tests differ though nothing was changed, as standard deviations."""

    laying_m: float = LIMITS["laying error"].value
    wind_m: float = LIMITS["wind of the day"].value
    rate_pct: float = LIMITS["rate between tests"].value
    stretch_pct: float = LIMITS["stretch between tests"].value

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not 0 <= value < 100:
                problem = f"{value:g} can't be how far tests differ"
                raise QuantityError(Fault(name.rpartition("_")[0], problem, "give 0 or more, and less than 100"))

    def moved(self, place_m: FloatArray, rates: FloatArray) -> FloatArray:
        """The profile as other tests of the same machine may show it, shape (60, places)."""
        draws = np.random.default_rng(1).standard_normal((_MOVED, 3))
        shift, rate, stretch = ((draws - draws.mean(axis=0)) / draws.std(axis=0)).T[:, :, None]
        knots = np.concatenate(([2 * place_m[0] - place_m[1]], place_m, [2 * place_m[-1] - place_m[-2]]))
        at = (place_m - np.hypot(self.laying_m, self.wind_m) * shift) / (1 + self.stretch_pct / 100 * stretch)
        found = np.interp(at, knots, np.pad(rates, 1), 0, 0) * np.maximum(1 + self.rate_pct / 100 * rate, 0.1)
        # a line so short that the pattern moves off it stays as it was
        return np.where(found.any(axis=1, keepdims=True), found, rates)


@record
class Evidence:
    """What can be said of one difference.

    `p` is the chance of a difference as large if nothing had changed, None where one pass shows no spread. `low` and
    `high` are the ends of the range of the difference, where there is one.
    """

    p: float | None
    level_pct: float
    low: float | None = None
    high: float | None = None

    @property
    def beyond(self) -> bool | None:
        """Whether the difference is more than chance explains; None where nothing can be said."""
        return None if self.p is None else self.p <= alpha(self.level_pct)


@record(eq=False)
class TrayEvidence:
    """The differences at many trays under one chance of error for all together (Bonferroni), and that of the whole."""

    p: FloatArray
    overall: Evidence

    @property
    def beyond(self) -> NDArray[np.bool_]:
        """Which trays differ by more than chance explains."""
        return np.asarray(self.p <= alpha(self.overall.level_pct))


def alpha(level_pct: float) -> float:
    """The chance of error that goes with a level."""
    if not 50 <= level_pct < 100:
        raise SpreadcheckError(
            Fault("level", f"{level_pct:g} % can't be used", "give 50 or more and less than 100, such as 95")
        )
    return round((100 - level_pct) / 100, 12)


def between_sd(moved: FloatArray, learned: Sequence[FloatArray] = ()) -> Between:
    """How far a figure differs from test to test: as stated, or learned from repeats beside that."""
    known = [values[~np.isnan(values)] for values in (moved, *learned)]
    stated, *squares = (float(values.var() * len(values)) if len(values) > 1 else 0.0 for values in known)
    freedom, *learnt = (max(len(values) - 1.0, 0.0) for values in known)
    total = _STATED_WEIGHT + sum(learnt)
    variance = (_STATED_WEIGHT * stated / max(freedom, 1.0) + sum(squares)) / total
    return float(np.sqrt(variance)), total if sum(learnt) else float("inf")


def difference_evidence(
    before: ArrayLike, after: ArrayLike, between: Sequence[Between], *, level_pct: float
) -> Evidence:
    """One figure of every pass of two tests, judged by the spread of passes and of tests.

    >>> alone = difference_evidence([1, 2, 3], [4, 5, 6], (), level_pct=95)
    >>> round(alone.p, 4), round(alone.low, 2)  # Welch's test of the passes alone
    (0.0213, 0.73)
    >>> round(difference_evidence([1, 2, 3], [4, 5, 6], [(1.0, np.inf)] * 2, level_pct=95).p, 3)
    0.071
    """
    from scipy.special import stdtr, stdtrit

    a, b = (np.asarray(side, dtype=float) for side in (before, after))
    a, b = a[~np.isnan(a)], b[~np.isnan(b)]
    if len(a) < 2 or len(b) < 2:
        return Evidence(None, level_pct)
    gap = float(b.mean() - a.mean())
    parts = [(side.var(ddof=1) / len(side), len(side) - 1.0) for side in (a, b)]
    parts += [(sd**2, freedom) for sd, freedom in between]
    variance = float(sum(part for part, _ in parts))
    scale = max(abs(float(a.mean())), abs(float(b.mean())), 1e-12)
    if variance <= (1e-9 * scale) ** 2:
        same = abs(gap) <= 1e-9 * scale
        return Evidence(1.0 if same else 0.0, level_pct, low=gap, high=gap)
    lost = sum(part**2 / free for part, free in parts)  # nothing where the freedom is infinite
    freedom = min(variance**2 / lost if lost > 0 else 1e6, 1e6)
    error = np.sqrt(variance)
    p = float(2 * stdtr(freedom, -abs(gap) / error))
    reach = float(stdtrit(freedom, 1 - alpha(level_pct) / 2) * error)
    return Evidence(p, level_pct, low=gap - reach, high=gap + reach)


def profile_evidence(
    place_m: FloatArray,
    passes: Sequence[FloatArray],
    means: Sequence[FloatArray],
    terms: Terms,
    *,
    level_pct: float,
) -> TrayEvidence:
    """All trays at once, less what rate, shift, stretch and blur explain; good for all together (Bonferroni).

    `passes` (passes, trays) and `means` (trays,) are the rates of both tests on one scale. [kg/ha]
    """
    from scipy.special import stdtr

    trays = len(place_m)
    if min(map(len, passes)) < 2:
        return TrayEvidence(np.ones(trays), Evidence(None, level_pct))
    mean = (means[0] + means[1]) / 2
    padded = np.pad(mean, 1, mode="edge")
    smooth = (padded[:-2] + 2 * padded[1:-1] + padded[2:]) / 4
    slope = np.gradient(smooth, place_m)
    basis = np.stack((smooth, slope, place_m * slope, np.gradient(slope, place_m)), axis=1)
    basis /= np.maximum(np.abs(basis).max(axis=0), 1e-12)
    left = np.eye(trays) - basis @ np.linalg.pinv(basis)
    rate = np.maximum(mean, _FLOOR * mean.max())
    variance, freedom = np.zeros(trays), 0.0
    for side, rates in zip(passes, means, strict=True):
        scaled = side * (side.sum() / len(side) / side.sum(axis=1, keepdims=True))
        square = scaled.var(axis=0, ddof=1)
        common = square.sum() / rate.sum() * rate  # in proportion to the rate, as counting makes it
        own = len(side) - 1.0
        pooled = (own * square + 4.0 * common) / (own + 4.0)
        variance += np.maximum(pooled, 0.5 * common) / len(side) + (terms.moved(place_m, rates) @ left).var(axis=0)
        freedom += own + 4.0
    error = np.sqrt(variance + (1e-9 * mean.max()) ** 2)
    p = np.minimum(2 * stdtr(freedom, -np.abs(left @ (means[1] - means[0])) / error) * trays, 1.0)
    p[(means[0] <= 0) & (means[1] <= 0)] = 1.0  # what a shift can't follow at the rim is no difference of empty trays
    return TrayEvidence(p, Evidence(float(p.min()), level_pct))
