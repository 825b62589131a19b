"""What was not caught: the plausible tails beyond the end trays, and the range they leave a figure in.

A tail runs straight to zero over 0, 1.5, 3, 5 or 8 m, never above an exponential that goes on as the last 2 m of trays
fell; or it is that exponential. What the metering gave out bounds what may lie there, where it is known.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cached_property
from itertools import product

import numpy as np

from spreadcheck.errors import record
from spreadcheck.limits import LIMITS
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import CUT, Profile
from spreadcheck.units import HECTARE_M2

FARTHEST_M = 25.0  # beyond an end tray: no tail is drawn farther
_STRAIGHT_M = (0.0, 1.5, 3.0, 5.0, 8.0)  # over which a straight tail runs to zero
_MIXED = ((0, 0), (1, 2), (2, 1), (3, 4), (4, 3), (5, 5))  # tails left and right that stand for all
_LEAST_FALL = 0.05  # a metre, of the logarithm of the rate: no tail goes on flatter
_CAUGHT = 0.9  # least share of what was metered that good trays keep
_LAST_M = 2.0
_CLOSED_PCT = 0.5  # end trays that catch no more leave no tail worth drawing


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


def ends_of(profile: Profile) -> Ends:
    """The end trays of a profile."""
    x, peak = profile.offset_m, float(profile.rate_kg_ha.max())
    share, falls = [], []
    for inward, rate in ((x - x[0], profile.rate_kg_ha), (x[-1] - x[::-1], profile.rate_kg_ha[::-1])):
        share.append(100 * float(rate[0]) / peak)
        # over the last 2 m of trays, or to the next tray where trays stand wider
        inner = max(int(np.searchsorted(inward, _LAST_M + 1e-9, side="right")) - 1, 1)
        fall = 10.0
        if rate[0] > 0:
            fall = float(np.log(rate[inner] / rate[0]) / inward[inner]) if rate[inner] > 0 else 0.0
        falls.append(max(fall, _LEAST_FALL))
    most = max(share)
    catch, open_ = (most > LIMITS[code].value for code in ("end catch", "open end"))
    return Ends(profile, (share[0], share[1]), (falls[0], falls[1]), catch, open_, most <= _CLOSED_PCT)


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
    ends = ends_of(profile)
    values = [figure(one) for one in (tailed(ends, metered_kg_ha_m) if ends.catch else (profile,))]
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
