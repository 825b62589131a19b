"""The passes of a test, worked out once: what each caught at every tray, and how far chance lets them differ."""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import record
from spreadcheck.passes.granules import granules_of, reading_error_g
from spreadcheck.sheet.traytest import FloatArray, TrayTest, rates_known
from spreadcheck.spread.profile import TAPER, Profile, pass_rates, profile_from

FEW = 3  # trays on a side, or in a body, below which no statement is made
FLOOR = 0.05  # of the peak: smaller rates and steps don't matter to the answer
_CHI2_MEDIAN = 0.4549364  # median of chi-square with one degree of freedom


@record(eq=False)
class Passes:
    """What every pass of a test caught at every tray.

    `rate_kg_ha` has shape (trays, passes): a row a tray of the sheet, a column a pass, NaN where nothing usable was
    weighed. Passes that were driven the other way are turned to their own travel direction; `laid_kg_ha` has all as the
    trays lay. Where no bulk density is known (`relative`) the rates are in % of the peak of their mean, as those of
    the profile are.
    """

    test: TrayTest
    rate_kg_ha: FloatArray
    laid_kg_ha: FloatArray
    relative: bool

    @property
    def numbers(self) -> tuple[int, ...]:
        """The numbers of the passes, in the order of the columns."""
        return self.test.passes

    @property
    def offset_m(self) -> FloatArray:
        """The offsets of the trays, in the order of the rows. [m]"""
        return self.test.offset_m

    @cached_property
    def used(self) -> NDArray[np.intp]:
        """How many passes have a usable catch at each tray; shape (trays,)."""
        return np.asarray((~np.isnan(self.rate_kg_ha)).sum(axis=1))

    @cached_property
    def mean_kg_ha(self) -> FloatArray:
        """The mean of the usable passes at each tray; NaN where there is none; shape (trays,). [kg/ha]"""
        sums = np.nansum(self.rate_kg_ha, axis=1)
        return np.asarray(np.divide(sums, self.used, out=np.full(len(sums), np.nan), where=self.used > 0))

    @cached_property
    def reversed(self) -> NDArray[np.bool_]:
        """Which passes were driven the other way over the tray line; shape (passes,)."""
        return np.array([number in self.test.reversed_passes for number in self.numbers])

    def of_at_most(self, trays: int) -> Passes:
        """The same at so many trays along the line, the ends among them: enough to test sides of a long line by."""
        if len(self.offset_m) <= trays:
            return self
        at = np.linspace(0, len(self.offset_m) - 1, trays).astype(int)
        test, tare = self.test, self.test.tare
        fewer = replace(
            test,
            tray=tuple(np.array(test.tray)[at].tolist()),
            note=tuple(np.array(test.note)[at].tolist()) if test.note else (),
            tare=None if tare is None else tare[at],
            offset=test.offset[at],
            catch=test.catch[at],
            state=test.state[at],
        )
        return replace(self, test=fewer, rate_kg_ha=self.rate_kg_ha[at], laid_kg_ha=self.laid_kg_ha[at])

    def profile(self, tails: str = TAPER) -> Profile:
        """The single-pass profile: the mean of the passes, with its tails."""
        used = int((~np.isnan(self.rate_kg_ha)).any(axis=0).sum())
        return profile_from(
            self.offset_m,
            self.mean_kg_ha,
            tails=tails,
            passes_used=used,
            relative=self.relative,
            source=self.test.source,
        )

    @cached_property
    def catches(self) -> PassCatches:
        """The usable passes at the usable trays side by side, with the size of their scatter.

        It is never taken smaller than counting granules makes it.
        """
        test, turned = self.test, self.reversed
        rates, laid = self.rate_kg_ha.T, self.laid_kg_ha.T
        passes = np.asarray(~np.isnan(rates).all(axis=1))
        trays = np.asarray(~(np.isnan(rates).all(axis=0) | np.isnan(laid).all(axis=0)))
        if not (passes.all() and trays.all()):
            rates, laid, turned = rates[passes][:, trays], laid[passes][:, trays], turned[passes]
        rates, laid = _filled(rates), (_filled(laid) if turned.any() else _filled(rates))
        scale = 10.0 / (test.runs_per_catch * test.tray_width_m * test.tray_length_m)
        step, grain = test.quantity("scale resolution"), granules_of(test)
        known = not self.relative
        counting = grain.mean_mass_g * grain.mass_spread**2 * scale if grain is not None and known else 0.0
        return PassCatches(
            numbers=tuple(np.array(test.passes)[passes].tolist()),
            offset_m=test.offset_m[trays],
            rates=rates,
            laid=laid,
            reversed=turned,
            scatter=max(_scatter(rates), counting),
            reading=(reading_error_g(step) * scale) ** 2 if step is not None and known else 0.0,
        )


def passes_of(test: TrayTest, *, relative: bool = False, component: str = "") -> Passes:
    """The passes of a test as rates.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    relative : bool
        Whether rates in proportion are enough where catches are in ml and no bulk density is given. [-]
    component : str
        One component of a blend; the whole catch if empty. [-]

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
    laid, turned = pass_rates(test, relative=relative, component=component)
    passes = Passes(test, turned.T, laid.T, relative and not rates_known(test))
    if not passes.relative or not (passes.mean_kg_ha > 0).any():
        return passes
    to_peak = 100.0 / float(np.nanmax(passes.mean_kg_ha))
    return Passes(test, passes.rate_kg_ha * to_peak, laid.T * to_peak, passes.relative)


@record(eq=False)
class PassCatches:
    """The usable passes of a test, gaps filled with the mean of the other passes.

    `rates` are turned to the travel direction of each pass and `laid` as the trays lay, each (passes, trays). A catch
    at a true rate of m has a variance of `scatter` x m + `reading`: the scatter that a slip or a shifted pass does not
    move, so that neither can hide itself.
    """

    numbers: tuple[int, ...]
    offset_m: FloatArray
    rates: FloatArray
    laid: FloatArray
    reversed: NDArray[np.bool_]
    scatter: float
    reading: float

    @cached_property
    def middle(self) -> FloatArray:
        """The middle pass at each tray."""
        return middle_of(self.rates)

    @cached_property
    def peak(self) -> float:
        """Largest rate of the middle pass."""
        return float(self.middle.max())

    def error(self, rate: FloatArray, share: float = 1.0) -> FloatArray:
        """Standard error of a catch at a true rate, times the square root of a share."""
        return np.asarray(np.sqrt((self.scatter * np.maximum(rate, 0.0) + self.reading) * share))


def _filled(rates: FloatArray) -> FloatArray:
    """A missing catch says nothing: it takes the mean of the tray's other passes."""
    missing = np.isnan(rates)
    if not missing.any():
        return rates
    weighed = np.maximum((~missing).sum(axis=0), 1)
    return np.asarray(np.where(missing, np.where(missing, 0.0, rates).sum(axis=0) / weighed, rates))


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
