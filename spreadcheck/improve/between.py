"""What differs from test to test though nothing was changed: laying, wind, rate and stretch; and tests of a difference.

Passes of one test share its line of trays and its weather, so their own spread is too small a measure for two tests.
Welch (1947), Biometrika 34: 28-35, with a known variance between tests added; Holm (1979), Scand. J. Statist. 6: 65-70.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import Fault, QuantityError
from spreadcheck.limits import LIMITS
from spreadcheck.passes.evidence import Evidence, TrayEvidence, alpha
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.profile import Profile

_TOO_FEW = "one pass shows no spread"
_MOVED = 60  # profiles that stand for what may differ
_STATED_WEIGHT = 3.0  # freedom that the stated terms are worth beside repeats
_FLOOR = 0.10  # of the peak: the noise of a tray is never taken to be that of a smaller rate

Figures = Callable[[Profile], dict[tuple[str, str], float | None]]


@dataclass(frozen=True)
class Terms:
    """How far tests differ though nothing was changed, as standard deviations."""

    laying_m: float = LIMITS["laying error"].value
    wind_m: float = LIMITS["wind of the day"].value
    rate_pct: float = LIMITS["rate between tests"].value
    stretch_pct: float = LIMITS["stretch between tests"].value

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            if not 0 <= value < 100:
                problem = f"{value:g} can't be a standard deviation from test to test"
                raise QuantityError(Fault(name.replace("_", " "), problem, "give 0 or more"))

    @property
    def shift_m(self) -> float:
        """Laying and wind together. [m]"""
        return float(np.hypot(self.laying_m, self.wind_m))

    def moved(self, profile: Profile) -> list[Profile]:
        """Profiles as other tests of the same machine may show them."""
        draws = np.random.default_rng(1).standard_normal((_MOVED, 3))
        draws = (draws - draws.mean(axis=0)) / draws.std(axis=0)
        x = profile.offset_m
        found = []
        for shift, rate, stretch in draws:
            place = (x - self.shift_m * shift) / (1 + self.stretch_pct / 100 * stretch)
            rates = np.interp(place, *profile.knots, 0, 0) * max(1 + self.rate_pct / 100 * rate, 0.1)
            # a line so short that the pattern moves off it stays as it was
            found.append(Profile(x, rates if rates.any() else profile.rate_kg_ha, tails=profile.tails))
        return found


@dataclass(frozen=True)
class Between:
    """Standard deviation of a figure from test to test, and the degrees of freedom behind it."""

    sd: float
    freedom: float = float("inf")


def between_sd(
    profile: Profile, figures: Figures, terms: Terms, repeats: Sequence[dict[tuple[str, str], float | None]] = ()
) -> dict[tuple[str, str], Between]:
    """How far each figure differs from test to test: as stated, or learned from repeats of a test beside that."""
    moved = [figures(one) for one in terms.moved(profile)]
    found = {}
    for key in moved[0]:
        stated = _spread([one[key] for one in moved])
        if len(repeats) < 2:
            found[key] = Between(stated)
            continue
        free = len(repeats) - 1
        seen = _spread([one.get(key) for one in repeats])
        square = ((_STATED_WEIGHT + 1) * stated**2 + free * seen**2) / (_STATED_WEIGHT + 1 + free)
        found[key] = Between(float(np.sqrt(square)), _STATED_WEIGHT + 1 + free)
    return found


def _spread(values: Sequence[float | None]) -> float:
    known = np.array([value for value in values if value is not None], dtype=float)
    return float(known.std(ddof=1)) if len(known) > 1 else 0.0


def difference_evidence(
    before: ArrayLike, after: ArrayLike, between: tuple[Between, Between], *, level_pct: float
) -> Evidence:
    """One figure of every pass of two tests, judged by the spread of passes and of tests.

    Parameters
    ----------
    before, after : array_like, shape (passes,)
        The figure of every pass. [any unit]
    between : tuple of Between
        How far the figure differs from test to test, for each of the two. [unit of the figure]
    level_pct : float
        How sure the statement has to be. [%]

    Returns
    -------
    Evidence
        The chance of a difference as large by chance, and the range of the difference. [-], [unit of the figure]

    Examples
    --------
    >>> alone = difference_evidence([1, 2, 3], [4, 5, 6], (Between(0.0), Between(0.0)), level_pct=95)
    >>> round(alone.p, 4), round(alone.low, 2)  # Welch's test of the passes alone
    (0.0213, 0.73)
    >>> round(difference_evidence([1, 2, 3], [4, 5, 6], (Between(1.0), Between(1.0)), level_pct=95).p, 3)
    0.071
    """
    from scipy.special import stdtr, stdtrit

    a, b = (np.asarray(side, dtype=float) for side in (before, after))
    a, b = a[~np.isnan(a)], b[~np.isnan(b)]
    if len(a) < 2 or len(b) < 2:
        return Evidence(None, level_pct, _TOO_FEW)
    gap = float(b.mean() - a.mean())
    parts = [(a.var(ddof=1) / len(a), len(a) - 1.0), (b.var(ddof=1) / len(b), len(b) - 1.0)]
    parts += [(one.sd**2, one.freedom) for one in between]
    variance = float(sum(part for part, _ in parts))
    scale = max(abs(float(a.mean())), abs(float(b.mean())), 1e-12)
    if variance <= (1e-9 * scale) ** 2:
        same = abs(gap) <= 1e-9 * scale
        return Evidence(1.0 if same else 0.0, level_pct, low=gap, high=gap)
    lost = sum(part**2 / free for part, free in parts if np.isfinite(free))
    freedom = min(variance**2 / lost if lost > 0 else 1e6, 1e6)
    error = np.sqrt(variance)
    p = float(2 * stdtr(freedom, -abs(gap) / error))
    reach = float(stdtrit(freedom, 1 - alpha(level_pct) / 2) * error)
    return Evidence(p, level_pct, low=gap - reach, high=gap + reach)


def profile_evidence(
    sides: tuple[FloatArray, FloatArray],
    profiles: tuple[Profile, Profile],
    terms: Terms,
    *,
    factor: float,
    level_pct: float,
) -> TrayEvidence:
    """All trays at once, less what rate, shift, stretch and blur explain; good for all of them together (Bonferroni).

    Parameters
    ----------
    sides : tuple of ndarray, shapes (passes, trays)
        Rates of the single passes of both tests. [kg/ha]
    profiles : tuple of Profile
        The mean profiles at the same places. [m, kg/ha]
    terms : Terms
        How far tests differ though nothing was changed. [m, %]
    factor : float
        By what the later rates are multiplied. [-]
    level_pct : float
        How sure the statement has to be. [%]

    Returns
    -------
    TrayEvidence
        The chance of error of each tray, all together counted in, and that of the whole profile. [-]

    Examples
    --------
    >>> place = np.arange(-6.0, 7.0)
    >>> rate = 100 * np.exp(-0.1 * place**2)
    >>> passes = rate + np.random.default_rng(1).normal(0, 2, (2, 4, 13))
    >>> two = Profile(place, passes[0].mean(axis=0)), Profile(place, passes[1].mean(axis=0))
    >>> profile_evidence((passes[0], passes[1]), two, Terms(), factor=1.0, level_pct=95).overall.beyond
    False
    """
    from scipy.special import stdtr

    before, after = sides[0], sides[1] * factor
    trays = len(profiles[0].offset_m)
    if len(before) < 2 or len(after) < 2:
        return TrayEvidence("Bonferroni", np.ones(trays), Evidence(None, level_pct, _TOO_FEW))
    x = profiles[0].offset_m
    mean = (profiles[0].rate_kg_ha + profiles[1].rate_kg_ha * factor) / 2
    padded = np.pad(mean, 1, mode="edge")
    smooth = (padded[:-2] + 2 * padded[1:-1] + padded[2:]) / 4
    slope = np.gradient(smooth, x)
    basis = np.stack((smooth, slope, x * slope, np.gradient(slope, x)), axis=1)
    basis /= np.maximum(np.abs(basis).max(axis=0), 1e-12)

    def left(rows: FloatArray) -> FloatArray:
        return np.asarray(rows - (basis @ np.linalg.lstsq(basis, rows.T, rcond=None)[0]).T)

    gap = left((profiles[1].rate_kg_ha * factor - profiles[0].rate_kg_ha)[None])[0]
    variance, freedom = _pooled(before, after, mean)
    for profile, times in ((profiles[0], 1.0), (profiles[1], factor)):
        moved = times * np.array([one.rate_kg_ha for one in terms.moved(profile)])
        variance += left(moved - moved.mean(axis=0)).var(axis=0)
    error = np.sqrt(variance + (1e-9 * mean.max()) ** 2)
    p = np.minimum(2 * stdtr(freedom, -np.abs(gap) / error) * trays, 1.0)
    return TrayEvidence("Bonferroni", p, Evidence(float(p.min()), level_pct))


def _pooled(before: FloatArray, after: FloatArray, mean: FloatArray) -> tuple[FloatArray, float]:
    """Variance of the difference of two means at each tray, from the scatter of all trays, and its freedom."""
    floor = _FLOOR * mean.max()
    rate = np.maximum(mean, floor)
    variance, freedom = np.zeros(len(mean)), 0.0
    for side in (before, after):
        scaled = side * (side.sum() / len(side) / side.sum(axis=1, keepdims=True))
        square = scaled.var(axis=0, ddof=1)
        common = square.sum() / rate.sum() * rate  # in proportion to the rate, as counting makes it
        own = len(side) - 1.0
        pooled = (own * square + 4.0 * common) / (own + 4.0)
        variance += np.maximum(pooled, 0.5 * common) / len(side)
        freedom += own + 4.0
    return variance, freedom
