"""Outlet by outlet: which outlet of a boom or a drop spreader gives less or more than the others, and by how much.

An outlet of a boom lays a fan that reaches to its neighbours (a triangle, common practice: fans that overlap by half),
a gap of a drop spreader a strip as wide as the spacing. What is missing or over is fitted as so much of one fan, by
least squares over its trays; at the two end outlets over those on the inner side, as nothing fills the outer one. Each
is held against the middle outlet; at the ends a line that lies off counts as chance. Fans that reach further show an
outlet that gives nothing as less than all missing.
"""

from __future__ import annotations

import math

import numpy as np

from spreadcheck.errors import record
from spreadcheck.limits import LIMITS
from spreadcheck.passes.passes import holm
from spreadcheck.passes.sides import Difference, chance_of, difference, usual_shift_m
from spreadcheck.pattern.figures import Chance
from spreadcheck.pattern.kinds import BOOM
from spreadcheck.sheet.traytest import FloatArray, TrayTest
from spreadcheck.spread.profile import Profile

FEWEST = 4
_BODY = 0.5  # of the peak: trays that are taken one by one where outlets are not known
_NEAR = 1e-6
_SHARE = 0.6  # of a chance of error of 5 %: the figures of the sides are asked of a boom as well


@record
class Outlet:
    """One outlet: its number from the left (0: a tray), its offset, and how far it is off the middle one, a share."""

    number: int
    offset_m: float
    off: Difference


@record
class Outlets:
    """The outlets of a machine; `by` says where their places are known from."""

    by: str
    every: tuple[Outlet, ...]

    @property
    def odd(self) -> tuple[Outlet, ...]:
        """Those that stand clear, the furthest off first; not those that are only short beside a worse one."""
        clear = [outlet for outlet in self.every if outlet.off.clear]
        kept = [
            outlet
            for outlet in clear
            if not any(
                abs(self.every.index(other) - self.every.index(outlet)) == 1
                and other.off.value * outlet.off.value > 0
                and abs(other.off.value) > 2 * abs(outlet.off.value)
                for other in clear
            )
        ]
        return tuple(sorted(kept, key=lambda outlet: -abs(outlet.off.value)))


def outlets_of(kind: str, test: TrayTest, profile: Profile, chance: Chance, width_m: float) -> Outlets | None:
    """Every outlet against the middle one; by single trays where the sheet does not say where the outlets are."""
    x, rate = profile.offset_m, profile.rate_kg_ha / chance.noise.peak_kg_ha
    places, spacing, by = _places(test, width_m)
    inside = (places >= x[0] - spacing / 2) & (places <= x[-1] + spacing / 2)
    numbers, at = np.flatnonzero(inside) + 1, places[inside]
    away = np.abs(x - at[:, None]) / spacing
    fans = np.maximum(1 - away, 0) if kind == BOOM else np.clip((0.5 - away) / _NEAR, -0.5, 0.5) + 0.5
    if len(at):
        fans[0, (x < at[0] - _NEAR) & inside[0]] = 0.0
        fans[-1, (x > at[-1] + _NEAR) & inside[-1]] = 0.0
    if len(at) < FEWEST or not fans.any(axis=1).all():
        by = "single trays" if not by else "single trays, as some outlets have no tray"
        body = np.flatnonzero(rate > _BODY * np.median(rate[rate > _BODY * rate.max()]))
        inner = np.arange(body[0] + 1, body[-1])  # the end trays may stand half outside
        numbers, at, fans = np.zeros(len(inner), int), x[inner], np.eye(len(x))[inner]
    if len(at) < FEWEST:
        return None
    whole = fans.sum(axis=1, keepdims=True)
    weights, alone = fans / whole, whole / (fans**2).sum(axis=1, keepdims=True)
    levels = weights @ rate
    middle = float(np.median(levels))
    if middle <= 0:
        return None
    beside = levels / middle
    off = alone[:, 0] * (beside - 1)
    variance = chance.variances(alone * (weights - beside[:, None] * weights.mean(axis=0)) / middle)
    least = LIMITS["outlet gap"].value / 100
    alike = (LIMITS["unlike sides"].value / 100) ** 2  # good outlets differ too
    ends = np.isin(numbers, (1, max(len(places), 1)))  # a line that lies off takes so much of an end outlet's edge
    variance[ends] += (usual_shift_m(test) / spacing * (alone * weights).max(axis=1)[ends, None]) ** 2
    chances = [chance_of(chance.noise, *each) for each in zip(off.tolist(), variance + alike, strict=True)]
    p = np.minimum(holm(chances) / _SHARE, 1.0)
    told = [difference(chance.noise, *each, least) for each in zip(off.tolist(), variance, p.tolist(), strict=True)]
    return Outlets(by, tuple(map(Outlet, numbers.tolist(), at.tolist(), told)))


def _places(test: TrayTest, width_m: float) -> tuple[FloatArray, float, str]:
    """Where the outlets are: by number and spacing, or by one of them and the width."""
    number, spacing = test.quantity("number of outlets"), test.quantity("outlet spacing")
    by = "outlet spacing and number" if number and spacing else "outlet spacing" if spacing else "number of outlets"
    if spacing and not number and not math.isnan(width_m):
        number = round(width_m / spacing)
    elif number and not spacing and not math.isnan(width_m):
        spacing = width_m / number
    if not number or not spacing or number < FEWEST:
        return np.array([]), math.nan, ""
    return np.asarray((np.arange(int(number)) - (int(number) - 1) / 2) * spacing, float), float(spacing), by
