"""What a field gets, cell by cell: its figures, its heaviest and lightest places, and its files."""

from __future__ import annotations

import io
import itertools
from collections.abc import Sequence
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from spreadcheck.errors import record
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
from spreadcheck.field.places import Zone, corners_of, extra, parts_of, rings_of
from spreadcheck.sheet.traytest import FloatArray
from spreadcheck.spread.profile import Profile
from spreadcheck.units import HECTARE_M2

NIL_PCT, NEAR_PCT = 5.0, 15.0
SHARES = ("nil", "under", "near", "over")


@record(eq=False)
class Ground:
    """The field on the ground: its outline, and the part that headland, bout ends and boundary can't touch."""

    polygon: Any
    interior: Any
    assumed: bool = False  # no boundary was given: the outline is what lies within half a bout of the track

    @property
    def area_ha(self) -> float:
        """Area without holes. [ha]"""
        return float(self.polygon.area) / HECTARE_M2


@record(eq=False)
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
        rates = self.rate_kg_ha[self.interior & self.inside]
        return _cv_pct(rates) if len(rates) >= 25 else None

    @cached_property
    def edge_cv_pct(self) -> float:
        """CV of the rest. [%]"""
        return _cv_pct(self.rate_kg_ha[self.inside & ~self.interior])

    @property
    def interior_share_pct(self) -> float:
        """Share of the field that is interior. [%]"""
        return 100 * float((self.interior & self.inside).sum() / self.inside.sum())

    @cached_property
    def share_pct(self) -> dict[str, float]:
        """Shares of the field that get nil, under, near and over the target. [%]"""
        ends = np.array([NIL_PCT, 100 - NEAR_PCT, np.nextafter(100 + NEAR_PCT, np.inf)])
        class_of = np.searchsorted(ends, 100 * self.field_kg_ha / self.target_kg_ha, "right")
        return dict(zip(SHARES, (100 * np.bincount(class_of, minlength=4) / len(class_of)).tolist(), strict=True))

    @cached_property
    def kg(self) -> dict[str, float]:
        """What is metered, falls outside, in excess on cells called over, either of these, and is missing on others."""
        rates, target, near = self.field_kg_ha, self.target_kg_ha, NEAR_PCT / 100
        over, under = (rates - target)[rates > target * (1 + near)], (target - rates)[rates < target * (1 - near)]
        field, excess, missing = (
            float(each.sum()) * self.raster.cell_m**2 / HECTARE_M2 for each in (rates, over, under)
        )
        outside = max(self.metered_kg - field, 0.0)
        return {
            "metered": self.metered_kg, "outside": outside, "excess": excess, "wasted": outside + excess,
            "missing": missing,
        }  # fmt: skip


@record(eq=False)
class OtherLanding:
    """The same way with the other landing model on coarse cells, and the cells of the field where the two differ."""

    found: FieldMap
    same_cell_cv_pct: float  # the field CV of the model that is shown, on these cells
    differs: NDArray[np.bool_]  # by more than 15 % of the target

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
    targets: Sequence[float],
    cell_m: float,
    progress: Progress | None = None,
) -> tuple[FieldMap, ...]:
    """The map of a field, one for each profile; profiles land at the same places."""
    step = cell_m / STEPS_A_CELL
    thrown = {
        border: thrown_by([bordered(one, border) for one in profiles] if border else profiles, landing, step)
        for border in {leg.border_m for leg in legs}
    }
    reach = max(strips.reach_m for strips in thrown.values())
    raster = raster_over(legs, reach, cell_m, also=rings_of(ground.polygon))
    rates = deposit_map(legs, thrown, raster, progress=progress)
    inside, interior = cells_inside(ground.polygon, raster), cells_inside(ground.interior, raster)
    metered = sum(thrown[leg.border_m].mass_kg_m.sum(axis=1) * leg.spread_m for leg in legs)
    return tuple(
        FieldMap(raster, landing, target, rate, inside, interior, float(mass))
        for rate, target, mass in zip(rates, targets, np.atleast_1d(metered), strict=True)
    )


def cells_inside(polygon: Any, raster: Raster) -> NDArray[np.bool_]:
    """Which cells have their centre inside a shapely polygon or several: crossings counted along each row."""
    toggles = np.zeros((raster.rows, raster.columns + 1), dtype=np.uint8)
    for ring in rings_of(polygon):
        # mark, for every row whose centre line an edge of the ring crosses, the first cell east of the crossing
        x = (ring[:, 0] - raster.west_m) / raster.cell_m
        y = (ring[:, 1] - raster.south_m) / raster.cell_m
        first, last = np.ceil(np.minimum(y[:-1], y[1:]) - 0.5), np.ceil(np.maximum(y[:-1], y[1:]) - 0.5)
        first, last = np.clip(first, 0, raster.rows).astype(int), np.clip(last, 0, raster.rows).astype(int)
        counts = last - first
        edge = np.repeat(np.arange(len(counts)), counts)
        row = np.arange(counts.sum()) - np.repeat(np.cumsum(counts) - counts - first, counts)
        slope = np.diff(x)[edge] / np.diff(y)[edge]
        column = np.ceil(x[edge] + (row + 0.5 - y[edge]) * slope - 0.5)
        np.bitwise_xor.at(toggles, (row, np.clip(column, 0, raster.columns).astype(int)), 1)
    return (np.bitwise_xor.accumulate(toggles, axis=1)[:, :-1]).astype(bool)


PATCH_M = 8.0  # a spot is judged over a patch of this side: smaller ones even out in the root zone
OVER, UNDER = 1.3, 0.7  # times the target
MOST = 4  # of either kind
WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@record
class Spot:
    """One place: its middle, how many times the target it gets over a patch, and what it is called."""

    number: int
    x_m: float
    y_m: float
    times: float
    name: str  # such as "headland corner north-east", "bout ends west", "inside south"


def find_spots(found: FieldMap, ground: Ground, *, bout_width_m: float, headland_m: float) -> tuple[Spot, ...]:
    """The heaviest and the lightest patches, farther apart than a bout width, heaviest first."""
    from scipy.ndimage import maximum_filter, uniform_filter

    cell = found.raster.cell_m
    size = max(round(PATCH_M / cell), 1)
    weight = uniform_filter(found.inside.astype(float), size, mode="constant")
    laid = uniform_filter(np.where(found.inside, found.rate_kg_ha / found.target_kg_ha, 0.0), size, mode="constant")
    patch = np.divide(laid, weight, out=np.ones_like(laid), where=weight > 0).round(9)  # equals stay equal
    whole = found.inside & (weight > 0.4)  # a sliver of a patch at the boundary is no patch
    apart = max(round(1.5 * bout_width_m / cell), 1)
    spots: list[Spot] = []
    east, north = found.raster.centres_m
    for sign, limit in ((1.0, OVER - 1), (-1.0, 1 - UNDER)):
        off, others, own = np.where(whole, sign * (patch - 1), -1.0), list(spots), list[Spot]()
        rows, columns = np.nonzero((off >= limit) & (off == maximum_filter(off, 2 * apart + 1)))
        for at in np.argsort(-off[rows, columns], kind="stable"):
            x, y = float(east[columns[at]]), float(north[rows[at]])
            near = [np.hypot(x - s.x_m, y - s.y_m) / w for some, w in ((others, 1), (own, 1.5)) for s in some]
            if len(own) < MOST and min(near, default=np.inf) > bout_width_m:
                times = max(0.0, float(patch[rows[at], columns[at]]))
                place = _place(x, y, ground, bout_width_m, headland_m)
                own.append(Spot(len(others) + len(own) + 1, x, y, times, place))
        spots += own
    return tuple(spots)


def _place(x: float, y: float, ground: Ground, bout_width_m: float, headland_m: float) -> str:
    """What a place is called: how it lies to the boundary, and on which side of the field."""
    point, polygon = extra("shapely", "the field map").Point(x, y), ground.polygon
    parts = parts_of(polygon)
    outer = min(part.exterior.distance(point) for part in parts)
    inner = min((hole.distance(point) for part in parts for hole in part.interiors), default=np.inf)
    away, hole = min(outer, inner), inner < outer
    outlines = [np.asarray(part.exterior.coords)[:, :2] for part in parts_of(polygon.simplify(3.0))]
    corners = np.concatenate([corners_of(outline, 35.0) for outline in outlines])
    corner = not hole and len(corners) and float(np.hypot(*(corners - [x, y]).T).min()) < 1.6 * bout_width_m
    place = "inside"
    if away <= max(headland_m, bout_width_m / 2) - bout_width_m / 4 or corner:
        place = ("headland" if headland_m else "edge") + " corner" * bool(corner)
    elif away <= headland_m + bout_width_m:
        place = "bout ends" if headland_m else "edge"
    angle = np.degrees(np.arctan2(x - polygon.centroid.x, y - polygon.centroid.y))
    return f"{place}{' at a hole' * (hole and place != 'inside')} {WINDS[round(angle / 45) % 8]}"


# rate bands in % of the target, lowest first
BANDS_PCT = (0.0, NIL_PCT, 50.0, 100 - NEAR_PCT, 100 + NEAR_PCT, 150.0, float("inf"))
NO_DATA = -1.0


def geotiff_bytes(found: FieldMap, zone: Zone | None) -> bytes:
    """The rates as a GeoTIFF of one 32-bit float band, north up, -1 where nothing fell outside the field."""
    tifffile = extra("tifffile", "a GeoTIFF")
    raster = found.raster
    shown = np.where((found.rate_kg_ha > 0) | found.inside, found.rate_kg_ha, NO_DATA)[::-1].astype(np.float32)
    west, _, _, north = raster.extent_m
    # GTModelType projected, GTRasterType pixel is area, ProjectedCRS (32767: user-defined), linear unit metre
    keys = [1, 1, 1, 4, 1024, 0, 1, 1, 1025, 0, 1, 1, 3072, 0, 1, zone.epsg if zone else 32767, 3076, 0, 1, 9001]
    tags = [
        (33550, "d", 3, (raster.cell_m, raster.cell_m, 0.0), True),
        (33922, "d", 6, (0.0, 0.0, 0.0, west, north, 0.0), True),
        (34735, "H", len(keys), tuple(keys), True),
        (42113, "s", 0, f"{NO_DATA:g}", True),
    ]
    content = io.BytesIO()
    tifffile.imwrite(
        content, shown, extratags=tags, compression="zlib", rowsperstrip=64, metadata=None, software="",
        description="application rate, kg/ha",
    )  # fmt: skip
    return content.getvalue()


def bands_geojson(found: FieldMap, zone: Zone | None) -> dict[str, Any]:
    """The rate bands as GeoJSON polygons, in longitude and latitude where the zone is known, else in metres."""
    shapely = extra("shapely", "rate bands")
    raster, corner = found.raster, np.array([found.raster.west_m, found.raster.south_m])
    of_target = 100 * found.rate_kg_ha / found.target_kg_ha

    def placed(points: FloatArray) -> FloatArray:
        return points.round(3) if zone is None else zone.degrees(points).round(8)

    features = []
    for low, high in itertools.pairwise(BANDS_PCT):
        cells = found.inside & (of_target >= low) & (of_target < high)
        if not cells.any():
            continue
        # each row's runs of cells as boxes
        edges = np.diff(np.pad(cells.astype(np.int8), ((0, 0), (1, 1))), axis=1)
        (rows, starts), (_, ends) = np.nonzero(edges == 1), np.nonzero(edges == -1)
        low_corners, high_corners = np.stack([(starts, rows), (ends, rows + 1)]) * raster.cell_m + corner[:, None]
        shape = shapely.union_all(shapely.box(*low_corners, *high_corners))
        shape = shapely.MultiPolygon(list(map(shapely.geometry.polygon.orient, parts_of(shape))))
        top = None if np.isinf(high) else high
        properties = {
            "from_kg_ha": round(low / 100 * found.target_kg_ha, 3),
            "to_kg_ha": top and round(top / 100 * found.target_kg_ha, 3),
            "from_pct_of_target": low,
            "to_pct_of_target": top,
            "area_ha": round(float(cells.sum()) * raster.cell_m**2 / HECTARE_M2, 6),
        }
        geometry = shapely.geometry.mapping(shapely.transform(shape, placed))
        features.append({"type": "Feature", "properties": properties, "geometry": geometry})
    return {"type": "FeatureCollection", "features": features}


def grid_csv(found: FieldMap) -> str:
    """Every cell that gets anything or lies in the field: x_m, y_m, rate_kg_ha, inside (1 or 0)."""
    x, y = found.raster.centres_m
    rows, columns = np.nonzero(found.inside | (found.rate_kg_ha > 0))
    cells = np.column_stack((x[columns], y[rows], found.rate_kg_ha[rows, columns], found.inside[rows, columns]))
    content = io.StringIO()
    np.savetxt(content, cells, fmt="%.10g,%.10g,%.6g,%d", header="x_m,y_m,rate_kg_ha,inside", comments="")
    return content.getvalue()
