"""Catches -> single-pass profile: the application rate of one pass against offset, and what the trays did not catch.

Rate at a tray = catch_g / runs / (tray width x tray length) x 10, because 1 g/m2 = 10 kg/ha.

A plausible tail beyond an end tray runs straight to zero over 0, 1.5, 3, 5 or 8 m, never above an exponential that goes
on as the last 2 m of trays fell; or it is that exponential. What the metering gave out bounds what may lie there, where
it is known. All of them together leave a figure a range.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property
from itertools import product

import numpy as np
from numpy.typing import ArrayLike

from spreadcheck.errors import Fault, NoSpreadError, QuantityError, record
from spreadcheck.limits import LIMITS
from spreadcheck.sheet.traytest import FloatArray, TrayTest, catch_g, rates_known
from spreadcheck.units import HECTARE_M2

TAPER = "taper"
CUT = "cut"
TAILS = (TAPER, CUT)
MAX_RATE_KG_HA = 100_000.0
_ROUNDING = 1e-11
SAME_PLACE = 1e-6  # of the smallest tray spacing: offsets closer than this are one place
FARTHEST_M = 25.0  # beyond an end tray: no tail is drawn farther
_STRAIGHT_M = (0.0, 1.5, 3.0, 5.0, 8.0)  # over which a straight tail runs to zero
_MIXED = ((0, 0), (1, 2), (2, 1), (3, 4), (4, 3), (5, 5))  # tails left and right that stand for all
_LEAST_FALL = 0.05  # a metre, of the logarithm of the rate: no tail goes on flatter
_CAUGHT = 0.9  # least share of what was metered that good trays keep
_LAST_M = 2.0
_CLOSED_PCT = 0.5  # end trays that catch no more leave no tail worth drawing


@record(eq=False)
class Profile:
    """Application rate of one pass against offset; linear between trays.

    Beyond the end trays it runs linearly to zero over the last tray spacing (tails "taper") or stops at the end tray
    ("cut"). `relative` says that no bulk density was known: the rates are then in % of the peak.
    """

    offset_m: FloatArray
    rate_kg_ha: FloatArray
    tails: str = TAPER
    passes_used: int = 1
    filled_offset_m: tuple[float, ...] = ()
    dropped_offset_m: tuple[float, ...] = ()
    relative: bool = False

    @cached_property
    def spacing_m(self) -> float:
        """The smallest tray spacing. [m]"""
        return float(np.diff(self.offset_m).min())

    @cached_property
    def places(self) -> FloatArray | None:
        """The trays' places on an even line from the first on, in whole spacings; None where they stand unevenly."""
        places = (self.offset_m - self.offset_m[0]) / self.spacing_m
        whole = np.rint(places)
        return whole if np.abs(places - whole).max() <= SAME_PLACE * len(places) else None

    @property
    def even(self) -> bool:
        """Whether all trays stand the same distance apart."""
        return self.places is not None and bool(self.places[-1] == len(self.places) - 1)

    @cached_property
    def on_grid(self) -> bool:
        """Whether all trays stand on an even grid to rounding, so that a place between them is a division."""
        x = self.offset_m
        return bool(np.abs(x - np.linspace(x[0], x[-1], len(x))).max() <= _ROUNDING * self.spacing_m)

    @cached_property
    def knots(self) -> tuple[FloatArray, FloatArray]:
        """Offsets and rates between which the profile is linear, tails included. [m], [kg/ha]"""
        x, y = self.offset_m, self.rate_kg_ha
        if self.tails == CUT:
            return x, y
        ends = (2 * x[0] - x[1], 2 * x[-1] - x[-2])
        return np.concatenate(([ends[0]], x, [ends[1]])), np.concatenate(([0.0], y, [0.0]))

    @cached_property
    def reach_m(self) -> float:
        """How far from its centre line a pass leaves anything. [m]"""
        return float(np.abs(self.knots[0]).max())

    @cached_property
    def half_rate_width_m(self) -> float:
        """The width over which at least half the peak rate fell. [m]"""
        high = self.offset_m[self.rate_kg_ha >= self.rate_kg_ha.max() / 2]
        return max(float(high[-1] - high[0]), self.spacing_m)

    @cached_property
    def area_kg_ha_m(self) -> float:
        """M, the area under the profile: mean deposit times bout width. [kg/ha m]"""
        x, y = self.knots
        return float(((y[1:] + y[:-1]) * (x[1:] - x[:-1])).sum() / 2)

    @cached_property
    def centre_m(self) -> float:
        """Centre of the spread: the mean offset of what was thrown, right positive. [m]"""
        x, y = self.knots
        moments = x[:-1] * (2 * y[:-1] + y[1:]) + x[1:] * (y[:-1] + 2 * y[1:])
        return float((moments * (x[1:] - x[:-1])).sum() / 6 / self.area_kg_ha_m)

    @cached_property
    def left_share_pct(self) -> float:
        """Share of the spread that falls left of the driving centre line. [%]"""
        x, y = self.knots
        at_zero = np.interp(0.0, x, y, left=0.0, right=0.0)
        x_left = np.append(x[x < 0], min(0.0, x[-1]))
        y_left = np.append(y[x < 0], at_zero if x[-1] > 0 else y[-1])
        area = float(((y_left[1:] + y_left[:-1]) * np.diff(x_left)).sum() / 2)
        return 100.0 * area / self.area_kg_ha_m

    @cached_property
    def ends(self) -> Ends:
        """The end trays: what they still caught, and how steeply the rate falls there."""
        x, peak = self.offset_m, float(self.rate_kg_ha.max())
        share, falls = [], []
        for inward, rate in ((x - x[0], self.rate_kg_ha), (x[-1] - x[::-1], self.rate_kg_ha[::-1])):
            share.append(100 * float(rate[0]) / peak)
            # over the last 2 m of trays, or to the next tray where trays stand wider
            inner = max(int(np.searchsorted(inward, _LAST_M + 1e-9, side="right")) - 1, 1)
            fall = 10.0
            if rate[0] > 0:
                fall = float(np.log(rate[inner] / rate[0]) / inward[inner]) if rate[inner] > 0 else 0.0
            falls.append(max(fall, _LEAST_FALL))
        most = max(share)
        catch, open_ = (most > LIMITS[code].value for code in ("end catch", "open end"))
        return Ends(self, (share[0], share[1]), (falls[0], falls[1]), catch, open_, most <= _CLOSED_PCT)


@record(eq=False)
class Ends:
    """The end trays of a profile: what they still caught, and how steeply the rate falls there.

    `share_pct` are shares of the peak and `fall_per_m` falls of the logarithm of the rate, left and right. They `catch`
    where more lies in them than a good line leaves there, are `open` where no single figure holds that rests on the
    tails, and `closed` where there is no tail worth drawing.
    """

    profile: Profile
    share_pct: tuple[float, float]
    fall_per_m: tuple[float, float]
    catch: bool
    open: bool
    closed: bool

    @cached_property
    def reach_m(self) -> float:
        """How far tails are drawn beyond the end trays. [m]"""
        if self.closed:
            return 2 * self.profile.spacing_m
        last = [np.log(max(share, 1.0)) / fall for share, fall in zip(self.share_pct, self.fall_per_m, strict=True)]
        return float(np.clip(max(last), _STRAIGHT_M[-1], FARTHEST_M))

    @property
    def every(self) -> tuple[tuple[int, int], ...]:
        """All tails left and right; on a side where there is none worth drawing the one that is nothing."""
        left, right = (range(1 if share <= _CLOSED_PCT else len(_STRAIGHT_M) + 1) for share in self.share_pct)
        return tuple(product(left, right))

    @property
    def pairs(self) -> tuple[tuple[int, int], ...]:
        """Tails left and right that are tried: all of them where the ends are open, six that stand for all else."""
        return self.every if self.open else _MIXED[:1] if self.closed else _MIXED

    def tail(self, side: int, kind: int, beyond_m: FloatArray) -> FloatArray:
        """A tail on one side (0 left, 1 right) over its end tray, at distances beyond it. [-]"""
        on = np.exp(-self.fall_per_m[side] * beyond_m)
        if kind == len(_STRAIGHT_M):
            return np.asarray(on)
        length = _STRAIGHT_M[kind]
        return np.asarray(np.minimum(np.maximum(1 - beyond_m / length, 0.0) if length else 0.0, on))

    def profile_with(self, left: int, right: int) -> Profile:
        """The profile with two of the tails drawn, at the tray spacing."""
        one, gap = self.profile, self.profile.spacing_m
        beyond: FloatArray = np.arange(1.0, int(self.reach_m / gap) + 2) * gap
        rates = [one.rate_kg_ha[-side] * self.tail(side, kind, beyond) for side, kind in ((0, left), (1, right))]
        rates[0][-1] = rates[1][-1] = 0.0
        return replace(
            one,
            offset_m=np.concatenate((one.offset_m[0] - beyond[::-1], one.offset_m, one.offset_m[-1] + beyond)),
            rate_kg_ha=np.concatenate((rates[0][::-1], one.rate_kg_ha, rates[1])),
            tails=CUT,
        )


def pass_rates(test: TrayTest, *, relative: bool = False, component: str = "") -> tuple[FloatArray, FloatArray]:
    """Rate of every pass at every tray (passes x trays): as the trays lay, and turned to each pass's travel direction.

    Where the trays of a reversed pass fall between tray offsets, the pass is interpolated linearly between them.
    """
    caught = catch_g(test, relative=relative).T
    numbers = [column.pass_no for column in test.columns]
    if component:
        rows = np.full((len(test.passes), caught.shape[1]), np.nan)  # NaN where it was not weighed on its own
        for column, catches in zip(test.columns, caught, strict=True):
            if column.component == component:
                rows[test.passes.index(column.pass_no)] = catches
        caught = rows
    elif len(set(numbers)) < len(numbers) or numbers != sorted(numbers):
        caught = np.array([caught[[n == number for n in numbers]].sum(axis=0) for number in test.passes])
    laid = np.asarray(caught * test.kg_ha_per_g)
    turned = [at for at, number in enumerate(test.passes) if number in test.reversed_passes]
    if not turned:
        return laid, laid
    offset, mirrored = test.offset_m, -test.offset_m[::-1]
    gap, rates = np.diff(offset).min(), laid.copy()
    near = np.searchsorted(mirrored, offset - gap / 2).clip(max=len(offset) - 1)
    there = np.abs(mirrored[near] - offset) <= SAME_PLACE * gap  # a tray stood there, but for rounding
    for at in turned:
        row = laid[at, ::-1]
        rates[at] = np.where(there, row[near], np.interp(offset, mirrored, row, left=np.nan, right=np.nan))
    return laid, rates


def profile_of(test: TrayTest, *, tails: str = TAPER, relative: bool = False, component: str = "") -> Profile:
    """The single-pass profile of a test: the mean of the usable passes at each tray.

    Trays with no usable catch are filled by linear interpolation between their neighbours; missing end trays are
    dropped. Both are listed in the result.

    Parameters
    ----------
    test : TrayTest
        The test. [-]
    tails : str
        What happens beyond the end trays: "taper" or "cut". [-]
    relative : bool
        Whether rates in proportion are enough where catches are in ml and no bulk density is given. [-]
    component : str
        One component of a blend; the whole catch if empty. [-]

    Returns
    -------
    Profile
        The profile. [m, kg/ha]

    Raises
    ------
    NoSpreadError
        If fewer than two trays have a usable catch, or nothing was caught at all.

    Examples
    --------
    >>> from spreadcheck.sheet.traytest import tray_test
    >>> nan = float("nan")
    >>> test = tray_test([-2, -1, 0, 1, 2], [2, 4, nan, 4, nan], tray_width="0.5 m", tray_length="0.5 m")
    >>> profile = profile_of(test)
    >>> profile.rate_kg_ha, profile.filled_offset_m, profile.dropped_offset_m
    (array([ 80., 160., 160., 160.]), (0.0,), (2.0,))
    """
    rates = pass_rates(test, relative=relative, component=component)[1]
    usable = ~np.isnan(rates)
    counts = usable.sum(axis=0)
    return profile_from(
        test.offset_m,
        np.where(usable, rates, 0.0).sum(axis=0) / np.where(counts > 0, counts, np.nan),
        tails=tails,
        passes_used=int(usable.any(axis=1).sum()),
        relative=relative and not rates_known(test),
        source=test.source,
    )


def profile_from(
    offset_m: ArrayLike,
    rate_kg_ha: ArrayLike,
    *,
    tails: str = TAPER,
    passes_used: int = 1,
    relative: bool = False,
    source: str = "",
) -> Profile:
    """A profile from plain arrays, with gaps (NaN) filled and missing ends dropped.

    Parameters
    ----------
    offset_m : array_like, shape (trays,)
        Offsets, increasing. [m]
    rate_kg_ha : array_like, shape (trays,)
        Mean rates; NaN for a gap. [kg/ha]
    tails : str
        "taper" or "cut". [-]
    passes_used : int
        How many passes are in the mean. [-]
    relative : bool
        Whether the rates are only in proportion; they are then scaled to a peak of 100. [-]
    source : str
        Where the numbers came from, for messages. [-]

    Returns
    -------
    Profile
        The profile. [m, kg/ha]

    Raises
    ------
    NoSpreadError
        If fewer than two trays have a rate, or all rates are zero.

    Examples
    --------
    >>> profile = profile_from([-1, 0, 1], [100, 200, 100])
    >>> profile.area_kg_ha_m, profile.centre_m, profile.left_share_pct
    (400.0, 0.0, 50.0)
    """
    offset, rate = np.asarray(offset_m, dtype=float), np.asarray(rate_kg_ha, dtype=float)
    if tails not in TAILS:
        raise NoSpreadError(Fault(source, f'"{tails}" is not a rule for tails', f"use one of {', '.join(TAILS)}"))
    weighed = np.flatnonzero(~np.isnan(rate))
    if len(weighed) < 2:
        remedy = "weigh at least two trays; a useful test has ten or more across the width"
        raise NoSpreadError(Fault(source, f"only {len(weighed)} of {len(rate)} trays have a usable catch", remedy))
    inside = slice(weighed[0], weighed[-1] + 1)
    kept, gaps = offset[inside], np.isnan(rate[inside])
    rates = np.interp(kept, offset[weighed], rate[weighed]) if gaps.any() else rate[inside]
    if not rates.any():
        remedy = "check that the spreader was running and that grams were entered"
        raise NoSpreadError(Fault(source, "all catches are 0, so there is no pattern", remedy))
    if relative:
        rates = rates * (100.0 / rates.max())
    dropped = (*offset[: inside.start].tolist(), *offset[inside.stop :].tolist())
    return Profile(kept, rates, tails, passes_used, tuple(kept[gaps].tolist()), dropped, relative)


def metering_factor(profile: Profile, bout_width_m: float, target_kg_ha: float) -> float:
    """How much more or less must be metered than in the test, for the mean deposit to be the target rate. [-]

    The pattern is taken to keep its shape at the new metering: a test at that metering decides.
    """
    if not 0 < target_kg_ha <= MAX_RATE_KG_HA:
        remedy = f"give a rate above 0 and up to {MAX_RATE_KG_HA:,.0f} kg/ha"
        raise QuantityError(Fault("target rate", f"{target_kg_ha:g} kg/ha can't be spread", remedy))
    return target_kg_ha * bout_width_m / profile.area_kg_ha_m


def at_target_rate(profile: Profile, bout_width_m: float, target_kg_ha: float) -> Profile:
    """The profile scaled so that the mean deposit at a bout width is the target rate."""
    factor = metering_factor(profile, bout_width_m, target_kg_ha)
    return replace(profile, rate_kg_ha=profile.rate_kg_ha * factor, relative=False)


@record
class FigureRange:
    """A figure over all plausible tails: its least and largest value."""

    least: float
    most: float

    @property
    def single(self) -> bool:
        """Whether the tails don't matter to it."""
        return self.least == self.most


def over_tails(
    profile: Profile, figure: Callable[[Profile], float], *, metered_kg_ha_m: float | None = None
) -> FigureRange:
    """The range of a figure over the plausible tails of a profile."""
    values = [figure(one) for one in (tailed(profile.ends, metered_kg_ha_m) if profile.ends.catch else (profile,))]
    return FigureRange(min(values), max(values))


def tailed(ends: Ends, metered_kg_ha_m: float | None = None) -> tuple[Profile, ...]:
    """The profile with every plausible pair of tails that the metering allows."""
    profiles = [ends.profile_with(left, right) for left, right in ends.every]
    return tuple(profiles[at] for at in allowed([one.area_kg_ha_m for one in profiles], metered_kg_ha_m))


def allowed(areas: Sequence[float], metered_kg_ha_m: float | None) -> list[int]:
    """Which of several totals under a pattern the metering allows; all of them where it fits none: it is wrong then."""
    every = list(range(len(areas)))
    if metered_kg_ha_m is None:
        return every
    return [at for at in every if _CAUGHT <= areas[at] / metered_kg_ha_m <= 1.0] or every


def metered_kg_ha_m(test: TrayTest, bout_width_m: float | None = None) -> float | None:
    """What the form says was metered, as a rate times the width it was metered for; None where it does not say."""
    discharge, speed = test.quantity("discharge"), test.quantity("travel speed")
    if discharge and speed:
        return HECTARE_M2 * discharge / speed
    rate = test.quantity("metered rate")
    width = test.quantity("metered width") or test.bout_width_m or bout_width_m
    return rate * width if rate and width else None
