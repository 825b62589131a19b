"""Where the noise of a test is known from, and what is doubtful about it.

1. `Noise`, `noise_of`   mean rates, passes behind them and the variance of a catch: between passes, or by counting
2. `Agreement`, `agreement`   whether the passes differ as counting granules says they should
3. `noise_doubts`      what to say about it

Between passes is preferred: it holds all that happens between the granule and the balance. Counting says only what
chance does, a lower bound; it is all there is with one pass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spreadcheck.doubts.doubt import Doubt
from spreadcheck.doubts.register import CHECKS, doubt
from spreadcheck.passes.laws import (
    VarianceLaw,
    counting_law,
    missing_for_counting,
    neighbour_correlation,
    pass_spread,
)
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import Profile, pass_rates
from spreadcheck.spread.traymap import weighed_trays

BETWEEN_PASSES = "passes"
COUNTING = "counting"
_FAR = 3.0  # standard errors at which neighbouring trays are said to move together


@dataclass(frozen=True)
class Agreement:
    """Variance between passes over that of counting granules, and the range in which chance leaves 95 % of ratios."""

    ratio: float
    low: float
    high: float

    @property
    def agree(self) -> bool:
        """Whether chance explains the difference."""
        return self.low <= self.ratio <= self.high


@dataclass(frozen=True, eq=False)
class Noise:
    """What is known of the noise. `rate` is the mean rate at each weighed tray, `used` how many passes are in it.

    `source` is "passes", "counting", or "" where neither is known; `missing` are the labels that counting would need.
    """

    source: str
    rate: FloatArray
    used: FloatArray
    between_passes: VarianceLaw | None
    counting: VarianceLaw | None
    missing: tuple[str, ...] = ()
    neighbours: tuple[float, float] = (0.0, float("inf"))

    @property
    def law(self) -> VarianceLaw | None:
        """The law that is used."""
        return {BETWEEN_PASSES: self.between_passes, COUNTING: self.counting}.get(self.source)

    @property
    def passes(self) -> int:
        """The most passes behind any tray."""
        return int(self.used.max())

    @property
    def agreement(self) -> Agreement | None:
        """Whether both ways of knowing the noise agree, where both are known."""
        return agreement(self.between_passes, self.counting, self.rate)


def noise_of(test: TrayTest, profile: Profile) -> Noise:
    """What is known of the noise of a test: between its passes, and by counting granules.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    profile : Profile
        Its profile. [m, kg/ha]

    Returns
    -------
    Noise
        The noise; rates in the units of the profile. [kg/ha]

    Examples
    --------
    >>> from spreadcheck.spread.profile import profile_of
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> test = tray_test([-1, 0, 1], [[5, 6], [9, 8], [5, 5]], tray_width="0.5 m", tray_length="0.5 m")
    >>> noise = noise_of(test, profile_of(test))
    >>> noise.source, noise.passes, noise.missing
    ('passes', 2, ('size guide number', 'granule density'))
    """
    weighed = profile.offset_m[weighed_trays(profile)]
    rates = pass_rates(test, relative=profile.relative)[:, np.isin(test.offset_m, weighed)]
    used = (~np.isnan(rates)).sum(axis=0).astype(float)
    mean = profile.rate_kg_ha[weighed_trays(profile)]
    rates = rates * (mean.max() / np.nansum(rates, axis=0)[mean.argmax()] * used[mean.argmax()])
    several = bool((used > 1).any())
    counting = counting_law(test)
    return Noise(
        source=BETWEEN_PASSES if several else COUNTING if counting else "",
        rate=mean,
        used=used,
        between_passes=pass_spread(rates) if several else None,
        counting=counting,
        missing=missing_for_counting(test),
        neighbours=neighbour_correlation(rates) if several else (0.0, float("inf")),
    )


def agreement(passes: VarianceLaw | None, counting: VarianceLaw | None, rate_kg_ha: FloatArray) -> Agreement | None:
    """Whether the variance between passes is that of counting granules, within chance.

    Parameters
    ----------
    passes, counting : VarianceLaw or None
        The two laws. [(kg/ha)^2]
    rate_kg_ha : ndarray, shape (trays,)
        Mean rates at which they are compared. [kg/ha]

    Returns
    -------
    Agreement or None
        The ratio and its range by the chi-square law; None where one of them is not known. [-]

    Examples
    --------
    >>> both = agreement(VarianceLaw(0, 0.5, 0, freedom=60.0), VarianceLaw(0, 0.4, 0), np.full(31, 100.0))
    >>> round(both.ratio, 2), round(both.low, 2), round(both.high, 2), both.agree
    (1.25, 0.67, 1.39, True)
    """
    if passes is None or counting is None:
        return None
    from scipy.stats import chi2

    ratio = float(passes.at(rate_kg_ha).sum() / counting.at(rate_kg_ha).sum())
    low, high = (float(chi2.ppf(share, passes.freedom) / passes.freedom) for share in (0.025, 0.975))
    return Agreement(ratio, low, high)


def noise_doubts(noise: Noise) -> tuple[Doubt, ...]:
    """What is doubtful about the noise of a test."""
    found = [_one_pass(noise)] if noise.between_passes is None else _between(noise)
    both = noise.agreement
    if both is not None and not both.agree:
        found.append(_disagree(both))
    return tuple(found)


def _one_pass(noise: Noise) -> Doubt:
    check = CHECKS["one-pass"]
    if noise.source == COUNTING:
        return doubt("one-pass", effect=f"{check.effect}; the one shown is from counting granules alone, a lower bound")
    remedy = "for one from counting granules add to the form: {missing}. Better, " + check.remedy
    return doubt("one-pass", remedy=remedy, missing=", ".join(noise.missing))


def _between(noise: Noise) -> list[Doubt]:
    found = []
    if noise.between_passes is not None and not noise.between_passes.at(noise.rate).any():
        found.append(doubt("passes-alike", passes=noise.passes))
    correlation, error = noise.neighbours
    if abs(correlation) > _FAR * error:
        found.append(_together(correlation, _FAR * error))
    return found


def _together(correlation: float, chance: float) -> Doubt:
    alike = correlation > 0
    effect = "the intervals take trays to be independent, and are " + (
        "too short here, as in wind or with a pass driven off the line" if alike else "somewhat too long here"
    )
    how = "rise and fall together" if alike else "take from each other"
    return doubt("neighbours-together", how=how, correlation=correlation, chance=chance, effect=effect)


def _disagree(both: Agreement) -> Doubt:
    if both.ratio > 1:
        return doubt("noise-disagrees", ratio=both.ratio, low=both.low, high=both.high)
    return doubt(
        "noise-disagrees",
        ratio=both.ratio,
        low=both.low,
        high=both.high,
        effect="the spread between the passes is used; it is smaller than chance allows",
        remedy="check size guide number and granule density, and that trays were emptied between passes",
    )
