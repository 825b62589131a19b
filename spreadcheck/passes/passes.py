"""The passes of a test, worked out once: what each caught at every tray; and what is said of a difference between any.

Several statements together: Holm (1979), Scand. J. Statist. 6: 65-70.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from spreadcheck.errors import record
from spreadcheck.passes.granules import granules_of, reading_error_g
from spreadcheck.sheet.traytest import FloatArray, TrayTest, rates_known
from spreadcheck.spread.profile import TAPER, Profile, pass_rates, profile_from

LEVEL_PCT = 95.0
FEW = 3  # trays on a side, or in a body, below which no statement is made
FLOOR = 0.05  # of the peak: smaller rates and steps don't matter to the answer
_CHI2_MEDIAN = 0.4549364  # median of chi-square with one degree of freedom


@record(eq=False)
class Passes:
    """What every pass of a test caught at every tray.

    `rate_kg_ha` has shape (trays, passes): a row a tray of the sheet, a column a pass, NaN where nothing usable was
    weighed. Passes that were driven the other way are turned to their own travel direction; `laid_kg_ha` has all as the
    trays lay. Where no bulk density is known (`relative`) the rates are in % of the peak of their mean, as those of
    the profile are. At a tray `used` passes have a usable catch; `mean_kg_ha` is their mean, NaN where there is none.
    """

    test: TrayTest
    offset_m: FloatArray
    rate_kg_ha: FloatArray
    laid_kg_ha: FloatArray
    relative: bool
    used: NDArray[np.intp]
    mean_kg_ha: FloatArray

    def of_at_most(self, trays: int) -> Passes:
        """The same at so many trays along the line, the ends among them: enough to test sides of a long line by."""
        if len(self.offset_m) <= trays:
            return self
        at = np.linspace(0, len(self.offset_m) - 1, trays).astype(int)
        lists = ("offset_m", "rate_kg_ha", "laid_kg_ha", "used", "mean_kg_ha")
        return replace(self, **{name: getattr(self, name)[at] for name in lists})

    def profile(self, tails: str = TAPER) -> Profile:
        """The single-pass profile: the mean of the passes, with its tails."""
        used, source = int((~np.isnan(self.rate_kg_ha)).any(axis=0).sum()), self.test.source
        given = (self.offset_m, self.mean_kg_ha)
        return profile_from(*given, tails=tails, passes_used=used, relative=self.relative, source=source)

    @cached_property
    def catches(self) -> PassCatches:
        """The usable passes at the usable trays side by side, with the size of their scatter.

        It is never taken smaller than counting granules makes it.
        """
        test, known = self.test, not self.relative
        rates, laid = self.rate_kg_ha.T, self.laid_kg_ha.T
        passes = ~np.isnan(rates).all(axis=1)
        trays = ~(np.isnan(rates).all(axis=0) | np.isnan(laid).all(axis=0))
        if not trays.any():  # turned round, no tray has a catch where it lay: nothing to hold as the trays lay
            laid, trays = rates, ~np.isnan(rates).all(axis=0)
        rates, laid = rates[passes][:, trays], laid[passes][:, trays]
        for each in (rates, laid):
            blank = np.isnan(each)
            if blank.any():  # a missing catch says nothing: it takes the mean of the tray's other passes
                np.copyto(each, np.nansum(each, axis=0) / np.maximum((~blank).sum(axis=0), 1), where=blank)
        scale = test.kg_ha_per_g
        step, grain = test.quantity("scale resolution"), granules_of(test)
        counting = grain.mean_mass_g * grain.mass_spread**2 * scale if grain is not None and known else None
        numbers = np.array(test.passes)[passes]
        return PassCatches(
            numbers=tuple(numbers.tolist()),
            offset_m=self.offset_m[trays],
            rates=rates,
            laid=laid,
            reversed=np.isin(numbers, tuple(test.reversed_passes)),
            scatter=max(_scatter(rates), counting or 0.0),
            counting=counting,
            reading=(reading_error_g(step) * scale) ** 2 if step is not None and known else 0.0,
        )


def passes_of(test: TrayTest, *, relative: bool = False) -> Passes:
    """The passes of a test as rates.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    relative : bool
        Whether rates in proportion are enough where catches are in ml and no bulk density is given. [-]

    Returns
    -------
    Passes
        The rates of every pass at every tray. [kg/ha]

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> passes = passes_of(tray_test([-1, 0, 1], [[5, 9], [10, 10], [7, 5]], tray_width="0.5 m", tray_length="0.5 m"))
    >>> passes.rate_kg_ha.shape, passes.mean_kg_ha
    ((3, 2), array([280., 400., 240.]))
    """
    laid, rates = (each.T for each in pass_rates(test, relative=relative))
    used, only_relative = (~np.isnan(rates)).sum(axis=1), relative and not rates_known(test)
    mean = np.divide(np.nansum(rates, axis=1), used, out=np.full(len(rates), np.nan), where=used > 0)
    to_peak = 100.0 / float(np.nanmax(mean)) if only_relative and (mean > 0).any() else 1.0
    return Passes(test, test.offset_m, rates * to_peak, laid * to_peak, only_relative, used, mean * to_peak)


@record(eq=False)
class PassCatches:
    """The usable passes of a test, gaps filled with the mean of the other passes.

    `rates` are turned to the travel direction of each pass and `laid` as the trays lay, each (passes, trays). A catch
    at a true rate of m has a variance of `scatter` x m + `reading`: the scatter that a slip or a shifted pass does not
    move, so that neither can hide itself. Of it `counting` granules alone makes so much, where they are known.
    """

    numbers: tuple[int, ...]
    offset_m: FloatArray
    rates: FloatArray
    laid: FloatArray
    reversed: NDArray[np.bool_]
    scatter: float
    counting: float | None
    reading: float

    @cached_property
    def middle(self) -> FloatArray:
        """The middle pass at each tray."""
        return middle_of(self.rates)

    def error(self, rate: FloatArray, share: float = 1.0) -> FloatArray:
        """Standard error of a catch at a true rate, times the square root of a share."""
        return np.asarray(np.sqrt((self.scatter * np.maximum(rate, 0.0) + self.reading) * share))


def middle_of(values: FloatArray) -> FloatArray:
    """Median along the first axis, quick for small arrays."""
    ordered, half = np.sort(values, axis=0), len(values) // 2
    return np.asarray(ordered[half] if len(values) % 2 else (ordered[half - 1] + ordered[half]) / 2)


def _scatter(rates: FloatArray) -> float:
    """Variance of a catch, in units of its rate, from steps between neighbouring trays. [kg/ha]

    With several passes the steps are those of each pass's share of the mean, in which the pattern itself cancels; with
    one pass they are second differences of the pattern, in which its slopes cancel.
    """
    passes, mean = len(rates), rates.mean(axis=0)
    body = mean > FLOOR * mean.max()
    if np.count_nonzero(body) < FEW:
        return 0.0
    level = mean[body]
    if passes == 1:
        squares = (level[1:-1] - (level[:-2] + level[2:]) / 2) ** 2
        size = level[1:-1] + (level[:-2] + level[2:]) / 4
        return float(middle_of(squares / size)) / _CHI2_MEDIAN
    steps = np.diff(rates[:, body] / level, axis=1)
    size = (1 / level[1:] + 1 / level[:-1]) * (1 - 1 / passes)
    return float(middle_of((steps * steps / size).ravel())) / _CHI2_MEDIAN


def holm(p: ArrayLike) -> FloatArray:
    """Holm-adjusted p-values of several statements."""
    alone = np.nan_to_num(np.asarray(p, dtype=float), nan=1.0)
    order = np.argsort(alone, kind="stable")
    together = np.empty(len(alone))
    together[order] = np.minimum(np.maximum.accumulate(alone[order] * np.arange(len(alone), 0, -1)), 1.0)
    return together
