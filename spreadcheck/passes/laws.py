"""How far the passes of a test differ, pooled over the tray line.

1. `VarianceLaw`   the variance of one catch as a function of its rate
2. `pass_spread`   the law fitted to the passes of a test
3. `pooled_law`    the same from variances tray by tray
4. `neighbour_correlation`   whether passes differ as a whole, and not tray by tray
5. `counting_law`, `missing_for_counting`   the law that granules and scale alone would give

One tray on its own tells little: three passes leave two degrees of freedom. All trays together tell a lot, if the
variance follows the rate in some smooth way. Counting granules gives a variance in proportion to the rate, a scale
gives a constant one, and a pattern that wavers from pass to pass gives one in proportion to the square of the rate.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spreadcheck.errors import Fault, NoSpreadError
from spreadcheck.passes.granules import granules_of, reading_error_g
from spreadcheck.sheet.traytest import FloatArray, TrayTest, rates_known

_ROUNDS = 5  # of re-weighting; the weights settle to a few per cent in three


@dataclass(frozen=True)
class VarianceLaw:
    """Variance of one catch at a rate: constant + by_rate x rate + by_square x rate^2, in (kg/ha)^2.

    `freedom` is the degrees of freedom behind it; infinite for a law that was worked out and not fitted.
    """

    constant: float
    by_rate: float
    by_square: float
    freedom: float = float("inf")

    def at(self, rate_kg_ha: FloatArray) -> FloatArray:
        """The variance of one catch at each rate. [(kg/ha)^2]"""
        return np.asarray(self.constant + rate_kg_ha * (self.by_rate + rate_kg_ha * self.by_square))


def pass_spread(rates: FloatArray) -> VarianceLaw:
    """The variance between passes as a law of the rate, pooled over all trays.

    A pass that was heavier or lighter as a whole does not change any CV, so each pass is first scaled to the mean of
    all passes; what is left is the scatter that does. Trays with fewer than two usable catches are left out.

    Parameters
    ----------
    rates : ndarray, shape (passes, trays)
        Rate of each pass at each tray; NaN where nothing usable was weighed. [kg/ha]

    Returns
    -------
    VarianceLaw
        The law. [(kg/ha)^2]

    Raises
    ------
    NoSpreadError
        If no tray has two usable catches, or nothing was caught.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> law = pass_spread(rng.poisson(50.0, size=(5, 400)).astype(float))
    >>> round(float(law.at(np.array([50.0]))[0]), 1), round(law.freedom)  # Poisson: the variance is the mean
    (48.9, 1585)
    """
    mean, residual, used = _residuals(rates)
    share = mean / mean.sum()
    freedom = (used - 1.0) * (1.0 - share)
    variance = np.where(freedom > 0, (residual**2).sum(axis=0) / np.where(freedom > 0, freedom, 1.0), 0.0)
    kept = freedom > 0
    return pooled_law(mean[kept], variance[kept], freedom[kept])


def pooled_law(rate_kg_ha: FloatArray, variance: FloatArray, freedom: FloatArray) -> VarianceLaw:
    """A law fitted to variances at known rates, no term of it below zero.

    Weights are the degrees of freedom over the fitted variance. A law in proportion to the rate is then the sum of the
    variances over the sum of the rates, so that a nearly empty tray counts for little.

    Parameters
    ----------
    rate_kg_ha : ndarray, shape (trays,)
        Mean rates. [kg/ha]
    variance : ndarray, shape (trays,)
        Variance at each tray. [(kg/ha)^2]
    freedom : ndarray, shape (trays,)
        Degrees of freedom of each variance. [-]

    Returns
    -------
    VarianceLaw
        The law. [(kg/ha)^2]

    Examples
    --------
    >>> rate = np.array([10.0, 20, 40, 80])
    >>> pooled_law(rate, 3.0 * rate, np.full(4, 2.0)).by_rate
    3.0
    """
    from scipy.optimize import nnls

    scale = rate_kg_ha.max()
    terms = np.stack((np.ones_like(rate_kg_ha), rate_kg_ha / scale, (rate_kg_ha / scale) ** 2), axis=1)
    total = float((freedom * variance).sum())
    if total <= 0:
        return VarianceLaw(0.0, 0.0, 0.0, float(freedom.sum()))
    typical = total / freedom.sum()
    fitted = typical * rate_kg_ha / (freedom * rate_kg_ha).sum() * freedom.sum()
    for _ in range(_ROUNDS):
        root = np.sqrt(freedom / np.maximum(fitted, 1e-3 * typical))
        part = nnls(root[:, None] * terms, root * variance)[0]
        fitted = terms @ part
    effective = float((freedom * fitted).sum() ** 2 / (freedom * fitted**2).sum())
    return VarianceLaw(float(part[0]), float(part[1] / scale), float(part[2] / scale**2), effective)


def neighbour_correlation(rates: FloatArray) -> tuple[float, float]:
    """Whether neighbouring trays rise and fall together from pass to pass, as wind or a shifted pass makes them do.

    Counting noise is independent from tray to tray: the correlation is then zero within its standard error.

    Parameters
    ----------
    rates : ndarray, shape (passes, trays)
        Rate of each pass at each tray; NaN where nothing usable was weighed. [kg/ha]

    Returns
    -------
    tuple of (float, float)
        Correlation of neighbouring trays and its standard error if there were none. [-]

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> correlation, error = neighbour_correlation(rng.poisson(50.0, size=(5, 400)).astype(float))
    >>> abs(correlation) < 2 * error
    True
    """
    mean, residual, used = _residuals(rates)
    left, right = residual[:, :-1], residual[:, 1:]
    both = (mean[:-1] > 0) & (mean[1:] > 0) & (used[:-1] > 1) & (used[1:] > 1)
    scale = np.sqrt(np.where(both, mean[:-1] * mean[1:], 1.0))
    products = (left * right)[:, both].sum(axis=0) / scale[both]
    squares = ((left**2 + right**2) / 2)[:, both].sum(axis=0) / scale[both]
    pairs = float((used[:-1][both] - 1).sum())
    if not pairs or not squares.sum():
        return 0.0, float("inf")
    return float(products.sum() / squares.sum()), float(1 / np.sqrt(pairs))


def _residuals(rates: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean at each tray, what each pass differs from it after scaling (0 where not weighed), and passes used."""
    usable = ~np.isnan(rates)
    used = usable.sum(axis=0).astype(float)
    if not (used > 1).any():
        raise NoSpreadError(
            Fault("", "no tray was weighed in two passes", "weigh the trays after each of several passes")
        )
    filled = np.where(usable, rates, 0.0)
    mean = filled.sum(axis=0) / np.maximum(used, 1.0)
    if not mean.any():
        raise NoSpreadError(Fault("", "all catches are 0, so there is no pattern", "check that grams were entered"))
    expected = (usable * mean).sum(axis=1)
    factor = np.where(expected > 0, filled.sum(axis=1) / np.where(expected > 0, expected, 1.0), 1.0)
    residual = np.where(usable, filled - factor[:, None] * mean, 0.0)
    return mean, residual, used


def counting_law(test: TrayTest) -> VarianceLaw | None:
    """The variance of one catch from its granules and the scale's steps alone.

    Parameters
    ----------
    test : TrayTest
        The test; its form gives size guide number and granule density, and if known uniformity index and scale
        resolution. [-]

    Returns
    -------
    VarianceLaw or None
        The law, in kg/ha; None where `missing_for_counting` has something to say. [(kg/ha)^2]

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> form = {"size guide number": "253", "granule density": "1325 kg/m3", "scale resolution": "0.1 g"}
    >>> law = counting_law(tray_test([-1, 1], [5, 5], tray_width="0.5 m", tray_length="0.5 m", form=form))
    >>> round(100 * float(law.at(np.array([100.0]))[0]) ** 0.5 / 100, 2)  # 222 granules, and 0.1 g in 2.5 g: 6.80 %
    6.8
    """
    counted = granules_of(test)
    if counted is None or missing_for_counting(test):
        return None
    per_gram = 10.0 / (test.tray_width_m * test.tray_length_m * test.runs_per_catch)
    reading = reading_error_g(test.quantity("scale resolution") or 0.0) * per_gram
    return VarianceLaw(reading**2, counted.mean_mass_g * counted.mass_spread**2 * per_gram, 0.0)


def missing_for_counting(test: TrayTest) -> tuple[str, ...]:
    """Which labels the form still needs before the counting noise can be worked out.

    Parameters
    ----------
    test : TrayTest
        The test. [-]

    Returns
    -------
    tuple of str
        The labels; empty if nothing is missing. [-]

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> missing_for_counting(tray_test([-1, 1], [5, 5], tray_width="0.5 m", tray_length="0.5 m"))
    ('size guide number', 'granule density')
    """
    needed = [label for label in ("size guide number", "granule density") if test.quantity(label) is None]
    return tuple(needed if rates_known(test) else [*needed, "bulk density"])
