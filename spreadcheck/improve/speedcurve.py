"""A figure of the spread against spinner speed: the curve through several tests, and how sure it is.

1. `fit_curve`    a quadratic through four or more speeds, a straight line through fewer, or none
2. `SpeedCurve`   the curve, its confidence band and its slope; never asked for beyond the tested range
3. `LackOfFit`    whether the curve misses the tests by more than repeats at one speed differ
4. `best_speeds`  the best speed in a range, and every speed that the tests can't tell from it

Least squares with its usual errors. A speed can't be told from the best one where the difference of the curve between
the two lies within its own band, the two ends being correlated as the fit makes them.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import Fault, SpreadcheckError
from spreadcheck.passes.evidence import LEVEL_PCT, alpha
from spreadcheck.sheet.traytest import FloatArray

QUADRATIC, STRAIGHT, NONE = "quadratic", "straight line", "none"
SPEEDS_FOR_A_BEND = 4
_ROUNDING = 1e-9


@dataclass(frozen=True)
class LackOfFit:
    """Whether a curve misses the tests by more than repeats at one speed differ; `p` is the chance that it does not."""

    p: float
    repeat_sd: float
    freedom: tuple[int, int]  # of the misfit, of the repeats


@dataclass(frozen=True, eq=False)
class SpeedCurve:
    """A figure against spinner speed.

    With z = (speed - `mid_rpm`) / `half_rpm` the curve is the sum of `coefficients` times 1, z, z2; `spread` is the
    inverse of the normal matrix in z, `sd` the standard deviation of one test about the curve with `freedom` degrees of
    freedom. A curve of kind "none" has no coefficients, and `why_not` says why.
    """

    kind: str
    speed_rpm: FloatArray
    value: FloatArray
    level_pct: float
    why_not: str = ""
    mid_rpm: float = 0.0
    half_rpm: float = 1.0
    coefficients: FloatArray = field(default_factory=lambda: np.zeros(0))
    spread: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    sd: float = 0.0
    freedom: int = 0
    lack_of_fit: LackOfFit | None = None

    @property
    def speeds(self) -> int:
        """How many different speeds were tested."""
        return len(np.unique(self.speed_rpm))

    @property
    def misses(self) -> bool:
        """Whether the curve misses the tests by more than repeats differ."""
        return self.lack_of_fit is not None and self.lack_of_fit.p <= alpha(self.level_pct)

    def at(self, speed_rpm: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """The curve, and half the width of its confidence band, at speeds within the tested range."""
        return self._estimate(self._basis(speed_rpm))

    def above(self, speed_rpm: ArrayLike, from_rpm: float) -> tuple[FloatArray, FloatArray]:
        """The curve at speeds less that at another speed, and half the width of the difference's band."""
        return self._estimate(self._basis(speed_rpm) - self._basis(from_rpm))

    def _basis(self, speed_rpm: ArrayLike) -> FloatArray:
        speed = np.atleast_1d(np.asarray(speed_rpm, dtype=float))
        low, high = self.speed_rpm.min(), self.speed_rpm.max()
        if self.kind == NONE or (speed < low - _ROUNDING).any() or (speed > high + _ROUNDING).any():
            problem = f"the tests say nothing of every speed from {speed.min():g} to {speed.max():g} rpm"
            raise SpreadcheckError(Fault("", problem, f"keep within {low:g} and {high:g} rpm"))
        return _powers((speed - self.mid_rpm) / self.half_rpm, len(self.coefficients))

    def _estimate(self, basis: FloatArray) -> tuple[FloatArray, FloatArray]:
        from scipy.stats import t

        errors = self.sd * np.sqrt(np.einsum("ij,jk,ik->i", basis, self.spread, basis))
        reach = t.ppf(1 - alpha(self.level_pct) / 2, self.freedom)
        return np.asarray(basis @ self.coefficients), np.asarray(reach * errors)


def _powers(z: FloatArray, terms: int) -> FloatArray:
    """1, z, z2, a row a speed."""
    return np.stack([z**power for power in range(terms)], axis=1)


def fit_curve(speed_rpm: ArrayLike, value: ArrayLike, *, step: float = 0.0, level_pct: float = LEVEL_PCT) -> SpeedCurve:
    """The curve of a figure against spinner speed, as bent as the number of speeds allows.

    Parameters
    ----------
    speed_rpm : array_like, shape (tests,)
        Spinner speed of every test. [rpm]
    value : array_like, shape (tests,)
        The figure. [any unit]
    step : float
        The steps in which the figure can be read (a tray spacing for effective widths); the scatter about the curve is
        never taken to be less than rounding to them leaves, step / sqrt(12). [unit of the figure]
    level_pct : float
        How often bands hold the true curve at one speed. [%]

    Returns
    -------
    SpeedCurve
        A quadratic with four speeds or more, a straight line with three tests or more at two or three speeds, else
        none. [rpm], [unit of the figure]

    Raises
    ------
    SpreadcheckError
        If speeds and figures don't match or are not finite.

    Examples
    --------
    >>> curve = fit_curve([500, 600, 700, 800, 900], [14, 8, 6, 8, 14])
    >>> curve.kind, round(float(curve.at(700)[0][0]), 2)
    ('quadratic', 6.0)
    >>> fit_curve([500, 900], [14, 8]).why_not
    '2 tests leave nothing to judge a line by'
    """
    speed, figure = np.asarray(speed_rpm, dtype=float), np.asarray(value, dtype=float)
    if speed.shape != figure.shape or speed.ndim != 1 or not (np.isfinite(speed).all() and np.isfinite(figure).all()):
        raise SpreadcheckError(Fault("", "speeds and figures don't match", "give one finite figure a speed"))
    alpha(level_pct)
    speeds = len(np.unique(speed))
    terms = 3 if speeds >= SPEEDS_FOR_A_BEND else 2
    if speeds < 2 or len(speed) <= terms:
        return SpeedCurve(NONE, speed, figure, level_pct, _why_none(len(speed), speeds))
    return _fitted(speed, figure, terms, step / np.sqrt(12), level_pct)


def _why_none(tests: int, speeds: int) -> str:
    """Why so few tests give no curve."""
    if tests == 1:
        return "only one test has this figure"
    return (
        "all tests with this figure are at one speed"
        if speeds == 1
        else f"{tests} tests leave nothing to judge a line by"
    )


def _fitted(speed: FloatArray, figure: FloatArray, terms: int, least_sd: float, level_pct: float) -> SpeedCurve:
    mid, half = (speed.max() + speed.min()) / 2, (speed.max() - speed.min()) / 2
    basis = _powers((speed - mid) / half, terms)
    coefficients: FloatArray = np.linalg.lstsq(basis, figure, rcond=None)[0].astype(float)
    squares = float(((figure - basis @ coefficients) ** 2).sum())
    freedom = len(speed) - terms
    return SpeedCurve(
        kind=QUADRATIC if terms == 3 else STRAIGHT,
        speed_rpm=speed,
        value=figure,
        level_pct=level_pct,
        mid_rpm=float(mid),
        half_rpm=float(half),
        coefficients=coefficients,
        spread=np.asarray(np.linalg.inv(basis.T @ basis), dtype=float),
        sd=max(float(np.sqrt(squares / freedom)), float(least_sd)),
        freedom=freedom,
        lack_of_fit=_lack_of_fit(speed, figure, squares, terms, float(least_sd)),
    )


def _lack_of_fit(
    speed: FloatArray, figure: FloatArray, squares: float, terms: int, least_sd: float
) -> LackOfFit | None:
    """The squares about the curve, split into those of repeats at one speed and those of the misfit; the F test."""
    speeds, group = np.unique(speed, return_inverse=True)
    means = np.bincount(group, figure) / np.bincount(group)
    pure = float(((figure - means[group]) ** 2).sum())
    freedom = len(speeds) - terms, len(speed) - len(speeds)
    repeat_variance = max(pure / freedom[1], least_sd**2) if freedom[1] else 0.0
    if freedom[0] < 1 or repeat_variance <= 0:
        return None
    from scipy.stats import f

    ratio = max(squares - pure, 0.0) / freedom[0] / repeat_variance
    return LackOfFit(float(f.sf(ratio, *freedom)), float(np.sqrt(repeat_variance)), freedom)


def best_speeds(
    curve: SpeedCurve, low_rpm: float, high_rpm: float, *, smallest: bool
) -> tuple[float, tuple[float, float]]:
    """The best speed of a range, and the stretch of speeds that the tests can't tell from it.

    Parameters
    ----------
    curve : SpeedCurve
        The curve; not of kind "none". [rpm]
    low_rpm, high_rpm : float
        The range, within the tested one. [rpm]
    smallest : bool
        Whether the smallest figure is the best (CV) or the largest (effective width). [-]

    Returns
    -------
    tuple of (float, (float, float))
        The best speed, and the ends of the stretch, to 1 rpm. [rpm]

    Examples
    --------
    >>> curve = fit_curve([500, 600, 700, 800, 900, 1000], [14.1, 7.9, 6, 8, 14.1, 24])
    >>> best, stretch = best_speeds(curve, 500, 1000, smallest=True)
    >>> round(best, 1), stretch
    (700.2, (696.0, 704.0))
    """
    sign = 1.0 if smallest else -1.0
    turn = _turning_point(curve, sign)
    candidates = np.array([low_rpm, high_rpm] + ([turn] if turn is not None and low_rpm < turn < high_rpm else []))
    best = float(candidates[np.argmin(sign * curve.at(candidates)[0])])
    grid = np.unique(np.concatenate(([low_rpm], np.arange(np.ceil(low_rpm), high_rpm), [best, high_rpm])))
    worse, half = curve.above(grid, best)
    alike = grid[sign * worse <= half + _ROUNDING * np.abs(curve.value).max()]
    return best, (float(alike.min().round()), float(alike.max().round()))


def _turning_point(curve: SpeedCurve, sign: float) -> float | None:
    """Where the curve is best, if it bends the right way. [rpm]"""
    bends = curve.coefficients
    if len(bends) < 3 or sign * bends[2] <= _ROUNDING * np.abs(curve.value).max():
        return None
    return float(curve.mid_rpm - curve.half_rpm * bends[1] / (2 * bends[2]))


def sampled_speeds(curve: SpeedCurve, count: int = 41) -> list[float]:
    """Evenly spread speeds over the tested range, at which a curve is drawn or listed.

    Parameters
    ----------
    curve : SpeedCurve
        The curve. [rpm]
    count : int
        How many. [-]

    Returns
    -------
    list of float
        Speeds, both ends included. [rpm]

    Examples
    --------
    >>> sampled_speeds(fit_curve([500, 600, 700], [3, 2, 1]), 3)
    [500.0, 600.0, 700.0]
    """
    speeds: list[float] = np.linspace(curve.speed_rpm.min(), curve.speed_rpm.max(), count).tolist()
    return speeds
