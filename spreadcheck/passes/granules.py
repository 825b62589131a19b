"""The noise of a single tray: granules fall in whole numbers, and a scale reads in whole steps.

Granules that fall independently are Poisson-counted, so n of equal mass have a CV of 100 / sqrt(n) %; granules of
unequal mass multiply it by sqrt(E[m^2]) / E[m] (compound Poisson law). It is a lower bound: a spreader adds its own
unevenness. A reading rounded to steps of r has a standard error of r / sqrt(12), by the uniform law.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import Fault, QuantityError, record
from spreadcheck.sheet.traytest import FloatArray, TrayTest

# Standard normal deviates between the points where 95 % and 10 % of the mass is retained on the sieve.
_Z_UNIFORMITY = 1.6448536 + 1.2815516


@record
class Granules:
    """What counts for the noise: the mean mass of a granule [g], and the spread of masses sqrt(E[m^2]) / E[m].

    A spread of 1 means that all granules weigh the same; the noise is then the smallest possible.
    """

    mean_mass_g: float
    mass_spread: float = 1.0


def log_sd_of_uniformity(uniformity_index: float) -> float:
    """Standard deviation of ln(diameter) of granules whose sizes are lognormal by mass.

    The uniformity index is 100 times the size on which 95 % of the mass is retained over that on which 10 % is; 100
    means all of one size, 40 to 60 is usual.

    >>> log_sd_of_uniformity(100), round(log_sd_of_uniformity(50), 4)
    (0.0, 0.2369)
    """
    if not 0 < uniformity_index <= 100:
        raise QuantityError(
            Fault("uniformity index", f"{uniformity_index:g} can't be", "give a number above 0, up to 100")
        )
    return abs(math.log(100.0 / uniformity_index)) / _Z_UNIFORMITY


def granules(*, size_guide_number: float, density_kg_m3: float, log_sd: float = 0.0) -> Granules:
    """Mean mass of a granule, a sphere of its granule density, and its spread, for a size guide number (mm x 100).

    That is the median by mass: it halves the mass, not the number of granules. For lognormal sizes the mean mass is
    that of the median size times exp(-4.5 g^2), and the spread of masses is exp(4.5 g^2), with g the standard deviation
    of ln(diameter).

    >>> granules(size_guide_number=325, density_kg_m3=1600, log_sd=0.2)
    Granules(mean_mass_g=0.0240..., mass_spread=1.1972...)
    """
    diameter_mm, spread = size_guide_number / 100.0, math.exp(4.5 * log_sd**2)
    if not (diameter_mm > 0 and density_kg_m3 > 0):
        problem = f"a granule of {diameter_mm:g} mm and {density_kg_m3:g} kg/m3 can't be"
        raise QuantityError(Fault("granule", problem, "give a diameter and a density above 0"))
    return Granules(density_kg_m3 * math.pi / 6.0 * diameter_mm**3 * 1e-6 / spread, spread)


def granules_of(test: TrayTest) -> Granules | None:
    """The granules of a test, if its form gives size guide number and granule density; else None."""
    size, density = test.quantity("size guide number"), test.quantity("granule density")
    if size is None or density is None:
        return None
    uniformity = test.quantity("uniformity index")
    log_sd = log_sd_of_uniformity(uniformity) if uniformity else 0.0
    return granules(size_guide_number=size, density_kg_m3=density, log_sd=log_sd)


def reading_error_g(resolution_g: float) -> float:
    """Standard error of one reading rounded to the scale's steps (tray on the scale when it was zeroed). [g]"""
    return resolution_g / math.sqrt(12.0)


@record(eq=False)
class TrayNoise:
    """Noise of the mean of all passes at a tray, in % of its rate; `count` is the granules in all its catches.

    `counting_pct` is 0 and `count` NaN where the granules are not known; `reading_pct` is 0 where the scale is not.
    """

    count: FloatArray
    counting_pct: FloatArray
    reading_pct: FloatArray

    @property
    def total_pct(self) -> FloatArray:
        """Counting and reading noise together; they are independent, so their squares add. [%]"""
        return np.asarray(np.hypot(self.counting_pct, self.reading_pct))


def tray_noise(
    rate_kg_ha: ArrayLike,
    *,
    tray_area_m2: float,
    granules: Granules | None = None,
    resolution_g: float | None = None,
    passes: int = 1,
    runs_per_catch: int = 1,
) -> TrayNoise:
    """Counting noise and reading error of a tray's mean rate after so many passes and runs.

    More passes and more runs a catch both divide the counting noise by the square root of the granules caught. Passes
    weighed one by one are each rounded; runs that are weighed together are rounded once.

    Parameters
    ----------
    rate_kg_ha : array_like
        Application rate of one run at the tray. [kg/ha]
    tray_area_m2 : float
        Tray width times tray length. [m2]
    granules : Granules, optional
        The granules; without them there is no counting noise. [g, -]
    resolution_g : float, optional
        Smallest step of the scale; without it there is no reading error. [g]
    passes, runs_per_catch : int
        Passes weighed, and runs in each weighed catch. [-]

    Returns
    -------
    TrayNoise
        Both parts and their sum, in % of the rate. [%]

    Examples
    --------
    >>> urea = Granules(0.0112352)
    >>> one = tray_noise([100], tray_area_m2=0.25, granules=urea, resolution_g=0.1)
    >>> one.counting_pct.round(2), one.reading_pct.round(2), one.total_pct.round(2)
    (array([6.7]), array([1.15]), array([6.8]))
    >>> tray_noise([100], tray_area_m2=0.25, granules=urea, resolution_g=0.1, passes=4).total_pct.round(2)
    array([3.4])
    """
    catch_g = np.asarray(rate_kg_ha, dtype=float) * (tray_area_m2 / 10.0 * runs_per_catch)
    count, counting, reading = np.full(catch_g.shape, np.nan), np.zeros(catch_g.shape), np.zeros(catch_g.shape)
    with np.errstate(divide="ignore"):
        if granules is not None:
            count = np.asarray(catch_g * passes / granules.mean_mass_g)
            counting = np.asarray(100.0 * granules.mass_spread / np.sqrt(count))
        if resolution_g is not None:
            reading = np.asarray(100.0 * reading_error_g(resolution_g) / (catch_g * math.sqrt(passes)))
    return TrayNoise(count, counting, reading)
