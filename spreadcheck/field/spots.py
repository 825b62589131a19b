"""Places of a field that get far too much or far too little, named so that a driver finds them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from spreadcheck.field.extras import extra
from spreadcheck.field.fieldmap import FieldMap, Ground
from spreadcheck.sheet.traytest import FloatArray

PATCH_M = 8.0  # a spot is judged over a patch of this side: smaller ones even out in the root zone
OVER, UNDER = 1.3, 0.7  # times the target
MOST = 4  # of either kind
WINDS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


@dataclass(frozen=True)
class Spot:
    """One place: its middle, how many times the target it gets over a patch, and what it is called."""

    number: int
    x_m: float
    y_m: float
    times: float
    place: str  # "headland corner", "headland", "bout ends", "inside"
    wind: str  # side of the field

    @property
    def name(self) -> str:
        """Such as "headland corner north-east"."""
        return f"{self.place} {self.wind}"


def find_spots(found: FieldMap, ground: Ground, *, bout_width_m: float, headland_m: float) -> tuple[Spot, ...]:
    """The heaviest and the lightest patches, farther apart than a bout width, heaviest first."""
    from scipy.ndimage import maximum_filter, uniform_filter

    cell = found.raster.cell_m
    size = max(round(PATCH_M / cell), 1)
    weight = uniform_filter(found.inside.astype(float), size, mode="constant")
    laid = uniform_filter(np.where(found.inside, found.rate_kg_ha / found.target_kg_ha, 0.0), size, mode="constant")
    patch = np.divide(laid, weight, out=np.ones_like(laid), where=weight > 0)
    whole = found.inside & (weight > 0.4)  # a sliver of a patch at the boundary is no patch
    apart = max(round(1.5 * bout_width_m / cell), 1)
    spots: list[tuple[float, float, float]] = []
    east, north = found.raster.centres_m
    for sign, limit in ((1.0, OVER - 1), (-1.0, 1 - UNDER)):
        off = np.where(whole, sign * (patch - 1), -1.0)
        peaks = (off >= limit) & (off == maximum_filter(off, 2 * apart + 1))
        rows, columns = np.nonzero(peaks)
        order = np.argsort(-off[rows, columns], kind="stable")
        kept: list[tuple[float, float, float]] = []
        for at in order:
            x, y = float(east[columns[at]]), float(north[rows[at]])
            if all(np.hypot(x - a, y - b) > bout_width_m for a, b, _ in (*spots, *kept)):
                kept.append((x, y, max(float(patch[rows[at], columns[at]]), 0.0)))
            if len(kept) == MOST:
                break
        spots += kept
    return tuple(
        Spot(number, x, y, times, *_name(x, y, ground, bout_width_m, headland_m))
        for number, (x, y, times) in enumerate(spots, start=1)
    )


def _name(x: float, y: float, ground: Ground, bout_width_m: float, headland_m: float) -> tuple[str, str]:
    """What a place is called: how it lies to the boundary, and on which side of the field."""
    shapely = extra("shapely", "the field map")
    point, polygon = shapely.Point(x, y), ground.polygon
    parts = getattr(polygon, "geoms", [polygon])
    outer = min(part.exterior.distance(point) for part in parts)
    holes = [hole.distance(point) for part in parts for hole in part.interiors]
    hole = min(holes, default=np.inf) < outer
    away = min([outer, *holes])
    corners = _corners(ground)
    corner = not hole and len(corners) and float(np.hypot(*(corners - [x, y]).T).min()) < 1.6 * bout_width_m
    if away <= max(headland_m, bout_width_m / 2) - bout_width_m / 4 or corner:
        place = "headland" if headland_m else "edge"
        place += " corner" if corner else ""
    elif away <= headland_m + bout_width_m:
        place = "bout ends" if headland_m else "edge"
    else:
        place = "inside"
    place += " at a hole" if hole and place != "inside" else ""
    angle = np.degrees(np.arctan2(x - polygon.centroid.x, y - polygon.centroid.y))
    return place, WINDS[round(angle / 45) % 8]


def _corners(ground: Ground) -> FloatArray:
    """Corners of the outline where it turns by 35 degrees or more."""
    rings = [part.exterior for part in getattr(ground.polygon.simplify(3.0), "geoms", [ground.polygon.simplify(3.0)])]
    found = []
    for ring in rings:
        points = np.asarray(ring.coords)[:-1, :2]
        before, after = points - np.roll(points, 1, axis=0), np.roll(points, -1, axis=0) - points
        turn = np.degrees(np.arctan2(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0], (before * after).sum(1)))
        found.append(points[np.abs(turn) >= 35])
    return np.concatenate(found) if found else np.zeros((0, 2))
