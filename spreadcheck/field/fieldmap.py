"""What a field gets, cell by cell, and the figures of that map.

The field CV is that of the deposit over the cells whose centre lies inside the boundary. The interior is what headland,
bout ends and boundary can't touch; the rest is the edge. Shares are of the field's cells: nil under 5 % of the target,
under below 85 %, near within 15 %, over above 115 %.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spreadcheck.field.boundary import cells_inside
from spreadcheck.field.deposit import (
    STEPS_A_CELL,
    Landing,
    Leg,
    Progress,
    Raster,
    bordered,
    deposit_map,
    raster_over,
    thrown_by,
)
from spreadcheck.field.fieldpasses import support_m
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.profile import Profile
from spreadcheck.units import HECTARE_M2

NIL_PCT, NEAR_PCT = 5.0, 15.0
SHARES = ("nil", "under", "near", "over")


@dataclass(frozen=True, eq=False)
class Ground:
    """The field on the ground: its outline, and the part that headland, bout ends and boundary can't touch (shapely).

    `assumed` says that no boundary was given and the outline is what lies within half a bout of the track.
    """

    polygon: Any
    interior: Any
    assumed: bool = False


@dataclass(frozen=True, eq=False)
class FieldMap:
    """What every cell gets. Arrays have rows from the south and columns from the west."""

    raster: Raster
    landing: Landing
    target_kg_ha: float
    rate_kg_ha: FloatArray
    inside: NDArray[np.bool_]
    interior: NDArray[np.bool_]
    metered_kg: float

    @cached_property
    def field_kg_ha(self) -> FloatArray:
        """The rates of the field's cells. [kg/ha]"""
        return self.rate_kg_ha[self.inside]

    @property
    def mean_kg_ha(self) -> float:
        """Mean rate over the field. [kg/ha]"""
        return float(self.field_kg_ha.mean())

    @cached_property
    def field_cv_pct(self) -> float:
        """The field CV. [%]"""
        return _cv_pct(self.field_kg_ha)

    @cached_property
    def interior_cv_pct(self) -> float | None:
        """CV of the interior; None where the field has none. [%]"""
        chosen = self.rate_kg_ha[self.interior & self.inside]
        return _cv_pct(chosen) if len(chosen) >= 25 else None

    @cached_property
    def edge_cv_pct(self) -> float:
        """CV of the rest. [%]"""
        return _cv_pct(self.rate_kg_ha[self.inside & ~self.interior])

    @property
    def interior_pct(self) -> float:
        """Share of the field that is interior. [%]"""
        return 100 * float((self.interior & self.inside).sum() / self.inside.sum())

    @cached_property
    def share_pct(self) -> dict[str, float]:
        """Shares of the field that get nil, under, near and over the target. [%]"""
        of_target = 100 * self.field_kg_ha / self.target_kg_ha
        ends = np.array([NIL_PCT, 100 - NEAR_PCT, np.nextafter(100 + NEAR_PCT, np.inf)])
        counts = np.bincount(np.searchsorted(ends, of_target, "right"), minlength=4)
        return dict(zip(SHARES, (100 * counts / len(of_target)).tolist(), strict=True))

    def _kg(self, rates: FloatArray) -> float:
        return float(rates.sum()) * self.raster.cell_m**2 / HECTARE_M2

    @property
    def outside_kg(self) -> float:
        """What falls outside the field. [kg]"""
        return max(self.metered_kg - self._kg(self.field_kg_ha), 0.0)

    @property
    def excess_kg(self) -> float:
        """What the cells called over get above the target. [kg]"""
        over = self.field_kg_ha > self.target_kg_ha * (1 + NEAR_PCT / 100)
        return self._kg(self.field_kg_ha[over] - self.target_kg_ha)

    @property
    def wasted_kg(self) -> float:
        """What falls outside or on cells that have more than enough. [kg]"""
        return self.outside_kg + self.excess_kg

    @property
    def missing_kg(self) -> float:
        """What the cells called under or nil lack to the target. [kg]"""
        under = self.field_kg_ha < self.target_kg_ha * (1 - NEAR_PCT / 100)
        return self._kg(self.target_kg_ha - self.field_kg_ha[under])


@dataclass(frozen=True, eq=False)
class OtherLanding:
    """The same way with the other landing model on coarse cells, and the cells of the field where the two differ.

    They differ where one gives more than 15 % of the target more or less than the other.
    """

    landing: Landing
    found: FieldMap
    same_cell_cv_pct: float  # the field CV of the model that is shown, on these cells
    differs: NDArray[np.bool_]

    @property
    def field_cv_pct(self) -> float:
        """The field CV with the other landing model. [%]"""
        return self.found.field_cv_pct

    @property
    def cell_m(self) -> float:
        """The coarse cell. [m]"""
        return self.found.raster.cell_m

    @property
    def differ_pct(self) -> float:
        """Share of the field where the two differ. [%]"""
        return 100 * float(self.differs.sum() / self.found.inside.sum())


def _cv_pct(rates: FloatArray) -> float:
    mean = float(rates.mean()) if len(rates) else 0.0
    return 100 * float(rates.std()) / mean if mean > 0 else float("nan")


def map_field(
    legs: Sequence[Leg],
    profiles: Sequence[Profile],
    ground: Ground,
    landing: Landing,
    *,
    bout_width_m: float,
    target_kg_ha: Sequence[float],
    cell_m: float,
    base_m: float | None = None,
    progress: Progress | None = None,
) -> tuple[FieldMap, ...]:
    """The map of a field, one for each profile; profiles land at the same places.

    >>> from shapely import box
    >>> from spreadcheck.field.deposit import leg_of
    >>> from spreadcheck.spread.profile import profile_from
    >>> flat = profile_from([-6, 6], [100, 100], tails="cut")
    >>> legs = [leg_of(np.array([0.0, 100.0]), np.array([y, y])) for y in (6.0, 18.0)]
    >>> field = Ground(box(0, 0, 100, 24), box(0, 0, 0, 0))
    >>> found, = map_field(legs, [flat], field, Landing("line", 5), bout_width_m=12, target_kg_ha=[100], cell_m=1)
    >>> round(found.metered_kg, 6), round(found.outside_kg, 1), {k: round(v, 1) for k, v in found.share_pct.items()}
    (24.0, 1.3, {'nil': 4.0, 'under': 1.0, 'near': 95.0, 'over': 0.0})
    """
    step = cell_m / STEPS_A_CELL
    thrown: Mapping[str, Any] = {"": thrown_by(profiles, landing, step)} | {
        side: thrown_by([bordered(profile, bout_width_m, side) for profile in profiles], landing, step)
        for side in {leg.border for leg in legs} - {""}
    }
    reach = max(strips.reach_m for strips in thrown.values())
    outline = [np.asarray(part.exterior.coords)[:, :2] for part in getattr(ground.polygon, "geoms", [ground.polygon])]
    raster = raster_over(legs, reach, cell_m, also=outline)
    rates = deposit_map(legs, thrown, raster, base_m=base_m, progress=progress)
    inside, interior = cells_inside(ground.polygon, raster), cells_inside(ground.interior, raster)
    metered = sum(thrown[leg.border].mass_kg_m.sum(axis=1) * leg.spread_m for leg in legs)
    return tuple(
        FieldMap(raster, landing, target, rate, inside, interior, float(mass))
        for rate, target, mass in zip(rates, target_kg_ha, np.atleast_1d(metered), strict=True)
    )


def reach_of(profile: Profile) -> float:
    """How far a pattern reaches to its farther side. [m]"""
    return max(abs(end) for end in support_m(profile))
